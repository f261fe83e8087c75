"""The supervisor's mind: `step(state, now_s, seen) -> (state, actions)`, without clock or I/O.

Whatever happens becomes an event; the state only ever changes by folding events, so that a
restarted process that reads the journal back stands where this one stood.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

from evenwall.devices.interfaces import Light, Press
from evenwall.errors import InputError
from evenwall.model import Answer, Command, Measured, Step, parse
from evenwall.planning.in_words import clock_words
from evenwall.run import motion
from evenwall.run.alerts import (
    BOUND_OF_GEL,
    SEVERITY,
    WEIGHT_REFUSE,
    WEIGHT_WARN,
    alert_kinds,
    ratio_weighed,
    touch_band_s,
    weight_error,
)
from evenwall.run.observation import (
    Action,
    Enable,
    Hold,
    Observation,
    Park,
    Queue,
    Record,
    Reply,
    RigAction,
    Show,
    Sound,
    Stop,
)
from evenwall.run.replay import Floats, Follower, Place
from evenwall.run.schedule import next_from_s
from evenwall.run.state import RunState, Turning, fold
from evenwall.run.user_messages import AT_THE_FRAME, HALTED, not_now
from evenwall_bridge.contract import Fault, Mode, RigState

INSIST_S = 1.0  # after an order to stop, until the board must be seen to have taken it
TAKES_IN_S = 1.0  # after ramps were handed over, until the board's rows count them
UNDO_S = 10.0  # after a touch of the coat, until the frame parks: the touch can be taken back
STARTS_S = 2.0  # likewise, until a board that stands has a reason of its own


def step(state: RunState, now_s: float, seen: Observation) -> tuple[RunState, list[Action]]:
    """One moment of a run: what follows from what is seen.

    The returned actions are in order; records among them have been folded into the state.
    """
    moment = _Moment(state, now_s, seen)
    moment.live()
    return moment.state, moment.actions


class _Moment:
    """One call of `step`: gathers events and actions while the state moves along."""

    def __init__(self, state: RunState, now_s: float, seen: Observation) -> None:
        self.state = state
        self.now_s = now_s
        self.seen = seen
        self.actions: list[Action] = []

    # --- small words -----------------------------------------------------------------------------

    def emit(self, kind: str, key: str | None = None, **data: Any) -> None:
        self.state = fold(self.state, kind, self.now_s, data)
        self.actions.append(Record(kind, data, key))

    def act(self, action: RigAction) -> None:
        self.actions.append(action)

    def go(self, to: Step, coat: int | None = None) -> None:
        if to is Step.DONE:
            self.emit("finished")
            return
        self.emit("stepped", step=to.value, coat=coat or self.state.index + 1)

    @property
    def accel(self) -> float:
        return self.state.plan.rig.accel_limit_rpm_s

    @property
    def ready_to_turn(self) -> str:
        """Empty, or why the frame may not turn now."""
        rig = self.seen.rig
        if rig is None or self.seen.rig_lost:
            return "the board does not answer"
        if not rig.guard_closed:
            return "the guard is open"
        return ""

    # --- the order of things ---------------------------------------------------------------------

    def live(self) -> None:
        self._guard()
        if self.seen.rejoin:
            self._rejoin()
        self._stopped_by_itself()
        self._insist()
        if self.seen.failed:
            self._failed()
        for press in self.seen.presses:
            self._press(press)
        for command in self.seen.commands:
            self._command(command)
        if self.seen.parked and self.state.moving == self.seen.parked:
            self.emit("parked", at=self.seen.parked)
        self._gel()
        self._turn()
        self._steps_by_themselves()
        self._alerts()

    def _guard(self) -> None:
        rig = self.seen.rig
        if rig is None or rig.guard_closed == self.state.guard_closed:
            return
        self.emit("guard_closed" if rig.guard_closed else "guard_opened")
        if not rig.guard_closed and (self.state.turning or self.state.moving):
            self._halt("guard")

    def _halt(self, why: str) -> None:
        self.act(Hold() if why == "pause" else Stop())
        self.emit("halted", why=why)

    def _failed(self) -> None:
        self.emit("failed", what=self.seen.failed)
        if (self.state.turning or self.state.moving) and not self.state.halted:
            self._halt("fault")

    def _stopped_by_itself(self) -> None:
        """The board stopped without being told to: it must have had a reason."""
        rig, turning = self.seen.rig, self.state.turning
        if rig is None or turning is None or not turning.ramps:
            return
        if turning.ending and rig.mode is Mode.HOLDING:
            return
        starts = rig.at_s < turning.batch_s + STARTS_S + self.seen.lag_s
        if starts or rig.mode in (Mode.TURNING, Mode.STOPPING):
            return
        why = "fault" if rig.faults - {Fault.QUEUE_DRY} else "board"
        self.emit("halted", why=why, faults=sorted(fault.value for fault in rig.faults))

    def _insist(self) -> None:
        """A stop that was lost on the wire is given again until it is seen to work."""
        state, rig = self.state, self.seen.rig
        if not state.halted or rig is None or self.seen.rig_lost:
            return
        seen_since = rig.at_s > state.halted_s + INSIST_S + self.seen.lag_s
        if seen_since and rig.mode is Mode.TURNING:
            self.act(Hold() if state.halted == "pause" else Stop())

    def _rejoin(self) -> None:
        """After a restart, or a lost link: of what the journal says was handed over, the last
        may not have reached the board, and a board whose queue ran dry kept its last speed."""
        rig, turning = self.seen.rig, self.state.turning
        if self.state.halted and rig is not None and rig.mode is Mode.TURNING:
            self.act(Stop())
        if self.state.moving and not self.state.halted:
            self._park(self.state.moving)
        if rig is None or turning is None or rig.mode is not Mode.TURNING:
            return  # a board that stands has a reason, which `_stopped_by_itself` finds
        if rig.coasting:
            self._catch_up(rig)
            return
        dropped = max(0, len(turning.ramps) - rig.ramps_accepted)
        back_s = sum(ramp[0] for ramp in turning.ramps[len(turning.ramps) - dropped :])
        self.emit(
            "rejoined",
            dropped_ramps=dropped,
            exact=True,
            profile_s=max(0.0, turning.profile_s - back_s),
        )

    def _catch_up(self, rig: RigState) -> None:
        """The board kept its last speed alone: go on where the coat's time is now."""
        from_s = self.state.coat.spin_from_s
        profile_s = 0.0 if from_s is None else self.now_s - from_s
        rates = (rig.major.rate_rpm, rig.minor.rate_rpm)
        first, profile_s = self._into(rates, profile_s, rig)
        self.emit("rejoined", dropped_ramps=0, exact=False, profile_s=profile_s)
        more, profile_s = self._onwards(profile_s, first[0], first[1:], self.full_s)
        self._hand_over((first, *more), profile_s)

    # --- turning ---------------------------------------------------------------------------------

    @property
    def full_s(self) -> float:
        """Motion that the board is to hold after it has been fed, in s."""
        return motion.FULL_S + 1.5 * self.seen.lag_s

    def _begin_turning(self) -> None:
        rig, from_s = self.seen.rig, self.state.coat.spin_from_s
        if rig is None:
            return
        into: tuple[motion.Ramp3, ...] = ()
        holds_s, rates, profile_s = 0.0, (0.0, 0.0), 0.0
        if from_s is not None:  # it has turned before
            ramp, profile_s = self._into(rates, self.now_s - from_s, rig)
            into, holds_s, rates = (ramp,), ramp[0], ramp[1:]
        self.emit(
            "turning_began",
            base_steps=[rig.major.steps, rig.minor.steps],
            profile_s=profile_s,
            exact=not into,
        )
        self.act(Enable())
        more, profile_s = self._onwards(profile_s, holds_s, rates, self.full_s)
        self._hand_over((*into, *more), profile_s)

    def _into(
        self, rates: motion.Rates, profile_s: float, rig: RigState
    ) -> tuple[motion.Ramp3, float]:
        """From these speeds into the coat's profile, in step with the major axis's angle: (ramp,
        profile time it ends at). A replay goes where the cure wants it now."""
        turned = (rig.major.angle_deg - self.state.coat_plan.start_deg.major) / 360.0
        follower = self.state.follower
        if follower is None:
            return self.state.profile.into(rates, profile_s, self.accel, turned)
        ramp, place = follower.into(self._due_s(follower), self._place(0.0, 0.0, rates), turned)
        return ramp, place.profile_s

    def _onwards(
        self, profile_s: float, holds_s: float, rates: motion.Rates, amount_s: float
    ) -> tuple[tuple[motion.Ramp3, ...], float]:
        """At least `amount_s` more of the coat's profile, behind the `holds_s` that the board
        still has and the speeds that they end with: (ramps, profile time they end at)."""
        follower = self.state.follower
        if follower is None:
            return self.state.profile.onwards(profile_s, amount_s)
        start = self._place(profile_s, holds_s, rates)
        ramps, place = follower.onwards(self._due_s(follower), start, amount_s)
        return ramps, place.profile_s

    def _place(self, profile_s: float, holds_s: float, rates: motion.Rates) -> Place:
        met_s = self.state.coat.parts_met_s or 0.0
        return Place(profile_s, self.now_s + holds_s - met_s, *rates)

    def _due_s(self, follower: Follower) -> Floats:
        """When the proven coat's moments are due, on this coat's clock, as now known."""
        return follower.due_s(
            self.state.spin_from_coat_s or self.now_s - (self.state.coat.parts_met_s or 0.0),
            self.seen.gel.best_s,
            self.seen.room_degC,
        )

    def _hand_over(
        self, ramps: tuple[motion.Ramp3, ...], profile_s: float, ending: bool = False
    ) -> None:
        self.emit("queued", ramps=[list(r) for r in ramps], profile_s=profile_s, ending=ending)
        self.act(Queue(ramps))

    def _turn(self) -> None:
        """Keep the board fed; end the turning when the coat holds."""
        turning, rig = self.state.turning, self.seen.rig
        if self.state.step is not Step.SPIN or turning is None or rig is None:
            return
        if self.seen.rig_lost:
            return
        heard = rig.at_s > turning.batch_s + TAKES_IN_S + self.seen.lag_s
        if turning.ending:
            if heard and rig.queue_s == 0 and rig.mode is Mode.HOLDING:
                self._turning_ended(turning, rig)
        elif heard and rig.coasting:
            self._catch_up(rig)
        elif self._may_stop():
            # Behind what is queued, so that every step is accounted for.
            self._hand_over(
                (motion.to_rest(_last_rates(turning, rig), self.accel),),
                turning.profile_s,
                ending=True,
            )
        else:
            holds_s = turning.ends_s - self.now_s
            if heard:
                holds_s = rig.queue_s - (self.now_s - rig.at_s)
            if holds_s < motion.AHEAD_S + self.seen.lag_s:
                holds_s = max(0.0, holds_s)
                ramps, profile_s = self._onwards(
                    turning.profile_s, holds_s, _last_rates(turning, rig), self.full_s - holds_s
                )
                self._hand_over(ramps, profile_s)

    def _may_stop(self) -> bool:
        coat = self.state.coat
        if coat.safe_s is not None:
            return self.now_s >= coat.safe_s
        return self._past_bound()

    def _past_bound(self) -> bool:
        time_s = self.state.coat_time_s(self.now_s)
        limit_s = BOUND_OF_GEL * self.state.coat_plan.clock.gel_high_s
        return time_s is not None and time_s > limit_s

    def _turning_ended(self, turning: Turning, rig: RigState) -> None:
        expected = None
        exact = turning.exact and Fault.QUEUE_DRY not in rig.faults
        if exact:
            expected = list(motion.expected_steps(turning.ramps, self.state.plan.rig))
        counted = [
            rig.major.steps - turning.base_steps[0],
            rig.minor.steps - turning.base_steps[1],
        ]
        self.emit(
            "turning_ended",
            steps_expected=expected,
            steps_counted=counted if exact else None,
            gave_up=self.state.coat.safe_s is None,
        )
        self.go(Step.PARK)
        self._park("down")

    def _park(self, to: str) -> None:
        if self.seen.rig is None or self.ready_to_turn:
            self.emit("moving", to=to)
            self.emit("halted", why="guard" if self.state.guard_closed is False else "board")
            return
        # As it was poured, the opening up; half a turn of the frame takes it down, on whatever
        # side the mould is mounted.
        start = self.state.coat_plan.start_deg
        major_deg, minor_deg = start.major, start.minor
        if to == "down":
            major_deg = (major_deg + 180.0) % 360.0
        self.emit("moving", to=to)
        self.act(Enable())
        self.act(Park(to, major_deg, minor_deg))

    # --- gel -------------------------------------------------------------------------------------

    def _gel(self) -> None:
        state, coat, gel = self.state, self.state.coat, self.seen.gel
        if state.step is not Step.SPIN or coat.parts_met_s is None or coat.gel_called_s is not None:
            return
        # Once for each thing it says, whatever the minutes in it.
        words = re.sub(r"[0-9]+", "", gel.sentence)
        if words and words not in coat.gel_words:
            self.emit(
                "foreseen",
                sentence=gel.sentence,
                words=words,
                best_s=gel.best_s,
                low_s=gel.low_s,
                high_s=gel.high_s,
            )
        if gel.called_at_s is not None:
            safe_coat_s = gel.safe_to_stop_s or gel.called_at_s
            blind = any(fault.startswith("probe_") for fault in gel.faults)
            self.emit(
                "gelled",
                gel_coat_s=gel.best_s if gel.best_s is not None else gel.called_at_s,
                how="model" if blind else "probe",
                safe_s=max(self.now_s, coat.parts_met_s + safe_coat_s),
            )

    # --- steps -----------------------------------------------------------------------------------

    def _steps_by_themselves(self) -> None:
        state = self.state
        if state.step is Step.SPIN and state.halted and self._may_stop():
            # It gelled while it stood: nothing is left to turn, only to park.
            self.emit("turning_ended", gave_up=state.coat.safe_s is None)
            self.go(Step.PARK)
            self.emit("moving", to="down")
            self.emit("halted", why=state.halted)
        elif state.step is Step.PARK and state.parked == "down":
            self.emit("coat_done")
            self.go(Step.CURE if state.last_coat else Step.REST)

    # --- people ----------------------------------------------------------------------------------

    def _press(self, press: Press) -> None:
        if press is Press.STOP:
            self._stop_turning("rig")
            return
        problem = self._why_not(at_rig=True)
        if problem:
            self.emit("refused", command="the button at the frame", sentence=problem)
        else:
            self.emit("pressed", step=self.state.step.value)
            self._take_next()

    def _stop_turning(self, who: str) -> str:
        if not (self.state.turning or self.state.moving) or self.state.halted:
            self.act(Stop())  # cheap, and nobody who asks for a stop is argued with
            return "Nothing is turning."
        self.emit("stop_asked", who=who)
        self._halt("stop")
        return HALTED["stop"]

    def _command(self, command: Command) -> None:
        if command.step_id is not None and command.step_id != self.state.step_id:
            self._answer(command, False, "That step is over; the sheet has moved on.")
            return
        handler = _COMMANDS.get(command.name)
        if handler is None:
            self._answer(command, False, f"There is no command {command.name}.")
            return
        handler(self, command)

    def _answer(
        self,
        command: Command,
        accepted: bool,
        sentence: str,
        confirm: bool = False,
        **data: Any,
    ) -> None:
        """Every command becomes one event that carries its key and the answer.

        confirm: the person is asked, and may send the command again with `confirmed`.
        """
        if confirm:
            data["confirm"] = True
        kind = _EVENT_OF.get(command.name, "asked") if accepted else "refused"
        self.emit(
            kind,
            command.key,
            **data,
            command=command.name,
            who=command.who,
            accepted=accepted,
            sentence=sentence,
        )
        answer = Answer(accepted=accepted, sentence=sentence, confirm=confirm)
        self.actions.append(Reply(command.key, answer))

    def next_command(self, command: Command) -> None:
        problem = self._why_not(at_rig=False)
        self._answer(command, not problem, problem or "Written down.")
        if not problem:
            self._take_next()

    def _why_not(self, *, at_rig: bool) -> str:
        """In words, why the next step cannot be taken now; empty: it can."""
        state = self.state
        confirmed = at_rig or not state.plan.rig.confirm_at_rig
        if state.over:
            return "This run is over."
        if state.halted:
            return self._cannot_turn(confirmed)
        if state.moving:
            return "The frame is moving; wait until it is parked."
        match state.step:
            case Step.PREPARE:
                return self._cannot_turn_up(confirmed)
            case Step.WEIGH:
                return self._weights_off()
            case Step.DEGAS if state.parked != "up":
                return "The opening is not up: close the guard and press the button at the frame."
            case Step.CLOSE_UP:
                return self._cannot_turn(confirmed)
            case Step.REST:
                waits = self._waits("The coat still rests: {} min until the next one is weighed.")
                return waits or self._cannot_turn_up(confirmed)
            case Step.CURE:
                return self._waits("It still cures: {} min until the mould may be opened.")
            case Step.SPIN | Step.PARK:
                return not_now(state.step)
        return ""

    def _take_next(self) -> None:
        """The next step, where nothing is in its way."""
        if self.state.halted:
            self._turn_again()
            return
        match self.state.step:
            case Step.PREPARE:
                self._up_then_weigh(1)
            case Step.WEIGH:
                self.go(Step.MIX)
                self.emit("parts_met")
            case Step.MIX:
                self.go(Step.DEGAS)
            case Step.DEGAS:
                self.go(Step.POUR)
            case Step.POUR:
                self.emit("poured")
                self.go(Step.CLOSE_UP)
            case Step.CLOSE_UP:
                self.go(Step.SPIN)
                self._begin_turning()
            case Step.REST:
                self._up_then_weigh(self.state.index + 2)
            case Step.CURE:
                self.go(Step.DEMOULD)
            case Step.DEMOULD:
                self.go(Step.MEASURE)
            case Step.MEASURE:
                self.go(Step.DONE)

    def _cannot_turn(self, confirmed: bool) -> str:
        if self.ready_to_turn:
            return f"It cannot turn: {self.ready_to_turn}."
        return "" if confirmed else AT_THE_FRAME

    def _cannot_turn_up(self, confirmed: bool) -> str:
        if self.ready_to_turn:
            return f"The frame must turn the opening up first, and cannot: {self.ready_to_turn}."
        return "" if confirmed else "Press the button at the frame: it turns the opening up."

    def _weights_off(self) -> str:
        coat = self.state.coat
        if coat.part_a_g is None or coat.part_b_g is None or coat.weights_accepted:
            return ""
        error = weight_error(self.state, coat.part_a_g, coat.part_b_g)
        if error <= WEIGHT_REFUSE:
            return ""
        return (
            f"The weights are off by {error:.0%}: weigh again. With such a mix no advice can be "
            "given; go on with it only if you know better."
        )

    def _waits(self, words: str) -> str:
        """These words with the minutes still to wait; empty: none."""
        left_s = (next_from_s(self.state) or self.now_s) - self.now_s
        return words.format(f"{left_s / 60.0:.0f}") if left_s > 0.0 else ""

    def _up_then_weigh(self, coat: int) -> None:
        self.go(Step.WEIGH, coat)
        self._park("up")

    def _turn_again(self) -> None:
        if self.state.moving:
            self._park(self.state.moving)
        elif self.state.step is Step.SPIN:
            self._begin_turning()

    def stop_command(self, command: Command) -> None:
        self._answer(command, True, self._stop_turning(command.who))

    def pause_command(self, command: Command) -> None:
        if self.state.turning is None:
            self._answer(command, False, "Nothing is turning.")
            return
        self._answer(command, True, HALTED["pause"])
        self._halt("pause")

    def resume_command(self, command: Command) -> None:
        if not self.state.halted:
            self._answer(command, False, "Nothing was stopped.")
            return
        problem = self._cannot_turn(confirmed=not self.state.plan.rig.confirm_at_rig)
        self._answer(command, not problem, problem or "It turns again.")
        if not problem:
            self._turn_again()

    def weigh_command(self, command: Command) -> None:
        part_a_g = _number(command, "part_a_g")
        part_b_g = _number(command, "part_b_g")
        if self.state.step is not Step.WEIGH:
            self._answer(command, False, "Weights are entered while weighing.")
        elif part_a_g is None or part_b_g is None or part_a_g <= 0 or part_b_g <= 0:
            self._answer(command, False, "Both weights are needed, in grams, above 0 g.")
        else:
            error = weight_error(self.state, part_a_g, part_b_g)
            ratio = ratio_weighed(self.state, part_a_g, part_b_g)
            sentence = "Weights written down."
            if ratio.verdict != "good":
                sentence = ratio.sentence
            elif error > WEIGHT_REFUSE:
                sentence = f"The mix is off by {error:.0%} from the plan: weigh again."
            elif error > WEIGHT_WARN:
                sentence = f"The mix is off by {error:.1%} from the plan: correct it if you can."
            self._answer(command, True, sentence, part_a_g=part_a_g, part_b_g=part_b_g)

    def weigh_back_command(self, command: Command) -> None:
        """Take the grams left in the cup and run over into the tray."""
        coat = self.state.coat
        found = {name: _number(command, name) for name in ("cup_left_g", "spill_g")}
        if coat.poured_s is None or self.state.step is Step.WEIGH:
            self._answer(command, False, "Weigh cup and tray back after the pour.")
        elif all(value is None for value in found.values()):
            self._answer(command, False, "Grams in the cup, or in the tray, are needed.")
        elif any(value is not None and value < 0 for value in found.values()):
            self._answer(command, False, "Grams cannot be below 0.")
        else:
            known = {"cup_left_g": coat.cup_left_g, "spill_g": coat.spill_g}
            kept: dict[str, Any] = {
                name: known[name] if value is None else value for name, value in found.items()
            }
            self._answer(command, True, "Cup and tray written down.", **kept)

    def replanned_command(self, command: Command) -> None:
        """A new plan for the rest, from the planner. It comes in time, or the old one stands."""
        if self.state.step is not Step.REST or command.data["coats_done"] != self.state.index + 1:
            late = "The next coat came before its new plan: it is laid as planned."
            self._answer(command, False, late)
        else:
            self._answer(command, True, command.data["sentence"], rest=command.data["rest"])

    def touch_command(self, command: Command) -> None:
        what = command.data.get("what")
        coat = self.state.coat
        if what not in ("cup", "coat") or coat.parts_met_s is None:
            self._answer(command, False, "Say whether the cup or the coat has gelled.")
            return
        time_s = self.now_s - coat.parts_met_s
        from_s, until_s = touch_band_s(self.state, what)
        if not from_s <= time_s <= until_s and command.data.get("confirmed") is not True:
            asked = (
                f"It is {clock_words(time_s)} after the parts met. By the plan the {what} gels "
                f"between {clock_words(from_s)} and {clock_words(until_s)}. Has the {what} really "
                "gelled?"
            )
            self._answer(command, False, asked, confirm=True)
            return
        self._answer(command, True, f"The {what} was found gelled.", what=what)
        if what == "coat" and coat.gel_called_s is None and self.state.step is Step.SPIN:
            self.emit("gelled", gel_coat_s=time_s, how="touch", safe_s=self.now_s + UNDO_S)

    def take_back_command(self, command: Command) -> None:
        """Take back the latest touch of this coat, and the gel that it told."""
        state, coat = self.state, self.state.coat
        if not coat.touches:
            self._answer(command, False, "There is no touch to take back.")
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
        self._answer(command, True, said, what=what, gel=told and turns)

    def note_command(self, command: Command) -> None:
        text = str(command.data.get("text", "")).strip()[:500]
        self._answer(command, bool(text), "Noted." if text else "Empty note.", text=text)

    def answer_command(self, command: Command) -> None:
        question = str(command.data.get("question", ""))
        value = str(command.data.get("value", ""))
        if question == "weights_off" and value == "go_on" and self.state.step is Step.WEIGH:
            self._answer(
                command,
                True,
                "Off weights accepted: the mix goes on as weighed.",
                question=question,
                value=value,
            )
        elif question == "mix_again" and value == "yes" and self.state.step in _BEFORE_POUR:
            self._answer(
                command, True, "Let the old mix go; weigh anew.", question=question, value=value
            )
            self.emit("mixed_again")
            self.go(Step.WEIGH)
        else:
            self._answer(command, False, "Nothing of the kind is asked.")

    def measure_command(self, command: Command) -> None:
        if self.state.step not in (Step.DEMOULD, Step.MEASURE):
            self._answer(command, False, "Measure the casting when it is out of the mould.")
            return
        kept = {k: v for k, v in command.data.items() if k in Measured.model_fields}
        try:
            parse(Measured, kept, "measure")
        except InputError as error:  # once in the record, it would keep the run from being proven
            self._answer(command, False, str(error))
            return
        self._answer(command, bool(kept), "Measures written down." if kept else "Nothing measured.")
        if kept:
            self.emit("measured", **kept)

    def start_command(self, command: Command) -> None:
        self._answer(command, False, "A casting is under way: finish or abandon it first.")

    def abandon_command(self, command: Command) -> None:
        if self.state.over:
            self._answer(command, False, "This run is over.")
            return
        reason = str(command.data.get("reason", "")).strip()[:200] or "no reason given"
        self._answer(command, True, "The run is abandoned.", reason=reason)
        self.act(Stop())
        self.emit("abandoned", reason=reason)

    # --- telling ---------------------------------------------------------------------------------

    def _alerts(self) -> None:
        wanted = alert_kinds(self.state, self.now_s, self.seen)
        for kind in sorted(wanted - self.state.alerts.keys()):
            self.emit("alert", alert=kind)
            self.actions.append(Sound(3 if SEVERITY[kind] == "act_now" else 1))
        for kind in sorted(self.state.alerts.keys() - wanted):
            self.emit("alert_over", alert=kind)
        self.actions.append(Show(_light(self.state)))


