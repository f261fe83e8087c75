"""Change of the rest of a coat's spin: phase, limits, the linear programme, and what is offered."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest

from evenwall.errors import InputError
from evenwall.geometry.film_mesh import film_mesh
from evenwall.geometry.mould import load_cavity
from evenwall.model import CoatPlan, CoatUnderWay, Plan, SpinChange
from evenwall.numerics.film import WallWeights
from evenwall.planning import spin_change as module
from evenwall.planning.recipe import Recipe, profile, ramps
from evenwall.planning.rest_of_spin import Rest, first, rest_of, speeds_at, turning
from evenwall.planning.spin_change import answer, best_steps, why
from evenwall.planning.wall import film_inputs, films_by_opening
from evenwall.planning.walls import FINE
from tests.support.virtual_shop import lantern_plan

RPM = 60.0 / (2.0 * math.pi)
KNOT_RAD = 2.0 * math.pi / 8
FROM_S = 60.0


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A lantern globe with a wall as if computed. Its second coat has a leg towards the rim."""
    made = lantern_plan()
    wall = made.wall.model_copy(update={"min_mm": 4.0})
    return made.model_copy(update={"wall": wall})


def rest(plan: Plan, coat: int, from_s: float) -> Rest:
    one = plan.coats[coat - 1]
    found = rest_of(
        one,
        Recipe(**plan.details["recipes"][coat - 1]),
        plan.geometry.opening.direction,
        plan.rig,
        from_s=from_s,
        gel_s=one.clock.gel_expected_s - one.clock.spin_from_s,
    )
    assert found is not None
    return found


def now(plan: Plan, coat: int, gel: float = 1.0) -> CoatUnderWay:
    """The coat with a gel at this share of the expected, known within 8 %."""
    gel_s = gel * plan.coats[coat - 1].clock.gel_expected_s
    return CoatUnderWay(
        coat=coat, gel_s=(0.92 * gel_s, gel_s, 1.08 * gel_s), begins_s=None, at_s=0.0
    )


# --- Ramps ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("coat", [1, 2, 3])
@pytest.mark.parametrize("from_s", [20.0, 61.7, 100.0, 222.2])
def test_an_unchanged_rest_is_the_planned_spin(plan: Plan, coat: int, from_s: float) -> None:
    """Whether the change begins in the middle of a ramp, of a law or of a steady leg. The planned
    ramps and these come from the same arithmetic: only rounding differs."""
    planned = turning(plan.coats[coat - 1])
    found, _ = rest(plan, coat, from_s).rows()
    both = np.vstack([first(planned, from_s), found])
    assert both[:, 0].sum() == pytest.approx(planned[:, 0].sum(), abs=1e-6)
    time_s = np.linspace(0.0, planned[:, 0].sum(), 4001)
    assert speeds_at(both, time_s) * RPM == pytest.approx(
        speeds_at(planned, time_s) * RPM, abs=1e-6
    )


def test_a_changed_law_keeps_the_phase_of_what_was_turned(plan: Plan) -> None:
    """Every ramp of a law ends where the major axis is at a multiple of 45 degrees, counted from
    the pour, and the speeds meet without a jump. The bias sent the resin elsewhere otherwise."""
    left = rest(plan, 1, 100.0)
    steps = [one.high for one in left.numbers(2.0)]
    found, _ = left.rows(left.changed(left.numbers(2.0), steps))
    speeds = np.concatenate([[left.speeds[0]], found[:, 1]])
    phi = left.phi + np.cumsum(0.5 * (speeds[1:] + speeds[:-1]) * found[:, 0])
    off = np.abs((phi[:-1] / KNOT_RAD + 0.5) % 1.0 - 0.5)
    assert off.max() < 1e-6
    planned = turning(plan.coats[0])
    assert speeds_at(planned, np.array([100.0]))[0] == pytest.approx(left.speeds, abs=1e-12)


def test_a_change_keeps_the_limits_and_the_length(plan: Plan) -> None:
    """Whatever the programme may choose, the rig can follow it within the plan's own tolerance."""
    rng = np.random.default_rng(5)
    for coat in (1, 2, 3):
        left = rest(plan, coat, FROM_S)
        numbers = left.numbers(2.0)
        assert numbers
        for _ in range(20):
            steps = [rng.uniform(one.low, one.high) for one in numbers]
            found, names = left.rows(left.changed(numbers, steps))
            assert len(names) == len(found)
            assert (found[:, 0] > 0.0).all()
            assert found[:, 0].sum() == pytest.approx(left.until_s - FROM_S, abs=1e-6)
            speeds = np.vstack([left.speeds, found[:, 1:]])
            assert np.abs(speeds).max() * RPM <= plan.rig.rate_limit_rpm * (1 + 1e-6)
            rise = np.abs(np.diff(speeds, axis=0)).max(axis=1) / found[:, 0]
            assert rise.max() * RPM <= plan.rig.accel_limit_rpm_s * (1 + 1e-6)


