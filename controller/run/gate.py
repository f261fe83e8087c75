"""Checks that a plan passes before it becomes a run.

The record is trusted at every later start. So a plan is read strictly and then tried out: its
recorded text is read back, and every coat is folded from its weighing to its parking. The frame's
motion, the view and the alerts are computed along the way.
A plan that fails here is refused with one line, before anything is written.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from evenwall.devices.interfaces import Press
from evenwall.errors import EvenwallError, InputError, RecordError
from evenwall.model import (
    CoatPlan,
    Details,
    Plan,
    RigSpec,
    Step,
    parse,
    sound,
)
from evenwall.model.seal import has_seal, sealed
from evenwall.numerics.cure import wall_material
from evenwall.run import motion
from evenwall.run.events import (
    CoatDone,
    Gelled,
    Parked,
    PartsMet,
    Poured,
    RunEvent,
    Started,
    Stepped,
    TurningEnded,
    Weighed,
)
from evenwall.run.folding import UNFIT, begin
from evenwall.run.observation import GelReading, Observation, Queue
from evenwall.run.replay import DETAIL, replay_of
from evenwall.run.state import RunState
from evenwall.run.step import step
from evenwall.run.view import snapshot
from evenwall_bridge.contract import AxisState, BridgeError, Mode, RigState

ROUNDED = 1.01  # rounding may put a plan's figures over a limit
PLAN_BYTES = 20_000_000  # of the record's text
TRIED = "a trial of the plan"


def admit(plan: Plan, spec: RigSpec, *, sent: bool = False) -> Plan:
    """Return the plan as it will run on this frame. Raises InputError.

    sent: the plan comes from a file or from the network, so its seal is checked.

    Only the rig file sets the frame's gearing, its limits, its ports and whether a person must
    confirm at the frame. A sent plan never does.
    """
    if sent:
        has_seal(plan)
    sound(plan)
    details = parse(Details, plan.details, "plan.details")
    if details.replay is not None:
        replay_of(plan)
    wall_material(plan.casting.mould.material)
    within_rig(plan, spec)
    own = {name: getattr(spec, name) for name in _FRAME}
    ours = sealed(plan.model_copy(update={"rig": plan.rig.model_copy(update={**own, **_NOBODYS})}))
    try_out(ours)
    return ours


_FRAME = ("backend", "major", "minor", "rate_limit_rpm", "accel_limit_rpm_s", "grant_s",
          "confirm_at_rig", "spin_changes")  # fmt: skip
# A plan is shown to anybody who asks, so it does not contain the addresses of broker and board.
_NOBODYS: dict[str, object] = {"port": "", "mqtt": None, "calls": None}


def within_rig(plan: Plan, spec: RigSpec) -> None:
    """Raise InputError if the plan exceeds the rig's speed or acceleration limit."""
    fastest_rpm = steepest_rpm_s = 0.0
    replayed = replay_of(plan).coats if DETAIL in plan.details else ()
    for ramps in [coat.ramps for coat in plan.coats] + [one.proven.ramps for one in replayed]:
        before = (0.0, 0.0)
        for ramp in ramps:
            after = (ramp.major_rpm, ramp.minor_rpm)
            for was, now in zip(before, after, strict=True):
                fastest_rpm = max(fastest_rpm, abs(now))
                steepest_rpm_s = max(steepest_rpm_s, abs(now - was) / ramp.duration_s)
            before = after
    for what, most, limit, unit in (
        ("the plan's speed", fastest_rpm, spec.rate_limit_rpm, "rpm"),
        ("the plan's acceleration", steepest_rpm_s, spec.accel_limit_rpm_s, "rpm/s"),
    ):
        if most > ROUNDED * limit:
            hint = f"it was made for {plan.rig.name}: plan the casting again"
            allowed = f"must be at most {limit:g} {unit} on this rig"
            raise InputError(what, f"{most:.2f}", allowed, unit=unit, hint=hint)


def try_out(plan: Plan) -> None:
    """Raise InputError if the plan cannot be stored, read back and carried through."""
    try:
        text = plan.model_dump_json()
        if len(text) > PLAN_BYTES:
            raise InputError("plan", len(text), f"must be at most {PLAN_BYTES}", unit="B")
        kept = Plan.model_validate_json(text)
        if kept != plan:
            raise InputError("plan", plan.casting.name, "changes when it is written and read back")
        state = begin(TRIED, kept, 0.0, Started(simulated=True))
        for index in range(len(kept.coats)):
            state = _try_coat(state, index)
    except InputError:
        raise
    except UNFIT as error:
        why = f"cannot be carried through: {type(error).__name__} {str(error)[:120]}"
        raise InputError("plan", plan.casting.name, why) from None
    except (EvenwallError, BridgeError) as error:
        raise InputError("plan", plan.casting.name, f"cannot be carried through: {error}") from None


def _moments(coat: CoatPlan) -> Iterator[float]:
    """Moments on a coat's clock at which everything on the screen is computed."""
    clock = coat.clock
    yield from (0.0, clock.pour_from_s, clock.spin_from_s, clock.gel_expected_s, clock.gel_high_s)
    yield from (clock.spin_until_s, clock.next_pour_from_s, clock.next_pour_until_s)


