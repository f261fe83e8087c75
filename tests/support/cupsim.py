"""Batches of resin with known truth, to test the gel estimate against.

Deliberately not the estimator's model: a cup in two dimensions, two activation energies, free
exponents, delayed action by a catalyst that a blocker holds back, vitrification, draughts, a mould
that takes up heat, probes with their own faults. Everything comes from a seed. The estimator's
assumption about practice (a coat gels at 1.5 to 1.7 times the cup's gel time) is a switch here. SI
throughout; arrays have one entry per trace, shape (L,), unless said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.numerics import gel
from evenwall.numerics.cure import Sheet, wall_material
from evenwall.units import R_J_MOLK, ZERO_DEGC_K

FloatArray = npt.NDArray[np.float64]

_NR, _NZ, _WALL = 6, 6, 6
_STEPS, _KEEP = 6000, 10
NO_GEL_S = np.inf


@dataclass(frozen=True)
class World:
    """One family of truths. `ratio`: accepted gel of a coat over that of the cup, at the sheet's
    own temperature; None: whatever physics gives.
    """

    name: str
    ratio: tuple[float, float] | None = (1.5, 1.7)
    snap_share: float = 0.25
    sheet_error: float = 0.06  # of log pot life
    pot_life_of_gel: float = 1.0  # the maker's idea of a pot life
    batch_spread: float = 0.10  # of log rate
    peak_known: float = 0.7
    mould_known: float = 0.7
    vitrifies: bool = False


WORLDS = (
    World("trade"),
    World("no-ratio", ratio=None),
    World("late-coat", ratio=(1.9, 2.2), batch_spread=0.07),
    World("early-pot-life", ratio=(1.3, 1.7), pot_life_of_gel=0.88, vitrifies=True),
)


@dataclass(frozen=True)
class Resins:
    """True kinetics: d(alpha)/dt = g (k1 + k2 alpha^m) (1 - alpha)^n, rates at 296 K."""

    k1: FloatArray
    k2: FloatArray
    e1: FloatArray
    e2: FloatArray
    m: FloatArray
    n: FloatArray
    rise_K: FloatArray
    alpha_gel: FloatArray
    block_s: FloatArray  # induction at 296 K; 0: none
    block_sharp: FloatArray
    density: FloatArray
    heat: FloatArray
    conduct: FloatArray


@dataclass(frozen=True)
class Days:
    """Conditions of each batch."""

    mass_kg: FloatArray
    squat: FloatArray
    cup_loss: FloatArray
    air_K: FloatArray
    drift_K: FloatArray
    drift_s: FloatArray
    start_K: FloatArray
    mould_K: FloatArray
    pour_s: FloatArray
    coat_m: FloatArray
    wall_m: FloatArray
    mould_loss: FloatArray
    wall_heat: FloatArray  # factor on the wall's heat capacity
    draught_s: FloatArray  # when a door opens; inf: never
    draught_factor: FloatArray


@dataclass(frozen=True)
class Truth:
    """(N, L) histories on each trace's own time, `time_s` (N, L)."""

    time_s: FloatArray
    air_K: FloatArray
    core_K: FloatArray
    face_K: FloatArray
    coat_K: FloatArray
    cup_alpha: FloatArray
    coat_alpha: FloatArray

    def gel_s(self, alpha_gel: FloatArray, *, cup: bool = False) -> FloatArray:
        """(L,), inf where it never gels."""
        alpha = self.cup_alpha if cup else self.coat_alpha
        found = np.full(alpha.shape[1], NO_GEL_S)
        for lane in range(alpha.shape[1]):
            if alpha[-1, lane] >= alpha_gel[lane]:
                found[lane] = np.interp(alpha_gel[lane], alpha[:, lane], self.time_s[:, lane])
        return found


def _pick(record: Any, index: FloatArray | npt.NDArray[np.intp]) -> Any:
    return replace(record, **{f.name: getattr(record, f.name)[index] for f in fields(record)})


