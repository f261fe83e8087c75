"""The state of a run: nothing but a fold over the events of its journal.

Times are seconds on the rig's clock unless a name says `coat_`: those count from the moment the
coat's two parts met.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from evenwall.model import CoatPlan, Event, Plan, Step, parse
from evenwall.run.motion import Profile, Ramp3
from evenwall.run.replay import Follower


@dataclass(frozen=True, slots=True)
class Turning:
    """One stretch of turning, from a standing frame to a standing frame."""

    from_s: float
    base_steps: tuple[int, int]  # the board's count when it began
    ramps: tuple[Ramp3, ...] = ()  # handed to the board so far
    ends_s: float = 0.0  # when the last of them will have ended
    batch_s: float = 0.0  # when the last of them were
    profile_s: float = 0.0  # where in the coat's profile the last of them ends
    ending: bool = False  # the last ramp goes to a standstill
    exact: bool = True  # every step can be accounted for


@dataclass(frozen=True, slots=True)
class Coat:
    coat: int
    part_a_g: float | None = None
    part_b_g: float | None = None
    weighings: tuple[tuple[str, float], ...] = ()  # parts as weighed, in order, g
    weights_accepted: bool = False  # a person insists on weights that are off
    parts_met_s: float | None = None
    poured_s: float | None = None
    spin_from_s: float | None = None
    gel_coat_s: float | None = None  # when it gelled, as found
    gel_called_s: float | None = None
    gel_how: str = ""  # probe, model or touch
    gel_words: tuple[str, ...] = ()  # what was foreseen, without its minutes
    safe_s: float | None = None
    parked_s: float | None = None
    steps_expected: tuple[int, int] | None = None
    steps_counted: tuple[int, int] | None = None
    stood_s: float = 0.0  # how long it stood still while it should have turned
    touches: tuple[tuple[str, float], ...] = ()
    cup_left_g: float | None = None  # weighed back
    spill_g: float | None = None  # likewise: the drip tray
    mixed_again: int = 0
    gave_up: bool = False  # turned to the bound without gelling
    done: bool = False


@dataclass(frozen=True, slots=True)
class RunState:
    run_id: str
    plan: Plan
    simulated: bool
    started_s: float
    replay_of: str | None = None
    step: Step = Step.PREPARE
    step_no: int = 1
    entered_s: float = 0.0
    profiles: tuple[Profile, ...] = ()  # of the plan's coats
    followers: tuple[Follower, ...] = field(default=(), compare=False)  # of a replay's coats
    index: int = 0  # of the present coat
    coats: tuple[Coat, ...] = ()
    turning: Turning | None = None
    parked: str = ""  # "up", "down" or not known
    moving: str = ""  # the park that is under way or due
    halted: str = ""  # guard, stop, pause, fault or board: why the frame stands
    halted_s: float = 0.0
    guard_closed: bool | None = None
    alerts: Mapping[str, float] = field(default_factory=dict)  # kind -> since
    measured: Mapping[str, Any] = field(default_factory=dict)
    reason: str = ""  # why it was abandoned

    @property
    def coat(self) -> Coat:
        return self.coats[self.index]

    @property
    def coat_plan(self) -> CoatPlan:
        return self.plan.coats[self.index]

    @property
    def profile(self) -> Profile:
        return self.profiles[self.index]

    @property
    def follower(self) -> Follower | None:
        """The follower that leads this coat along a proven one, in a replay."""
        return self.followers[self.index] if self.followers else None

    @property
    def last_coat(self) -> bool:
        return self.index == len(self.coats) - 1

    @property
    def step_id(self) -> str:
        return f"{self.run_id}.{self.step_no}"

    @property
    def over(self) -> bool:
        return self.step in (Step.DONE, Step.ABANDONED)

    @property
    def spin_from_coat_s(self) -> float | None:
        """When the present coat's turning first began, on its own clock."""
        return None if self.coat.spin_from_s is None else self.coat_time_s(self.coat.spin_from_s)

    def coat_time_s(self, now_s: float) -> float | None:
        """Seconds since the present coat's parts met."""
        met = self.coat.parts_met_s
        return None if met is None else now_s - met


Change = Callable[[RunState, float, Mapping[str, Any]], RunState]  # by an event's moment and data