def test_a_leg_towards_the_rim_moves_as_a_whole(plan: Plan) -> None:
    left = rest(plan, 2, 20.0)
    number = next(one for one in left.numbers(1.0) if one.what == "start")
    _, names = left.rows(left.changed([number], [1.0]))
    found, _ = left.rows(left.changed([number], [1.0]))
    plain, plain_names = left.rows()

    def span(rows: np.ndarray, legs: tuple[str, ...]) -> tuple[float, float]:
        ends = np.cumsum(rows[:, 0])
        which = [k for k, name in enumerate(legs) if name == "rim"]
        return float(ends[which[0]] - rows[which[0], 0]), float(ends[which[-1]])

    # A leg begins and ends at a knot: within an eighth of a turn at 6 rpm.
    moved, was = span(found, names), span(plain, plain_names)
    assert moved[0] - was[0] == pytest.approx(number.step, abs=1.5)
    assert moved[1] - was[1] == pytest.approx(number.step, abs=1.5)


def test_a_spin_that_no_recipe_describes_is_left_alone(plan: Plan) -> None:
    """As of a proven spin: its ramps are another run's."""
    slower = tuple(
        one.model_copy(update={"major_rpm": 0.9 * one.major_rpm}) for one in plan.coats[0].ramps
    )
    odd = plan.coats[0].model_copy(update={"ramps": slower})
    other = plan.model_copy(update={"coats": (odd, *plan.coats[1:])})
    assert answer(other, other, (), now(plan, 1), plan.rig, from_profile_s=FROM_S) is None
    without = plan.model_copy(update={"details": {}})
    assert answer(without, without, (), now(plan, 1), plan.rig, from_profile_s=FROM_S) is None


def test_a_change_too_late_to_act_is_not_computed(plan: Plan) -> None:
    clock = plan.coats[0].clock
    late_s = clock.gel_expected_s - clock.spin_from_s - 10.0
    assert answer(plan, plan, (), now(plan, 1), plan.rig, from_profile_s=late_s) is None


def test_a_pause_moves_the_change_with_the_profile(plan: Plan) -> None:
    """The frame stood for half a minute: the same place of the profile comes so much later."""
    coat = plan.coats[0]
    still = [
        coat.ramps[0].model_copy(update={"duration_s": d, "major_rpm": 0.0, "minor_rpm": 0.0})
        for d in (5.0, 25.0)
    ]
    again = coat.ramps[9].model_copy(update={"duration_s": 5.0})
    paused = coat.model_copy(update={"ramps": (*coat.ramps[:10], *still, again, *coat.ramps[10:])})
    laid = plan.model_copy(update={"coats": (paused, *plan.coats[1:])})
    way = module._way_on(plan, laid, now(plan, 1), plan.rig, 200.0)
    assert way is not None
    assert way.before[:, 0].sum() == pytest.approx(235.0, abs=1e-6)
    assert way.before[-1, 1:] == pytest.approx(way.rest.speeds, abs=1e-9)


# --- The programme --------------------------------------------------------------------------------


def test_two_patches_that_trade_resin_meet_in_the_middle() -> None:
    """One number carries a tenth of the mean a step from one patch to the other: after one step of
    a possible two both are 0.9."""
    patches = np.tile([0.8, 1.0], (3, 1))
    slopes = np.tile([0.1, -0.1], (1, 3, 1))
    assert best_steps(patches, slopes, [(-2.0, 2.0)]) == pytest.approx([1.0], abs=1e-9)
    assert best_steps(patches, slopes, [(-2.0, 0.4)]) == pytest.approx([0.4], abs=1e-9)


def test_no_gel_pays_for_another() -> None:
    """The step that helps the expected and the late gel would thin the early one."""
    patches = np.tile([0.8, 1.0], (3, 1))
    slopes = np.tile([0.1, -0.1], (1, 3, 1))
    slopes[0, 0] = [-0.1, 0.1]
    assert best_steps(patches, slopes, [(-2.0, 2.0)]) == pytest.approx([0.0], abs=1e-9)


def test_what_differs_most_gives_the_reason(plan: Plan) -> None:
    coat = plan.coats[0]

    def told(other: CoatPlan, gel: float = 1.0) -> str:
        return why(coat, other, now(plan, 1, gel))

    late = coat.clock.model_copy(update={"spin_from_s": coat.clock.spin_from_s + 40.0})
    more = {"mix_g": 1.06 * coat.mix_g}
    less = {"mix_g": 0.94 * coat.mix_g}
    assert told(coat) == "other"
    assert told(coat, 0.9) == "gel_early"
    assert told(coat, 1.1) == "gel_late"
    assert told(coat.model_copy(update={"clock": late})) == "began_late"
    assert told(coat.model_copy(update=more)) == "more_resin"
    assert told(coat.model_copy(update=less)) == "less_resin"


