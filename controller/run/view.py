"""Snapshot for a screen, made from state and observation alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from evenwall.model import (
    Alert,
    AxisView,
    Button,
    Countdown,
    Event,
    FrameView,
    GelView,
    LiveWall,
    RatioLimits,
    RecordLine,
    ReplayView,
    ScaleView,
    Snapshot,
    Spoken,
    Step,
    Vector3,
    WallSummary,
)
from evenwall.planning.batch import probe_in_cup, turn_by_s
from evenwall.planning.weighing import REFUSE_PERCENT, WARN_PERCENT
from evenwall.run import user_messages as plain
from evenwall.run.alerts import SEVERITY, STANDING, cup_can_have_gelled, peak_limit_degC
from evenwall.run.back import back_label
from evenwall.run.calls import unanswered
from evenwall.run.events import line_of
from evenwall.run.fate import Fate, fate, no_return_s
from evenwall.run.frame_button import MOVES, frame_button
from evenwall.run.laid import LaidKey, coat_view, wall_view
from evenwall.run.live import live_view
from evenwall.run.lost import lost_answer, may_be_lost
from evenwall.run.next_step import list_open
from evenwall.run.observation import Observation
from evenwall.run.replay import Place
from evenwall.run.schedule import next_from_s, pour_deadline_s, wait_to_pour
from evenwall.run.spin_offer import change_alerts, offer_view
from evenwall.run.state import RunState
from evenwall_bridge.contract import Mode, RigState

HOLD_S = 1.0  # a touch that parks is pressed and held
_ORDER = {"act_now": 0, "caution": 1, "note": 2}


def gravity_in_mould(major_deg: float, minor_deg: float) -> Vector3:
    """Return g_m = -(sin phi sin psi, sin phi cos psi, cos phi); see DEVELOPERS.md, "The frame"."""
    phi, psi = math.radians(major_deg), math.radians(minor_deg)
    return (-math.sin(phi) * math.sin(psi), -math.sin(phi) * math.cos(psi), -math.cos(phi))


def frame_view(
    rig: RigState | None, lost: str, base: tuple[int, int] | None, state: RunState | None
) -> FrameView:
    """Return the frame as its board last reported it.

    lost: reason in words why the board is silent. base: its step counts when turning began.
    """
    if rig is None:
        return FrameView(mode="lost" if lost else "disabled")

    def axis(which: str) -> AxisView:
        seen = getattr(rig, which)
        per_turn = 0
        if state is not None:
            per_turn = getattr(state.plan.rig, which).steps_per_turn
        since = seen.steps - (base[which == "minor"] if base else 0)
        return AxisView(
            rate_rpm=seen.rate_rpm,
            angle_deg=seen.angle_deg,
            steps=seen.steps,
            turns=abs(since) / per_turn if per_turn else 0.0,
        )

    return FrameView(
        mode=rig.mode.value,
        guard_closed=rig.guard_closed,
        faults=tuple(sorted(fault.value for fault in rig.faults)),
        paused=state is not None and state.halted == "pause",
        heard_s=rig.at_s,
        major=axis("major"),
        minor=axis("minor"),
        down=gravity_in_mould(rig.major.angle_deg, rig.minor.angle_deg),
    )


def replay_view(state: RunState, now_s: float, seen: Observation) -> ReplayView | None:
    """Compare the turning coat with the proven one; None outside a replay."""
    follower, turning, from_s = state.follower, state.turning, state.spin_from_coat_s
    time_s = state.coat_time_s(now_s)
    if follower is None or turning is None or from_s is None or time_s is None:
        return None
    ahead_s = max(0.0, turning.ends_s - now_s)
    ends = Place(turning.profile_s, time_s + ahead_s)
    return follower.deviation(follower.today(seen.gel.best_s, seen.room_degC), from_s, time_s, ends)


def _minutes(left_s: float) -> str:
    return f"{max(0.0, left_s) / 60.0:.0f} min"


def sentence(state: RunState, now_s: float, seen: Observation) -> tuple[str, str]:
    """Return the instruction for now, and its reason."""
    if state.halted and not state.over:
        return _said_standing(state)
    urgent = [k for k in state.alerts if SEVERITY[k] == "act_now"]
    if urgent:
        return plain.ALERTS[urgent[0]], _to_do(state, urgent[0])
    due = plain.DUE[state.step]
    if state.step is Step.PARK and state.coat.gave_up:
        due = plain.PARKS_LIQUID
    if state.moving:
        return f"Keep clear: the frame turns the opening {state.moving}.", due
    if state.step in (Step.REST, Step.CURE) and fate(state.coat_plan, state.coat) is Fate.LOST:
        return plain.LOST.format(coat=state.coat.coat), plain.AFTER_LOST
    if state.step is Step.WEIGH:
        plan = state.coat_plan
        due = f"Weigh {plan.part_a_g:.1f} g of part A and {plan.part_b_g:.1f} g of part B."
        return due, f"{plain.PROTECT} The clock starts when the parts meet."
    wait = wait_to_pour(state, now_s)
    if wait is not None:
        return plain.WAIT_TO_POUR, wait[1]
    if state.step is Step.SPIN:
        return _said_turning(state, now_s, seen)
    if state.step in _WAITS:
        from_s = next_from_s(state)
        over = from_s is not None and now_s >= from_s
        return _WAITS[state.step] if over else (due, _WHY_WAIT[state.step])
    return due, _besides(state)


_WAITS = {
    Step.REST: (plain.NEXT_COAT, plain.PROTECT),
    Step.CURE: ("The mould may be opened.", plain.HARD),
}
_WHY_WAIT = {
    Step.REST: "The coat must carry the next one and still bond to it.",
    Step.CURE: "A casting taken out too early warps.",
}


def _said_standing(state: RunState) -> tuple[str, str]:
    why = plain.HALTED[state.halted]
    told = [plain.ALERTS[kind] for kind in state.alerts if kind in STANDING]
    if state.step is Step.SPIN and told:
        return why, f"{told[0]} {plain.AT_THE_FRAME}"
    return why, plain.AT_THE_FRAME


def _said_turning(state: RunState, now_s: float, seen: Observation) -> tuple[str, str]:
    coat, due = state.coat, plain.DUE[state.step]
    if coat.safe_s is not None and now_s < coat.safe_s:
        if coat.gel_how == "touch":
            return plain.TOUCHED, plain.TAKE_BACK
        return "The coat has gelled. Keep turning a little longer.", "To be on the safe side."
    if "estimate_old" in state.alerts and seen.gel.sentence:
        old_s = (state.coat_time_s(now_s) or 0.0) - (seen.gel.at_s or 0.0)
        return due, f"{_minutes(old_s)} ago: {seen.gel.sentence}"
    return due, seen.gel.sentence


def _to_do(state: RunState, alert: str) -> str:
    """Return the instruction that is due, unless the alert repeats or contradicts it."""
    if state.step is Step.POUR and alert in ("late_pour", "mix_gone"):
        return plain.POURED_ALREADY if alert == "mix_gone" else _besides(state)
    if alert in plain.TO_DO:
        return plain.TO_DO[alert]
    return plain.DUE[state.step]


def _besides(state: RunState) -> str:
    """Return further instructions for a manual step."""
    if state.step is Step.PREPARE:
        return plain.TO_BEGIN if state.plan.rig.confirm_at_rig else ""
    if state.step is Step.DEMOULD:
        return plain.HARD
    if state.step is Step.DONE:
        return plain.PROVE_IT
    said = [plain.VACUUM] if state.step is Step.DEGAS else []
    if state.step in plain.PROBE and probe_in_cup(state.plan.rig):
        said.append(plain.PROBE[state.step].format(cup_left_g=state.coat_plan.cup_left_g))
    return " ".join(said)


def countdown(state: RunState, now_s: float, seen: Observation) -> Countdown | None:
    """The one countdown that matters now, on the rig's clock."""
    met_s = state.coat.parts_met_s
    clock = state.coat_plan.clock
    if state.over or met_s is None or "mix_gone" in state.alerts:
        return None
    wait = wait_to_pour(state, now_s)
    if wait is not None:
        return Countdown(kind="wait", label="wait, then pour", until_s=wait[0])
    if state.step in (Step.MIX, Step.DEGAS, Step.POUR):
        return Countdown(kind="act", label="left to pour", until_s=met_s + pour_deadline_s(state))
    if state.step is Step.CLOSE_UP:
        until_s = met_s + turn_by_s(clock)
        if now_s > until_s:
            until_s = met_s + no_return_s(state.coat_plan)
            late = Countdown(
                kind="act", label="late: time left before this coat is lost", until_s=until_s
            )
            return late if now_s < until_s else None  # after it, hurrying gains nothing
        return Countdown(kind="act", label="left to start turning", until_s=until_s)
    if state.step is Step.SPIN:
        return _until_safe(state, met_s, seen)
    from_s = next_from_s(state)
    if from_s is None:
        return None
    if now_s < from_s:
        rests = state.step is Step.REST
        label = "until the next coat" if rests else "until the mould may be opened"
        return Countdown(kind="wait", label=label, until_s=from_s)
    if state.step is Step.CURE:
        return None
    until_s = met_s + clock.next_pour_until_s
    return Countdown(kind="act", label="left for the next pour", until_s=until_s)


