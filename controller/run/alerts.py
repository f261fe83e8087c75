"""Alerts as a function of state and observation. Each case has a kind, each kind one sentence."""

from __future__ import annotations

from typing import Literal

from evenwall.model import Step
from evenwall.planning.batch import POUR_S, turn_by_s
from evenwall.planning.weighing import REFUSE_PERCENT, WARN_PERCENT, Weighing, check
from evenwall.run import user_messages as plain
from evenwall.run.fate import Fate, fate, no_return_s
from evenwall.run.observation import Observation
from evenwall.run.schedule import pour_deadline_s, wait_to_pour
from evenwall.run.state import RunState
from evenwall_bridge.contract import Fault

Severity = Literal["note", "caution", "act_now"]

BOUND_OF_GEL = 3.0  # times the latest expected gel: after that it will not gel, and turning ends
WEIGHT_WARN = WARN_PERCENT / 100.0
WEIGHT_REFUSE = REFUSE_PERCENT / 100.0
WAITING_S = 180.0  # a person who has not answered for this long may have gone
# A touch before this share of the earliest gel, or after this multiple of the latest, is queried.
TOUCH_EARLY, TOUCH_LATE = 0.8, BOUND_OF_GEL
CUP_FROM = 0.8  # of the latest pouring time: no cup gels before that
STOOD_S = 60.0  # standing while liquid for longer than this deserves a look
GELLING_FROM = 0.9  # of the earliest expected gel: stopping later does little harm
LATE_GEL = 1.05  # times the time at which it should be safe to stop
# An estimate is late when it does not yet include the probe's newer readings. If a simulated world
# runs faster than real time, the first estimate of a coat takes a small machine ten round trips to
# the board.
OLD_S, OLD_LAGS = 60.0, 10.0
COLD_K = 3.0  # below the shop's planned temperature

_ACT_NOW = {
    "standing_liquid", "standing_gelling", "late_pour", "late_start", "mix_gone",
    "tip_out", "set_in_mould", "too_hot",
    "driver_fault", "weights_refused",
}  # fmt: skip
_NOTES = {"standing_gelled", "queue_dry", "slow_reaction", "fast_reaction", "cold_room",
          "reacts_after_all",
          "early_pour", "window_missed", "window_passed", "waiting"}  # fmt: skip
SEVERITY: dict[str, Severity] = {
    kind: "act_now" if kind in _ACT_NOW else "note" if kind in _NOTES else "caution"
    for kind in plain.ALERTS
}

STANDING = ("standing_liquid", "standing_gelling", "standing_gelled")  # the frame stands still

_HANDS = {Step.MIX, Step.DEGAS, Step.POUR}
_ASKING = {Step.WEIGH, Step.MIX, Step.DEGAS, Step.POUR, Step.CLOSE_UP}


def weight_error(state: RunState, part_a_g: float, part_b_g: float) -> float:
    """The larger of the mix ratio's and the total's relative error against the plan."""
    total = (part_a_g + part_b_g) / state.coat_plan.mix_g - 1.0
    return max(abs(ratio_weighed(state, part_a_g, part_b_g).off_percent) / 100.0, abs(total))


def ratio_weighed(state: RunState, part_a_g: float, part_b_g: float) -> Weighing:
    """Compare both weights with the ratio of the plan."""
    plan = state.coat_plan
    return check(part_a_g, part_b_g, 100.0 * plan.part_b_g / plan.part_a_g)


def mix_refused(state: RunState) -> bool:
    """Whether the weights are so far off that no gel time can be predicted for this coat."""
    coat = state.coat
    if coat.part_a_g is None or coat.part_b_g is None:
        return False
    return ratio_weighed(state, coat.part_a_g, coat.part_b_g).verdict == "refuse"


def cup_can_have_gelled(state: RunState, now_s: float) -> bool:
    """Whether the cup may have gelled by now, by the plan's pot life."""
    time_s = state.coat_time_s(now_s)
    return time_s is not None and time_s >= CUP_FROM * state.coat_plan.clock.pour_by_s


def touch_band_s(state: RunState, what: str) -> tuple[float, float]:
    """Times on the coat's clock, in s, between which a touch of cup or coat is plausible."""
    clock = state.coat_plan.clock
    from_s = CUP_FROM * clock.pour_by_s if what == "cup" else TOUCH_EARLY * clock.gel_low_s
    return from_s, TOUCH_LATE * clock.gel_high_s


def peak_limit_degC(state: RunState) -> float | None:
    """Peak exotherm given by the data sheet; a cup hotter than that runs away."""
    return state.plan.casting.resin.sheet.peak_exotherm_degC


def alert_kinds(state: RunState, now_s: float, seen: Observation) -> set[str]:
    """Return every kind of alert that is present at this moment; keys of `user_messages.ALERTS`."""
    kinds = {"record"} if seen.record_trouble else set()
    if state.over:
        return kinds
    return kinds.union(
        _frame(state, seen),
        _standing(state, now_s),
        _heat(state, seen),
        _hurry(state, now_s),
        _gel(state, now_s, seen),
        _window(state, now_s),
        _people(state, now_s),
    )


