"""Cure and heat in the blind world: resin in its cup, then layers on a mould's wall in a room.

One dimension through the wall, explicit Heun steps, many castings at once (lanes). It shares no
rate law, constant or time stepping with `numerics.cure` and `numerics.heat`: the rate has another
power of the conversion, the wall and the room have other figures, and the cup is a ball of shells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from evenwall.errors import NotConverged

Floats = npt.NDArray[np.float64]

GAS_J_MOLK = 8.314462618
REFERENCE_K = 296.15  # 23 degC
ACTIVATION_J_MOL = 53e3  # urethanes and epoxies at room temperature: 40 to 65 (from memory)
ORDER, OWN_POWER = 2.2, 1.15  # powers of the unreacted and of the reacted part
GEL = 0.66
# Resin, W/m K and J/kg K (middle of the ranges of handbooks, from memory).
CONDUCTS, HOLDS = 0.19, 1800.0
CUP_LOSS, OUTER_LOSS, CAVITY_LOSS = 9.0, 12.0, 2.0  # W/m2 K
# Mould walls: W/m K, kg/m3, J/kg K (from memory of handbooks; not the planner's values).
WALLS = {
    "silicone rubber": (0.22, 1120.0, 1400.0),
    "polyurethane rubber": (0.21, 1080.0, 1750.0),
    "latex": (0.15, 940.0, 2000.0),
    "plaster": (0.50, 1150.0, 1000.0),
    "glass-fibre laminate": (0.28, 1700.0, 1000.0),
    "printed plastic": (0.19, 1180.0, 1500.0),
    "aluminium": (180.0, 2700.0, 900.0),
}
THINS_J_MOL = 38e3  # activation of the viscosity
STEEP, STEEPER = 1.6, 0.8  # ln(mu/mu0) = -(STEEP + STEEPER a) ln(1 - a/a_gel), Castro-Macosko 1982
SHELLS, WALL_CELLS, MOST_LAYERS = 8, 10, 3
THINNEST_LAYER_M = 0.33e-3  # conducts across within a step
STEP_S = 0.5
COOLED_K = 1.0  # a gelled cup whose core has cooled by this much does not warm again (our choice)
COAT_OVER_CUP = 1.6  # gel of a coat over that of the sheet's cup: common practice, no source


@dataclass(frozen=True, eq=False)
class Resin:
    """Resins, one per lane (d,): rate at 23 degC, 1/s; start b; adiabatic rise, K."""

    rate_1_s: Floats
    start: Floats
    rise_K: Floats
    activation_J_mol: Floats
    viscosity_Pa_s: Floats
    density_kg_m3: float

    def speed(self, temp_K: Floats, alpha: Floats) -> Floats:
        """d alpha/dt of (d, ...) states."""
        shape = (-1,) + (1,) * (temp_K.ndim - 1)
        a = np.minimum(np.maximum(alpha, 0.0), 1.0)
        warm = np.exp(
            self.activation_J_mol.reshape(shape) / GAS_J_MOLK * (1.0 / REFERENCE_K - 1.0 / temp_K)
        )
        rate = self.rate_1_s.reshape(shape) * warm
        return np.asarray(rate * (self.start.reshape(shape) + a**OWN_POWER) * (1.0 - a) ** ORDER)

    def log_viscosity(self, temp_K: Floats, alpha: Floats) -> Floats:
        """ln(Pa s) of (d, k) states; at the gel it stops at 13 over its start."""
        mu0 = np.log(self.viscosity_Pa_s)[:, None] + THINS_J_MOL / GAS_J_MOLK * (
            1.0 / temp_K - 1.0 / REFERENCE_K
        )
        left = np.maximum(1.0 - alpha / GEL, 1e-3)
        return np.asarray(mu0 - (STEEP + STEEPER * alpha) * np.log(left))


def in_cup(
    resin: Resin, mass_kg: Floats, room_K: Floats, until_s: Floats, *, to_peak: bool = False
) -> dict[str, Floats]:
    """A batch as a ball of shells that loses heat to the room, mixed at the room's temperature.

    mass_kg, room_K, until_s (d,). Returns temp_K and alpha, means at `until_s`; gel_s, of the mean
    (inf: not by then); peak_K of the innermost shell; each (d,). to_peak: end once all batches have
    gelled and cooled, so that gel_s and peak_K are known; the means are then of that time.
    """
    lanes = len(mass_kg)
    radius = (0.75 * mass_kg / (np.pi * resin.density_kg_m3)) ** (1.0 / 3.0)
    faces = np.linspace(0.0, 1.0, SHELLS + 1)
    volume = np.diff(faces**3)  # of the ball's
    heat = resin.density_kg_m3 * HOLDS
    # Per degree: W/m3 of the ball between shells, and to the room.
    links = 3.0 * faces[1:-1] ** 2 * CONDUCTS * SHELLS / radius[:, None] ** 2
    out = 3.0 / radius / (1.0 / CUP_LOSS + 0.5 * radius / SHELLS / CONDUCTS)
    temp = np.repeat(room_K[:, None], SHELLS, axis=1)
    alpha = np.zeros((lanes, SHELLS))
    gel, peak = np.full(lanes, np.inf), room_K.copy()
    before = np.zeros(lanes)

    def slopes(temp: Floats, alpha: Floats) -> tuple[Floats, Floats]:
        speed = resin.speed(temp, alpha)
        flow = np.zeros((lanes, SHELLS + 1))
        flow[:, 1:-1] = links * (temp[:, 1:] - temp[:, :-1])
        flow[:, -1] = out * (room_K - temp[:, -1])
        return resin.rise_K[:, None] * speed + (flow[:, 1:] - flow[:, :-1]) / volume / heat, speed

    # Shells of a tenth of a gram would need shorter steps than the ball's own limit, halved.
    limit = 0.2 * heat / (CONDUCTS * (SHELLS / radius.min()) ** 2)
    step = min(STEP_S, float(limit))
    for k in range(int(np.ceil(until_s.max() / step))):
        dt = np.clip(until_s - k * step, 0.0, step)[:, None]
        warm, speed = slopes(temp, alpha)
        warm2, speed2 = slopes(temp + dt * warm, alpha + dt * speed)
        temp = temp + 0.5 * dt * (warm + warm2)
        alpha = alpha + 0.5 * dt * (speed + speed2)
        mean = alpha @ volume
        now = (mean >= GEL) & np.isinf(gel)
        share = (GEL - before[now]) / np.maximum(mean[now] - before[now], 1e-12)
        gel[now] = (k + share) * step
        before = mean
        peak = np.maximum(peak, temp[:, 0])
        if to_peak and np.all((mean >= GEL) & (temp[:, 0] < peak - COOLED_K)):
            break
    return {"temp_K": temp @ volume, "alpha": before, "gel_s": gel, "peak_K": peak}


@dataclass(frozen=True, eq=False)
class Mould:
    """Walls of moulds, one per lane (d,): thickness_m; losses W/m2 K; temperatures K."""

    material: str
    thickness_m: float
    start_K: Floats
    room_K: Floats
    outer_loss: Floats
    cavity_loss: float = CAVITY_LOSS


@dataclass(frozen=True, eq=False)
class Poured:
    """Coats as they reach the wall, (d, c): on the casting's clock, s; m; K; conversion."""

    at_s: Floats
    thickness_m: Floats
    temp_K: Floats
    alpha: Floats


