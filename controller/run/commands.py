"""Commands of people: each is checked, answered once, and recorded as one event."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from evenwall.model import Answer, Command, Order, Step, orders
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
    Noted,
    PartWeighed,
    QuestionAnswered,
    Refined,
    Refused,
    Replanned,
    SpinChanged,
    SpinOffered,
    SpinOfferOver,
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
from evenwall.run.orders import Begin, ChangeSpin, Refine, Replan, ReportCall
from evenwall.run.replanning import cannot_take_over
from evenwall.run.spin_offer import QUESTION as SPIN_CHANGE
from evenwall.run.spin_offer import cannot_change
from evenwall.run.turning import turn_again
from evenwall.run.user_messages import (
    CHECKLIST,
    HALTED,
    LOST_LINES,
    NO_OFFER,
    OFFER_OVER,
    changed_words,
    offered_words,
)
from evenwall.units import percent

_BEFORE_POUR = (Step.MIX, Step.DEGAS, Step.POUR)
MOST_DRAFTS = 20  # fields with text that is typed but not yet sent
UNDO_S = 10.0  # from a touch of the coat to parking; until then the touch can be taken back


Wanted = TypeVar("Wanted", bound=Order)
Handler = Callable[[Moment, Command, Wanted], None]
HANDLERS: dict[type[Order], Handler[Any]] = {}  # by the order that it carries out


def carries_out(kind: type[Wanted]) -> Callable[[Handler[Wanted]], Handler[Wanted]]:
    """Register a function as the handler of an order, which it accepts or refuses."""

    def enter(handler: Handler[Wanted]) -> Handler[Wanted]:
        HANDLERS[kind] = handler
        return handler

    return enter


def command_given(moment: Moment, command: Command) -> None:
    """Check a person's command, carry it out if it is allowed now, and answer it."""
    handler = HANDLERS.get(type(command.order))
    if command.step_id is not None and command.step_id != moment.state.step_id:
        refuse(moment, command, "That step is over; the sheet has moved on.")
    elif handler is None:
        refuse(moment, command, f"A run has no command {command.name}.")
    else:
        handler(moment, command, command.order)


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

    confirm: ask the person, who may send the command again with `confirmed`.
    """
    asked = {"confirm": True} if confirm else {}
    refused = Refused(
        command=command.name, who=command.who, accepted=False, sentence=sentence, **asked
    )
    moment.emit(refused, command.key)
    answer = Answer(accepted=False, sentence=sentence, confirm=confirm)
    moment.actions.append(Reply(command.key, answer))


@carries_out(orders.Next)
def _next(moment: Moment, command: Command, _: orders.Next) -> None:
    problem = why_not(moment, at_rig=False)
    if problem:
        refuse(moment, command, problem)
        return
    accept(moment, command, "Written down.")
    take_next(moment)


@carries_out(orders.StopTurning)
def _stop(moment: Moment, command: Command, _: orders.StopTurning) -> None:
    accept(moment, command, stop_turning(moment, command.who))


@carries_out(orders.Pause)
def _pause(moment: Moment, command: Command, _: orders.Pause) -> None:
    if moment.state.turning is None:
        refuse(moment, command, "Nothing is turning.")
        return
    accept(moment, command, HALTED["pause"])
    moment.halt("pause")


@carries_out(orders.Resume)
def _resume(moment: Moment, command: Command, _: orders.Resume) -> None:
    if not moment.state.halted:
        refuse(moment, command, "Nothing was stopped.")
        return
    problem = cannot_turn(moment, confirmed=not moment.state.plan.rig.confirm_at_rig)
    if problem:
        refuse(moment, command, problem)
        return
    accept(moment, command, "The frame turns again.")
    turn_again(moment)


@carries_out(orders.Weigh)
def _weigh(moment: Moment, command: Command, order: orders.Weigh) -> None:
    if moment.state.step is not Step.WEIGH:
        refuse(moment, command, "Weights are entered while weighing.")
    else:
        part_a_g, part_b_g = order.part_a_g, order.part_b_g
        error = weight_error(moment.state, part_a_g, part_b_g)
        ratio = ratio_weighed(moment.state, part_a_g, part_b_g)
        sentence = "Weights written down."
        if ratio.verdict != "good":
            sentence = ratio.sentence
        elif error > WEIGHT_REFUSE:
            sentence = f"The mix is {percent(error)} off the plan: weigh again."
        elif error > WEIGHT_WARN:
            sentence = f"The mix is {percent(error, 1)} off the plan: correct it if you can."
        accept(moment, command, sentence, Weighed(part_a_g=part_a_g, part_b_g=part_b_g))


@carries_out(orders.WeighPart)
def _weigh_part(moment: Moment, command: Command, order: orders.WeighPart) -> None:
    """Take the weight of one part, from the scale or a person: the total in its cup."""
    if moment.state.step is not Step.WEIGH:
        refuse(moment, command, "Weights are entered while weighing.")
    else:
        said = f"Part {order.part}: {order.mass_g:.1f} g written down."
        accept(moment, command, said, PartWeighed(part=order.part, mass_g=order.mass_g))
        both_weighed(moment)


@carries_out(orders.WeighBack)
def _weigh_back(moment: Moment, command: Command, order: orders.WeighBack) -> None:
    """Take the grams that are left in the cup and the grams that ran into the drip tray."""
    coat = moment.state.coat
    cup_left_g, spill_g = order.cup_left_g, order.spill_g
    if coat.poured_s is None or moment.state.step is Step.WEIGH:
        refuse(moment, command, "Weigh cup and tray back after the pour.")
    elif cup_left_g is None and spill_g is None:
        refuse(moment, command, "Enter what is left in the cup or in the tray.")
    else:
        weighed = WeighedBack(
            cup_left_g=coat.cup_left_g if cup_left_g is None else cup_left_g,
            spill_g=coat.spill_g if spill_g is None else spill_g,
        )
        accept(moment, command, "Cup and tray written down.", weighed)


@carries_out(Replan)
def _replanned(moment: Moment, command: Command, order: Replan) -> None:
    """Take the planner's new plan for the remaining coats; if it is late, the old plan stays."""
    if moment.state.step is not Step.REST or order.coats_done != moment.state.index + 1:
        late = "The next coat was mixed before its new plan was ready: the old plan still applies."
        refuse(moment, command, late)
    else:
        accept(moment, command, order.sentence, Replanned(rest=order.rest))


