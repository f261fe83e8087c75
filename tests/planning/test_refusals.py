"""Impossible requests end in one clear line: the figure that fails and the nearest one that would
work."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.cli.main import main
from evenwall.errors import PlanError
from evenwall.geometry.mould import load_cavity
from evenwall.model import Casting, Resin, RigSpec, read_casting, read_rig
from evenwall.numerics.spin import Leg, mean_cos, ramped
from evenwall.planning import make_plan
from evenwall.planning.context import PlanningContext
from evenwall.planning.recipe import within_limits
from evenwall.planning.space import first_recipes
from evenwall.planning.walls import AS_PLANNED, BAD_DAYS
from evenwall.units import rad_s

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")


def refused(casting: Casting, rig: RigSpec = RIG) -> str:
    with pytest.raises(PlanError) as caught:
        make_plan(casting, rig, time_budget_s=0.0)
    line = str(caught.value)
    assert "\n" not in line
    assert caught.value.exit_code == 2
    return line


def but(casting: Casting, **changes: object) -> Casting:
    return casting.model_copy(update=changes)


def test_wall_thicker_than_the_opening() -> None:
    line = refused(but(GLOBE, wall_mm=36.0))
    assert line == (
        "wall_mm is 36.0 mm: the opening has a radius of 35.0 mm and would close; "
        "a wall of 21.0 mm or less leaves a way for the resin"
    )


def test_pot_life_too_short_to_pour() -> None:
    sheet = GLOBE.resin.sheet.model_copy(update={"pot_life_min": 1.5})
    line = refused(but(GLOBE, resin=GLOBE.resin.model_copy(update={"sheet": sheet})))
    assert "must be poured" in line
    assert "a pot life of about" in line


def test_mould_too_big_for_the_frame() -> None:
    line = refused(GLOBE, RIG.model_copy(update={"mould_radius_limit_mm": 60.0}))
    assert "clears 60 mm" in line
    assert "86" in line
    # A ball of 70 mm radius in a wall of 12 mm: no crossing brings it below 82 mm.
    assert "a frame that clears 83 mm would do, with mount.centre_mm = [" in line


def test_a_mould_that_is_too_wide_by_a_few_millimetres_is_offered_a_crossing_that_fits() -> None:
    """The globe is a ball of 70 mm with its bottom cut off, so the centroid of its skin lies 4.7 mm
    below the ball's centre. About the centre it reaches 82 mm, about the centroid 86 mm. The
    offered crossing is then accepted; if only a thinner mould helps, that is offered and accepted
    too."""
    narrow = RIG.model_copy(update={"mould_radius_limit_mm": 84.0})
    line = refused(GLOBE, narrow)
    found = re.search(r"crossing at \[(.*?)\] mm of the mesh \(mount.centre_mm\)", line)
    assert found is not None
    x, y, z = (float(part) for part in found[1].split(","))
    assert (x, y, z) == pytest.approx((0.0, 0.0, 0.0), abs=0.15)
    mount = GLOBE.mount.model_copy(update={"centre_mm": (x, y, z)})
    assert "reaches 82 mm" in line
    assert make_plan(but(GLOBE, mount=mount), narrow, time_budget_s=0.0).coats
    tight = RIG.model_copy(update={"mould_radius_limit_mm": 78.0})
    line = refused(but(GLOBE, mount=mount), tight)
    assert "or a mould wall of 7 mm there" in line
    thin = GLOBE.mould.model_copy(update={"wall_mm": 7.0})
    assert make_plan(but(GLOBE, mount=mount, mould=thin), tight, time_budget_s=0.0).coats


def test_mould_too_heavy() -> None:
    heavy = but(GLOBE, mould=GLOBE.mould.model_copy(update={"mass_kg": 9.0}))
    assert "carries 6 kg" in refused(heavy)


def test_motor_too_weak_names_the_axis() -> None:
    weak = RIG.major.model_copy(update={"motor_holding_torque_Nm": 0.1})
    line = refused(GLOBE, RIG.model_copy(update={"major": weak}))
    assert "motor margin of the major axis" in line
    assert "holding torque would do" in line


def thinner(viscosity_mPa_s: float) -> Resin:
    sheet = GLOBE.resin.sheet.model_copy(update={"mixed_viscosity_mPa_s": viscosity_mPa_s})
    return GLOBE.resin.model_copy(update={"sheet": sheet})


def test_a_resin_too_thin_for_any_number_of_coats() -> None:
    """By hand: what is held grows with the root of the speed, so 0.6 mm where 0.36 mm is held needs
    (0.6 / 0.36)^2 = 2.8 times the rig's 20 rpm (55), or 2.8 times the viscosity."""
    line = refused(but(GLOBE, resin=thinner(25.0), coats=None, wall_mm=20.0))
    assert "holds at most 0.36 mm and must be 0.6 mm to cover" in line
    assert "a resin 2.8 times as thick" in line
    assert "a rig that turns 55 rpm" in line


