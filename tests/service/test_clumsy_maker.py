"""Castings by a clumsy maker: no coat is lost to a press, and no figure contradicts the record."""

from __future__ import annotations

import pytest

from tests.support.clumsy import clumsy_casting

SEEDS = range(4)  # fifty in tests/soak/soak_clumsy.py


@pytest.mark.parametrize("seed", SEEDS)
def test_no_press_of_a_clumsy_maker_loses_a_coat(seed: int) -> None:
    told = clumsy_casting(seed)
    assert told.broken == [], told.mischief
    assert len(told.mischief) >= 3