@carries_out(Refine)
def _refined(moment: Moment, command: Command, order: Refine) -> None:
    """Replace the first answer, with which the run began, by the planner's full plan.

    The first answer stays if the full plan comes after the first pour or would change weighed
    grams.
    """
    problem = cannot_take_over(moment.state, order.rest)
    if problem:
        refuse(moment, command, problem)
    else:
        accept(moment, command, order.sentence, Refined(rest=order.rest))


@carries_out(ChangeSpin)
def _change_spin(moment: Moment, command: Command, order: ChangeSpin) -> None:
    """Change the rest of the coat's spin, or offer the change; if it is late, the plan goes on."""
    problem = cannot_change(moment.state, moment.seen, order.change)
    if problem:
        refuse(moment, command, problem)
    elif order.ask:
        accept(moment, command, offered_words(order.change), SpinOffered(change=order.change))
    else:
        accept(moment, command, changed_words(order.change), SpinChanged(change=order.change))


def _answer_offer(moment: Moment, command: Command, value: str) -> None:
    """Take the offered change of the spin, or leave it."""
    offer = moment.state.coat.offer
    if offer is None or value not in ("take", "leave"):
        refuse(moment, command, NO_OFFER)
    elif value == "leave":
        accept(moment, command, OFFER_OVER["left"], SpinOfferOver(how="left"))
    elif problem := cannot_change(moment.state, moment.seen, offer):
        refuse(moment, command, problem)
    else:
        accept(moment, command, changed_words(offer), SpinChanged(change=offer))


@carries_out(orders.Touch)
def _touch(moment: Moment, command: Command, order: orders.Touch) -> None:
    what, coat = order.what, moment.state.coat
    if coat.parts_met_s is None:
        refuse(moment, command, "Nothing has been mixed yet that could gel.")
        return
    time_s = moment.now_s - coat.parts_met_s
    from_s, until_s = touch_band_s(moment.state, what)
    if not from_s <= time_s <= until_s and not order.confirmed:
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


@carries_out(orders.TakeBack)
def _take_back(moment: Moment, command: Command, _: orders.TakeBack) -> None:
    """Take back the latest weight while weighing, otherwise the latest touch and its gel."""
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
            "The touch is taken back and does not count. The frame has already parked: look at "
            "the coat. If it is liquid, tip it out."
        )
    else:
        said = "The touch is taken back."
    accept(moment, command, said, TouchTakenBack(what=what, gel=told and turns))


