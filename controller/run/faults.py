"""Stops: by the guard, by the board itself, after a failed action, and by a person."""

from __future__ import annotations

from evenwall.run.events import BoardRefused, GuardClosed, GuardOpened, Halted, StopAsked
from evenwall.run.moment import Moment
from evenwall.run.observation import Hold, Stop
from evenwall.run.user_messages import HALTED
from evenwall_bridge.contract import Fault, Mode

INSIST_S = 1.0  # time from an order to stop until the board must have shown that it obeyed
STARTS_S = 2.0  # after handing ramps over, until a board at rest has stopped by itself


def watch_guard(moment: Moment) -> None:
    rig = moment.seen.rig
    if rig is None or rig.guard_closed == moment.state.guard_closed:
        return
    moment.emit(GuardClosed() if rig.guard_closed else GuardOpened())
    if not rig.guard_closed and (moment.state.turning or moment.state.moving):
        moment.halt("guard")


def failed(moment: Moment) -> None:
    moment.emit(BoardRefused(what=moment.seen.failed))
    if (moment.state.turning or moment.state.moving) and not moment.state.halted:
        moment.halt("fault")


def stopped_by_itself(moment: Moment) -> None:
    """Record a stop that the board made without an order, with its reason."""
    rig, turning = moment.seen.rig, moment.state.turning
    if rig is None or turning is None or not turning.ramps:
        return
    if turning.ending and rig.mode is Mode.HOLDING:
        return
    starts = rig.at_s < turning.batch_s + STARTS_S + moment.seen.lag_s
    if starts or rig.mode in (Mode.TURNING, Mode.STOPPING):
        return
    why = "fault" if rig.faults - {Fault.QUEUE_DRY} else "board"
    faults = tuple(sorted(fault.value for fault in rig.faults))
    moment.emit(Halted(why=why, faults=faults))


def insist_on_stop(moment: Moment) -> None:
    """Send a stop that was lost on the wire again, until the board is seen to have obeyed."""
    state, rig = moment.state, moment.seen.rig
    if not state.halted or rig is None or moment.seen.rig_lost:
        return
    seen_since = rig.at_s > state.halted_s + INSIST_S + moment.seen.lag_s
    if seen_since and rig.mode is Mode.TURNING:
        moment.act(Hold() if state.halted == "pause" else Stop())


def stop_turning(moment: Moment, who: str) -> str:
    if not (moment.state.turning or moment.state.moving) or moment.state.halted:
        moment.act(Stop())  # cheap, and a request to stop is never refused
        return "Nothing is turning."
    moment.emit(StopAsked(who=who))
    moment.halt("stop")
    return HALTED["stop"]
