"""The band's width is set on the other worlds only, and the worst of them counts."""

import pytest

from tests.worlds.left_out import factor, left_out, off_band


def test_the_worst_of_the_other_worlds_sets_the_width() -> None:
    """Ten looks a world, of which the tenth is the first that covers nine tenths at least: 1.0 and
    2.0 half bands."""
    mild = [0.1 * k for k in range(1, 11)]
    wild = [0.2 * k for k in range(1, 11)]
    assert factor([mild, wild]) == pytest.approx(2.0)
    rows = {name: rest for name, *rest in left_out({"mild": mild, "wild": wild})}
    assert rows["mild"] == [10, 1.0, pytest.approx(2.0), 1.0]
    assert rows["wild"] == [10, 0.5, pytest.approx(1.0), 0.5]


@pytest.mark.parametrize(("gel_s", "off"), [(1000.0, 0.0), (1200.0, 1.0), (800.0, 1.0)])
def test_either_side_is_held_against_its_own_half_of_the_band(gel_s: float, off: float) -> None:
    assert off_band(1000.0, 800.0, 1200.0, gel_s) == pytest.approx(off)