@carries_out(orders.StepBack)
def _step_back(moment: Moment, command: Command, _: orders.StepBack) -> None:
    """Take back the last step, if it can still be undone."""
    cannot = "" if back_label(moment.state) else NOTHING
    if moment.state.halted or moment.state.turning:
        cannot = NOTHING
    if cannot:
        refuse(moment, command, cannot)
        return
    accept(moment, command, "Taken back.")
    go_back(moment, command.who)


@carries_out(orders.Acknowledge)
def _acknowledge(moment: Moment, command: Command, _: orders.Acknowledge) -> None:
    """Confirm that a person is coming; any command has already answered the calls."""
    accept(moment, command, "The rig knows that you are coming.")


@carries_out(ReportCall)
def _call_sent(moment: Moment, command: Command, order: ReportCall) -> None:
    """Note whom a call reached, as reported by the part that sends calls."""
    accept(moment, command, "Written down.", CallSent(**order.model_dump()))


@carries_out(orders.Note)
def _note(moment: Moment, command: Command, order: orders.Note) -> None:
    text = order.text.strip()
    if text:
        accept(moment, command, "Noted.", Noted(text=text))
    else:
        refuse(moment, command, "Empty note.")


@carries_out(orders.AnswerQuestion)
def _answer_question(moment: Moment, command: Command, order: orders.AnswerQuestion) -> None:
    question, value = order.question, order.value
    answered = QuestionAnswered(question=question, value=value)
    if question == "weights_off" and value == "go_on" and moment.state.step is Step.WEIGH:
        accept(moment, command, "The weights are accepted as they are.", answered)
    elif question == "mix_again" and value == "yes" and moment.state.step in _BEFORE_POUR:
        accept(moment, command, "Discard the old mix and weigh again.", answered)
        moment.emit(MixedAgain())
        moment.go(Step.WEIGH)
    elif question == SPIN_CHANGE:
        _answer_offer(moment, command, value)
    elif question == "coat_lost" and value in may_be_lost(moment.state, moment.now_s):
        accept(moment, command, LOST_LINES[value], answered)
        lay_anew(moment, value)
    else:
        refuse(moment, command, "That question was not asked.")


@carries_out(orders.Measure)
def _measure(moment: Moment, command: Command, order: orders.Measure) -> None:
    if moment.state.step not in (Step.DEMOULD, Step.MEASURE):
        refuse(moment, command, "Measure the casting when it is out of the mould.")
        return
    measured = orders.given(order)
    if not measured:
        refuse(moment, command, "Nothing measured.")
        return
    accept(moment, command, "Measures written down.")
    moment.emit(CastingMeasured.model_validate(measured))


@carries_out(Begin)
def _start(moment: Moment, command: Command, _: Begin) -> None:
    refuse(moment, command, "A casting is under way: finish or abandon it first.")


@carries_out(orders.Abandon)
def _abandon(moment: Moment, command: Command, order: orders.Abandon) -> None:
    if moment.state.over:
        refuse(moment, command, "This run is over.")
        return
    reason = order.reason.strip() or "no reason given"
    accept(moment, command, "The run is abandoned.")
    moment.act(Stop())
    moment.emit(Abandoned(reason=reason))


@carries_out(orders.Tick)
def _tick(moment: Moment, command: Command, order: orders.Tick) -> None:
    """Tick or untick a line of the list; `all` ticks every line."""
    count, index = len(CHECKLIST), order.index
    if moment.state.step is not Step.PREPARE:
        refuse(moment, command, "The list can be ticked only at the start.")
    elif order.all:
        accept(moment, command, "The list is done.", Ticked(done=tuple(range(count))))
    elif index >= count:
        refuse(moment, command, f"Give a line of the list, 0 to {count - 1}.")
    else:
        others = moment.state.ticked - {index}
        done = others | {index} if order.done else others
        accept(moment, command, "", Ticked(done=tuple(sorted(done))))


@carries_out(orders.Draft)
def _draft(moment: Moment, command: Command, order: orders.Draft) -> None:
    """Keep text that is typed but not yet sent, for every phone."""
    drafts = moment.state.drafts
    full = len(drafts) >= MOST_DRAFTS and order.field not in drafts
    if full or moment.state.over:
        refuse(moment, command, "That text cannot be stored.")
    else:
        accept(moment, command, "", Drafted(field=order.field, value=order.value))
