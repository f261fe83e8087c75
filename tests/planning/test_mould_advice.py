"""Advice on cap, first coat and balance, by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from evenwall.model import read_casting
from evenwall.planning.advice import balance, dewetting, dewetting_mm, vent

ROOT = Path(__file__).resolve().parents[2]
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")


def test_a_puddle_of_resin_on_silicone_stands_1_7_mm() -> None:
    """l_c = sqrt(0.035/(1060 x 9.80665)) = 1.835 mm; 2 l_c sin(27 degrees) = 1.67 mm."""
    assert dewetting_mm(1060.0) == pytest.approx(1.666, abs=0.002)


def test_only_a_thin_coat_on_bare_silicone_may_draw_back() -> None:
    assert "1.7 mm" in dewetting(GLOBE, 1.5)[0]
    assert dewetting(GLOBE, 1.7) == []
    mould = GLOBE.mould.model_copy(update={"material": "plaster"})
    assert dewetting(GLOBE.model_copy(update={"mould": mould}), 1.5) == []


def test_sealed_air_presses_far_more_than_a_coat_weighs() -> None:
    """Ideal gas, 10 K at 294.15 K: 101.325 x 10/294.15 = 3.4 kPa; a coat of 1.5 mm weighs
    1060 x 9.80665 x 0.0015 = 15.6 Pa: 221 times."""
    (said,) = vent(10.0, 21.0, 1.5, 1060.0)
    assert "3.4 kPa, 221 times" in said
    assert vent(0.5, 21.0, 1.5, 1060.0) == []


def test_play_is_told_to_whoever_needs_weights() -> None:
    assert "0.45 degrees" in balance(True)[0]
    assert balance(False) == []
    # A bias of 2 d/pi: 0.45 degrees are 7.85 mrad, a bias of 0.5 %.
    assert pytest.approx(0.005, rel=0.01) == 2.0 * 0.45 / 57.29578 / 3.14159265