def _try_coat(state: RunState, index: int) -> RunState:
    """Fold one coat from its weighing to its rest, as the journal will record it."""
    coat = state.plan.coats[index]
    met_s = state.entered_s + 1.0
    number = index + 1
    spin_s = met_s + coat.clock.spin_from_s
    before: tuple[tuple[float, RunEvent], ...] = (
        (met_s - 1.0, Stepped(step=Step.WEIGH, coat=number)),
        (met_s - 0.5, Weighed(part_a_g=coat.part_a_g, part_b_g=coat.part_b_g)),
        (met_s, Stepped(step=Step.MIX, coat=number)),
        (met_s, PartsMet()),
        (met_s, Stepped(step=Step.POUR, coat=number)),
        (spin_s, Poured()),
        (spin_s, Stepped(step=Step.CLOSE_UP, coat=number)),
    )
    for at_s, event in before:
        state = event.fold(state, at_s)
        _look(state, met_s, coat)
    state, moved = _press(state, spin_s)
    _within(moved, state)
    _look(state, met_s, coat)
    _feed(state, met_s, coat)
    end_s = met_s + coat.clock.spin_until_s
    after: tuple[RunEvent, ...] = (
        Gelled(gel_coat_s=coat.clock.gel_expected_s, how="probe", safe_s=end_s),
        TurningEnded(steps_expected=(0, 0), steps_counted=(0, 0), gave_up=False),
        Stepped(step=Step.PARK, coat=number),
        Parked(at="down"),
        CoatDone(),
        Stepped(step=Step.CURE if state.last_coat else Step.REST, coat=number),
    )
    for event in after:
        state = event.fold(state, end_s)
        _look(state, met_s, coat)
    return state


def carries_on(state: RunState, now_s: float, rig_name: str) -> None:
    """Raise RecordError if a run that was read back cannot be shown or stepped.

    Steps are tried with a frame that stands still, turns or is silent, each with and without a
    rejoin.
    """
    try:
        for mode in (None, Mode.DISABLED, Mode.HOLDING, Mode.TURNING):
            rig = None if mode is None else _rig(now_s, mode, 0.0)
            for rejoin in (True, False):
                seen = Observation(rig=rig, rejoin=rejoin)
                after, _ = step(state, now_s + 10.0, seen)
                _show(after, now_s + 10.0, seen, rig_name)
    except UNFIT as error:
        why = f"{type(error).__name__} {str(error)[:120]}"
        raise RecordError(f"run {state.run_id} cannot be carried on: {why}") from None


def _rig(at_s: float, mode: Mode, queue_s: float) -> RigState:
    axis = AxisState(steps=0, rate_rpm=0.0, angle_deg=0.0, indexed=True)
    return RigState(
        at_s=at_s,
        mode=mode,
        major=axis,
        minor=axis,
        guard_closed=True,
        faults=frozenset(),
        queue_s=queue_s,
        ramps_done=0,
        coasting=False,
        frames_bad=0,
        steps_late=0,
        queue_low_s=0.0,
    )


def _press(state: RunState, at_s: float) -> tuple[RunState, list[motion.Ramp3]]:
    """Press the frame's button to begin the turning, with the supervisor's own `step`."""
    seen = Observation(rig=_rig(at_s, Mode.HOLDING, 0.0), presses=(Press.NEXT,))
    state, actions = step(state, at_s, seen)
    if state.turning is None:
        raise InputError("plan", state.plan.casting.name, "does not begin to turn when it is due")
    return state, [ramp for action in actions if isinstance(action, Queue) for ramp in action.ramps]


def _feed(state: RunState, met_s: float, coat: CoatPlan) -> None:
    """Compute the ramps for the board along the coat, from its beginning to past its end.

    The gel is tried on time, as early and as late as possible.
    """
    spin_s = met_s + coat.clock.spin_from_s
    turns_s = max(coat.clock.gel_high_s - coat.clock.spin_from_s, 1.0)
    for share in (0.1, 0.5, 0.9, 1.5):
        now_s = spin_s + share * turns_s
        for gel_s in (None, coat.clock.gel_low_s, coat.clock.gel_high_s):
            turning = state.turning
            if turning is None:
                return
            gel = GelReading(at_s=now_s - met_s, best_s=gel_s, low_s=gel_s, high_s=gel_s)
            seen = Observation(rig=_rig(now_s, Mode.TURNING, 5.0), gel=gel)
            _, actions = step(state, now_s, seen)
            for action in actions:
                if isinstance(action, Queue):
                    # The board is already turning: these ramps begin at its speeds, not at rest.
                    _within([(3600.0, *turning.ramps[-1][1:]), *action.ramps], state)


def _within(ramps: list[motion.Ramp3], state: RunState) -> None:
    """Raise InputError if ramps for the board are not a possible motion of this rig."""
    rig = state.plan.rig
    for duration_s, *rates in ramps:
        if not (math.isfinite(duration_s) and 0.0 < duration_s <= 3600.0):
            raise InputError(
                "a ramp to the board", duration_s, "must be above 0 and at most 3600", unit="s"
            )
        for rate_rpm in rates:
            if not abs(rate_rpm) <= ROUNDED * rig.rate_limit_rpm:
                limit = f"must be at most {rig.rate_limit_rpm:g}"
                raise InputError("a ramp to the board", rate_rpm, limit, unit="rpm")
    motion.expected_steps(ramps, rig)


def _look(state: RunState, met_s: float, coat: CoatPlan) -> None:
    """Compute everything that a screen shows, along the coat's clock."""
    for time_s in _moments(coat):
        seen = Observation(rig=_rig(met_s + time_s, Mode.HOLDING, 0.0))
        _show(state, met_s + time_s, seen, state.plan.rig.name)


def _show(state: RunState, now_s: float, seen: Observation, rig_name: str) -> None:
    shown = snapshot(
        state,
        now_s,
        "",
        seen,
        simulated=True,
        speed=1.0,
        rig_name=rig_name,
        record=(),
        last_event_id=1,
    )
    shown.model_dump_json()
