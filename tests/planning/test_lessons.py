"""Learning from measured castings: what the measures of a wall say about resin, mould and lid."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pytest

from evenwall.geometry.mould import load_cavity
from evenwall.model import Plan
from evenwall.model.details import LEARNT, Corrections, LearntDetail
from evenwall.planning import measured_wall
from evenwall.planning.context import PlanningContext
from evenwall.planning.lessons import (
    LASTING,
    PRIOR,
    RETURNS,
    Expected,
    Lessons,
    Predicted,
    corrected,
    learn,
)
from evenwall.planning.lessons_told import sentences
from evenwall.planning.measured_wall import WallModel, gauge_excess_m, read_wall, wall_model
from evenwall.planning.wall_rows import Found, Gauged, Said, WallSaid
from evenwall.units import percent
from tests.support.virtual_shop import lantern_plan

POINTS = [(up_mm, side) for up_mm in (15.0, 55.0, 95.0) for side in (20.0, 110.0, 200.0, 290.0)]


@pytest.fixture(scope="module", autouse=True)
def coarse() -> Iterator[None]:
    """Fewer cells than in earnest: both sides of a comparison are computed on the same mesh."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(measured_wall, "CELLS", 300)
        yield


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A plan of two coats."""
    made = lantern_plan()
    return made.model_copy(update={"coats": made.coats[:2]})


@pytest.fixture(scope="module")
def model(plan: Plan) -> WallModel:
    return wall_model(plan)


def said(run_id: str, off: float, at_m: tuple[float, float, float] | None = None) -> WallSaid:
    """A casting with one measure of the viscosity alone, or of the film's error at one place."""
    lasting = (1.0 if at_m is None else 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    row = Said(
        kind="spot",
        off=off,
        noise=0.01,
        lasting=lasting,
        own=(0.0, 0.0),
        at_m=() if at_m is None else (at_m,),
    )
    return WallSaid(run_id=run_id, mean_mm=4.5, local=0.05, reach_m=0.03, rows=(row,))


def test_without_castings_nothing_is_corrected() -> None:
    found = learn([])
    assert found.corrections == Corrections()
    assert found.spreads == tuple(PRIOR.values())
    assert not found.local_error(np.zeros((3, 3))).any()


def test_one_measure_is_weighed_against_the_spread_of_the_odds() -> None:
    """Precision-weighted mean (Gelman et al. 2013, Bayesian Data Analysis, equation 2.12)."""
    found = learn([said("a", -0.1)])
    share = PRIOR["viscosity"] ** 2 / (PRIOR["viscosity"] ** 2 + 0.01**2)
    assert found.corrections.viscosity == pytest.approx(math.exp(-0.1 * share))
    assert found.spreads[0] == pytest.approx(0.01 * math.sqrt(share))
    others = (found.corrections.gel, found.corrections.heat, found.corrections.lid)
    assert others == (1.0, 1.0, 1.0)


def test_castings_that_contradict_each_other_leave_a_wide_spread() -> None:
    agreeing, apart = (
        learn([said("a", 0.0), said("b", 0.0)]),
        learn([said("a", 0.2), said("b", -0.2)]),
    )
    assert apart.corrections.viscosity == pytest.approx(1.0)
    assert apart.surprise > 10.0
    assert apart.spreads[0] > 3.0 * agreeing.spreads[0]


def test_no_correction_goes_beyond_three_of_its_spreads() -> None:
    found = learn([said("a", 5.0)])
    assert found.corrections.viscosity == pytest.approx(math.exp(3.0 * PRIOR["viscosity"]))


def test_only_the_newest_castings_count() -> None:
    many = [said(f"run {k}", 0.01 * k) for k in range(9)]
    assert learn(many).runs == tuple(f"run {k}" for k in range(3, 9))


def test_an_error_at_one_place_returns_there_and_round_the_axis() -> None:
    """At the place: the Gaussian process's own mean; far away nothing."""
    place = (0.05, 0.0, 0.02)
    found = learn([said("a", 0.04, place)])
    here, opposite, far = found.local_error(np.array([place, (-0.05, 0.0, 0.02), (0.05, 0.0, 0.5)]))
    # One reading: error times the share of its variance that is the film's and returns.
    assert here == pytest.approx(0.04 * RETURNS * 0.05**2 / (0.05**2 + 0.01**2))
    assert 0.6 * here < opposite < 0.8 * here
    assert abs(far) < 1e-6
    assert found.corrections == Corrections()


def as_computed(model: WallModel) -> Predicted:
    """The wall of films that are known, without any lesson."""
    mesh, film_m = model.mesh, model.films_m.sum(axis=0)
    return Predicted(model.weights, mesh.points, mesh.curvature, film_m, film_m)


def measured(plan: Plan, wall: Predicted, told: Corrections) -> Found:
    """Return the measures of this wall, without any error."""
    x, y, z = wall.points_m.T
    gauged = []
    for up_mm, side in POINTS:
        turn = np.angle(np.exp(1j * (np.arctan2(y, x) - math.radians(side))))
        away = np.hypot(z - z.min() - up_mm * 1e-3, np.hypot(x, y) * turn)
        near = np.argsort(away)[:3]
        weights = 1.0 / np.maximum(away[near], 1e-4)
        weights /= weights.sum()
        film_m = float(weights @ wall.wall_m[near])
        curve = float(weights @ wall.curvature[near])
        reads_mm = 1e3 * (film_m + gauge_excess_m(film_m, curve))
        gauged.append(Gauged(reads_mm, point=(up_mm, side)))
    wall_g = sum(c.mix_g - c.cup_left_g - c.spill_g - c.lid_g for c in plan.coats)
    lid_g = sum(c.lid_g for c in plan.coats)
    to_lid = lid_g / wall_g * math.log(told.lid)
    return Found(
        weight_g=wall_g * told.stays * math.exp(-to_lid),
        lid_g=lid_g * told.stays * told.lid,
        rim_mm=(wall.expected().rim_mm,),
        gauged=tuple(gauged),
    )


TRUE = Corrections(viscosity=0.9, gel=0.92, heat=1.1, lid=1.2, stays=0.98, thickness=1.01)


@pytest.fixture(scope="module")
def true(plan: Plan) -> Predicted:
    return Predicted.of(plan, corrected(plan, TRUE), Lessons(corrections=TRUE))


@pytest.fixture(scope="module")
def told(plan: Plan, model: WallModel, true: Predicted) -> WallSaid:
    return read_wall(plan, measured(plan, true, TRUE), "a", model)


def test_a_wall_made_with_known_corrections_is_predicted_after_one_casting(
    plan: Plan, model: WallModel, true: Predicted, told: WallSaid
) -> None:
    """The mean wall, rim and all places of the next casting lie at most half as far from those
    predicted as without the lesson. Lid and pour are told by the scale."""
    found = learn([told])
    assert found.corrections.lid == pytest.approx(TRUE.lid, rel=0.06)  # 1 g of 12 g
    assert found.corrections.stays == pytest.approx(TRUE.stays, abs=0.015)  # scatters by 3 % a coat
    before, after = (
        as_computed(model),
        Predicted.of(plan, corrected(plan, found.corrections), found),
    )

    def off(one: Predicted) -> float:
        return float(np.sqrt(np.mean((one.wall_m - true.wall_m) ** 2)))

    assert off(after) < 0.5 * off(before)
    for name in ("mean_mm", "rim_mm"):
        was, now = (
            abs(getattr(one.expected(), name) - getattr(true.expected(), name))
            for one in (before, after)
        )
        assert now < 0.5 * was


def test_measures_that_agree_with_a_corrected_plan_confirm_it(plan: Plan) -> None:
    """The rows speak of the uncorrected figures, whether the plan had corrections or not."""
    coats = tuple(
        coat.model_copy(
            update={
                "lid_g": coat.lid_g * TRUE.lid,
                "mix_g": coat.mix_g + coat.lid_g * (TRUE.lid - 1.0),
                "viscosity": tuple((t * TRUE.gel, mu * TRUE.viscosity) for t, mu in coat.viscosity),
                "clock": coat.clock.model_copy(
                    update={"gel_expected_s": coat.clock.gel_expected_s * TRUE.gel}
                ),
            }
        )
        for coat in plan.coats
    )
    made = Corrections(viscosity=TRUE.viscosity, gel=TRUE.gel, lid=TRUE.lid)
    details = {**plan.details, LEARNT: LearntDetail(corrections=made).model_dump(mode="json")}
    wise = plan.model_copy(update={"coats": coats, "details": details})
    its = wall_model(wise)
    agreeing = measured(wise, as_computed(its), Corrections())
    confirmed = learn([read_wall(wise, agreeing, "b", its)]).corrections
    # Drawn back towards 1 by the prior, more so what the wall shows least.
    assert confirmed.lid == pytest.approx(TRUE.lid, rel=0.06)
    assert 0.9 <= confirmed.viscosity < 1.0
    assert 0.92 <= confirmed.gel < 0.98


def test_every_row_has_its_slopes_in_order(told: WallSaid) -> None:
    kinds = [row.kind for row in told.rows]
    assert kinds == ["weight", "lid", "rim", *["spot"] * len(POINTS), "volume"]
    assert {len(row.lasting) for row in told.rows} == {len(LASTING)}
    weight, lid = told.rows[:2]
    assert weight.lasting[:3] == lid.lasting[:3] == (0.0, 0.0, 0.0)
    assert weight.lasting[LASTING.index("lid")] < 0.0 < lid.lasting[LASTING.index("lid")]


def test_gels_that_were_found_are_readings_too(plan: Plan, model: WallModel) -> None:
    gels_s = tuple(1.1 * coat.clock.gel_expected_s for coat in plan.coats)
    found = learn([read_wall(plan, Found(gels_s=gels_s), "c", model)])
    # Each coat's batch scatters by 8 % and each reading by 5 %: two coats of the same sign.
    assert 1.03 < found.corrections.gel < 1.1
    assert found.corrections.lid == 1.0


def test_a_plan_counts_what_castings_lacked_with_the_lid(plan: Plan) -> None:
    """By hand: 20 % more than the usual film on the lid, and 2 % of the wall over 0.98."""
    cavity = load_cavity(plan.casting)
    usual = PlanningContext(plan.casting, plan.rig, cavity)
    told = Corrections(lid=1.2, stays=0.98)
    wise = PlanningContext(plan.casting, plan.rig, cavity, corrections=told)
    wall_g = cavity.area_cm2 * 0.15 * plan.casting.resin.sheet.cured_density_g_cm3
    wanted_g = 1.2 * usual.lid_g(1.5) + wall_g * (1.0 / 0.98 - 1.0)
    assert wise.lid_g(1.5) == pytest.approx(wanted_g)
    more_g = [wise.weights_g(1.5, 0.0)[0], -usual.weights_g(1.5, 0.0)[0]]
    # Mixed and poured in addition, apart from what clings to a cup that holds a little more.
    assert sum(more_g) == pytest.approx(wanted_g - usual.lid_g(1.5), abs=0.2)


def test_the_lessons_are_told_in_plain_sentences(plan: Plan) -> None:
    rim = Said(kind="rim", off=0.05, noise=0.01, lasting=(0.0,) * 6, own=(0.0,) * 4)
    walls = [WallSaid(run_id=k, mean_mm=4.0, local=0.05, reach_m=0.03, rows=(rim,)) for k in "ab"]
    told = Corrections(viscosity=0.94, gel=1.04, lid=1.3)
    lessons = Lessons(runs=("a", "b"), corrections=told)
    said = sentences(plan, lessons, walls, Expected(4.2, 3.9, 4.4))
    lid = percent(plan.coats[-1].lid_g / (plan.coats[-1].mix_g - plan.coats[-1].cup_left_g))
    assert said == (
        "From the last two measured castings of this mould in this resin: the rim was 0.2 mm "
        "thicker than predicted.",
        "This plan reckons with a resin 6 % less viscous, a gel 4 % later, "
        f"a lid that keeps {lid} of the pour.",
        "After them, expect 4.2 mm on average, 3.9 mm at the thinnest place, 4.4 mm on the rim's "
        "gauge.",
    )
    wall = plan.wall.model_copy(update={"mesh_error_mm": 0.2 * plan.wall.mean_mm})
    sharp = plan.model_copy(update={"wall": wall})  # its thinnest place is not resolved
    told_of_it = sentences(sharp, lessons, walls, Expected(4.2, 3.9, 4.4))
    assert told_of_it[2] == "After them, expect 4.2 mm on average, 4.4 mm on the rim's gauge."
    doubtful = sentences(plan, Lessons(runs=("a",), surprise=4.0), walls[:1], None)
    assert doubtful[1] == "This plan reckons with the usual figures, which they confirm."
    assert doubtful[2].startswith("Their measures differ from each other more than batches")