def _until_safe(state: RunState, met_s: float, seen: Observation) -> Countdown | None:
    if state.halted:
        return None  # it stands still and waits only for a person at the frame
    safe_s = state.coat.safe_s
    if safe_s is None and "estimate_old" in state.alerts:
        return None  # no countdown: a person might stop the frame when an estimated time runs out
    if safe_s is None:
        safe_s = met_s + (seen.gel.safe_to_stop_s or state.coat_plan.clock.spin_until_s)
    return Countdown(kind="wait", label="until it is safe to stop", until_s=safe_s)


def touch_buttons(state: RunState, now_s: float) -> list[Button]:
    """Buttons to report a touch, and to take the latest touch back."""
    coat = state.coat
    found = []
    if coat.parts_met_s is not None and not coat.done:
        touched = {what for what, _ in coat.touches}
        if cup_can_have_gelled(state, now_s) and "cup" not in touched:
            found.append(Button(command="touch", label="Cup has gelled", data={"what": "cup"}))
        if coat.poured_s is not None and coat.gel_called_s is None:
            what = {"what": "coat"}
            label = "Coat has gelled"
            found.append(Button(command="touch", label=label, data=what, hold_s=HOLD_S))
    if state.step is Step.WEIGH and coat.weighings:
        found.append(Button(command="take_back", label=back_label(state)))
    elif coat.touches:
        label = f"Take back: {coat.touches[-1][0]} has gelled"
        found.append(Button(command="take_back", label=label))
    return found


