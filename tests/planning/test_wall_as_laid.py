"""The wall of the coats as laid (late, lost and as planned), with a real film on a coarse mesh.

Means are checked by conservation: what was poured, less what stays in the cup, over the skin.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from evenwall.model import Plan, WallSummary
from evenwall.planning import wall_as_laid as module
from evenwall.planning.wall_as_laid import wall_as_laid
from tests.support.virtual_shop import lantern_plan

COARSE_MM = 7.0  # its coarser twin, 1.4 times as wide, can just carry a film
# A faceted globe of such a mesh has less skin than the round one: about 2 % at 7 mm on 140 mm.
SKIN = 0.04


@pytest.fixture(scope="module")
def plan() -> Plan:
    return lantern_plan()


@pytest.fixture(scope="module", autouse=True)
def coarse() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "default_mesh_mm", lambda cavity: COARSE_MM)
        yield


@pytest.fixture(scope="module")
def whole(plan: Plan, coarse: None) -> WallSummary:
    """The wall of a casting without a fault."""
    return wall_as_laid(plan)


def begun_at(plan: Plan, coat: int, begun_s: float) -> Plan:
    """The same plan, but this coat began to turn at another time of its clock."""
    clock = plan.coats[coat].clock.model_copy(update={"spin_from_s": begun_s})
    late = plan.coats[coat].model_copy(update={"clock": clock})
    return plan.model_copy(update={"coats": (*plan.coats[:coat], late, *plan.coats[coat + 1 :])})


def test_a_casting_without_a_fault_keeps_its_mean_and_a_lost_coat_takes_its_share(
    plan: Plan, whole: WallSummary
) -> None:
    without = wall_as_laid(plan, lost=(2,))
    means = [coat.mean_mm for coat in plan.coats]
    assert whole.mean_mm == pytest.approx(sum(means), rel=SKIN)
    assert without.mean_mm == pytest.approx(means[0] + means[2], rel=SKIN)
    assert whole.min_mm is not None
    assert without.min_mm is not None
    assert 0.0 < without.min_mm < whole.min_mm < whole.mean_mm
    assert whole.mesh_error_mm is not None  # two meshes, and how far they differ
    assert whole.target_mm == plan.wall.target_mm


def test_a_coat_turned_late_keeps_its_resin_and_comes_out_less_even(
    plan: Plan, whole: WallSummary
) -> None:
    """The remaining flow path is shorter, so the same resin stays nearer to where it was poured."""
    clock = plan.coats[0].clock
    begun_s = clock.spin_from_s + 0.95 * (clock.gel_low_s - clock.spin_from_s)
    late = wall_as_laid(begun_at(plan, 0, begun_s))
    assert late.mean_mm == pytest.approx(whole.mean_mm, rel=0.01)
    assert late.min_mm is not None
    assert whole.min_mm is not None
    assert late.min_mm < 0.9 * whole.min_mm


def test_nothing_but_lost_coats_is_no_wall_and_needs_no_film(plan: Plan) -> None:
    nothing = wall_as_laid(plan, lost=tuple(coat.coat for coat in plan.coats))
    assert (nothing.mean_mm, nothing.min_mm) == (0.0, 0.0)
