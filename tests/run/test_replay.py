"""Replay by cure: the same angles over the same flow path, in any room, within the limits."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenwall.errors import InputError
from evenwall.model import CoatPlan, Ramp, Step
from evenwall.numerics import film
from evenwall.planning.batch import POUR_S, viscosity_table
from evenwall.run import replay
from evenwall.run import user_messages as plain
from evenwall.run.gate import admit
from evenwall.run.observation import Observation
from evenwall.run.view import countdown, sentence
from tests.run.bench import Bench
from tests.run.replays import (
    SHOP_DEGC,
    Floats,
    a_plan,
    a_proven_run,
    film_coat,
    history,
    length_s,
    lumpy_pot,
    turned,
)

LIMITS = replay.Limits(20.0, 4.0)


@cache
def today_at(degrees: float) -> tuple[CoatPlan, ...]:
    return replay.plan_today(
        a_plan(), a_proven_run(), SHOP_DEGC + degrees, SHOP_DEGC + degrees
    ).coats


def test_in_the_same_room_the_replay_is_the_proven_spin() -> None:
    """Angles at the same moments agree within 3 degrees over about a hundred turns. The rest is the
    rounding of the stored table and of the time of the pour, which is known to half a second."""
    for was, now in zip(a_proven_run().coats, today_at(0.0), strict=True):
        assert now.clock.spin_from_s == pytest.approx(was.spin_from_s, abs=0.1)
        at = np.linspace(0.0, length_s(now.ramps), 5000)
        for then, again in zip(turned(was.ramps, at), turned(now.ramps, at), strict=True):
            assert np.abs(again - then).max() * 360.0 < 3.0


@pytest.mark.parametrize("degrees", [-6.0, -3.0, 3.0])
def test_the_frame_stands_alike_at_the_same_path_left(degrees: float) -> None:
    """Once the resin has spread, both axes agree over the path within an eighth of a turn. Such a
    remainder arises where whole turns of spreading are added, and it is made up for within a
    minute. Mostly the major axis agrees within 5 degrees."""
    for was, now in zip(a_proven_run().coats, today_at(degrees), strict=True):
        proven = was.cure.path()
        poured_s = now.clock.spin_from_s - (was.spin_from_s - was.poured_s)
        cured = history(
            a_plan().casting,
            replay.kinetics_of(a_plan().casting),
            now,
            poured_s,
            SHOP_DEGC + degrees,
        )
        path = replay.CurePath.of(replay.kinetics_of(a_plan().casting), cured)
        track = replay.Track.of(was)
        spread = track.left_1_Pa[track.spread_ends]
        left = np.linspace(0.8 * spread, 0.05 * spread, 3000)
        at = path.time_at_left(left) - now.clock.spin_from_s
        then = proven.time_at_left(left) - was.spin_from_s
        for today, once in zip(turned(now.ramps, at), turned(was.ramps, then), strict=True):
            off = today - once
            assert np.abs(off - np.median(off)).max() * 360.0 < 45.0
        off = turned(now.ramps, at)[0] - turned(was.ramps, then)[0]
        assert abs((np.median(off) + 0.5) % 1.0 - 0.5) * 360.0 < 5.0  # of the law's own angle


def within(ramps: tuple[Ramp, ...], rates: tuple[float, float], limits: replay.Limits) -> None:
    before = rates
    for ramp in ramps:
        after = (ramp.major_rpm, ramp.minor_rpm)
        for was, now in zip(before, after, strict=True):
            assert abs(now) <= limits.rate_rpm * (1 + 1e-9)
            # The board is handed rounded ramps: an excess of a thousandth is within its own
            # rounding.
            assert abs(now - was) <= limits.accel_rpm_s * ramp.duration_s * 1.001 + 1e-9
        before = after


@settings(max_examples=40, deadline=None)
@given(
    coat=st.integers(0, 2),
    degrees=st.floats(-7.0, 7.0),
    rate_rpm=st.floats(11.0, 30.0),  # the proven spin itself reaches 10.8 rpm
    gels=st.lists(st.floats(0.75, 1.3), min_size=1, max_size=6),
)
def test_speeds_stay_in_limits_whatever_the_gel_estimate_does(
    coat: int, degrees: float, rate_rpm: float, gels: list[float]
) -> None:
    """The estimate jumps by up to a third during the coat; ramps are handed over piece by piece."""
    limits = replay.Limits(rate_rpm, 4.0)
    was = a_proven_run().coats[coat]
    now = today_at(float(round(degrees)))[coat]
    track = replay.Track.of(was)
    spin_from_s = now.clock.spin_from_s
    forecast = replay.CurePath.of(
        replay.kinetics_of(a_plan().casting),
        history(
            a_plan().casting, replay.kinetics_of(a_plan().casting), now, 200.0, SHOP_DEGC + degrees
        ),
    )
    place = replay.Place(at_s=spin_from_s)
    for number, gel in enumerate(gels):
        today = forecast.gelling_at(forecast.gel_s * gel)
        due = track.due_s(today, spin_from_s)
        until_s = spin_from_s + (number + 1) / len(gels) * (today.gel_s - spin_from_s)
        rates = (place.major_rpm, place.minor_rpm)
        ramps, place = replay.next_ramps(track, due, place, limits, until_s)
        within(ramps, rates, limits)


@pytest.mark.parametrize("coat", [0, 1, 2])
def test_a_moving_gel_estimate_is_followed(coat: int) -> None:
    """The replay learns half way that the gel comes 15 % sooner or later. Three minutes later the
    frame is within a turn and a half of where the cure wants it, because it leaves out or repeats
    whole turns. A coat on a warm wall may gel before that; then this holds at its gel."""
    was = a_proven_run().coats[coat]
    track = replay.Track.of(was)
    spin_from_s = was.spin_from_s
    for gel in (0.85, 1.15):
        due = track.due_s(track.path, spin_from_s)
        half_s = 0.5 * (spin_from_s + was.cure.gel_s)
        _, place = replay.next_ramps(track, due, replay.Place(at_s=spin_from_s), LIMITS, half_s)
        today = track.path.gelling_at(was.cure.gel_s * gel)
        due = track.due_s(today, spin_from_s)
        until_s = min(half_s + 180.0, was.cure.gel_s * gel)
        _, place = replay.next_ramps(track, due, place, LIMITS, until_s)
        lag_s = place.at_s - float(np.interp(place.profile_s, track.profile_s, due))
        assert abs(lag_s) < 1.5 * 60.0 / 8.0  # the legs turn at 8 rpm


def test_turning_goes_on_past_the_end_with_its_last_turn() -> None:
    was = a_proven_run().coats[0]
    track = replay.Track.of(was)
    due = track.due_s(track.path, was.spin_from_s)
    start = replay.Place(at_s=was.spin_from_s)
    ramps, _ = replay.next_ramps(track, due, start, LIMITS, float(due[-1]) + 200.0)
    within(ramps, (0.0, 0.0), LIMITS)
    end_s = length_s(ramps)
    (before, after), _ = turned(ramps, np.array([end_s - 150.0, end_s]))
    assert (after - before) / 150.0 * 60.0 == pytest.approx(8.0, rel=0.02)


def test_after_a_stop_the_major_axis_meets_the_track_at_its_angle() -> None:
    was = a_proven_run().coats[1]  # its law lingers, so the angle matters
    track = replay.Track.of(was)
    due = track.due_s(track.path, was.spin_from_s)
    for begun in (10.0, 10.37, 10.81):
        stood = replay.Place(at_s=600.0)
        first, place = replay.begin_at(track, due, stood, begun, LIMITS)
        within((first,), (0.0, 0.0), LIMITS)
        (major,), _ = turned((first,), np.array([first.duration_s]))
        k = int(np.searchsorted(track.profile_s, place.profile_s - 1e-6))
        off = (begun + major - track.turns[k] + 0.5) % 1.0 - 0.5
        assert abs(off) < 1e-6
        more, _ = replay.next_ramps(track, due, place, LIMITS, 700.0)
        within(more, (place.major_rpm, place.minor_rpm), LIMITS)


def test_too_warm_to_pour_as_early_is_said() -> None:
    told = replay.plan_today(a_plan(), a_proven_run(), SHOP_DEGC + 7.0, SHOP_DEGC + 7.0)
    assert "too warm to pour as early" in told.notes[-1]
    assert told.coats[0].clock.pour_by_s < a_plan().coats[0].clock.pour_by_s
    mild = replay.plan_today(a_plan(), a_proven_run(), SHOP_DEGC + 2.0, SHOP_DEGC + 2.0)
    assert "too warm" not in " ".join(mild.notes)


def test_who_is_quicker_than_the_proven_run_was_waits_with_the_pour() -> None:
    """A coat poured sooner is less viscous when it begins to turn, and flows further before it
    gels."""
    bench = Bench(replay.plan_today(a_plan(), a_proven_run(), SHOP_DEGC, SHOP_DEGC))
    bench.until(Step.POUR)
    seen = Observation(rig=bench.rig, **bench.kept)
    assert sentence(bench.state, bench.now_s, seen) == (plain.WAIT_TO_POUR, plain.WAIT_FOR_AGE)
    count, met_s = countdown(bench.state, bench.now_s, seen), bench.state.coat.parts_met_s
    assert count is not None
    assert met_s is not None
    begun_s = a_proven_run().coats[0].poured_s - POUR_S
    assert count.until_s - met_s == pytest.approx(begun_s, abs=0.1)
    bench.wait(count.until_s - bench.now_s)
    assert sentence(bench.state, bench.now_s, seen)[0] == "Pour now."


def test_who_was_slow_to_close_up_leaves_time_to_pour() -> None:
    """A person who is told a time that allows for closing up is not late before that time."""
    run = a_proven_run()
    poured_s = a_plan().coats[0].clock.pour_by_s
    slow = run.coats[0].model_copy(update={"poured_s": poured_s, "spin_from_s": poured_s + 120.0})
    late = run.model_copy(update={"coats": (slow, *run.coats[1:])})
    clock = replay.plan_today(a_plan(), late, SHOP_DEGC, SHOP_DEGC).coats[0].clock
    assert clock.pour_by_s >= clock.pour_from_s + POUR_S


def test_who_poured_at_once_may_not_pour_later_than_the_coat_may_gel() -> None:
    """The time that this coat's plan left after such a pour is longer than its gel takes now."""
    plan, run = a_plan(), a_proven_run()
    early = {"poured_s": 9.0, "spin_from_s": 17.0, "gel_ratio": 0.4}
    first = run.coats[0].model_copy(update=early)
    hasty = run.model_copy(update={"coats": (first, *run.coats[1:])})
    again = admit(replay.plan_today(plan, hasty, SHOP_DEGC, SHOP_DEGC), plan.rig)
    clock = again.coats[0].clock
    assert clock.pour_by_s == pytest.approx(clock.gel_low_s)


