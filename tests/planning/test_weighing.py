"""Both weights against the ratio: warn past 1 %, refuse past 5 % (common practice, no source)."""

import pytest

from evenwall.errors import InputError
from evenwall.planning.weighing import check


@pytest.mark.parametrize(
    ("part_b_g", "verdict"),
    [
        (50.0, "good"),
        (50.49, "good"),
        (50.6, "warn"),
        (52.4, "warn"),
        (52.6, "refuse"),
        (40, "refuse"),
    ],
)
def test_verdicts(part_b_g: float, verdict: str) -> None:
    assert check(100.0, part_b_g, 50.0).verdict == verdict


def test_what_to_add_mends_it() -> None:
    """Too much B: the missing A, by hand 104 g for 52 g of B at 50 per 100."""
    assert "add 4.0 g of A" in check(100.0, 52.0, 50.0).sentence
    assert "add 2.0 g of B" in check(100.0, 48.0, 50.0).sentence
    assert "the gel of this mix cannot be predicted" in check(100.0, 60.0, 50.0).sentence


@pytest.mark.parametrize("grams", [0.0, -1.0, float("nan")])
def test_nothing_weighs_nothing(grams: float) -> None:
    with pytest.raises(InputError, match="part_a_g"):
        check(grams, 50.0, 50.0)
