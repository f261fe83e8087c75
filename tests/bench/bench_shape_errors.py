"""Share of turned shapes whose stated errors cover the truth; the claim is nine out of ten.

Random smooth profiles by seed, read with a tape's and a ruler's errors of the stated size, half of
it common to all girths. The truth is quadrature over 4001 heights. No film is computed.

    python -m tests.bench shape_errors
    SEED=1000 python -m tests.bench shape_errors   other profiles and other readings
"""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from evenwall.geometry.shapes import known
from evenwall.geometry.shapes.build import sections_of
from evenwall.geometry.shapes.measures import parse_measures
from evenwall.geometry.shapes.sections import area_and_volume, turn
from evenwall.units import percent

Array = NDArray[np.float64]

CASES = ((8, 21), (5, 22), (4, 24), (3, 23))  # heights, seed
FORMS = 100
READING_MM = 2.0  # of a girth and of a height, nine times out of ten
SIGMA_MM = READING_MM / 1.645
RINGS_MM = 3.0


def radius(heights: Array, tall: float, wide: float, waves: Array, phases: Array) -> Array:
    """A smooth profile: an exponential of four cosines, so that it is positive everywhere."""
    angle = np.multiply.outer(heights, np.arange(1, 5)) * np.pi / tall + phases
    return np.asarray(wide * np.exp(np.cos(angle) @ waves))


def ratios(rng: np.random.Generator, count: int) -> tuple[float, float]:
    """Return the ratio of the errors of one form's skin and volume to the stated errors."""
    tall = rng.uniform(80.0, 250.0)
    wide = rng.uniform(0.25, 0.6) * tall
    form = tall, wide, rng.normal(0.0, [0.25, 0.12, 0.06, 0.03]), rng.uniform(0.0, 2.0 * np.pi, 4)
    z = np.linspace(0.0, tall, 4001)
    r = radius(z, *form)
    slant = np.sqrt(1.0 + np.gradient(r, z) ** 2)
    skin_mm2 = np.trapezoid(2.0 * np.pi * r * slant, z) + np.pi * r[0] ** 2
    true = np.array([skin_mm2 / 100.0, np.trapezoid(np.pi * r**2, z) / 1000.0])
    inner = (np.arange(1, count - 1) + rng.uniform(-0.25, 0.25, count - 2)) / (count - 1) * tall
    at = np.concatenate([[0.0], inner, [tall]])
    girths = 2.0 * np.pi * radius(at, *form) + rng.normal(0.0, SIGMA_MM, count)
    girths += 0.5 * rng.normal(0.0, SIGMA_MM)
    read = at + rng.normal(0.0, SIGMA_MM, count)
    read[0] = 0.0
    data = {"heights_mm": read.tolist(), "girths_mm": girths.tolist(), "closed_end": "flat"}
    turned = parse_measures({"name": "form", "turned": data}, "bench").turned
    assert turned is not None
    sections, off_mm = sections_of(turned)
    stated = known.of_sections(sections, off_mm, turned.height_reading_mm, girths=True)
    found = np.array(area_and_volume(*turn(sections, RINGS_MM)))
    off = np.abs(found / true - 1.0) / [stated.area, stated.volume]
    return float(off[0]), float(off[1])


def main() -> None:
    """Print the table."""
    print("| heights | forms | skin within the stated error | volume within it |")
    print("| ---: | ---: | ---: | ---: |")
    for count, seed in CASES:
        rng = np.random.default_rng(seed + int(os.environ.get("SEED", "0")))
        within = np.mean([np.array(ratios(rng, count)) <= 1.0 for _ in range(FORMS)], axis=0)
        print(f"| {count} | {FORMS} | {percent(within[0])} | {percent(within[1])} |", flush=True)


if __name__ == "__main__":
    main()