def test_a_wall_for_more_coats_than_are_planned() -> None:
    line = refused(but(GLOBE, coats=None, wall_mm=26.0))
    held, wall = re.findall(r"holds at most ([\d.]+) mm;? a wall of ([\d.]+) mm would do", line)[0]
    assert float(wall) == pytest.approx(12 * float(held), abs=0.1)


def test_less_resin_at_a_time_leaves_time_to_pour() -> None:
    """All the resin at once would gel in the cup; two coats do not."""
    sheet = GLOBE.resin.sheet.model_copy(update={"pot_life_min": 4.0})
    resin = GLOBE.resin.model_copy(update={"sheet": sheet})
    plan = make_plan(but(GLOBE, resin=resin, coats=None), RIG, time_budget_s=0.0)
    assert len(plan.coats) == 2


def test_a_rig_too_slow_says_how_fast_would_do() -> None:
    line = refused(GLOBE, RIG.model_copy(update={"rate_limit_rpm": 0.2}))
    assert "holds about 0.18 mm at 0.16 rpm and slumps" in line
    assert "a rig that turns" in line
    assert "coats would do" not in line


def test_a_rig_that_hardly_speeds_up_turns_evenly() -> None:
    """It can follow only a uniform turning, so the drawing of recipes for it must end."""
    slow = RIG.model_copy(update={"accel_limit_rpm_s": 0.02})
    plan = make_plan(GLOBE, slow, time_budget_s=0.0)
    assert all(ramp.duration_s > 0 for coat in plan.coats for ramp in coat.ramps)
    bench = PlanningContext(GLOBE, slow, load_cavity(GLOBE))
    pour = bench.pour(bench.batch(1.5))
    found = first_recipes(pour, np.random.default_rng(0), 24)
    assert len(found) == 24
    assert all(within_limits(recipe, pour.clock(recipe), slow) for recipe in found)


@pytest.mark.parametrize("accel_rpm_s", [0.02, 0.3])
def test_a_ripple_need_not_be_one_that_the_rig_could_make(accel_rpm_s: float) -> None:
    """It is a motor's unevenness, commanded by nobody: each recipe turns on each bad day. The rig
    speeds up as it can; then the ripple has its whole <cos phi>, bias/2 (`Leg`)."""
    slow = RIG.model_copy(update={"accel_limit_rpm_s": accel_rpm_s})
    bench = PlanningContext(GLOBE, slow, load_cavity(GLOBE))
    pour = bench.pour(bench.batch(1.5))
    for recipe in first_recipes(pour, np.random.default_rng(0), 24):
        for day in (AS_PLANNED, *BAD_DAYS):
            assert pour.coat(recipe, day, 100).spin.travel_rad > 0.0
    rig_accel = rad_s(accel_rpm_s)
    leg = Leg("level", 1e5, rad_s(8.0), rad_s(2.0), bias=0.005)
    found = ramped([leg], rig_accel)
    assert abs(found.accelerations()[0][0]) <= rig_accel
    turn = found.major[1:9]
    assert mean_cos(np.roll(turn, -int(turn.argmin()))) == pytest.approx(0.0025, abs=1e-6)


