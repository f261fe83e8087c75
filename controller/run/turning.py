"""Motion of the frame: hand ramps over, keep the board fed, end the turning, park."""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run import motion
from evenwall.run.alerts import BOUND_OF_GEL
from evenwall.run.events import Halted, Moving, Queued, Rejoined, TurningBegan, TurningEnded
from evenwall.run.moment import Moment
from evenwall.run.observation import Enable, Park, Queue, Stop
from evenwall.run.replay import Floats, Follower, Place
from evenwall.run.state import Turning
from evenwall_bridge.contract import Fault, Mode, RigState

TAKES_IN_S = 1.0  # from handing ramps over until the board's rows count them


def rejoin(moment: Moment) -> None:
    """Take the board up again after a restart or a lost link.

    The last ramps in the journal may not have reached the board, and a board whose queue ran empty
    kept its last speed.
    """
    rig, turning = moment.seen.rig, moment.state.turning
    if moment.state.halted and rig is not None and rig.mode is Mode.TURNING:
        moment.act(Stop())
    if moment.state.moving and not moment.state.halted:
        park(moment, moment.state.moving)
    if rig is None or turning is None or rig.mode is not Mode.TURNING:
        return  # `stopped_by_itself` finds the reason why the board stands still
    if rig.coasting:
        catch_up(moment, rig)
        return
    dropped = max(0, len(turning.ramps) - rig.ramps_accepted)
    back_s = sum(ramp[0] for ramp in turning.ramps[len(turning.ramps) - dropped :])
    profile_s = max(0.0, turning.profile_s - back_s)
    moment.emit(Rejoined(dropped_ramps=dropped, exact=True, profile_s=profile_s))


def catch_up(moment: Moment, rig: RigState) -> None:
    """Continue at the coat's present time after the board kept its last speed by itself."""
    from_s = moment.state.coat.spin_from_s
    profile_s = 0.0 if from_s is None else moment.now_s - from_s
    rates = (rig.major.rate_rpm, rig.minor.rate_rpm)
    first, profile_s = _into(moment, rates, profile_s, rig)
    moment.emit(Rejoined(dropped_ramps=0, exact=False, profile_s=profile_s))
    more, profile_s = _onwards(moment, profile_s, first[0], first[1:], full_s(moment))
    _hand_over(moment, (first, *more), profile_s)


def full_s(moment: Moment) -> float:
    """Amount of motion, in s, that the board should hold after feeding."""
    return motion.FULL_S + 1.5 * moment.seen.lag_s


def begin_turning(moment: Moment) -> None:
    rig, from_s = moment.seen.rig, moment.state.coat.spin_from_s
    if rig is None:
        return
    into: tuple[motion.Ramp3, ...] = ()
    holds_s, rates, profile_s = 0.0, (0.0, 0.0), 0.0
    if from_s is not None:  # the coat has already turned
        ramp, profile_s = _into(moment, rates, moment.now_s - from_s, rig)
        into, holds_s, rates = (ramp,), ramp[0], ramp[1:]
    base_steps = (rig.major.steps, rig.minor.steps)
    moment.emit(TurningBegan(base_steps=base_steps, profile_s=profile_s, exact=not into))
    moment.act(Enable())
    more, profile_s = _onwards(moment, profile_s, holds_s, rates, full_s(moment))
    _hand_over(moment, (*into, *more), profile_s)


def _into(
    moment: Moment, rates: motion.Rates, profile_s: float, rig: RigState
) -> tuple[motion.Ramp3, float]:
    """Enter the coat's profile from these speeds, in phase with the major axis.

    Returns (ramp, profile time at its end). A replay enters where the cure now requires.
    """
    turned = (rig.major.angle_deg - moment.state.coat_plan.start_deg.major) / 360.0
    follower = moment.state.follower
    if follower is None:
        return moment.state.profile.into(rates, profile_s, moment.accel, turned)
    ramp, place = follower.into(_due_s(moment, follower), _place(moment, 0.0, 0.0, rates), turned)
    return ramp, place.profile_s


def _onwards(
    moment: Moment, profile_s: float, holds_s: float, rates: motion.Rates, amount_s: float
) -> tuple[tuple[motion.Ramp3, ...], float]:
    """Return at least `amount_s` more of the coat's profile: (ramps, profile time at their end).

    They follow the `holds_s` of motion that the board still has, from the speeds at its end.
    """
    follower = moment.state.follower
    if follower is None:
        return moment.state.profile.onwards(profile_s, amount_s)
    start = _place(moment, profile_s, holds_s, rates)
    ramps, place = follower.onwards(_due_s(moment, follower), start, amount_s)
    return ramps, place.profile_s