def _last_rates(turning: Turning, rig: RigState) -> motion.Rates:
    """Return the speeds that the handed-over ramps end with; the board's own where the record of
    them is lost."""
    if not turning.ramps:
        return rig.major.rate_rpm, rig.minor.rate_rpm
    _, major_rpm, minor_rpm = turning.ramps[-1]
    return major_rpm, minor_rpm


def _light(state: RunState) -> Light:
    if any(SEVERITY[kind] == "act_now" for kind in state.alerts):
        return Light.ACT_NOW
    if state.turning or (state.moving and not state.halted):
        return Light.TURNING
    if state.step in (Step.REST, Step.CURE) or state.over:
        return Light.READY
    return Light.ASKING


def _number(command: Command, name: str) -> float | None:
    """None where it is missing or no number; nan is none, for it compares with nothing."""
    value = command.data.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


_BEFORE_POUR = (Step.MIX, Step.DEGAS, Step.POUR)
_COMMANDS: dict[str, Callable[[_Moment, Command], None]] = {
    "start": _Moment.start_command,
    "next": _Moment.next_command,
    "stop_turning": _Moment.stop_command,
    "pause": _Moment.pause_command,
    "resume": _Moment.resume_command,
    "weigh_back": _Moment.weigh_back_command,
    "replanned": _Moment.replanned_command,
    "touch": _Moment.touch_command,
    "take_back": _Moment.take_back_command,
    "weigh": _Moment.weigh_command,
    "note": _Moment.note_command,
    "answer": _Moment.answer_command,
    "measure": _Moment.measure_command,
    "abandon": _Moment.abandon_command,
}
_EVENT_OF = {
    "weigh": "weighed",
    "weigh_back": "weighed_back",
    "replanned": "replanned",
    "touch": "touched",
    "take_back": "touch_taken_back",
    "note": "noted",
    "answer": "answered",
}