def test_a_quick_resin_demoulded_late_is_planned() -> None:
    """A pot life of 3 min and 75 min to demoulding are 25 pot lives, and many gel times. There is
    one coat: on a wall that two coats have warmed by 34 K, a third would gel before it turns, and
    is refused."""
    sheet = GLOBE.resin.sheet.model_copy(update={"pot_life_min": 3.0})
    resin = GLOBE.resin.model_copy(update={"sheet": sheet})
    with pytest.raises(PlanError, match="before it can turn"):
        make_plan(but(GLOBE, resin=resin, coats=3), RIG, time_budget_s=0.0)
    alone = but(GLOBE, resin=resin, wall_mm=1.5, coats=1)
    plan = make_plan(alone, RIG, time_budget_s=0.0)
    assert plan.totals.demould_from_min > 75.0
    assert any("left for degassing" in said for said in plan.cautions)


def test_a_shop_much_colder_than_the_sheet_gets_a_caution() -> None:
    """Common practice, no source: below the sheet's temperature by more than 8 K the shop is warmed
    first. The sample's sheet states 23 degC."""
    said = "colder than the 23 degC of the resin's sheet"
    for shop_degC, cold in ((14.0, True), (16.0, False)):
        shop = GLOBE.shop.model_copy(update={"temp_degC": shop_degC})
        plan = make_plan(but(GLOBE, shop=shop), RIG, time_budget_s=0.0)
        assert any(said in caution for caution in plan.cautions) is cold


def test_a_ratio_that_is_perhaps_written_to_one_is_asked_about() -> None:
    for b_per_100a, odd in ((0.9, True), (90.0, False)):
        sheet = GLOBE.resin.sheet.model_copy(update={"mix_ratio_b_per_100a": b_per_100a})
        resin = GLOBE.resin.model_copy(update={"sheet": sheet})
        plan = make_plan(but(GLOBE, resin=resin), RIG, time_budget_s=0.0)
        assert any("0.9 g of B to 100 g of A is unusual" in s for s in plan.cautions) is odd


@pytest.mark.parametrize(
    ("line", "by", "said"),
    [
        ("wall_mm = 4.5", "wall_mm = nan", "wall_mm is nan mm: input should be a finite number"),
        ("coats = 3", "coats = 500", "coats is 500: must be <= 12"),
        ("coats = 3", "coats = 0", "coats is 0: must be >= 1"),
        ("humidity_percent", "humidity_percent = 140  #", "is 140 %: must be <= 100.0"),
        ("mesh = ", "mesh = 'gone.stl'  #", "mesh is gone.stl: no such file"),
        ("mesh = ", "mesh = 'closed.stl'  #", "has no opening to pour through"),
    ],
)
def test_what_the_command_refuses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], line: str, by: str, said: str
) -> None:
    """One line that names the file, exit code 2."""
    samples = ROOT / "controller" / "samples"
    for name in ("quick-clear.toml", "slow-clear.toml", "lantern-globe.stl"):
        (tmp_path / name).write_bytes((samples / name).read_bytes())
    trimesh.creation.icosphere(radius=60.0).export(tmp_path / "closed.stl")
    text = (samples / "lantern-globe.toml").read_text(encoding="utf-8")
    assert line in text
    file = tmp_path / "casting.toml"
    file.write_text(text.replace(line, by, 1), encoding="utf-8")
    assert main(["plan", str(file), "--time-budget-s", "0.01"]) == 2
    words = capsys.readouterr().err.strip().splitlines()[-1]
    assert words.startswith(f"evenwall: {file}: ")
    assert said in words