def begin(run_id: str, plan: Plan, event: Event) -> RunState:
    """The state that the first event of a run, `started`, makes."""
    return RunState(
        run_id=run_id,
        plan=plan,
        simulated=bool(event.data["simulated"]),
        started_s=event.at_s,
        replay_of=event.data.get("replay_of"),
        entered_s=event.at_s,
        profiles=tuple(Profile.of(planned) for planned in plan.coats),
        followers=Follower.all_of(plan),
        coats=tuple(Coat(coat=planned.coat) for planned in plan.coats),
    )


def fold(state: RunState, kind: str, at_s: float, data: Mapping[str, Any]) -> RunState:
    """The state after one event. Kinds that change nothing (notes, refusals) pass through."""
    change = _CHANGES.get(kind)
    return state if change is None else change(state, at_s, data)


def fold_all(run_id: str, plan: Plan, events: Iterable[Event]) -> RunState:
    """The state after a whole journal; its first event is `started`."""
    rows = iter(events)
    state = begin(run_id, plan, next(rows))
    for event in rows:
        state = fold(state, event.kind, event.at_s, event.data)
    return state


def _with(state: RunState, coat: Coat) -> RunState:
    coats = list(state.coats)
    coats[state.index] = coat
    return replace(state, coats=tuple(coats))


def _coat(state: RunState, **changes: Any) -> RunState:
    return _with(state, replace(state.coat, **changes))


