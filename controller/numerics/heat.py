"""Heat conduction from coat to coat: resin layers on a mould wall, in one dimension. SI.

Finite volumes through the thickness: the wall in equal cells, then each coat in equal cells, the
newest one inside. The outer face and the cavity lose heat to the room. Conduction is stepped by
Crank and Nicolson 1947, so that the heat released equals the heat stored and lost, to round-off.
The conversion is stepped by the midpoint rule with the rate law of `cure`. Checked against the slab
with constant generation (Carslaw and Jaeger 1959, Conduction of Heat in Solids, section 3.14; the
series in the test was derived independently, the section's number is from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from evenwall.errors import OutsideValidity
from evenwall.numerics import cure

FloatArray = npt.NDArray[np.float64]
WALL_CELLS = 8
COAT_CELLS = 4


@dataclass(frozen=True, slots=True)
class Wall:
    """The mould's wall and its heat losses: a coefficient in W/m2 K to the room at each face."""

    thickness_m: float
    material: cure.WallMaterial
    mould_K: float
    room_K: float
    outer_loss_W_m2K: float = cure.MOULD_LOSS_W_M2K
    cavity_loss_W_m2K: float = cure.CAVITY_LOSS_W_M2K


@dataclass(frozen=True, slots=True)
class Poured:
    """A coat at the moment when it reaches the wall.

    at_s: time on the clock of the casting; temp_K and conversion: those of the mix in its cup then;
    age_s: its equivalent age at the kinetics' reference temperature, which ends an induction.
    """

    at_s: float
    thickness_m: float
    temp_K: float
    conversion: float
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Heat:
    """Mean temperature and conversion of each coat, shape (N, coats); nan before its pour.

    wall_K: shape (N,), the wall's inner cell. made, stored and lost: heat, J/m2, over the whole
    time. stored counts from the mould's and each poured coat's own temperature.
    """

    time_s: FloatArray
    temp_K: FloatArray
    conversion: FloatArray
    wall_K: FloatArray
    made_J_m2: float
    stored_J_m2: float
    lost_J_m2: float

    def gel_s(self, coat: int, alpha_gel: float) -> float:
        """Time of the coat's gel on the casting's clock, by mean conversion; inf if never."""
        reached = np.flatnonzero(self.conversion[:, coat] >= alpha_gel)  # nan compares false
        if not reached.size:
            return math.inf
        k = int(reached[0])
        if k == 0 or math.isnan(self.conversion[k - 1, coat]):
            return float(self.time_s[k])
        span = self.conversion[k - 1 : k + 1, coat]
        return float(np.interp(alpha_gel, span, self.time_s[k - 1 : k + 1]))


