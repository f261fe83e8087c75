"""Cautions of a warmed mould. Both limits are common practice, no source."""

from __future__ import annotations

import pytest

from evenwall.planning.advice import STANDING, warm_mould


@pytest.mark.parametrize(("mould_degC", "said"), [(21.0, 0), (30.0, 0), (31.0, 1), (46.0, 2)])
def test_a_warmer_mould_brings_more_cautions(mould_degC: float, said: int) -> None:
    assert len(warm_mould(mould_degC)) == said


def test_a_warm_mould_never_meets_an_open_flame() -> None:
    assert "never warm a mould with an open flame" in warm_mould(35.0)[0]


def test_standing_cautions_name_mains_and_dust() -> None:
    text = " ".join(STANDING)
    assert "work for a licensed person. The frame needs protective earth." in text
    assert "with a dust mask and goggles" in text
