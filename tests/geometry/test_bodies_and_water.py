"""Bodies, unions and water against closed forms and tables."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from evenwall.errors import InputError
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.known import Known, water_kg_m3, water_volume_cm3, weigh
from evenwall.geometry.shapes.measures import parse_measures
from evenwall.geometry.shapes.shape import Shape


def made(**fields: object) -> Shape:
    return build(parse_measures({"name": "form", **fields}, "test"), Path())


def cap_volume(radius: float, tall: float) -> float:
    return math.pi * tall**2 * (3 * radius - tall) / 3


def test_two_balls_overlap_in_a_lens() -> None:
    """Volume of two balls less their lens, skin less both caps; cells of 2 mm cut 0.3 % off."""
    r, apart, mouth = 60.0, 70.0, 20.0
    shape = made(
        body=[
            {"kind": "ball", "diameter_mm": 2 * r},
            {"kind": "ball", "diameter_mm": 2 * r, "at_mm": [0.0, 0.0, apart]},
        ],
        mouth={"diameter_mm": 2 * mouth},
    )
    lens = r - apart / 2
    lid = r - math.sqrt(r**2 - mouth**2)
    volume = 2 * (4 / 3 * math.pi * r**3 - cap_volume(r, lens)) - cap_volume(r, lid)
    area = 2 * (4 * math.pi * r**2 - 2 * math.pi * r * lens) - 2 * math.pi * r * lid
    assert shape.volume_cm3 == pytest.approx(volume / 1000, rel=0.005)
    assert shape.area_cm2 == pytest.approx(area / 100, rel=0.005)


def test_box_with_rounded_edges() -> None:
    """Steiner's formula (1840) for a box grown by a ball: faces, quarter cylinders, a ball."""
    a, b, c, r = 80.0, 60.0, 90.0, 12.0
    inner = [side - 2 * r for side in (a, b, c)]
    x, y, z = inner
    volume = x * y * z + 2 * r * (x * y + y * z + z * x) + math.pi * r**2 * (x + y + z)
    volume += 4 / 3 * math.pi * r**3
    area = 2 * (x * y + y * z + z * x) + 2 * math.pi * r * (x + y + z) + 4 * math.pi * r**2
    cut = 45.0  # through the straight part: half of it, by symmetry
    shape = made(
        body=[{"kind": "box", "along_mm": a, "across_mm": b, "height_mm": c, "edge_mm": r}],
        mouth={"height_mm": cut},
    )
    assert shape.volume_cm3 == pytest.approx(volume / 2 / 1000, rel=0.005)
    assert shape.area_cm2 == pytest.approx(area / 2 / 100, rel=0.005)


def test_body_lies_down() -> None:
    """A cylinder along x, cut halfway up, holds half of itself."""
    shape = made(
        body=[
            {
                "kind": "cylinder",
                "diameter_mm": 80.0,
                "height_mm": 120.0,
                "at_mm": [-60.0, 0.0, 40.0],
                "axis": [1.0, 0.0, 0.0],
            }
        ],
        mouth={"height_mm": 40.0},
    )
    assert shape.volume_cm3 == pytest.approx(math.pi * 40**2 * 120 / 2 / 1000, rel=0.01)


def test_bodies_apart_are_refused() -> None:
    with pytest.raises(InputError, match="must touch each other"):
        made(
            body=[
                {"kind": "ball", "diameter_mm": 60.0},
                {"kind": "ball", "diameter_mm": 60.0, "at_mm": [0.0, 0.0, 90.0]},
            ],
            mouth={"diameter_mm": 20.0},
        )


@pytest.mark.parametrize(
    ("temp_degC", "kg_m3"),
    [(0.0, 999.84), (4.0, 999.97), (10.0, 999.70), (20.0, 998.21), (30.0, 995.65), (40.0, 992.22)],
)
def test_water_is_as_dense_as_in_the_table(temp_degC: float, kg_m3: float) -> None:
    """CRC Handbook, density of water (from memory, two decimals)."""
    assert water_kg_m3(temp_degC) == pytest.approx(kg_m3, abs=0.006)


def test_weighing_in_air() -> None:
    """OIML D 28: a litre at 20 degC shows 997.15 g (ISO 4787 gives Z = 1.0029 ml/g there)."""
    assert water_volume_cm3(1000.0, 20.0) == pytest.approx(1002.9, abs=0.1)


def test_water_of_another_mould_is_refused() -> None:
    """Half a litre cannot be the water of a ball of 140 mm, 1437 cm3: the refusal names both
    volumes."""
    with pytest.raises(
        InputError, match=r"water's volume is 501 cm3: must be within 30 % .*14\d\d"
    ):
        made(
            body=[{"kind": "ball", "diameter_mm": 140.0}],
            mouth={"diameter_mm": 70.0},
            water={"mass_g": 500.0},
        )


def test_water_scales_every_length() -> None:
    """A cup measured 1 % too small everywhere is corrected, with a smaller error than before."""
    true = made(body=[{"kind": "cup", "height_mm": 120.0, "bottom_mm": 60.0, "top_mm": 90.0}])
    mass_g = true.volume_cm3 / water_volume_cm3(1.0, 20.0)
    cup = {"kind": "cup", "height_mm": 118.8, "bottom_mm": 59.4, "top_mm": 89.1}
    shape = made(body=[cup], water={"mass_g": mass_g})
    assert shape.scale == pytest.approx(1 / 0.99, rel=1e-4)
    assert shape.area_cm2 == pytest.approx(true.area_cm2, rel=1e-3)
    assert shape.known.volume < made(body=[cup]).known.volume
    assert any("3.1 % more than the measures" in note for note in shape.notes)


def test_disagreement_bounds_the_error() -> None:
    """If water contradicts a figure, the error of the figure grows by the contradiction."""
    known = Known(area=0.02, volume=0.03, area_at_volume=0.01)
    agreeing, off = weigh(1000.0, known, 1010.0, 0.005), weigh(1000.0, known, 1120.0, 0.005)
    assert agreeing.known.area_at_volume == 0.01
    assert off.known.area_at_volume == pytest.approx(0.04)
    with pytest.raises(InputError, match="weigh again"):
        weigh(1000.0, known, 1400.0, 0.005)


def test_flat_end_opens_as_a_whole() -> None:
    """A cylinder is open at its top: a height of its top cuts 0.2 % of it off, and a mouth narrower
    than its top would need a lid, so it is refused with the height that works."""
    cylinder = {"kind": "cylinder", "height_mm": 100.0, "diameter_mm": 80.0}
    shape = made(body=[cylinder], mouth={"height_mm": 100.0})
    assert shape.volume_cm3 == pytest.approx(math.pi * 40**2 * 100 / 1000, rel=0.005)
    assert shape.how == "a cylinder"
    for mouth in (None, {"diameter_mm": 40.0}):
        with pytest.raises(InputError, match="height_mm = 100 opens it at its top"):
            made(body=[cylinder], mouth=mouth)
    with pytest.raises(InputError, match="diameter_mm = 50 is half its width"):
        made(body=[{"kind": "ball", "diameter_mm": 100.0}])
    with pytest.raises(InputError, match=r"must lie between 0.2 mm and 99.8 mm"):
        made(body=[{"kind": "ball", "diameter_mm": 100.0}], mouth={"height_mm": 100.0})
