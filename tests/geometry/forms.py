"""Ten invented forms of revolution with exact area and volume by quadrature."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad


@dataclass(frozen=True)
class Form:
    """A profile: radius_mm over the height, closed at the bottom, open at the top."""

    name: str
    height_mm: float
    radius: Callable[[float], float]
    closed_end: str  # round or flat

    def truth(self) -> tuple[float, float]:
        """Skin cm2 and volume cm3: surface and solid of revolution by adaptive quadrature."""
        step = 1e-4 * self.height_mm

        def slope(z: float) -> float:
            low, high = max(z - step, 0.0), min(z + step, self.height_mm)
            return (self.radius(high) - self.radius(low)) / (high - low)

        def ring(t: float) -> float:
            # z = H t^2: a round bottom's slope is infinite at 0, this makes it finite
            z = self.height_mm * t * t
            dz = 2.0 * self.height_mm * t
            return self.radius(z) * math.hypot(1.0, slope(z)) * dz

        area = 2.0 * math.pi * quad(ring, 0.0, 1.0, limit=400)[0]
        if self.closed_end == "flat":
            area += math.pi * self.radius(0.0) ** 2
        volume = math.pi * quad(lambda z: self.radius(z) ** 2, 0.0, self.height_mm, limit=400)[0]
        return area / 100.0, volume / 1000.0


def _ball(radius: float) -> Callable[[float], float]:
    return lambda z: math.sqrt(max(0.0, 2.0 * radius * z - z * z))


def _bell(z: float) -> float:
    return 34.0 + 40.0 * math.exp(-((z / 38.0) ** 1.5))


def _vase(z: float) -> float:
    return 40.0 + 18.0 * math.sin(math.pi * z / 95.0 + 0.3)


def _pear(z: float) -> float:
    return _ball(55.0)(min(z, 70.0)) if z < 70.0 else 30.0 + 22.95 * math.exp(-(z - 70.0) / 35.0)


FORMS = (
    Form("globe", 130.0, _ball(70.0), "round"),
    Form(
        "half egg", 120.0, lambda z: 52.0 * math.sqrt(max(0.0, 1 - (1 - z / 130.0) ** 2)), "round"
    ),
    Form("tumbler", 140.0, lambda z: 31.0 + 0.09 * z, "flat"),
    Form("bell", 150.0, _bell, "flat"),
    Form("vase", 180.0, _vase, "flat"),
    Form("pear", 150.0, _pear, "round"),
    Form("tower", 190.0, lambda z: 46.0 - 20.0 * math.tanh((z - 95.0) / 60.0), "flat"),
    Form("hourglass", 160.0, lambda z: 24.0 + 22.0 * ((z - 80.0) / 80.0) ** 2, "flat"),
    Form("bowl", 70.0, lambda z: 90.0 * math.sqrt(max(0.0, 1 - (1 - z / 90.0) ** 2)), "round"),
    Form("urn", 170.0, lambda z: 30.0 + 25.0 * math.sin(math.pi * (z / 170.0) ** 1.3), "flat"),
)


def girths_at(form: Form, heights_mm: np.ndarray) -> list[float]:
    return [2.0 * math.pi * form.radius(float(z)) for z in heights_mm]