def buttons(state: RunState, now_s: float) -> tuple[Button | None, tuple[Button, ...]]:
    """Main button, and the buttons for everything else that may be done now."""
    if state.over:
        return None, ()
    return next_button(state, now_s), tuple(other_buttons(state, now_s))


def other_buttons(state: RunState, now_s: float) -> list[Button]:
    """Buttons other than the one for the next step."""
    others = [Button(command="pause", label="Pause")] if state.turning else []
    others.append(Button(command="note", label="Note"))
    others += touch_buttons(state, now_s)
    if unanswered(state):
        others.append(Button(command="acknowledge", label="I am coming"))
    back = back_label(state)
    if back and state.step is not Step.WEIGH and not state.halted:
        others.append(Button(command="step_back", label=back))
    if "weights_refused" in state.alerts:
        go_on = {"question": "weights_off", "value": "go_on"}
        others.append(Button(command="answer", label="Go on with these weights", data=go_on))
    late = bool({"mix_gone", "late_pour", "late_start"} & state.alerts.keys())
    if late and state.step is not Step.CLOSE_UP:
        anew = {"question": "mix_again", "value": "yes"}
        others.append(Button(command="answer", label="Mix anew", data=anew))
    others += [
        Button(command="answer", label=plain.LOST_BUTTONS[how], data=lost_answer(how))
        for how in may_be_lost(state, now_s)
    ]
    return [*others, Button(command="abandon", label="Abandon")]


def next_button(state: RunState, now_s: float) -> Button:
    """Button for the next step, with the reason if the step cannot be taken now."""
    at_frame = state.plan.rig.confirm_at_rig
    if state.halted:
        why = plain.AT_THE_FRAME if at_frame else ""
        return Button(
            command="resume",
            label="Turn again",
            enabled=not at_frame,
            why_not=why,
            at_frame=at_frame,
        )
    label = plain.BUTTONS.get(state.step)
    if label is None or state.moving:
        why = "Wait until it is parked." if state.moving else plain.not_now(state.step)
        return Button(command="next", label=label or "Turning", enabled=False, why_not=why)
    why = ""
    from_s = next_from_s(state)
    if from_s is not None and now_s < from_s:
        why = f"In {_minutes(from_s - now_s)}."
    elif list_open(state):
        count = len(plain.CHECKLIST)
        why = f"{count - len(state.ticked)} of {count} still to tick."
    elif "weights_refused" in state.alerts:
        why = plain.ALERTS["weights_refused"]
    elif at_frame and state.step in MOVES:
        why = plain.AT_THE_FRAME
    elif state.step is Step.DEGAS and state.parked != "up":
        why = plain.ALERTS["not_up"]
    at_frame = at_frame and state.step in MOVES
    return Button(command="next", label=label, enabled=not why, why_not=why, at_frame=at_frame)


def diagnoses(seen: Observation) -> dict[str, str]:
    """Return the reasons that buses give for missing probe readings, by the notice's kind."""
    readings = {"resin": seen.probe, "room": seen.room, "mould": seen.mould}
    return {
        f"probe_{role}": f"The {role} probe gives no reading: {reading.why}."
        for role, reading in readings.items()
        if reading is not None and reading.why
    }