def _stepped(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return replace(
        state,
        step=Step(data["step"]),
        step_no=state.step_no + 1,
        entered_s=at_s,
        index=int(data["coat"]) - 1,
    )


def _weighed(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    kept = state.coat.weighings
    newest = dict(kept)
    both = (("A", data["part_a_g"]), ("B", data["part_b_g"]))
    rows = (*kept, *(row for row in both if newest.get(row[0]) != row[1]))
    return _coat(state, part_a_g=both[0][1], part_b_g=both[1][1], weighings=rows)


def _part_weighed(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return _weighings(state, (*state.coat.weighings, (str(data["part"]), float(data["mass_g"]))))


def _weight_taken_back(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    """Drop the latest weight of a part: the one before it holds again, or none."""
    del at_s
    kept = list(state.coat.weighings)
    for index in reversed(range(len(kept))):
        if kept[index][0] == data["part"]:
            del kept[index]
            break
    return _weighings(state, tuple(kept))


def _weighings(state: RunState, rows: tuple[tuple[str, float], ...]) -> RunState:
    newest = dict(rows)
    return _coat(
        state,
        weighings=rows,
        part_a_g=newest.get("A"),
        part_b_g=newest.get("B"),
        weights_accepted=False,
    )


def _parts_met(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del data
    return _coat(state, parts_met_s=at_s)


def _poured(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del data
    return _coat(state, poured_s=at_s)


def _step_taken_back(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    """Stand at the step before, its clock as if the press had not been."""
    coat = state.coat
    if data["was"] == Step.MIX.value:
        coat = replace(coat, parts_met_s=None, touches=())
    elif data["was"] == Step.CLOSE_UP.value:
        coat = replace(coat, poured_s=None)
    return _stepped(_with(state, coat), at_s, data)


def _mixed_again(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s, data
    return _with(state, Coat(coat=state.coat.coat, mixed_again=state.coat.mixed_again + 1))


def _turning_began(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    stood_s = at_s - state.halted_s if state.halted else 0.0
    state = _coat(
        state,
        spin_from_s=state.coat.spin_from_s if state.coat.spin_from_s is not None else at_s,
        stood_s=state.coat.stood_s + stood_s,
    )
    base = data["base_steps"]
    return replace(
        state,
        halted="",
        parked="",
        moving="",
        turning=Turning(
            from_s=at_s,
            base_steps=(int(base[0]), int(base[1])),
            profile_s=data["profile_s"],
            exact=data["exact"],
        ),
    )


def _queued(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    if state.turning is None:
        return state
    ramps = tuple((float(d), float(major), float(minor)) for d, major, minor in data["ramps"])
    return replace(
        state,
        turning=replace(
            state.turning,
            ramps=state.turning.ramps + ramps,
            ends_s=max(state.turning.ends_s, at_s) + sum(ramp[0] for ramp in ramps),
            batch_s=at_s,
            profile_s=data["profile_s"],
            ending=data["ending"],
        ),
    )


def _rejoined(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    if state.turning is None:
        return state
    dropped = int(data["dropped_ramps"])
    kept = state.turning.ramps[: len(state.turning.ramps) - dropped]
    return replace(
        state,
        turning=replace(
            state.turning,
            ramps=kept,
            ends_s=state.turning.ends_s - sum(ramp[0] for ramp in state.turning.ramps[len(kept) :]),
            batch_s=at_s,
            profile_s=data["profile_s"],
            ending=state.turning.ending and not dropped,
            exact=state.turning.exact and data["exact"],
        ),
    )


def _halted(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return replace(state, turning=None, halted=data["why"], halted_s=at_s)


def _turning_ended(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    pair = data.get("steps_expected")
    counted = data.get("steps_counted")
    state = _coat(
        state,
        steps_expected=None if pair is None else (pair[0], pair[1]),
        steps_counted=None if counted is None else (counted[0], counted[1]),
        gave_up=data["gave_up"],
    )
    return replace(state, turning=None)


def _foreseen(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return _coat(state, gel_words=(*state.coat.gel_words, data["words"]))


def _gelled(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return _coat(
        state,
        gel_coat_s=data["gel_coat_s"],
        gel_called_s=at_s,
        gel_how=data["how"],
        safe_s=data["safe_s"],
    )


def _moving(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return replace(state, moving=data["to"], parked="", halted="")


def _parked(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    state = replace(state, parked=data["at"], moving="", halted="")
    if data["at"] == "down" and state.coat.poured_s is not None:
        return _coat(state, parked_s=at_s)
    return state


def _alert(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return replace(state, alerts={**state.alerts, data["alert"]: at_s})


def _alert_over(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return replace(state, alerts={k: v for k, v in state.alerts.items() if k != data["alert"]})


def _guard(closed: bool) -> Change:
    def change(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
        del at_s, data
        return replace(state, guard_closed=closed)

    return change


def _touched(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return _coat(state, touches=(*state.coat.touches, (data["what"], at_s)))


def _touch_taken_back(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    """Drop the latest touch, and the gel that it alone told while the coat still turns."""
    del at_s
    coat = replace(state.coat, touches=state.coat.touches[:-1])
    if data["gel"]:
        coat = replace(coat, gel_coat_s=None, gel_called_s=None, gel_how="", safe_s=None)
    return _with(state, coat)


def _answered(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    if data["question"] == "weights_off":
        return _coat(state, weights_accepted=True)
    return state


def _coat_done(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s, data
    return _coat(state, done=True)


def _weighed_back(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return _coat(state, cup_left_g=data["cup_left_g"], spill_g=data["spill_g"])


def _replanned(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    """The coats still to lay are other ones now; those laid stay as they were planned."""
    del at_s
    laid, rest = state.index + 1, data["rest"]
    coats = [*state.plan.coats[:laid], *rest["coats"]]
    plan = parse(Plan, {**dict(state.plan), **rest, "coats": coats}, "replanned")
    return replace(
        state,
        plan=plan,
        profiles=tuple(Profile.of(planned) for planned in plan.coats),
        coats=(*state.coats[:laid], *(Coat(coat=planned.coat) for planned in plan.coats[laid:])),
    )


def _measured(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del at_s
    return replace(state, measured={**state.measured, **data})


def _finished(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    del data
    return replace(state, step=Step.DONE, step_no=state.step_no + 1, entered_s=at_s)


def _abandoned(state: RunState, at_s: float, data: Mapping[str, Any]) -> RunState:
    return replace(
        state,
        step=Step.ABANDONED,
        step_no=state.step_no + 1,
        entered_s=at_s,
        turning=None,
        moving="",
        reason=data["reason"],
    )


_CHANGES: dict[str, Change] = {
    "stepped": _stepped,
    "weighed": _weighed,
    "part_weighed": _part_weighed,
    "weight_taken_back": _weight_taken_back,
    "parts_met": _parts_met,
    "poured": _poured,
    "step_taken_back": _step_taken_back,
    "mixed_again": _mixed_again,
    "turning_began": _turning_began,
    "queued": _queued,
    "rejoined": _rejoined,
    "halted": _halted,
    "turning_ended": _turning_ended,
    "foreseen": _foreseen,
    "gelled": _gelled,
    "moving": _moving,
    "parked": _parked,
    "alert": _alert,
    "alert_over": _alert_over,
    "guard_opened": _guard(False),
    "guard_closed": _guard(True),
    "touched": _touched,
    "touch_taken_back": _touch_taken_back,
    "answered": _answered,
    "coat_done": _coat_done,
    "weighed_back": _weighed_back,
    "replanned": _replanned,
    "measured": _measured,
    "finished": _finished,
    "abandoned": _abandoned,
}
