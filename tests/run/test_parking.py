"""Position of the opening after parking, however the mould is mounted."""

from __future__ import annotations

import math

import numpy as np
import pytest

from evenwall.model import StartAngles, Step
from evenwall.numerics.spin import park_deg
from evenwall.run.observation import GelReading, Park
from tests.run.bench import Bench
from tests.support.virtual_shop import lantern_plan


def upwards(major_deg: float, minor_deg: float) -> tuple[float, float, float]:
    """Return the direction that points straight up: R = Rx(phi) Rz(psi) turned back onto the
    vertical, by hand."""
    phi, psi = math.radians(major_deg), math.radians(minor_deg)
    return math.sin(phi) * math.sin(psi), math.sin(phi) * math.cos(psi), math.cos(phi)


@pytest.mark.parametrize(("major", "minor"), [(0.0, 77.0), (180.0, 10.0), (250.0, 33.0)])
def test_up_is_as_it_was_poured_and_down_half_a_turn_of_the_frame_on(
    major: float, minor: float
) -> None:
    """In the mesh the opening always points along +z; as mounted it does not."""
    plan = lantern_plan()
    start = StartAngles(major=major, minor=minor)
    coats = tuple(coat.model_copy(update={"start_deg": start}) for coat in plan.coats)
    bench = Bench(plan.model_copy(update={"coats": coats})).until(Step.SPIN, coat_time_s=900.0)
    bench.look(gel=GelReading(best_s=880.0, called_at_s=900.0, safe_to_stop_s=1000.0))
    bench.wait(200.0)
    up, down = [told for told in bench.told if isinstance(told, Park)][:2]
    assert (up.to, down.to) == ("up", "down")
    opening = np.array(upwards(up.major_deg, up.minor_deg))
    np.testing.assert_allclose(upwards(down.major_deg, down.minor_deg), -opening, atol=1e-12)
    assert down.minor_deg == minor


@pytest.mark.parametrize("direction", [(0.0, 0.0, 1.0), (0.3, -0.5, 0.2), (1.0, 0.0, 0.0)])
def test_upwards_undoes_park(direction: tuple[float, float, float]) -> None:
    """tests/planning/test_recipe.py checks `park_deg` against the frame's rotation matrix."""
    unit = np.array(direction) / np.linalg.norm(direction)
    np.testing.assert_allclose(upwards(*park_deg(direction)), unit, atol=1e-12)