def snapshot(
    state: RunState | None,
    now_s: float,
    utc: str,
    seen: Observation,
    *,
    simulated: bool,
    speed: float,
    rig_name: str,
    record: Sequence[RecordLine],
    last_event_id: int,
    scale: ScaleView | None = None,
    spoken: tuple[Spoken, ...] = (),
    wall: tuple[LaidKey, WallSummary] | None = None,
    live_wall: LiveWall | None = None,
) -> Snapshot:
    """Everything that a screen needs to draw itself."""
    notices = tuple(
        Alert(kind=kind, sentence=text, severity="note", since_s=now_s)
        for kind, text in sorted({**seen.notices, **diagnoses(seen)}.items())
    )
    base = state.turning.base_steps if state is not None and state.turning else None
    common = Snapshot(
        now_s=now_s,
        utc=utc,
        simulated=simulated,
        speed=speed,
        rig=rig_name,
        frame=frame_view(seen.rig, seen.rig_lost, base, state),
        probe_degC=seen.probe_degC,
        room_degC=seen.room_degC,
        mould_degC=seen.mould_degC,
        alerts=notices,
        record=tuple(record),
        last_event_id=last_event_id,
        cautions=plain.CAUTIONS,
        scale=scale,
        spoken=spoken,
    )
    if state is None:
        lost = seen.rig is not None and seen.rig.mode is Mode.TURNING
        return common.model_copy(update=plain.ORPHAN) if lost else common
    of_run = _of_run(state, now_s, seen, wall)
    live = live_view(state, live_wall)
    return common.model_copy(
        update={
            **of_run,
            "live_wall": live,
            "alerts": (*alerts_view(state), *change_alerts(state), *notices),
        }
    )


def alerts_view(state: RunState) -> tuple[Alert, ...]:
    """Alerts of the run, sorted by urgency, then the oldest first."""
    ordered = sorted(state.alerts.items(), key=lambda item: (_ORDER[SEVERITY[item[0]]], item[1]))
    return tuple(
        Alert(kind=kind, sentence=plain.ALERTS[kind], severity=SEVERITY[kind], since_s=since_s)
        for kind, since_s in ordered
    )


def gel_view(state: RunState, seen: Observation) -> GelView:
    """Gel of the running coat: as found, otherwise as estimated."""
    gel, coat = seen.gel, state.coat
    return GelView(
        best_s=gel.best_s,
        low_s=gel.low_s,
        high_s=gel.high_s,
        safe_to_stop_s=gel.safe_to_stop_s,
        called_at_s=coat.gel_coat_s if coat.gel_called_s is not None else gel.called_at_s,
        probability_gelled=gel.probability_gelled,
        sentence=gel.sentence,
        faults=gel.faults,
        predicted=gel.predicted,
    )


def _of_run(
    state: RunState,
    now_s: float,
    seen: Observation,
    wall: tuple[LaidKey, WallSummary] | None,
) -> dict[str, Any]:
    """Fields of the snapshot that come from a run."""
    say, why = sentence(state, now_s, seen)
    button, others = buttons(state, now_s)
    return {
        "run_id": state.run_id,
        "started_s": state.started_s,
        "casting": state.plan.casting.name,
        "resin": state.plan.casting.resin.name,
        "step": state.step,
        "step_id": state.step_id,
        "coat": state.index + 1,
        "coats": tuple(coat_view(state, one) for one in state.coats),
        "sentence": say,
        "why": why,
        "countdown": countdown(state, now_s, seen),
        "next_button": button,
        "frame_button": frame_button(state, now_s, seen),
        "buttons": others,
        "ratio_limits": RatioLimits(warn_percent=WARN_PERCENT, refuse_percent=REFUSE_PERCENT),
        "peak_limit_degC": peak_limit_degC(state),
        "gel": gel_view(state, seen),
        "wall": wall_view(state, wall),
        "replay": replay_view(state, now_s, seen),
        "spin_offer": offer_view(state, seen),
        "checklist": plain.CHECKLIST if state.step is Step.PREPARE else (),
        "ticked": tuple(sorted(state.ticked)) if state.step is Step.PREPARE else (),
        "drafts": dict(state.drafts),
        "cautions": tuple(dict.fromkeys((*state.plan.cautions, *plain.CAUTIONS))),
    }


def record_line(row: Event) -> RecordLine:
    """Return a row of the journal as one line of the record for people."""
    return RecordLine(
        event_id=row.event_id, at_s=row.at_s, utc=row.utc, text=line_of(row), kind=row.kind
    )
