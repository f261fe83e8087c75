"""Commands of people: each is checked, answered once, and written down as one event."""

from __future__ import annotations

import math
from collections.abc import Callable

from evenwall.errors import InputError
from evenwall.model import Answer, Command, Frozen, Measured, Plan, Step, parse
from evenwall.planning.in_words import clock_words
from evenwall.run.alerts import (
    WEIGHT_REFUSE,
    WEIGHT_WARN,
    ratio_weighed,
    touch_band_s,
    weight_error,
)
from evenwall.run.back import NOTHING, back_label, both_weighed, go_back
from evenwall.run.events import (
    Abandoned,
    Answered,
    Asked,
    CallSent,
    CastingMeasured,
    Drafted,
    Gelled,
    MixedAgain,
    NewRest,
    Noted,
    PartWeighed,
    QuestionAnswered,
    Refused,
    Replanned,
    Ticked,
    Touched,
    TouchTakenBack,
    Weighed,
    WeighedBack,
    WeightTakenBack,
)
from evenwall.run.faults import stop_turning
from evenwall.run.lost import lay_anew, may_be_lost
from evenwall.run.moment import Moment
from evenwall.run.next_step import cannot_turn, take_next, why_not
from evenwall.run.observation import Reply, Stop
from evenwall.run.turning import turn_again
from evenwall.run.user_messages import CHECKLIST, HALTED, LOST_LINES


class StartRun(Frozen):
    """Payload of `start`, once its plan has been found and admitted."""

    plan: Plan
    run_id: str
    replay_of: str | None = None
    close_up_s: float | None = None


MOST_DRAFTS = 20  # fields that hold what is typed and not sent
UNDO_S = 10.0  # after a touch of the coat, until the frame parks: the touch can be taken back


def command_given(moment: Moment, command: Command) -> None:
    """Check a person's command, carry it out where it is due, and answer it."""
    handler = COMMANDS.get(command.name)
    if command.step_id is not None and command.step_id != moment.state.step_id:
        refuse(moment, command, "That step is over; the sheet has moved on.")
    elif handler is None:
        refuse(moment, command, f"There is no command {command.name}.")
    else:
        handler(moment, command)


def accept(moment: Moment, command: Command, sentence: str, event: Answered | None = None) -> None:
    """Record the event that a command makes, with its key and the answer."""
    answered = {
        "command": command.name,
        "who": command.who,
        "accepted": True,
        "sentence": sentence,
    }
    moment.emit((event or Asked()).model_copy(update=answered), command.key)
    moment.actions.append(Reply(command.key, Answer(accepted=True, sentence=sentence)))


def refuse(moment: Moment, command: Command, sentence: str, *, confirm: bool = False) -> None:
    """Record that a command was refused, and why.

    confirm: the person is asked, and may send the command again with `confirmed`. event: its kind
    where the command's name does not tell it.
    """
    asked = {"confirm": True} if confirm else {}
    refused = Refused(
        command=command.name, who=command.who, accepted=False, sentence=sentence, **asked
    )
    moment.emit(refused, command.key)
    answer = Answer(accepted=False, sentence=sentence, confirm=confirm)
    moment.actions.append(Reply(command.key, answer))


def _next(moment: Moment, command: Command) -> None:
    problem = why_not(moment, at_rig=False)
    if problem:
        refuse(moment, command, problem)
        return
    accept(moment, command, "Written down.")
    take_next(moment)


def _stop(moment: Moment, command: Command) -> None:
    accept(moment, command, stop_turning(moment, command.who))


def _pause(moment: Moment, command: Command) -> None:
    if moment.state.turning is None:
        refuse(moment, command, "Nothing is turning.")
        return
    accept(moment, command, HALTED["pause"])
    moment.halt("pause")


def _resume(moment: Moment, command: Command) -> None:
    if not moment.state.halted:
        refuse(moment, command, "Nothing was stopped.")
        return
    problem = cannot_turn(moment, confirmed=not moment.state.plan.rig.confirm_at_rig)
    if problem:
        refuse(moment, command, problem)
        return
    accept(moment, command, "It turns again.")
    turn_again(moment)


def _weigh(moment: Moment, command: Command) -> None:
    part_a_g = _number(command, "part_a_g")
    part_b_g = _number(command, "part_b_g")
    if moment.state.step is not Step.WEIGH:
        refuse(moment, command, "Weights are entered while weighing.")
    elif part_a_g is None or part_b_g is None or part_a_g <= 0 or part_b_g <= 0:
        refuse(moment, command, "Both weights are needed, in grams, above 0 g.")
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
        accept(moment, command, sentence, Weighed(part_a_g=part_a_g, part_b_g=part_b_g))


