"""Commands of people: each is checked, answered once, and written down as one event."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from evenwall.errors import InputError
from evenwall.model import Answer, Command, Measured, Step, parse
from evenwall.planning.in_words import clock_words
from evenwall.run.alerts import (
    WEIGHT_REFUSE,
    WEIGHT_WARN,
    ratio_weighed,
    touch_band_s,
    weight_error,
)
from evenwall.run.back import NOTHING, back_label, both_weighed, go_back
from evenwall.run.faults import stop_turning
from evenwall.run.moment import Moment
from evenwall.run.next_step import cannot_turn, take_next, why_not
from evenwall.run.observation import Reply, Stop
from evenwall.run.turning import turn_again
from evenwall.run.user_messages import HALTED

UNDO_S = 10.0  # after a touch of the coat, until the frame parks: the touch can be taken back


def command_given(moment: Moment, command: Command) -> None:
    if command.step_id is not None and command.step_id != moment.state.step_id:
        _answer(moment, command, False, "That step is over; the sheet has moved on.")
        return
    handler = _COMMANDS.get(command.name)
    if handler is None:
        _answer(moment, command, False, f"There is no command {command.name}.")
        return
    handler(moment, command)


def _answer(
    moment: Moment,
    command: Command,
    accepted: bool,
    sentence: str,
    confirm: bool = False,
    event: str = "",
    **data: Any,
) -> None:
    """Every command becomes one event that carries its key and the answer.

    confirm: the person is asked, and may send the command again with `confirmed`. event: its kind
    where the command's name does not tell it.
    """
    if confirm:
        data["confirm"] = True
    kind = (event or _EVENT_OF.get(command.name, "asked")) if accepted else "refused"
    moment.emit(
        kind,
        command.key,
        **data,
        command=command.name,
        who=command.who,
        accepted=accepted,
        sentence=sentence,
    )
    answer = Answer(accepted=accepted, sentence=sentence, confirm=confirm)
    moment.actions.append(Reply(command.key, answer))


def _next(moment: Moment, command: Command) -> None:
    problem = why_not(moment, at_rig=False)
    _answer(moment, command, not problem, problem or "Written down.")
    if not problem:
        take_next(moment)


def _stop(moment: Moment, command: Command) -> None:
    _answer(moment, command, True, stop_turning(moment, command.who))


def _pause(moment: Moment, command: Command) -> None:
    if moment.state.turning is None:
        _answer(moment, command, False, "Nothing is turning.")
        return
    _answer(moment, command, True, HALTED["pause"])
    moment.halt("pause")


def _resume(moment: Moment, command: Command) -> None:
    if not moment.state.halted:
        _answer(moment, command, False, "Nothing was stopped.")
        return
    problem = cannot_turn(moment, confirmed=not moment.state.plan.rig.confirm_at_rig)
    _answer(moment, command, not problem, problem or "It turns again.")
    if not problem:
        turn_again(moment)


def _weigh(moment: Moment, command: Command) -> None:
    part_a_g = _number(command, "part_a_g")
    part_b_g = _number(command, "part_b_g")
    if moment.state.step is not Step.WEIGH:
        _answer(moment, command, False, "Weights are entered while weighing.")
    elif part_a_g is None or part_b_g is None or part_a_g <= 0 or part_b_g <= 0:
        _answer(moment, command, False, "Both weights are needed, in grams, above 0 g.")
    else:
        error = weight_error(moment.state, part_a_g, part_b_g)
        ratio = ratio_weighed(moment.state, part_a_g, part_b_g)
        sentence = "Weights written down."
        if ratio.verdict != "good":
            sentence = ratio.sentence
        elif error > WEIGHT_REFUSE:
            sentence = f"The mix is off by {error:.0%} from the plan: weigh again."
        elif error > WEIGHT_WARN:
            sentence = f"The mix is off by {error:.1%} from the plan: correct it if you can."
        _answer(moment, command, True, sentence, part_a_g=part_a_g, part_b_g=part_b_g)


def _weigh_part(moment: Moment, command: Command) -> None:
    """Take one part as the scale, or a person, read it: all of it that is in its cup."""
    part, mass_g = command.data.get("part"), _number(command, "mass_g")
    if moment.state.step is not Step.WEIGH:
        _answer(moment, command, False, "Weights are entered while weighing.")
    elif part not in ("A", "B") or mass_g is None or mass_g <= 0:
        _answer(moment, command, False, "Name part A or B, and its grams, above 0 g.")
    else:
        said = f"Part {part}: {mass_g:.1f} g written down."
        _answer(moment, command, True, said, part=part, mass_g=mass_g)
        both_weighed(moment)


def _weigh_back(moment: Moment, command: Command) -> None:
    """Take the grams left in the cup and run over into the tray."""
    coat = moment.state.coat
    found = {name: _number(command, name) for name in ("cup_left_g", "spill_g")}
    if coat.poured_s is None or moment.state.step is Step.WEIGH:
        _answer(moment, command, False, "Weigh cup and tray back after the pour.")
    elif all(value is None for value in found.values()):
        _answer(moment, command, False, "Grams in the cup, or in the tray, are needed.")
    elif any(value is not None and value < 0 for value in found.values()):
        _answer(moment, command, False, "Grams cannot be below 0.")
    else:
        known = {"cup_left_g": coat.cup_left_g, "spill_g": coat.spill_g}
        kept: dict[str, Any] = {
            name: known[name] if value is None else value for name, value in found.items()
        }
        _answer(moment, command, True, "Cup and tray written down.", **kept)


def _replanned(moment: Moment, command: Command) -> None:
    """A new plan for the rest, from the planner. It comes in time, or the old one stands."""
    if moment.state.step is not Step.REST or command.data["coats_done"] != moment.state.index + 1:
        late = "The next coat came before its new plan: it is laid as planned."
        _answer(moment, command, False, late)
    else:
        _answer(moment, command, True, command.data["sentence"], rest=command.data["rest"])


def _touch(moment: Moment, command: Command) -> None:
    what = command.data.get("what")
    coat = moment.state.coat
    if what not in ("cup", "coat") or coat.parts_met_s is None:
        _answer(moment, command, False, "Say whether the cup or the coat has gelled.")
        return
    time_s = moment.now_s - coat.parts_met_s
    from_s, until_s = touch_band_s(moment.state, what)
    if not from_s <= time_s <= until_s and command.data.get("confirmed") is not True:
        asked = (
            f"It is {clock_words(time_s)} after the parts met. By the plan the {what} gels "
            f"between {clock_words(from_s)} and {clock_words(until_s)}. Has the {what} really "
            "gelled?"
        )
        _answer(moment, command, False, asked, confirm=True)
        return
    _answer(moment, command, True, f"The {what} was found gelled.", what=what)
    if what == "coat" and coat.gel_called_s is None and moment.state.step is Step.SPIN:
        moment.emit("gelled", gel_coat_s=time_s, how="touch", safe_s=moment.now_s + UNDO_S)


def _take_back(moment: Moment, command: Command) -> None:
    """Take back the latest weight while weighing, else the latest touch and the gel it told."""
    state, coat = moment.state, moment.state.coat
    if state.step is Step.WEIGH and coat.weighings:
        part = coat.weighings[-1][0]
        said = f"The weight of part {part} is taken back."
        _answer(moment, command, True, said, event="weight_taken_back", part=part)
        both_weighed(moment)
        return
    if not coat.touches:
        _answer(moment, command, False, "There is nothing to take back.")
        return
    what = coat.touches[-1][0]
    turns = state.step is Step.SPIN and not (state.turning and state.turning.ending)
    told = what == "coat" and coat.gel_how == "touch"
    if told and not turns:
        said = (
            "The touch is taken back and teaches nothing. The frame has parked already: look "
            "at the coat. If it is liquid, tip it out."
        )
    else:
        said = "The touch is taken back."
    _answer(moment, command, True, said, what=what, gel=told and turns)


def _step_back(moment: Moment, command: Command) -> None:
    """Take back the last step, where the world allows it."""
    cannot = "" if back_label(moment.state) else NOTHING
    if moment.state.halted or moment.state.turning:
        cannot = NOTHING
    _answer(moment, command, not cannot, cannot or "Taken back.")
    if not cannot:
        go_back(moment, command.who)


def _note(moment: Moment, command: Command) -> None:
    text = str(command.data.get("text", "")).strip()[:500]
    _answer(moment, command, bool(text), "Noted." if text else "Empty note.", text=text)


def _answer_question(moment: Moment, command: Command) -> None:
    question = str(command.data.get("question", ""))
    value = str(command.data.get("value", ""))
    if question == "weights_off" and value == "go_on" and moment.state.step is Step.WEIGH:
        _answer(
            moment,
            command,
            True,
            "Off weights accepted: the mix goes on as weighed.",
            question=question,
            value=value,
        )
    elif question == "mix_again" and value == "yes" and moment.state.step in _BEFORE_POUR:
        _answer(
            moment, command, True, "Let the old mix go; weigh anew.", question=question, value=value
        )
        moment.emit("mixed_again")
        moment.go(Step.WEIGH)
    else:
        _answer(moment, command, False, "Nothing of the kind is asked.")


def _measure(moment: Moment, command: Command) -> None:
    if moment.state.step not in (Step.DEMOULD, Step.MEASURE):
        _answer(moment, command, False, "Measure the casting when it is out of the mould.")
        return
    kept = {k: v for k, v in command.data.items() if k in Measured.model_fields}
    try:
        parse(Measured, kept, "measure")
    except InputError as error:  # once in the record, it would keep the run from being proven
        _answer(moment, command, False, str(error))
        return
    _answer(moment, command, bool(kept), "Measures written down." if kept else "Nothing measured.")
    if kept:
        moment.emit("measured", **kept)


def _start(moment: Moment, command: Command) -> None:
    _answer(moment, command, False, "A casting is under way: finish or abandon it first.")


def _abandon(moment: Moment, command: Command) -> None:
    if moment.state.over:
        _answer(moment, command, False, "This run is over.")
        return
    reason = str(command.data.get("reason", "")).strip()[:200] or "no reason given"
    _answer(moment, command, True, "The run is abandoned.", reason=reason)
    moment.act(Stop())
    moment.emit("abandoned", reason=reason)


def _number(command: Command, name: str) -> float | None:
    """None where it is missing or no number; nan is none, for it compares with nothing."""
    value = command.data.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


_BEFORE_POUR = (Step.MIX, Step.DEGAS, Step.POUR)
_COMMANDS: dict[str, Callable[[Moment, Command], None]] = {
    "start": _start,
    "next": _next,
    "stop_turning": _stop,
    "pause": _pause,
    "resume": _resume,
    "weigh_back": _weigh_back,
    "replanned": _replanned,
    "touch": _touch,
    "take_back": _take_back,
    "step_back": _step_back,
    "weigh": _weigh,
    "weigh_part": _weigh_part,
    "note": _note,
    "answer": _answer_question,
    "measure": _measure,
    "abandon": _abandon,
}
_EVENT_OF = {
    "weigh": "weighed",
    "weigh_part": "part_weighed",
    "weigh_back": "weighed_back",
    "replanned": "replanned",
    "touch": "touched",
    "take_back": "touch_taken_back",
    "note": "noted",
    "answer": "answered",
}