def simulate(resin: Resins, day: Days, end_s: FloatArray, vitrifies: bool = False) -> Truth:
    """Explicit finite volumes, cup (nr, nz, L) and coat with wall (1 + layers, L)."""
    lanes = len(end_s)
    dt = end_s / _STEPS
    silicone = wall_material("silicone rubber")
    radius = np.cbrt(day.mass_kg / resin.density / (np.pi * day.squat))
    dr, dz = radius / _NR, day.squat * radius / _NZ
    edge = np.arange(_NR + 1)[:, None, None] * dr
    ring = np.pi * (edge[1:] ** 2 - edge[:-1] ** 2)  # (nr, 1, L)
    store = ring * dz * resin.density * resin.heat
    side = 2 * np.pi * edge * dz
    g_r = side[1:-1] * resin.conduct / dr
    g_z = ring * resin.conduct / dz
    g_side = side[-1:] / (0.5 * dr / resin.conduct + 1.0 / day.cup_loss)
    g_top = ring / (0.5 * dz / resin.conduct + 1.0 / (1.15 * day.cup_loss))
    g_bottom = ring / (0.5 * dz / resin.conduct + 1.0 / (0.8 * day.cup_loss))
    share = (ring * dz) / (np.pi * radius**2 * day.squat * radius)

    layer = day.wall_m / _WALL
    c_coat = day.coat_m * resin.density * resin.heat
    c_wall = layer * silicone.density_kg_m3 * silicone.heat_J_kgK * day.wall_heat
    g_wall = silicone.conductivity_W_mK / layer
    g_coat = 1.0 / (0.5 * day.coat_m / resin.conduct + 0.5 / g_wall)
    g_out = 1.0 / (0.5 / g_wall + 1.0 / day.mould_loss)

    cells = _NR * _NZ
    temp = np.tile(day.start_K, (cells + 1, 1))
    wall = np.tile(day.mould_K, (_WALL, 1))
    alpha = np.zeros((cells + 1, lanes))
    block = np.zeros((cells + 1, lanes))
    has_block = resin.block_s > 0.0
    kept: list[tuple[FloatArray, ...]] = []
    at_296 = 1.0 / 296.0
    for step in range(_STEPS + 1):
        now = step * dt
        air = day.air_K + day.drift_K * np.sin(2 * np.pi * now / day.drift_s)
        if step % _KEEP == 0:
            cup = temp[:-1].reshape(_NR, _NZ, lanes)
            mean_alpha = (alpha[:-1].reshape(_NR, _NZ, lanes) * share).sum(axis=(0, 1))
            kept.append(
                (now, air, cup[0, _NZ // 2].copy(), cup[1, -1].copy(), temp[-1].copy(),
                 mean_alpha, alpha[-1].copy())
            )  # fmt: skip
        inverse = (at_296 - 1.0 / temp) / R_J_MOLK
        k1 = resin.k1 * np.exp(resin.e1 * inverse)
        k2 = resin.k2 * np.exp(resin.e2 * inverse)
        left = 1.0 - alpha
        rate = (k1 + k2 * alpha**resin.m) * left ** (resin.n - 1.0)
        if np.any(has_block):
            block += dt * np.exp(resin.e1 * inverse) / np.maximum(resin.block_s, 1.0)
            free = 0.03 + 0.97 / (1.0 + np.exp(np.clip(resin.block_sharp * (1 - block), -50, 50)))
            rate = np.where(has_block, rate * free, rate)
        if vitrifies:  # slower as the glass temperature passes that of the resin
            glass = 250.0 + 110.0 * alpha**2
            rate = rate / (1.0 + np.exp(np.clip((glass - temp) / 4.0, -50, 50)))
        made = left * -np.expm1(-dt * rate)
        alpha = alpha + made
        temp = temp + resin.rise_K * made

        cup = temp[:-1].reshape(_NR, _NZ, lanes)
        loss = np.where((now > day.draught_s) & (now < day.draught_s + 300.0),
                        day.draught_factor, 1.0)  # fmt: skip
        flow = np.zeros_like(cup)
        between = g_r * (cup[1:] - cup[:-1])
        flow[:-1] += between
        flow[1:] -= between
        between = g_z * (cup[:, 1:] - cup[:, :-1])
        flow[:, :-1] += between
        flow[:, 1:] -= between
        flow[-1:] += loss * g_side * (air - cup[-1:])
        flow[:, -1:] += loss * g_top * (air - cup[:, -1:])
        flow[:, :1] += g_bottom * (air - cup[:, :1])
        cup = cup + dt * flow / store
        temp[:-1] = cup.reshape(cells, lanes)

        fresh = now < day.pour_s
        into = g_coat * (wall[0] - temp[-1])
        temp[-1] += dt * (into + 1.5 * (air - temp[-1])) / c_coat
        heat = np.zeros_like(wall)
        heat[0] -= into
        between = g_wall * (wall[1:] - wall[:-1])
        heat[:-1] += between
        heat[1:] -= between
        heat[-1] += g_out * (air - wall[-1])
        wall = np.where(fresh, day.mould_K, wall + dt * heat / c_wall)
        if np.any(fresh):
            for field in (temp, alpha, block):
                mean = (field[:-1].reshape(_NR, _NZ, lanes) * share).sum(axis=(0, 1))
                field[-1] = np.where(fresh, mean, field[-1])
    return Truth(*(np.array(column) for column in zip(*kept, strict=True)))


def _draw_resins(rng: np.random.Generator, count: int, snap: bool) -> Resins:
    soft = rng.random(count) < 0.3
    pot_s = 60.0 * np.exp(rng.uniform(np.log(5.0), np.log(40.0), count))
    e2 = rng.uniform(40e3, 62e3, count)
    start = np.exp(rng.uniform(np.log(0.006), np.log(0.3), count))
    k2 = 3.0 / pot_s * rng.lognormal(0.0, 0.2, count) * (2.5 if snap else 1.0)
    return Resins(
        k1=k2 * start,
        k2=k2,
        e1=e2 + rng.normal(0.0, 4e3, count),
        e2=e2,
        m=rng.uniform(0.7, 1.3, count),
        n=rng.uniform(1.2, 2.2, count),
        rise_K=np.where(soft, rng.uniform(25, 60, count), rng.uniform(60, 130, count)),
        alpha_gel=rng.uniform(0.55, 0.74, count),
        block_s=pot_s * rng.uniform(0.5, 0.9, count) if snap else np.zeros(count),
        block_sharp=rng.uniform(8.0, 20.0, count),
        density=rng.uniform(1000.0, 1180.0, count),
        heat=rng.uniform(1650.0, 2050.0, count),
        conduct=rng.uniform(0.17, 0.26, count),
    )


def _sheet_days(mass_kg: FloatArray, temp_K: FloatArray) -> Days:
    one = np.ones_like(mass_kg)
    return Days(
        mass_kg=mass_kg, squat=1.2 * one, cup_loss=9.0 * one, air_K=temp_K, drift_K=0 * one,
        drift_s=1e4 * one, start_K=temp_K, mould_K=temp_K, pour_s=120.0 * one,
        coat_m=1.3e-3 * one, wall_m=12e-3 * one, mould_loss=9.0 * one, wall_heat=one,
        draught_s=np.inf * one, draught_factor=one,
    )  # fmt: skip


@dataclass(frozen=True)
class Trace:
    """One case with its truth. `rows` (N, 3): time_s, probe_K, ambient_K; nan: no reading."""

    world: str
    family: str
    fault: str | None
    fault_s: float
    case: gel.Case
    rows: FloatArray
    coat_gel_s: float
    cup_gel_s: float
    touches: tuple[gel.Touch, ...]
    earlier: tuple[gel.EarlierBatch, ...]


def _resins_of(
    world: World, rng: np.random.Generator, count: int, snap: bool
) -> tuple[Resins, FloatArray]:
    """Resins whose coat-to-cup ratio the world accepts, and (5, count): the mass and temperature
    of the sheet's cup, its gel and peak, the gel of a coat beside it.
    """
    resins: list[Resins] = []
    figures = np.zeros((5, 0))
    while figures.shape[1] < count:
        tries = 3 * (count - figures.shape[1]) + 10
        resin = _draw_resins(rng, tries, snap)
        mass = rng.choice([0.1, 0.1, 0.15, 0.2], tries)
        temp = ZERO_DEGC_K + rng.choice([23.0, 23.0, 25.0, 20.0], tries)
        window = 10.0 / resin.k2 + 1.5 * resin.block_s
        truth = simulate(resin, _sheet_days(mass, temp), window, world.vitrifies)
        cup = truth.gel_s(resin.alpha_gel, cup=True)
        coat = truth.gel_s(resin.alpha_gel)
        good = np.isfinite(coat) & (cup > 200.0) & (cup < 3600.0)
        ratio = np.where(good, coat, 1.0) / np.where(good, cup, 1.0)
        if world.ratio:
            # A snap resin's coat follows closer: its clock is the catalyst's, not the heat's.
            good &= (ratio > (1.1 if snap else world.ratio[0])) & (ratio < world.ratio[1])
        keep = np.flatnonzero(good)[: count - figures.shape[1]]
        resins.append(_pick(resin, keep))
        peak = truth.core_K.max(axis=0)
        figures = np.hstack([figures, np.array([mass, temp, cup, peak, coat])[:, keep]])
    return _joined(resins), figures


def _joined(parts: Sequence[Resins]) -> Resins:
    return Resins(
        **{f.name: np.concatenate([getattr(r, f.name) for r in parts]) for f in fields(Resins)}
    )


def _draw_days(rng: np.random.Generator, count: int, pot_s: FloatArray) -> Days:
    air = ZERO_DEGC_K + rng.uniform(17.0, 28.0, count)
    return Days(
        mass_kg=rng.uniform(0.06, 0.2, count),
        squat=rng.uniform(0.8, 2.0, count),
        cup_loss=9.0 * rng.lognormal(0.0, 0.25, count),
        air_K=air,
        drift_K=rng.normal(0.0, 0.5, count),
        drift_s=rng.uniform(3000.0, 9000.0, count),
        start_K=air + rng.normal(0.0, 1.0, count),
        mould_K=air - np.abs(rng.normal(0.0, 2.0, count)),
        pour_s=np.minimum(rng.uniform(80.0, 240.0, count), 0.4 * pot_s),
        coat_m=rng.uniform(0.9e-3, 2.0e-3, count),
        wall_m=rng.uniform(8e-3, 16e-3, count),
        mould_loss=9.0 * rng.lognormal(0.0, 0.3, count),
        wall_heat=rng.lognormal(0.0, 0.15, count),
        draught_s=np.where(rng.random(count) < 0.15, rng.uniform(0.2, 1.2, count) * pot_s, np.inf),
        draught_factor=rng.uniform(1.5, 2.5, count),
    )


def at_rate(resin: Resins, factor: FloatArray) -> Resins:
    """Return resins that are `factor` times as fast, their delay included."""
    return replace(
        resin, k1=resin.k1 * factor, k2=resin.k2 * factor, block_s=resin.block_s / factor
    )


def _of_batch(rng: np.random.Generator, resin: Resins, spread: float) -> Resins:
    count = len(resin.k1)
    resin = at_rate(resin, rng.lognormal(0.0, spread, count))
    return replace(resin, rise_K=resin.rise_K * rng.lognormal(0.0, 0.03, count))


FAULTS = (
    "no_reaction", "slow_reaction", "fast_reaction", "off_ratio", "cold_room", "probe_stuck",
    "probe_lost", "probe_noisy", "probe_out",
)  # fmt: skip
BROKEN = ("probe_stuck", "probe_lost", "probe_noisy")  # what spoils the readings of any probe


@dataclass(frozen=True)
class Lot:
    """Resins, each with its sheet's cup, pot life and peak, an earlier day and today."""

    resin: Resins
    sheet_kg: FloatArray
    sheet_K: FloatArray
    peak_K: FloatArray
    pot_s: FloatArray
    coat_s: FloatArray  # gel of a coat beside the sheet's cup
    earlier: Resins
    earlier_day: Days
    today: Resins
    day: Days


def drawn(world: World, rng: np.random.Generator, count: int, fault: str | None = None) -> Lot:
    """`count` batches that nobody has simulated yet; a quarter of them delayed, the last ones."""
    snaps = round(world.snap_share * count)
    ordinary, its = _resins_of(world, rng, count - snaps, snap=False)
    delayed, theirs = _resins_of(world, rng, snaps, snap=True)
    resin = _joined([ordinary, delayed])
    sheet_kg, sheet_K, cup_s, peak_K, coat_s = np.hstack([its, theirs])
    pot_s = cup_s * world.pot_life_of_gel * rng.lognormal(0.0, world.sheet_error, count)

    earlier_day = _draw_days(rng, count, pot_s)
    earlier = _of_batch(rng, resin, world.batch_spread)
    day = _draw_days(rng, count, pot_s)
    today = _of_batch(rng, resin, world.batch_spread)
    if fault == "cold_room":
        air = ZERO_DEGC_K + rng.uniform(7.0, 13.0, count)
        day = replace(day, air_K=air, start_K=air + 2.0, mould_K=air - 1.0)
    factor = {
        "no_reaction": 1e-6 * np.ones(count),
        "slow_reaction": rng.uniform(0.35, 0.6, count),
        "fast_reaction": rng.uniform(1.7, 2.6, count),
        "off_ratio": rng.uniform(0.75, 0.95, count),
    }.get(fault or "", np.ones(count))
    today = at_rate(today, factor)
    if fault == "off_ratio":
        today = replace(today, rise_K=today.rise_K * rng.uniform(0.75, 0.9, count))
    return Lot(resin, sheet_kg, sheet_K, peak_K, pot_s, coat_s, earlier, earlier_day, today, day)


def traces(world: World, seed: int, count: int, fault: str | None = None) -> list[Trace]:
    """`count` traces of one world; with `fault`, each has it."""
    rng = np.random.default_rng([seed, FAULTS.index(fault) + 1 if fault else 0])
    lot = drawn(world, rng, count, fault)
    earlier = simulate(lot.earlier, lot.earlier_day, 4.0 * lot.coat_s, world.vitrifies)
    earlier_cup = earlier.gel_s(lot.resin.alpha_gel, cup=True)
    earlier_coat = earlier.gel_s(lot.resin.alpha_gel)
    window_s = (2.5 if fault == "no_reaction" else 4.0) * lot.coat_s
    truth = simulate(lot.today, lot.day, window_s, world.vitrifies)
    gel_cup = truth.gel_s(lot.today.alpha_gel, cup=True)
    gel_coat = truth.gel_s(lot.today.alpha_gel)
    return [
        _trace(world, rng, lane, fault, lot.resin, lot.day, truth, float(lot.pot_s[lane]),
               float(lot.sheet_kg[lane]), float(lot.sheet_K[lane]), float(lot.peak_K[lane]),
               float(gel_cup[lane]), float(gel_coat[lane]),
               (lot.earlier_day, float(earlier_cup[lane]), float(earlier_coat[lane])))
        for lane in range(count)
    ]  # fmt: skip


def _trace(
    world: World, rng: np.random.Generator, lane: int, fault: str | None, resin: Resins,
    day: Days, truth: Truth, pot_s: float, sheet_kg: float, sheet_K: float,
    peak_K: float, gel_cup_s: float, gel_coat_s: float, earlier: tuple[Days, float, float],
) -> Trace:  # fmt: skip
    snap = bool(resin.block_s[lane] > 0.0)
    placement: gel.What = "cup" if rng.random() < 0.6 else "coat"
    probes: tuple[gel.Probe, ...] = ("digital_1wire", "thermocouple_k", "infrared")
    probe = probes[rng.integers(3)]
    half_minute = max(30.0, 30.0 * round(pot_s / 30.0)) if pot_s < 900 else 60 * round(pot_s / 60)
    known_peak = 1.0 * round(peak_K + rng.normal(0.0, 3.0))
    sheet = Sheet(
        pot_life_s=float(half_minute),
        pot_life_mass_kg=sheet_kg,
        pot_life_temp_K=sheet_K,
        viscosity_Pa_s=0.5,
        b_per_a=0.5,
        density_kg_m3=float(resin.density[lane]),
        peak_K=max(known_peak, sheet_K + 2.0) if rng.random() < world.peak_known else None,
        demould_s=float(round(4 * pot_s)) if rng.random() < 0.7 else None,
        snap=snap,
    )
    pour_s = float(day.pour_s[lane])
    probe_in_s = float((pour_s if placement == "coat" else 0.6 * pour_s) + rng.uniform(20, 60))
    mould_seen = float(day.mould_K[lane] + rng.normal(0.0, 0.7))
    case = gel.Case(
        sheet=sheet,
        placement=placement,
        probe=probe,
        coat_m=float(day.coat_m[lane] * rng.lognormal(0.0, 0.08)),
        wall_m=float(day.wall_m[lane]),
        wall_material="silicone rubber",
        pour_s=pour_s,
        cup_mass_kg=float(day.mass_kg[lane]) if placement == "cup" or rng.random() < 0.5 else None,
        mould_K=mould_seen if rng.random() < world.mould_known else None,
        probe_in_s=probe_in_s + rng.uniform(-10.0, 10.0),
        in_air_before=True,
    )
    finite = gel_coat_s if np.isfinite(gel_coat_s) else 4.0 * pot_s
    end_s = min(1.45 * finite, float(truth.time_s[-1, lane]))
    fault_s, out_s, fall_s = 0.0, np.inf, 0.0
    if fault and fault.startswith("probe"):
        fault_s = float(rng.uniform(min(probe_in_s + 120.0, 0.7 * finite), 0.8 * finite))
    if fault == "probe_out":
        # Still air takes a probe's heat more slowly than a liquid, and resin clings to it; one that
        # looks from afar looks elsewhere at once.
        out_s, fall_s = fault_s, 0.0 if probe == "infrared" else float(rng.uniform(15, 40))
    rows = _read(rng, truth, lane, probe, placement, probe_in_s, end_s, out_s, fall_s)
    if fault in BROKEN:
        rows = break_probe(rng, rows, fault, fault_s)
    touches = []
    for what, at_s in (("cup", gel_cup_s), ("coat", gel_coat_s)):
        if np.isfinite(at_s):
            late = 1.0 + abs(rng.normal(0.0, 0.03))
            touches.append(gel.Touch(what, 15.0 * np.ceil(at_s * late / 15.0)))  # type: ignore[arg-type]
    other, cup_s, coat_s = earlier
    batches = (
        gel.EarlierBatch(
            ambient_K=float(other.air_K[lane]),
            pour_s=float(other.pour_s[lane]),
            cup_mass_kg=float(other.mass_kg[lane]),
            coat_m=float(other.coat_m[lane]),
            wall_m=float(other.wall_m[lane]),
            mould_K=float(other.mould_K[lane]),
            cup_gel_s=cup_s * (1.0 + abs(rng.normal(0.0, 0.03))) if np.isfinite(cup_s) else None,
            coat_gel_s=coat_s * (1.0 + abs(rng.normal(0.0, 0.03))) if np.isfinite(coat_s) else None,
        ),
    )
    family = "snap" if snap else "elastomer" if resin.rise_K[lane] < 60 else "rigid"
    return Trace(world.name, family, fault, fault_s, case, rows, gel_coat_s, gel_cup_s,
                 tuple(touches), batches)  # fmt: skip


def _read(
    rng: np.random.Generator, truth: Truth, lane: int, probe: gel.Probe, placement: gel.What,
    probe_in_s: float, end_s: float, out_s: float, fall_s: float,
) -> FloatArray:  # fmt: skip
    """Readings of the probe, (N, 3), in the resin from `probe_in_s` to `out_s`, else in the air.

    fall_s: how fast it takes the air's temperature after that, if it is no quicker by itself.
    """
    every_s = float(rng.choice([2.0, 5.0]))
    fine_s = np.arange(0.0, end_s, 1.0)

    def at(field: FloatArray) -> FloatArray:
        return np.asarray(np.interp(fine_s, truth.time_s[:, lane], field[:, lane]))

    air = at(truth.air_K)
    if placement == "coat":
        body = at(truth.coat_K)
    elif probe == "infrared":
        body = at(truth.face_K)
    else:
        depth = rng.uniform(0.5, 1.0)
        body = depth * at(truth.core_K) + (1.0 - depth) * at(truth.face_K)
    lag_s, noise, quantum, offset, gain = {
        "digital_1wire": (
            rng.uniform(10, 30), 0.04, 0.0625, rng.normal(0, 0.2), rng.uniform(0.95, 1)
        ),
        "thermocouple_k": (rng.uniform(2, 8), 0.25, 0.25, rng.normal(0, 1.0), rng.uniform(0.96, 1)),
        "infrared": (1.0, 0.3, 0.02, rng.normal(0, 0.8), rng.uniform(0.88, 0.98)),
    }[probe]  # fmt: skip
    body = air + gain * (body - air)
    seen = np.where((fine_s < probe_in_s) | (fine_s >= out_s), air, body)
    lags_s = np.where(fine_s < out_s, lag_s, max(lag_s, fall_s))
    response = np.empty_like(seen)
    value = seen[0]
    for i, (target, lag) in enumerate(zip(seen, lags_s, strict=True)):
        value += (target - value) / max(lag, 1.0)
        response[i] = value
    pick = np.arange(0, len(fine_s), int(every_s))
    read = response[pick] + offset + rng.normal(0.0, noise, len(pick))
    read = ZERO_DEGC_K + quantum * np.round((read - ZERO_DEGC_K) / quantum)
    read[rng.random(len(pick)) < 0.01] = np.nan
    if probe == "digital_1wire":
        read[rng.random(len(pick)) < 0.002] = ZERO_DEGC_K + 85.0
    room = air[pick] + rng.normal(0.0, 0.05, len(pick)) + rng.normal(0.0, 0.3)
    return np.column_stack([fine_s[pick], read, room])


def break_probe(rng: np.random.Generator, rows: FloatArray, fault: str, at_s: float) -> FloatArray:
    """The rows with one of BROKEN from `at_s` on."""
    rows = rows.copy()
    after = rows[:, 0] >= at_s
    first = int(np.argmax(after))
    if fault == "probe_lost":
        rows[after, 1] = np.nan if rng.random() < 0.6 else ZERO_DEGC_K + 85.0
    elif fault == "probe_stuck":
        held = rows[:first, 1]
        rows[after, 1] = held[np.isfinite(held)][-1]
    elif fault == "probe_noisy":
        rows[after, 1] += rng.normal(0.0, rng.uniform(2.0, 6.0), int(after.sum()))
    return rows