def test_a_room_in_which_nothing_gels_is_refused() -> None:
    dead = replace(replay.kinetics_of(a_plan().casting), rate_1_s=1e-9)
    with pytest.raises(InputError, match="gel"):
        replay.plan_today(a_plan(), a_proven_run(), 0.0, 0.0, dead)


def test_deviation_says_how_today_stands_to_the_proven_coat() -> None:
    told = replay.plan_today(a_plan(), a_proven_run(), SHOP_DEGC - 6.0, SHOP_DEGC - 6.0)
    follower = replay.Follower.all_of(told)[0]
    today = follower.today(None, None)
    spin_from_s = told.coats[0].clock.spin_from_s
    due = follower.track.due_s(today, spin_from_s)
    start = replay.Place(at_s=spin_from_s)
    _, place = replay.next_ramps(follower.track, due, start, LIMITS, spin_from_s + 400.0)
    found = follower.deviation(today, spin_from_s, place.at_s, place)
    assert found.path_percent == pytest.approx(100.0, abs=0.5)  # it is poured later by the clock
    assert abs(found.lag_s) < 10.0
    assert 0.5 < found.pace < 0.8  # cold: the proven coat's seconds pass more slowly
    assert found.gel_proven_s < found.gel_expected_s
    assert found.leg == "level"
    assert replay.Follower.all_of(a_plan()) == ()