def _place(moment: Moment, profile_s: float, holds_s: float, rates: motion.Rates) -> Place:
    met_s = moment.state.coat.parts_met_s or 0.0
    return Place(profile_s, moment.now_s + holds_s - met_s, *rates)


def _due_s(moment: Moment, follower: Follower) -> Floats:
    """Times at which the proven coat's moments are due, on this coat's clock, as now known."""
    return follower.due_s(
        moment.state.spin_from_coat_s or moment.now_s - (moment.state.coat.parts_met_s or 0.0),
        moment.seen.gel.best_s,
        moment.seen.room_degC,
    )


def _hand_over(
    moment: Moment, ramps: tuple[motion.Ramp3, ...], profile_s: float, ending: bool = False
) -> None:
    moment.emit(Queued(ramps=ramps, profile_s=profile_s, ending=ending))
    moment.act(Queue(ramps))


def keep_turning(moment: Moment) -> None:
    """Keep the board fed; end the turning when the coat holds."""
    turning, rig = moment.state.turning, moment.seen.rig
    if moment.state.step is not Step.SPIN or turning is None or rig is None:
        return
    if moment.seen.rig_lost:
        return
    heard = rig.at_s > turning.batch_s + TAKES_IN_S + moment.seen.lag_s
    if turning.ending:
        if heard and rig.queue_s == 0 and rig.mode is Mode.HOLDING:
            _turning_ended(moment, turning, rig)
    elif heard and rig.coasting:
        catch_up(moment, rig)
    elif may_stop(moment):
        # Behind what is queued, so that every step is accounted for.
        _hand_over(
            moment,
            (motion.to_rest(_last_rates(turning, rig), moment.accel),),
            turning.profile_s,
            ending=True,
        )
    else:
        holds_s = turning.ends_s - moment.now_s
        if heard:
            holds_s = rig.queue_s - (moment.now_s - rig.at_s)
        if holds_s < motion.AHEAD_S + moment.seen.lag_s:
            holds_s = max(0.0, holds_s)
            ramps, profile_s = _onwards(
                moment,
                turning.profile_s,
                holds_s,
                _last_rates(turning, rig),
                full_s(moment) - holds_s,
            )
            _hand_over(moment, ramps, profile_s)


def may_stop(moment: Moment) -> bool:
    coat = moment.state.coat
    if coat.safe_s is not None:
        return moment.now_s >= coat.safe_s
    return _past_bound(moment)


def _past_bound(moment: Moment) -> bool:
    time_s = moment.state.coat_time_s(moment.now_s)
    limit_s = BOUND_OF_GEL * moment.state.coat_plan.clock.gel_high_s
    return time_s is not None and time_s > limit_s


def _turning_ended(moment: Moment, turning: Turning, rig: RigState) -> None:
    expected = None
    exact = turning.exact and Fault.QUEUE_DRY not in rig.faults
    if exact:
        expected = motion.expected_steps(turning.ramps, moment.state.plan.rig)
    counted = (
        rig.major.steps - turning.base_steps[0],
        rig.minor.steps - turning.base_steps[1],
    )
    ended = TurningEnded(
        steps_expected=expected,
        steps_counted=counted if exact else None,
        gave_up=moment.state.coat.safe_s is None,
    )
    moment.emit(ended)
    moment.go(Step.PARK)
    park(moment, "down")


def park(moment: Moment, to: str) -> None:
    if moment.seen.rig is None or moment.cannot_turn:
        moment.emit(Moving(to=to))
        moment.emit(Halted(why="guard" if moment.state.guard_closed is False else "board"))
        return
    # At the pour the opening is up. Half a turn of the frame brings it down, whichever way the
    # mould is mounted.
    start = moment.state.coat_plan.start_deg
    major_deg, minor_deg = start.major, start.minor
    if to == "down":
        major_deg = (major_deg + 180.0) % 360.0
    moment.emit(Moving(to=to))
    moment.act(Enable())
    moment.act(Park(to, major_deg, minor_deg))


def turn_again(moment: Moment) -> None:
    if moment.state.moving:
        park(moment, moment.state.moving)
    elif moment.state.step is Step.SPIN:
        begin_turning(moment)


def _last_rates(turning: Turning, rig: RigState) -> motion.Rates:
    """Return the final speeds of the ramps handed over.

    If their record is lost, return the board's present speeds.
    """
    if not turning.ramps:
        return rig.major.rate_rpm, rig.minor.rate_rpm
    _, major_rpm, minor_rpm = turning.ramps[-1]
    return major_rpm, minor_rpm