@dataclass(frozen=True, eq=False)
class Cured:
    """temp_K, alpha (d, c, k): of each coat at its pour and every `every_s` after it.

    gel_s (d, c): after its pour; energy_error (d,): heat made less stored and lost, over made.
    wall_K (d, c): the wall's inner cell just before each pour.
    """

    temp_K: Floats
    alpha: Floats
    every_s: float
    gel_s: Floats
    energy_error: Floats
    wall_K: Floats


class _Stack:
    """Temperatures and conversions through wall and coats of every lane."""

    def __init__(self, resin: Resin, mould: Mould, poured: Poured, batch: Floats) -> None:
        self.resin, self.mould, self.poured = resin, mould, poured
        conducts, density, holds = WALLS[mould.material]
        thinnest = float(poured.thickness_m.min())
        self.layers = int(np.clip(thinnest / THINNEST_LAYER_M, 1, MOST_LAYERS))
        lanes, coats = poured.at_s.shape
        most = mould.thickness_m / np.sqrt(4.0 * STEP_S * conducts / (density * holds))
        self.wall_cells = int(np.clip(most, 1, WALL_CELLS))
        self.cells = self.wall_cells + coats * self.layers
        depth = np.full((lanes, self.cells), mould.thickness_m / self.wall_cells)
        depth[:, self.wall_cells :] = np.repeat(
            poured.thickness_m / self.layers, self.layers, axis=1
        )
        of_resin = np.arange(self.cells) >= self.wall_cells
        self.half = 0.5 * depth / np.where(of_resin, CONDUCTS, conducts)
        self.holds = depth * np.where(of_resin, resin.density_kg_m3 * HOLDS, density * holds)
        self.links = 1.0 / (self.half[:, 1:] + self.half[:, :-1])
        self.outer = 1.0 / (self.half[:, 0] + 1.0 / mould.outer_loss)
        self.inner = 1.0 / (self.half + 1.0 / mould.cavity_loss)
        self.temp = np.repeat(mould.start_K[:, None], self.cells, axis=1)
        self.alpha = np.zeros((lanes, self.cells))
        self.batch = np.repeat(batch, self.layers, axis=1)
        self.lanes = np.arange(lanes)
        self.there = np.zeros((lanes, self.cells), dtype=bool)
        self.there[:, : self.wall_cells] = True
        self.last = np.full(lanes, self.wall_cells - 1)
        self.made = np.zeros(lanes)
        self.lost = np.zeros(lanes)
        self.begun = (self.holds * self.temp * self.there).sum(axis=1)
        self._join()

    def _join(self) -> None:
        """Let heat flow and resin react where there are cells."""
        self.joined = self.links * (self.there[:, 1:] & self.there[:, :-1])
        self.reacts = self.batch * self.there[:, self.wall_cells :]

    def pour(self, lane: npt.NDArray[np.int64], coat: int) -> None:
        at = slice(self.wall_cells + coat * self.layers, self.wall_cells + (coat + 1) * self.layers)
        self.temp[lane, at] = self.poured.temp_K[lane, coat][:, None]
        self.alpha[lane, at] = self.poured.alpha[lane, coat][:, None]
        self.there[lane, at] = True
        self.last[lane] = at.stop - 1
        self.begun[lane] += (self.holds[lane, at] * self.temp[lane, at]).sum(axis=1)
        self._join()

    def slopes(self, temp: Floats, alpha: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        lanes, speed = self.lanes, np.zeros_like(alpha)
        wet = slice(self.wall_cells, None)
        speed[:, wet] = self.reacts * self.resin.speed(temp[:, wet], alpha[:, wet])
        made = self.resin.rise_K[:, None] * speed * self.holds
        flow = self.joined * (temp[:, 1:] - temp[:, :-1])
        gain = made.copy()
        gain[:, :-1] += flow
        gain[:, 1:] -= flow
        out = self.outer * (temp[:, 0] - self.mould.room_K)
        inside = self.inner[lanes, self.last] * (temp[lanes, self.last] - self.mould.room_K)
        gain[:, 0] -= out
        gain[lanes, self.last] -= inside
        return gain / self.holds, speed, made.sum(axis=1), out + inside

    def step(self, dt: float) -> None:
        warm, speed, made, lost = self.slopes(self.temp, self.alpha)
        warm2, speed2, made2, lost2 = self.slopes(self.temp + dt * warm, self.alpha + dt * speed)
        self.temp += 0.5 * dt * (warm + warm2)
        self.alpha += 0.5 * dt * (speed + speed2)
        self.made += 0.5 * dt * (made + made2)
        self.lost += 0.5 * dt * (lost + lost2)

    def coat(self, coat: int) -> tuple[Floats, Floats]:
        at = slice(self.wall_cells + coat * self.layers, self.wall_cells + (coat + 1) * self.layers)
        return self.temp[:, at].mean(axis=1), self.alpha[:, at].mean(axis=1)


def on_wall(
    resin: Resin,
    mould: Mould,
    poured: Poured,
    batch: Floats,
    follow_s: float,
    every: int = 10,
    *,
    to_gel: bool = False,
) -> Cured:
    """Cure every coat on the mould and coats that are still warm from earlier ones.

    batch (d, c): factors on the rate; follow_s: time for which each coat is computed after its
    pour. to_gel: end once all coats have gelled; later conversions are then 1 and temperatures
    absent.
    """
    stack = _Stack(resin, mould, poured, batch)
    lanes, coats = poured.at_s.shape
    rows = int(follow_s / (STEP_S * every)) + 1
    temp, alpha = np.full((lanes, coats, rows), np.nan), np.full((lanes, coats, rows), np.nan)
    gel, wall = np.full((lanes, coats), np.inf), np.full((lanes, coats), np.nan)
    first = np.ceil(poured.at_s / STEP_S).astype(np.int64)
    for k in range(int(first.max()) + (rows - 1) * every + 1):
        for c in range(coats):
            new = np.flatnonzero(first[:, c] == k)
            if len(new):
                wall[new, c] = stack.temp[new, stack.wall_cells - 1]
                stack.pour(new, c)
            age = k - first[:, c]
            seen = np.flatnonzero((age >= 0) & (age % every == 0) & (age // every < rows))
            if len(seen):
                now_K, now = stack.coat(c)
                temp[seen, c, age[seen] // every] = now_K[seen]
                alpha[seen, c, age[seen] // every] = now[seen]
        if to_gel and k % every == 0 and np.all(np.nanmax(alpha, axis=2, initial=0.0) >= GEL):
            alpha[np.isnan(alpha)] = 1.0
            break
        stack.step(STEP_S)
    for lane in range(lanes):
        for c in range(coats):
            if alpha[lane, c, -1] >= GEL:
                gel[lane, c] = np.interp(GEL, alpha[lane, c], np.arange(rows) * STEP_S * every)
    stored = (stack.holds * stack.temp * stack.there).sum(axis=1) - stack.begun
    error = (stack.made - stored - stack.lost) / np.maximum(stack.made, 1e-9)
    return Cured(temp, alpha, STEP_S * every, gel, error, wall)


@dataclass(frozen=True)
class SheetSays:
    """Figures of a resin's data sheet, SI."""

    pot_life_s: float
    mass_kg: float
    temp_K: float
    viscosity_Pa_s: float
    density_kg_m3: float
    peak_K: float | None
    snap: bool = False


def resin_of(sheet: SheetSays, activation: Floats, viscosity: Floats) -> Resin:
    """Resins (d,) whose cup gels and peaks as in the data sheet, for any activation energy.

    activation, viscosity (d,): factors. Newton on the logs of rate, rise and start against pot
    life, peak and the trade's ratio of a coat's gel to its cup's. Raises NotConverged.
    """
    lanes = len(activation)
    logs = np.log(np.array([[3.0 / sheet.pot_life_s], [110.0], [0.1]]) * np.ones(lanes))
    ratio = 1.2 if sheet.snap else COAT_OVER_CUP

    def made(logs: Floats, times: int = 1) -> Resin:
        rate, rise, start = np.exp(logs)
        return Resin(
            rate,
            start,
            rise,
            np.tile(ACTIVATION_J_MOL * activation, times),
            np.tile(sheet.viscosity_Pa_s * viscosity, times),
            sheet.density_kg_m3,
        )

    def misses(logs: Floats) -> Floats:
        times = logs.shape[1] // lanes
        resin = made(logs, times)
        d = logs.shape[1]
        room, mass = np.full(d, sheet.temp_K), np.full(d, sheet.mass_kg)
        cup = in_cup(resin, mass, room, np.full(d, 3.0 * sheet.pot_life_s), to_peak=True)
        early = 0.15 * sheet.pot_life_s
        young = in_cup(resin, mass, room, np.full(d, early))
        thin = Poured(
            np.zeros((d, 1)),
            np.full((d, 1), 1.4e-3),
            young["temp_K"][:, None],
            young["alpha"][:, None],
        )
        mould = Mould("silicone rubber", 12e-3, room, room, np.full(d, OUTER_LOSS))
        coat = on_wall(resin, mould, thin, np.ones((d, 1)), 4.0 * sheet.pot_life_s, to_gel=True)
        coat_s = np.minimum(coat.gel_s[:, 0] + early, 5.0 * sheet.pot_life_s)
        cup_s = np.minimum(cup["gel_s"], 3.0 * sheet.pot_life_s)
        peak_K = sheet.temp_K + 60.0 if sheet.peak_K is None else sheet.peak_K
        rise = np.log((cup["peak_K"] - sheet.temp_K) / (peak_K - sheet.temp_K))
        return np.stack(
            [np.log(cup_s / sheet.pot_life_s), rise, 0.3 * np.log(coat_s / cup_s / ratio)]
        )

    for _ in range(12):
        tried = np.concatenate([logs, *[logs + 0.03 * np.eye(3)[:, [k]] for k in range(3)]], axis=1)
        found = misses(tried).reshape(3, 4, lanes)
        miss = found[:, 0]
        if np.abs(miss[:2]).max() < 5e-3 and np.abs(miss[2]).max() < 0.02:
            return made(logs)
        slope = (found[:, 1:] - miss[:, None]) / 0.03  # (miss, log, lane)
        eased = np.einsum("mkd,mld->dkl", slope, slope) + 1e-4 * np.eye(3)
        step = -np.linalg.solve(eased, np.einsum("mkd,md->dk", slope, miss)[..., None])[..., 0].T
        logs = logs + np.clip(step, -0.7, 0.7)
        logs[2] = np.clip(logs[2], np.log(1e-3), np.log(3.0))
    raise NotConverged("the blind world's resin from its sheet", float(np.abs(miss).max()), 12)


def lane(resin: Resin, which: npt.NDArray[np.int64]) -> Resin:
    """Lanes of a resin, (k,) of (d,)."""
    return replace(
        resin,
        rate_1_s=resin.rate_1_s[which],
        start=resin.start[which],
        rise_K=resin.rise_K[which],
        activation_J_mol=resin.activation_J_mol[which],
        viscosity_Pa_s=resin.viscosity_Pa_s[which],
    )