def _weigh_part(moment: Moment, command: Command) -> None:
    """Take one part as the scale, or a person, read it: all of it that is in its cup."""
    part, mass_g = command.data.get("part"), _number(command, "mass_g")
    if moment.state.step is not Step.WEIGH:
        refuse(moment, command, "Weights are entered while weighing.")
    elif part not in ("A", "B") or mass_g is None or mass_g <= 0:
        refuse(moment, command, "Name part A or B, and its grams, above 0 g.")
    else:
        said = f"Part {part}: {mass_g:.1f} g written down."
        accept(moment, command, said, PartWeighed(part=part, mass_g=mass_g))
        both_weighed(moment)


def _weigh_back(moment: Moment, command: Command) -> None:
    """Take the grams left in the cup and run over into the tray."""
    coat = moment.state.coat
    cup_left_g, spill_g = _number(command, "cup_left_g"), _number(command, "spill_g")
    found = [grams for grams in (cup_left_g, spill_g) if grams is not None]
    if coat.poured_s is None or moment.state.step is Step.WEIGH:
        refuse(moment, command, "Weigh cup and tray back after the pour.")
    elif not found:
        refuse(moment, command, "Grams in the cup, or in the tray, are needed.")
    elif min(found) < 0.0:
        refuse(moment, command, "Grams cannot be below 0.")
    else:
        weighed = WeighedBack(
            cup_left_g=coat.cup_left_g if cup_left_g is None else cup_left_g,
            spill_g=coat.spill_g if spill_g is None else spill_g,
        )
        accept(moment, command, "Cup and tray written down.", weighed)


def _replanned(moment: Moment, command: Command) -> None:
    """A new plan for the rest, from the planner. It comes in time, or the old one stands."""
    new = parse(NewRest, command.data, command.name)
    if moment.state.step is not Step.REST or new.coats_done != moment.state.index + 1:
        late = "The next coat came before its new plan: it is laid as planned."
        refuse(moment, command, late)
    else:
        accept(moment, command, new.sentence, Replanned(rest=new.rest))


def _touch(moment: Moment, command: Command) -> None:
    what = command.data.get("what")
    coat = moment.state.coat
    if what not in ("cup", "coat") or coat.parts_met_s is None:
        refuse(moment, command, "Say whether the cup or the coat has gelled.")
        return
    time_s = moment.now_s - coat.parts_met_s
    from_s, until_s = touch_band_s(moment.state, what)
    if not from_s <= time_s <= until_s and command.data.get("confirmed") is not True:
        asked = (
            f"It is {clock_words(time_s)} after the parts met. By the plan the {what} gels "
            f"between {clock_words(from_s)} and {clock_words(until_s)}. Has the {what} really "
            "gelled?"
        )
        refuse(moment, command, asked, confirm=True)
        return
    accept(moment, command, f"The {what} was found gelled.", Touched(what=what))
    if what == "coat" and coat.gel_called_s is None and moment.state.step is Step.SPIN:
        moment.emit(Gelled(gel_coat_s=time_s, how="touch", safe_s=moment.now_s + UNDO_S))


def _take_back(moment: Moment, command: Command) -> None:
    """Take back the latest weight while weighing, else the latest touch and the gel it told."""
    state, coat = moment.state, moment.state.coat
    if state.step is Step.WEIGH and coat.weighings:
        part = coat.weighings[-1][0]
        said = f"The weight of part {part} is taken back."
        accept(moment, command, said, WeightTakenBack(part=part))
        both_weighed(moment)
        return
    if not coat.touches:
        refuse(moment, command, "There is nothing to take back.")
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
    accept(moment, command, said, TouchTakenBack(what=what, gel=told and turns))


def _step_back(moment: Moment, command: Command) -> None:
    """Take back the last step, where the world allows it."""
    cannot = "" if back_label(moment.state) else NOTHING
    if moment.state.halted or moment.state.turning:
        cannot = NOTHING
    if cannot:
        refuse(moment, command, cannot)
        return
    accept(moment, command, "Taken back.")
    go_back(moment, command.who)


def _acknowledge(moment: Moment, command: Command) -> None:
    """A person is coming: any command of theirs has answered the calls already."""
    accept(moment, command, "The rig knows that you are coming.")