def _frame(state: RunState, seen: Observation) -> set[str]:
    kinds = set()
    if seen.rig_lost:
        kinds.add("board_lost")
    rig = seen.rig
    if rig is None:
        return kinds
    if rig.faults & {Fault.DRIVER_MAJOR, Fault.DRIVER_MINOR}:
        kinds.add("driver_fault")
    if rig.faults & {Fault.SLIP_MAJOR, Fault.SLIP_MINOR}:
        kinds.add("slip")
    if rig.faults & {Fault.BROWN_OUT, Fault.WATCHDOG}:
        kinds.add("board_reset")
    if Fault.HOST_SILENT in rig.faults:
        kinds.add("grant_over")
    if rig.coasting:
        kinds.add("queue_dry")
    if not rig.guard_closed and (state.halted or state.step is Step.CLOSE_UP):
        kinds.add("guard_open")
    coat = state.coat
    if coat.steps_expected is not None and coat.steps_expected != coat.steps_counted:
        kinds.add("steps_differ")
    return kinds


def _standing(state: RunState, now_s: float) -> set[str]:
    if state.step is not Step.SPIN or not state.halted:
        return {"standing_long"} if state.coat.stood_s > STOOD_S else set()
    if state.coat.safe_s is not None:
        return {"standing_gelled"}
    time_s = state.coat_time_s(now_s) or 0.0
    if time_s >= GELLING_FROM * state.coat_plan.clock.gel_low_s:
        return {"standing_gelling"}
    return {"standing_liquid"}


def _heat(state: RunState, seen: Observation) -> set[str]:
    """Alerts from probe and room, and from the estimate."""
    if state.coat.parts_met_s is None or state.step not in (*_HANDS, Step.CLOSE_UP, Step.SPIN):
        return set()
    kinds = {fault for fault in seen.gel.faults if fault in plain.ALERTS}
    if "no_reaction" in seen.gel.taken_back:
        kinds.add("reacts_after_all")
    probe_degC, limit_degC = seen.probe_degC, peak_limit_degC(state)
    if probe_degC is not None and limit_degC is not None and probe_degC > limit_degC:
        kinds.add("too_hot")
    if seen.probe is not None and seen.probe.fault in plain.ALERTS:
        kinds.add(seen.probe.fault)
    elif seen.probe is not None and probe_degC is None:
        kinds.add("probe_lost")
    if seen.room_degC is not None and seen.room_degC < state.plan.casting.shop.temp_degC - COLD_K:
        kinds.add("cold_room")
    return kinds


def _hurry(state: RunState, now_s: float) -> set[str]:
    """Alerts of a mix that waits in its cup or in a standing mould, or that stood for too long."""
    time_s, clock = state.coat_time_s(now_s), state.coat_plan.clock
    met_s, begun_s = state.coat.parts_met_s, state.coat.spin_from_s
    if met_s is not None and begun_s is not None:
        if fate(state.coat_plan, state.coat) is Fate.LOST:
            return {"lost"}
        return {"begun_late"} if begun_s - met_s > turn_by_s(clock) else set()
    if time_s is None or state.step not in (*_HANDS, Step.CLOSE_UP):
        return set()
    if state.coat.poured_s is not None:
        if time_s <= turn_by_s(clock):
            return set()
        if time_s >= clock.gel_low_s:
            return {"set_in_mould"}
        if time_s >= no_return_s(state.coat_plan):
            return {"tip_out"}
        return {"late_start"}
    if time_s > clock.gel_low_s:
        return {"mix_gone"}
    return {"late_pour"} if time_s > pour_deadline_s(state) else set()


def _gel(state: RunState, now_s: float, seen: Observation) -> set[str]:
    kinds = {"gave_up"} if state.coat.gave_up else set()
    time_s = state.coat_time_s(now_s)
    if state.step is not Step.SPIN or time_s is None or state.coat.safe_s is not None:
        return kinds
    high_s, heard_s = state.coat_plan.clock.gel_high_s, seen.gel.at_s
    if time_s > LATE_GEL * max(seen.gel.safe_to_stop_s or high_s, high_s):
        kinds.add("no_gel")
    if heard_s is not None and time_s - heard_s > OLD_S + OLD_LAGS * seen.lag_s:
        kinds.add("estimate_old")
    return kinds


def _window(state: RunState, now_s: float) -> set[str]:
    """Alerts of a pour before the coat below was ready, or after its best time."""
    coat = state.coat
    if state.index == 0:
        return set()
    below_s = state.coats[state.index - 1].parts_met_s
    if below_s is None:
        return set()
    window = state.plan.coats[state.index - 1].clock
    if coat.poured_s is None:
        late = now_s - below_s > window.next_pour_until_s
        return {"window_missed"} if late and state.step is Step.WEIGH else set()
    gap_s = coat.poured_s - below_s
    if gap_s < window.next_pour_from_s - POUR_S:  # begun when ready is not early
        return {"early_pour"}
    return {"window_passed"} if gap_s > window.next_pour_until_s else set()


def _people(state: RunState, now_s: float) -> set[str]:
    kinds = set()
    coat = state.coat
    if state.step is Step.WEIGH and coat.part_a_g is not None and coat.part_b_g is not None:
        error = weight_error(state, coat.part_a_g, coat.part_b_g)
        if error > WEIGHT_REFUSE and not coat.weights_accepted:
            kinds.add("weights_refused")
        elif error > WEIGHT_WARN:
            kinds.add("weights_off")
    # A person who was told to wait with the pour is missed only WAITING_S after the wait is over.
    asked = state.step in _ASKING and wait_to_pour(state, now_s - WAITING_S) is None
    if asked and now_s - state.entered_s > WAITING_S:
        kinds.add("waiting")
    if state.step in (Step.WEIGH, Step.MIX, Step.DEGAS) and state.halted and state.moving == "up":
        kinds.add("not_up")
    if state.step is Step.REST and coat.parts_met_s is not None:
        until_s = coat.parts_met_s + state.coat_plan.clock.next_pour_until_s
        if now_s > until_s:
            kinds.add("window_missed")
    return kinds