def test_a_cure_that_runs_twice_as_fast_has_half_the_path() -> None:
    """Closed form: with the same viscosity over conversion, pace scales the time and therefore the
    path."""
    path = a_proven_run().coats[0].cure.path()
    fast = path.gelling_at(0.5 * path.gel_s)
    at = np.linspace(0.1, 0.9, 9) * path.gel_s
    assert fast.left_at(0.5 * at) == pytest.approx(0.5 * path.left_at(at), rel=1e-9)
    assert path.time_at_left(path.left_at(at)) == pytest.approx(at, abs=1e-6)
    assert path.time_at_age(path.age_at(at)) == pytest.approx(at, abs=1e-6)


def test_wall_of_a_replay_in_a_cold_and_a_warm_shop() -> None:
    """The short form of tests/bench/bench_replay.py: three coats on a lumpy open pot, min, mean and
    rim of the wall within 3 % of the proven run's at -6, -3 and +3 degC.

    At +6 the later coats, on a wall that the first ones warm, gel in 445 and 342 s instead of 739
    and 615: the frame turns at 17 rpm and at its limit, 20, and speeds up as fast as it may. The
    wall is up to 7 % thicker at its thinnest, and never thinner by more than 3 %, whether poured in
    time or as early as hands can. (With speed and viscosity scaled alike, which leaves out only the
    centrifugal part, the difference was 3.8 % instead of 6.3 %, and at the rim 0.3 % instead of
    2.7 %.)

    By the clock alone, turning on until the gel, some figure is off by more than 10 %."""
    mesh = lumpy_pot(0.14)
    plan, run = a_plan(), a_proven_run()
    kin = replay.kinetics_of(plan.casting)
    warm = SHOP_DEGC + 6.0
    poured_in_time = replay.plan_today(plan, run, warm, warm, kin, by_hand_s=0.0).coats
    days = [plan.coats, *(today_at(d) for d in (-6.0, -3.0, 3.0)), poured_in_time, today_at(6.0)]
    cases = [film_coat(mesh, plan, c, c.ramps, c.clock.spin_from_s) for day in days for c in day]
    for was, coat in zip(run.coats, plan.coats, strict=True):
        cured = history(plan.casting, kin, coat, was.poured_s, SHOP_DEGC + 6.0)
        thinner = coat.model_copy(update={"viscosity": viscosity_table(cured)})
        cases.append(film_coat(mesh, plan, thinner, coat.ramps, was.spin_from_s))
    films = [done.film_m for done in film.coats(mesh, cases)]
    weights = film.WallWeights.of(mesh)

    def figures(number: int) -> Floats:
        wall = weights.statistics(sum(films[3 * number : 3 * number + 3]))
        return np.array([wall.min, wall.mean, wall.rim])

    proven = figures(0)
    for number in (1, 2, 3):
        assert figures(number) == pytest.approx(proven, rel=0.03)
    for number in (4, 5):
        late = figures(number) / proven
        assert late.min() > 0.97
        assert late.max() < 1.07
    assert np.abs(figures(6) / proven - 1.0).max() > 0.10