def _call_sent(moment: Moment, command: Command) -> None:
    """Note whom a call reached; told by the part that sends calls."""
    sent = parse(CallSent, command.data, "call_sent")
    accept(moment, command, "Written down.", sent)


def _note(moment: Moment, command: Command) -> None:
    text = str(command.data.get("text", "")).strip()[:500]
    if text:
        accept(moment, command, "Noted.", Noted(text=text))
    else:
        refuse(moment, command, "Empty note.")


def _answer_question(moment: Moment, command: Command) -> None:
    question = str(command.data.get("question", ""))
    value = str(command.data.get("value", ""))
    answered = QuestionAnswered(question=question, value=value)
    if question == "weights_off" and value == "go_on" and moment.state.step is Step.WEIGH:
        accept(moment, command, "Off weights accepted: the mix goes on as weighed.", answered)
    elif question == "mix_again" and value == "yes" and moment.state.step in _BEFORE_POUR:
        accept(moment, command, "Let the old mix go; weigh anew.", answered)
        moment.emit(MixedAgain())
        moment.go(Step.WEIGH)
    elif question == "coat_lost" and value in may_be_lost(moment.state, moment.now_s):
        accept(moment, command, LOST_LINES[value], answered)
        lay_anew(moment, value)
    else:
        refuse(moment, command, "Nothing of the kind is asked.")


def _measure(moment: Moment, command: Command) -> None:
    if moment.state.step not in (Step.DEMOULD, Step.MEASURE):
        refuse(moment, command, "Measure the casting when it is out of the mould.")
        return
    kept = {k: v for k, v in command.data.items() if k in Measured.model_fields}
    try:
        measured = parse(CastingMeasured, kept, "measure")
    except InputError as error:  # once in the record, it would keep the run from being proven
        refuse(moment, command, str(error))
        return
    if not kept:
        refuse(moment, command, "Nothing measured.")
        return
    accept(moment, command, "Measures written down.")
    moment.emit(measured)


def _start(moment: Moment, command: Command) -> None:
    refuse(moment, command, "A casting is under way: finish or abandon it first.")


def _abandon(moment: Moment, command: Command) -> None:
    if moment.state.over:
        refuse(moment, command, "This run is over.")
        return
    reason = str(command.data.get("reason", "")).strip()[:200] or "no reason given"
    accept(moment, command, "The run is abandoned.")
    moment.act(Stop())
    moment.emit(Abandoned(reason=reason))


def _tick(moment: Moment, command: Command) -> None:
    """Tick a line of the list, or take its tick back; `all` ticks every line."""
    count, index = len(CHECKLIST), command.data.get("index", 0)
    if moment.state.step is not Step.PREPARE:
        refuse(moment, command, "The list belongs to the beginning.")
    elif command.data.get("all") is True:
        accept(moment, command, "The list is done.", Ticked(done=tuple(range(count))))
    elif isinstance(index, bool) or not isinstance(index, int) or not 0 <= index < count:
        refuse(moment, command, f"Name a line of the list, 0 to {count - 1}.")
    else:
        others = moment.state.ticked - {index}
        done = others | {index} if command.data.get("done", True) is True else others
        accept(moment, command, "", Ticked(done=tuple(sorted(done))))


def _draft(moment: Moment, command: Command) -> None:
    """Keep what is typed and not sent, for every phone."""
    name, value = str(command.data.get("field", "")), str(command.data.get("value", ""))
    full = len(moment.state.drafts) >= MOST_DRAFTS and name not in moment.state.drafts
    if not name or len(name) > 40 or len(value) > 200 or full or moment.state.over:
        refuse(moment, command, "That cannot be kept.")
    else:
        accept(moment, command, "", Drafted(field=name, value=value))


def _number(command: Command, name: str) -> float | None:
    """None where it is missing or no number; nan is none, for it compares with nothing."""
    value = command.data.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


_BEFORE_POUR = (Step.MIX, Step.DEGAS, Step.POUR)
COMMANDS: dict[str, Callable[[Moment, Command], None]] = {
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
    "acknowledge": _acknowledge,
    "call_sent": _call_sent,
    "weigh": _weigh,
    "weigh_part": _weigh_part,
    "note": _note,
    "tick": _tick,
    "draft": _draft,
    "answer": _answer_question,
    "measure": _measure,
    "abandon": _abandon,
}