class _Stack:
    """The cells of the wall and of the coats poured so far, from the outside in."""

    def __init__(self, kin: cure.Kinetics, wall: Wall, coat_cells: int) -> None:
        self.kin, self.wall, self.coat_cells = kin, wall, coat_cells
        cell = wall.thickness_m / WALL_CELLS
        heat = wall.material.density_kg_m3 * wall.material.heat_J_kgK
        self.capacity = np.full(WALL_CELLS, cell * heat)
        self.half = np.full(WALL_CELLS, 0.5 * cell / wall.material.conductivity_W_mK)
        self.temp = np.full(WALL_CELLS, wall.mould_K)
        self.alpha, self.aged = np.empty(0), np.empty(0)

    def pour(self, coat: Poured) -> None:
        cell, n = coat.thickness_m / self.coat_cells, self.coat_cells
        heat = self.kin.density_kg_m3 * cure.RESIN_HEAT_J_KGK
        self.capacity = np.append(self.capacity, np.full(n, cell * heat))
        self.half = np.append(self.half, np.full(n, 0.5 * cell / cure.RESIN_CONDUCTIVITY_W_MK))
        self.temp = np.append(self.temp, np.full(n, coat.temp_K))
        self.alpha = np.append(self.alpha, np.full(n, coat.conversion))
        self.aged = np.append(self.aged, np.full(n, coat.age_s))

    def conduction(self, dt_s: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return two matrices (n, n) and the conductance to the room (n,).

        The step solves ahead @ temp(t + dt) = behind @ temp(t) + room and source terms.
        """
        n = len(self.half)
        links = 1.0 / (self.half[1:] + self.half[:-1])
        room = np.zeros(n)
        room[0] = 1.0 / (self.half[0] + 1.0 / self.wall.outer_loss_W_m2K)
        if self.wall.cavity_loss_W_m2K > 0.0:
            room[-1] += 1.0 / (self.half[-1] + 1.0 / self.wall.cavity_loss_W_m2K)
        rate = np.diag(room)
        for i, link in enumerate(links):
            rate[i, i] += link
            rate[i + 1, i + 1] += link
            rate[i, i + 1] -= link
            rate[i + 1, i] -= link
        stored = np.diag(self.capacity / dt_s)
        ahead = np.asarray(np.linalg.inv(stored + 0.5 * rate), dtype=np.float64)
        return ahead, stored - 0.5 * rate, room

    def speed(self, temp: FloatArray, alpha: FloatArray, aged: FloatArray) -> FloatArray:
        """Rate of conversion, 1/s."""
        kin = self.kin
        pace = kin.rate_1_s * cure.arrhenius(kin.activation_J_mol, kin.ref_K, temp)
        pace = pace * (kin.start + alpha**kin.own_order) * (1.0 - alpha) ** kin.order
        if kin.induction_s:
            gate = np.minimum(aged / kin.induction_s, 10.0) ** kin.sharpness
            pace = pace * gate / (1.0 + gate)
        return np.asarray(pace)

    def cure_step(self, dt_s: float) -> FloatArray:
        """Advance the conversions by a step; return the gain of each cell."""
        kin, temp = self.kin, self.temp[WALL_CELLS:]
        ageing = np.asarray(cure.arrhenius(kin.activation_J_mol, kin.ref_K, temp)) * dt_s
        first = self.speed(temp, self.alpha, self.aged)
        half = np.clip(self.alpha + 0.5 * dt_s * first, 0.0, 1.0)
        warmer = temp + kin.rise_K * (half - self.alpha)
        after = self.alpha + dt_s * self.speed(warmer, half, self.aged + 0.5 * ageing)
        after = np.clip(after, 0.0, 1.0)
        gained = after - self.alpha
        self.alpha, self.aged = after, self.aged + ageing
        return np.asarray(gained)


def coats_on_wall(
    kin: cure.Kinetics,
    wall: Wall,
    pours: Sequence[Poured],
    end_s: float,
    *,
    dt_s: float = 2.0,
    coat_cells: int = COAT_CELLS,
) -> Heat:
    """Compute wall and coats from time 0 to `end_s`. Each pour falls on the nearest step.

    Raises OutsideValidity for pours that are out of order, after the end, or outside 0.1 to 20 mm,
    and for a wall outside 1 to 100 mm.
    """
    _check(wall, pours, end_s, dt_s)
    steps = round(end_s / dt_s)
    stack = _Stack(kin, wall, coat_cells)
    due = [round(pour.at_s / dt_s) for pour in pours]
    rise_J_K = kin.density_kg_m3 * cure.RESIN_HEAT_J_KGK * kin.rise_K
    temps, alphas = np.full((2, steps + 1, len(pours) * coat_cells), math.nan)
    inner, made, lost, stored = np.empty(steps + 1), 0.0, 0.0, 0.0
    ahead, behind, room = stack.conduction(dt_s)
    for step in range(steps + 1):
        for pour in [pour for pour, at in zip(pours, due, strict=True) if at == step]:
            stack.pour(pour)
            ahead, behind, room = stack.conduction(dt_s)
        temps[step, : len(stack.alpha)] = stack.temp[WALL_CELLS:]
        alphas[step, : len(stack.alpha)] = stack.alpha
        inner[step] = stack.temp[WALL_CELLS - 1]
        if step == steps:
            break
        source = np.zeros(len(stack.temp))
        thick = 2.0 * stack.half[WALL_CELLS:] * cure.RESIN_CONDUCTIVITY_W_MK
        source[WALL_CELLS:] = rise_J_K * thick * stack.cure_step(dt_s)
        before = stack.temp
        stack.temp = ahead @ (behind @ before + room * wall.room_K + source / dt_s)
        made += float(source.sum())
        lost += dt_s * float(room @ (0.5 * (before + stack.temp) - wall.room_K))
        stored += float(stack.capacity @ (stack.temp - before))
    time_s = np.linspace(0.0, steps * dt_s, steps + 1)
    each = (steps + 1, len(pours), coat_cells)
    mean_K, conversion = (field.reshape(each).mean(axis=2) for field in (temps, alphas))
    return Heat(time_s, mean_K, conversion, inner, made, stored, lost)


def _check(wall: Wall, pours: Sequence[Poured], end_s: float, dt_s: float) -> None:
    if not 1e-3 <= wall.thickness_m <= 0.1:
        raise OutsideValidity("wall_m", wall.thickness_m, "must be 0.001 to 0.1 m", unit="m")
    last = 0.0
    for pour in pours:
        if not 0.1e-3 <= pour.thickness_m <= 20e-3:
            limit = "must be 0.0001 to 0.02 m"
            raise OutsideValidity("coat_m", pour.thickness_m, limit, unit="m")
        if not last <= pour.at_s <= end_s:
            limit = f"must be {last:g} to {end_s:g} s"
            raise OutsideValidity("poured.at_s", pour.at_s, limit, unit="s")
        last = pour.at_s
    if not 0.0 < dt_s <= end_s:
        raise OutsideValidity("dt_s", dt_s, f"must be above 0 and at most {end_s:g} s", unit="s")
