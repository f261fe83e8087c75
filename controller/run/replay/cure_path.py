"""Cure of a coat as a path: equivalent age, and the flow that remains before the gel."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from evenwall.errors import InputError
from evenwall.model import (
    Frozen,
    Moment_s,
    Span_s,
)
from evenwall.numerics import cure

Floats = npt.NDArray[np.float64]
AgeSeconds = Annotated[float, Field(ge=0, le=1e12)]  # equivalent, at the reference temperature
PathLeft = Annotated[float, Field(ge=0, le=1e12)]  # 1/Pa


@dataclass(frozen=True, eq=False)
class CurePath:
    """One coat's cure on the coat's own clock; arrays (n,), times rising.

    age_s: equivalent age at the kinetics' reference temperature. left_1_Pa: the remaining
    flow path, which is the integral of dt/mu from then to the gel; 0 from the gel on.
    """

    time_s: Floats
    age_s: Floats
    left_1_Pa: Floats
    gel_s: float

    @staticmethod
    def of(kin: cure.Kinetics, history: cure.CureHistory) -> CurePath:
        """Return the path of a computed history. Raises InputError if it ends before its gel."""
        gel_s = cure.gel_time_s(history)
        if not math.isfinite(gel_s):
            raise InputError(
                "gel", "none", f"within {history.time_s[-1] / 60:.0f} min", hint="warm the shop"
            )
        ages = cure.equivalent_age_s(
            history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K
        )
        time_s = np.union1d(history.time_s, [gel_s])
        fluidity = 1.0 / history.viscosity_Pa_s
        way = np.concatenate(
            [[0.0], np.cumsum(0.5 * (fluidity[1:] + fluidity[:-1]) * np.diff(history.time_s))]
        )
        way = np.interp(time_s, history.time_s, way)
        left = np.maximum(np.interp(gel_s, time_s, way) - way, 0.0)
        left[time_s >= gel_s] = 0.0
        return CurePath(time_s, np.interp(time_s, history.time_s, ages), left, gel_s)

    def left_at(self, time_s: Floats | float) -> Floats:
        return np.asarray(np.interp(time_s, self.time_s, self.left_1_Pa))

    def age_at(self, time_s: Floats | float) -> Floats:
        return _along(time_s, self.time_s, self.age_s)

    def time_at_left(self, left_1_Pa: Floats | float) -> Floats:
        liquid = self.time_s <= self.gel_s
        return np.asarray(
            np.interp(left_1_Pa, self.left_1_Pa[liquid][::-1], self.time_s[liquid][::-1])
        )

    def time_at_age(self, age_s: Floats | float) -> Floats:
        return _along(age_s, self.age_s, self.time_s)

    def gelling_at(self, gel_s: float, thinner: float = 1.0) -> CurePath:
        """Return the same cure at another pace, so that it gels at `gel_s`, in a resin whose
        viscosity at the same conversion is lower by the factor `thinner`."""
        pace = gel_s / self.gel_s
        return CurePath(self.time_s * pace, self.age_s, self.left_1_Pa * pace * thinner, gel_s)


def _along(x: Floats | float, xs: Floats, ys: Floats) -> Floats:
    """Interpolate; beyond the end, continue with the last slope."""
    slope = (ys[-1] - ys[-2]) / (xs[-1] - xs[-2])
    return np.asarray(np.interp(x, xs, ys) + np.maximum(np.subtract(x, xs[-1]), 0.0) * slope)


class CureTable(Frozen):
    """Stored form of a CurePath: rows of time_s, age_s, left_1_Pa, and the coat's temperature."""

    gel_s: Span_s
    mean_degC: Annotated[float, Field(ge=-50, le=100)]  # of the room while it cured
    rows: Annotated[
        tuple[tuple[Moment_s, AgeSeconds, PathLeft], ...], Field(min_length=3, max_length=20_000)
    ]

    @model_validator(mode="after")
    def _in_order(self) -> CureTable:
        """Check that time and age rise, the path left falls to zero, and the gel is in the rows."""
        if not self.rows[0][0] < self.gel_s <= self.rows[-1][0]:
            raise ValueError("the gel must fall within the rows")
        for before, after in itertools.pairwise(self.rows):
            if not (before[0] <= after[0] and before[1] <= after[1] and before[2] >= after[2]):
                raise ValueError("time and age must rise from row to row, and the path left fall")
        if self.rows[-1][1] <= self.rows[-2][1] or self.rows[-1][0] <= self.rows[-2][0]:
            raise ValueError("time and age must rise to the end")
        if self.rows[0][2] <= 0.0:
            raise ValueError("a path must be left at the first row")
        return self

    @staticmethod
    def of(path: CurePath, mean_degC: float) -> CureTable:
        return CureTable(
            gel_s=path.gel_s,
            mean_degC=mean_degC,
            rows=tuple(
                (round(float(t), 3), round(float(a), 3), float(f"{left:.8g}"))
                for t, a, left in zip(path.time_s, path.age_s, path.left_1_Pa, strict=True)
            ),
        )

    def path(self) -> CurePath:
        time_s, age_s, left = (np.array(column) for column in zip(*self.rows, strict=True))
        return CurePath(time_s, age_s, left, self.gel_s)