# --- Answers, with real films on coarse meshes ----------------------------------------------------


def thinnest(plan: Plan, coat: int, gel: float, rest_of_it: SpinChange | None) -> float:
    """The finished wall's thinnest patch on a mesh of its own, m."""
    lanes = film_inputs(plan)
    one, rows = lanes[coat - 1], turning(plan.coats[coat - 1])
    if rest_of_it is not None:
        new = [(r.duration_s, r.major_rpm / RPM, r.minor_rpm / RPM) for r in rest_of_it.ramps]
        rows = np.vstack([first(rows, rest_of_it.from_profile_s), new])
    spin = replace(one.spin, duration_s=rows[:, 0], major_rad_s=rows[:, 1], minor_rad_s=rows[:, 2])
    fluid = replace(one.fluid, times_s=gel * one.fluid.times_s)
    lanes[coat - 1] = replace(one, spin=spin, fluid=fluid)
    mesh = film_mesh(load_cavity(plan.casting), 7.7)
    states = [c.opening_state for c in plan.coats]
    made = films_by_opening(mesh, lanes, states, numerics=FINE)
    return WallWeights.of(mesh).statistics(np.sum([f.film_m for f in made], axis=0)).min


@pytest.fixture(scope="module", autouse=True)
def coarse() -> Iterator[None]:
    """Coarser meshes than on the rig: films of a third of the cost, for a plan that has much to
    gain."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "CELLS", 600)
        patch.setattr(module, "OTHER_CELLS", 850)
        yield


@pytest.fixture(scope="module")
def spoilt(plan: Plan) -> Plan:
    """The plan with a second coat that sends too much resin to the floor, by four steps of its
    bias: sending less must help."""
    recipe = Recipe(**plan.details["recipes"][1])
    recipe = replace(recipe, bias=recipe.bias + 0.06)
    coat = plan.coats[1]
    turned = ramps(profile(recipe, coat.clock, plan.rig, plan.geometry.opening.direction))
    coats = (plan.coats[0], coat.model_copy(update={"ramps": turned}), plan.coats[2])
    recipes = [*plan.details["recipes"]]
    recipes[1] = asdict(recipe)
    details = {**plan.details, "recipes": recipes}
    return plan.model_copy(update={"coats": coats, "details": details})


@pytest.fixture(scope="module")
def offered(spoilt: Plan) -> SpinChange:
    found = answer(spoilt, spoilt, (), now(spoilt, 2, 0.9), spoilt.rig, from_profile_s=FROM_S)
    assert found is not None
    return found


def test_an_early_gel_on_a_spoilt_bias_is_answered(spoilt: Plan, offered: SpinChange) -> None:
    assert offered.why == "gel_early"
    assert (offered.coat, offered.from_profile_s) == (2, FROM_S)
    assert offered.gain_low_mm >= 0.0
    gain_mm = offered.changed_mm - offered.going_on_mm
    assert gain_mm >= module.LEAST_GAIN * spoilt.wall.mean_mm
    before, after = thinnest(spoilt, 2, 0.9, None), thinnest(spoilt, 2, 0.9, offered)
    # The third mesh agrees within half of the gain; coarse meshes differ by a few per cent.
    assert after / before == pytest.approx(
        offered.changed_mm / offered.going_on_mm, abs=0.5 * gain_mm / offered.going_on_mm
    )
    length_s = turning(spoilt.coats[1])[:, 0].sum()
    assert sum(r.duration_s for r in offered.ramps) == pytest.approx(length_s - FROM_S, abs=1e-3)
    assert {a.leg for a, b in pairwise(offered.ramps)} <= {"spread", "level", "rim"}


def test_the_same_question_has_the_same_answer(spoilt: Plan, offered: SpinChange) -> None:
    again = answer(spoilt, spoilt, (), now(spoilt, 2, 0.9), spoilt.rig, from_profile_s=FROM_S)
    assert again == offered


def test_a_change_that_gains_nothing_on_the_other_mesh_is_dropped(
    plan: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The mesh that decides is not the one on which the change was found: the opposite of the best
    change, and no change at all, are not offered."""
    best = module._best
    monkeypatch.setattr(module, "_best", lambda *some: [-steps for steps in best(*some)])
    assert answer(plan, plan, (), now(plan, 2), plan.rig, from_profile_s=FROM_S) is None
    monkeypatch.setattr(module, "_best", lambda *some: [np.zeros(len(some[-1]))])
    assert answer(plan, plan, (), now(plan, 2), plan.rig, from_profile_s=FROM_S) is None


def test_a_plan_without_a_computed_wall_has_nothing_to_compare_with() -> None:
    bare = lantern_plan()
    with pytest.raises(InputError, match="no computed wall"):
        answer(bare, bare, (), now(bare, 1), bare.rig, from_profile_s=FROM_S)
