"""Conversion between everyday units and the SI units of the numerics."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

ZERO_DEGC_K = 273.15  # definition of the Celsius scale, SI Brochure 9th ed. 2.3.1
G_M_S2 = 9.80665  # standard acceleration of free fall, 3rd CGPM (1901)
R_J_MOLK = 8.31446261815324  # molar gas constant, exact since the 2019 SI (CODATA 2018)
MM_PER_INCH = 25.4  # exact (NIST SP 811, B.8)


def kelvin(temp_degC: float) -> float:
    return temp_degC + ZERO_DEGC_K


def degC(temp_K: float) -> float:
    return temp_K - ZERO_DEGC_K


def rad_s(rate_rpm: float) -> float:
    return rate_rpm * (2.0 * math.pi / 60.0)


def rpm(rate_rad_s: float) -> float:
    return rate_rad_s * (60.0 / (2.0 * math.pi))


def metres(length_mm: float) -> float:
    return length_mm * 1e-3


def millimetres(length_m: float) -> float:
    return length_m * 1e3


def kilograms(mass_g: float) -> float:
    return mass_g * 1e-3


def grams(mass_kg: float) -> float:
    return mass_kg * 1e3


def pascal_seconds(viscosity_mPa_s: float) -> float:
    return viscosity_mPa_s * 1e-3


# --- Figures in sentences -------------------------------------------------------------------------

# A sentence is written once, in metric units, and every figure in it has one form: number, space,
# symbol of the unit (SI Brochure, 9th ed., 5.4.3), `A to B` for a span, `A +- B` for an error and
# `[A, B, C]` for a place. A difference of temperatures is in K. Code that shows the sentence finds
# the figures by this grammar; the phone gets it with its page.
NUMBER = r"[-+\u2212]?\d+(?:,\d{3})*(?:\.\d+)?"
FIGURE = (
    rf"(?<![\w.+-])(\[{NUMBER}(?:, {NUMBER})*\]|{NUMBER}(?: (?:to|\+-) {NUMBER})?) "
    r"(mm|cm2|cm3|ml|g|kg|degC|K|kPa)(?![\w/])"
)

System = Literal["metric", "inch"]
Values = TypeVar("Values", float, "npt.NDArray[np.float64]")


class ShownUnit(NamedTuple):
    """Conversion of a metric figure for display: times `factor`, plus `offset`, with `more` extra
    decimals but not over `most`. `one` and `several` are its name when it is read aloud."""

    symbol: str
    one: str
    several: str
    factor: float = 1.0
    offset: float = 0.0
    more: int = 0
    most: int = 6

    def of(self, value: Values) -> Values:
        """Return metric figures in this unit; an array gives an array."""
        return value * self.factor + self.offset

    def metric(self, value: float) -> float:
        """Return a figure in this unit as a metric one."""
        return (value - self.offset) / self.factor


# Exact: 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 oz = 1/16 lb, 1 US fl oz = 29.5735295625 ml
# (NIST SP 811, B.8); to its seven figures there: 1 psi = 6.894757 kPa.
SHOWN: dict[System, dict[str, ShownUnit]] = {
    "metric": {
        "mm": ShownUnit("mm", "millimetre", "millimetres"),
        "cm2": ShownUnit("cm\u00b2", "square centimetre", "square centimetres"),
        "cm3": ShownUnit("cm\u00b3", "cubic centimetre", "cubic centimetres"),
        "ml": ShownUnit("ml", "millilitre", "millilitres"),
        "g": ShownUnit("g", "gram", "grams"),
        "kg": ShownUnit("kg", "kilogram", "kilograms"),
        "degC": ShownUnit("\u00b0C", "degree", "degrees"),
        "K": ShownUnit("K", "degree", "degrees"),
        "kPa": ShownUnit("kPa", "kilopascal", "kilopascals"),
    },
    "inch": {
        "mm": ShownUnit("in", "inch", "inches", 1.0 / MM_PER_INCH, more=2, most=4),
        "cm2": ShownUnit("sq in", "square inch", "square inches", 100.0 / MM_PER_INCH**2, more=1),
        "cm3": ShownUnit("cu in", "cubic inch", "cubic inches", 1000.0 / MM_PER_INCH**3, more=1),
        "ml": ShownUnit("fl oz", "fluid ounce", "fluid ounces", 1.0 / 29.5735295625, more=1),
        # A tenth of a gram is 0.004 oz: in hundredths of an ounce small parts would be off by 2 %.
        "g": ShownUnit("oz", "ounce", "ounces", 16.0 / 453.59237, more=2, most=3),
        "kg": ShownUnit("lb", "pound", "pounds", 1000.0 / 453.59237),
        "degC": ShownUnit("\u00b0F", "degree", "degrees", 1.8, 32.0),
        "K": ShownUnit("\u00b0F", "degree", "degrees", 1.8),
        "kPa": ShownUnit(
            "psi", "pound a square inch", "pounds a square inch", 1.0 / 6.894757, more=1
        ),
    },
}
_FIGURE, _NUMBER = re.compile(FIGURE), re.compile(NUMBER)


def percent(fraction: float, decimals: int = 0, sign: str = "") -> str:
    """Return a fraction in per cent, with a space before the symbol (SI Brochure, 9th ed., 5.4.7).

    sign: '+' to show a plus sign too.

    >>> percent(0.34)
    '34 %'
    """
    return f"{100.0 * fraction:{sign}.{decimals}f} %"


def shown(text: str, system: System = "metric") -> str:
    """Return a sentence with its figures in the units that the reader chose."""
    return _FIGURE.sub(lambda found: _figures(found, system), text)


def spoken(text: str, system: System = "metric") -> str:
    """Return a sentence with its figures in the hearer's units, and the units written out."""

    def full(found: re.Match[str]) -> str:
        unit = SHOWN[system][found[2]]
        figures = _figures(found, system).removesuffix(f"\u00a0{unit.symbol}")
        one = _NUMBER.fullmatch(figures) and float(figures.replace(",", "")) == 1.0
        return f"{figures} {unit.one if one else unit.several}"

    return _FIGURE.sub(full, text)


def _figures(found: re.Match[str], system: System) -> str:
    """Return the figures of a match, converted, with the symbol of their unit."""
    unit, figures, error = SHOWN[system][found[2]], found[1], ""
    if " +- " in figures:
        figures, error = figures.split(" +- ")
        error = " \u00b1 " + _converted(error, unit, 0.0)
    said = _NUMBER.sub(lambda one: _converted(one[0], unit, unit.offset), figures)
    return f"{said}{error}\u00a0{unit.symbol}"


def in_units(text: str, system: System) -> str:
    """Return text for a terminal: unchanged in metric units, otherwise with converted figures."""
    return text if system == "metric" else shown(text, system).replace("\u00a0", " ")


def _converted(number: str, unit: ShownUnit, offset: float) -> str:
    """Return the converted figure, with its own decimals and those that the new unit adds."""
    if unit.factor == 1.0 and offset == 0.0:
        return number
    plain = number.replace(",", "").replace("\u2212", "-")
    decimals = min(len(plain.partition(".")[2]) + unit.more, unit.most)
    sign = "+" if number.startswith("+") else ""
    return f"{sign}{float(plain) * unit.factor + offset:.{decimals}f}"
