"""Worlds C and D: batches drawn from mechanisms.py, with the notes and logs of their makers.

World C combines hot and cold: resins that release much heat, thin coats, cool walls, a wide range
of activation energies. World D is mild: elastomers and slow mixes, thicker coats on walls still
warm from the previous coat, sheets with another meaning of 'pot life'. The ranges are invented for
tests; none was set to suit the estimate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenwall.numerics import gel
from evenwall.numerics.cure import Sheet
from tests.worlds.mechanisms import Course, FloatArray, Mix, Place, follow, only
from tests.worlds.scoring import Logged

ZERO_K = 273.15
LAWS = ("catalysed", "own", "blocked", "two polyols")
FAULTS = ("no_reaction", "slow_reaction", "fast_reaction", "probe_stuck", "probe_lost",
          "probe_noisy")  # fmt: skip


@dataclass(frozen=True)
class World:
    """Ranges that batches are drawn from, low to high; odds: of each law of LAWS."""

    name: str
    odds: tuple[float, ...]
    pot_min: tuple[float, float]
    activation_kJ: tuple[float, float]
    rise_K: tuple[float, float]
    gel: tuple[float, float]
    film_mm: tuple[float, float]
    slab_mm: tuple[float, float]
    wall_less_K: tuple[float, float]  # of the mould against the air
    warm_K: tuple[float, float]
    wind: tuple[float, float]
    pot_word: tuple[float, float]  # what the maker calls pot life, over the cup's gel
    sheet_off: float = 0.08  # of its log
    batch_off: float = 0.10  # of the log of the pace


C = World("C", (0.45, 0.2, 0.15, 0.2), (4.0, 22.0), (28.0, 56.0), (60.0, 140.0), (0.55, 0.75),
          (0.9, 1.7), (9.0, 18.0), (-1.0, 5.0), (0.0, 3.0), (1.0, 2.0), (0.9, 1.05))  # fmt: skip
D = World("D", (0.25, 0.35, 0.2, 0.2), (6.0, 35.0), (36.0, 66.0), (25.0, 95.0), (0.5, 0.7),
          (1.2, 2.6), (7.0, 14.0), (-2.0, 2.0), (0.0, 9.0), (1.0, 3.0), (0.8, 1.0))  # fmt: skip
WORLDS = {"C": C, "D": D}


def _mixes(world: World, rng: np.random.Generator, pot_s: FloatArray) -> Mix:
    count = len(pot_s)
    law = rng.choice(len(LAWS), count, p=world.odds)
    own, blocked, two = law == 1, law == 2, law == 3
    activation = 1e3 * rng.uniform(*world.activation_kJ, count)
    return Mix(
        pace_1_s=np.where(blocked, 6.0, 1.2) / pot_s,
        activation_J_mol=activation,
        own=np.where(own, np.exp(rng.uniform(np.log(2.0), np.log(30.0), count)), 0.0),
        own_activation_J_mol=activation + rng.uniform(-6e3, 8e3, count),
        release_1_s=np.where(blocked, rng.uniform(0.25, 0.6, count) / pot_s, 0.0),
        release_activation_J_mol=rng.uniform(65e3, 95e3, count),
        leak=rng.uniform(0.01, 0.05, count),
        slow_part=np.where(two, rng.uniform(0.3, 0.6, count), 0.0),
        slow_pace=rng.uniform(0.2, 0.5, count),
        glass_K=rng.uniform(205.0, 235.0, count),
        glass_full_K=np.where(
            rng.random(count) < 0.6, rng.uniform(330.0, 380.0, count), rng.uniform(250, 290, count)
        ),
        rise_K=rng.uniform(*world.rise_K, count),
        gel=rng.uniform(*world.gel, count),
        density=rng.uniform(1020.0, 1180.0, count),
        heat=rng.uniform(1600.0, 2100.0, count),
        conduct=rng.uniform(0.16, 0.24, count),
        viscosity=np.exp(rng.uniform(np.log(0.1), np.log(1.5), count)),
    )


def _place(world: World, rng: np.random.Generator, pot_s: FloatArray, film_m: FloatArray) -> Place:
    count = len(pot_s)
    air = ZERO_K + rng.uniform(17.0, 29.0, count)
    return Place(
        cup_kg=rng.uniform(0.04, 0.18, count),
        slender=rng.uniform(0.7, 1.8, count),
        cup_hold=rng.uniform(0.5, 1.0, count),
        air_K=air,
        swing_K=rng.normal(0.0, 0.4, count),
        mixed_K=air + rng.normal(0.0, 1.5, count),
        mould_K=air - rng.uniform(*world.wall_less_K, count),
        warm_K=rng.uniform(*world.warm_K, count),
        pour_s=np.minimum(rng.uniform(60.0, 200.0, count), 0.35 * pot_s),
        film_m=film_m * rng.lognormal(0.0, 0.1, count),
        slab_m=1e-3 * rng.uniform(*world.slab_mm, count),
        slab_conduct=rng.uniform(0.18, 0.32, count),
        slab_store=rng.uniform(1.3e6, 1.8e6, count),
        wind=rng.uniform(*world.wind, count),
    )


def _sheet_place(kg: FloatArray, temp_K: float) -> Place:
    one = np.ones_like(kg)
    return Place(
        cup_kg=kg, slender=1.2 * one, cup_hold=0.8 * one, air_K=temp_K * one, swing_K=0 * one,
        mixed_K=temp_K * one, mould_K=temp_K * one, warm_K=0 * one, pour_s=120 * one,
        film_m=1.3e-3 * one, slab_m=12e-3 * one, slab_conduct=0.25 * one, slab_store=1.55e6 * one,
        wind=one,
    )  # fmt: skip


def at_pace(mix: Mix, factor: FloatArray) -> Mix:
    """Return the same resin, this many times as fast, including its delay."""
    return replace(mix, pace_1_s=mix.pace_1_s * factor, release_1_s=mix.release_1_s * factor)


def _to_pot_life(mix: Mix, kg: FloatArray, pot_s: FloatArray) -> tuple[Mix, FloatArray]:
    """Return each resin at the pace that gels the sheet's cup at its pot life, and the cup's
    peak."""
    place = _sheet_place(kg, ZERO_K + 23.0)
    peak = np.zeros(len(kg))
    for _ in range(7):
        course = follow(mix, place, 3.0 * pot_s, steps=2500)
        gel_s = np.minimum(course.gel_s(course.cup_done, mix.gel), 3.0 * pot_s)
        mix = at_pace(mix, gel_s / pot_s)
        peak = course.core_K.max(axis=0)
    return mix, peak


def _touch_s(rng: np.random.Generator, gel_s: float) -> float:
    """Return the time at which a finger finds it: a little late, to a quarter of a minute."""
    return float(15.0 * max(1, round(gel_s * (1.02 + 0.03 * rng.standard_normal()) / 15.0)))


def _logged_K(
    rng: np.random.Generator, course: Course, lane: int, case: gel.Case, late_s: float, end_s: float
) -> FloatArray:
    """Readings (N, 3) of time, probe, air: a probe with a lag, an offset, a gain and noise."""
    every_s = float(rng.choice([2.0, 3.0, 5.0]))
    time_s = np.arange(0.0, end_s, every_s)
    if case.placement == "cup":
        part = rng.uniform(0.4, 1.0)
        seen = part * course.core_K[:, lane] + (1.0 - part) * course.skin_K[:, lane]
    else:
        seen = course.film_K[:, lane]
    air = np.interp(time_s, course.time_s[:, lane], course.air_K[:, lane])
    true = np.interp(time_s, course.time_s[:, lane], seen)
    true = np.where(time_s < (case.probe_in_s or 0.0), air, true)
    gain = rng.uniform(0.9, 1.0) - (0.1 if case.placement == "coat" else 0.0)
    lag_s = {"digital_1wire": 18.0, "thermocouple_k": 4.0, "infrared": 1.0}[case.probe]
    lag_s *= float(rng.lognormal(0.0, 0.3))
    aim = air + gain * (true - air)
    read = np.empty_like(aim)
    read[0] = air[0]
    kept = np.exp(-every_s / lag_s)
    for i in range(1, len(aim)):
        read[i] = aim[i] + (read[i - 1] - aim[i]) * kept
    noise = {"digital_1wire": 0.04, "thermocouple_k": 0.25, "infrared": 0.3}[case.probe]
    off = {"digital_1wire": 0.3, "thermocouple_k": 1.0, "infrared": 1.2}[case.probe]
    read = read + off * rng.standard_normal() + noise * rng.standard_normal(len(read))
    step = {"digital_1wire": 0.0625, "thermocouple_k": 0.25, "infrared": 0.1}[case.probe]
    read = ZERO_K + step * np.round((read - ZERO_K) / step)
    return np.column_stack([time_s, read, air])[time_s >= late_s]


def _with_fault(
    rng: np.random.Generator, rows: FloatArray, fault: str | None, gel_s: float
) -> FloatArray:
    from_s = rng.uniform(0.35, 0.75) * gel_s
    after = rows[:, 0] >= from_s
    rows = rows.copy()
    if fault == "probe_stuck" and after.any():
        rows[after, 1] = rows[np.argmax(after), 1]
    if fault == "probe_lost":
        rows[after, 1] = np.nan
    if fault == "probe_noisy":
        rows[after, 1] += 6.0 * rng.standard_normal(int(after.sum()))
    return rows


def batches(world: World, seed: int, count: int, fault: str | None = None) -> list[Logged]:
    """`count` logged batches of one world, each with a cup touch and one earlier batch."""
    rng = np.random.default_rng([seed, 0 if fault is None else 1 + FAULTS.index(fault)])
    tries = count + count // 3 + 4
    pot_s = 60.0 * np.exp(rng.uniform(*np.log(world.pot_min), tries))
    kg = rng.choice([0.1, 0.1, 0.15, 0.2], tries)
    resin, peak_K = _to_pot_life(_mixes(world, rng, pot_s), kg, pot_s)
    told_s = pot_s * rng.uniform(*world.pot_word, tries) * rng.lognormal(0, world.sheet_off, tries)
    film_m = 1e-3 * rng.uniform(*world.film_mm, tries)
    pace = {"no_reaction": 1e-6, "slow_reaction": 0.45, "fast_reaction": 2.2}.get(fault or "", 1.0)
    days = [_place(world, rng, pot_s, film_m) for _ in range(2)]
    mixes = [at_pace(resin, rng.lognormal(0.0, world.batch_off, tries)) for _ in range(2)]
    mixes[1] = at_pace(mixes[1], np.full(tries, pace))
    stretch = 1.0 / max(min(pace, 1.0), 0.4)
    before, today = (follow(m, d, 6.0 * pot_s * stretch) for m, d in zip(mixes, days, strict=True))
    told = [
        (c.gel_s(c.cup_done, resin.gel), c.gel_s(c.film_done, resin.gel)) for c in (before, today)
    ]
    good = np.isfinite(told[0][1]) & (np.isfinite(told[1][1]) | (fault == "no_reaction"))
    good &= told[0][1] > 120.0
    out = []
    for lane in np.flatnonzero(good)[:count]:
        cup_s, film_s = float(told[1][0][lane]), float(told[1][1][lane])
        sheet = Sheet(
            pot_life_s=float(30.0 * max(2, round(told_s[lane] / 30.0))),
            pot_life_mass_kg=float(kg[lane]),
            pot_life_temp_K=ZERO_K + 23.0,
            viscosity_Pa_s=float(resin.viscosity[lane]),
            b_per_a=0.8,
            density_kg_m3=float(resin.density[lane]),
            peak_K=float(round(peak_K[lane] + rng.normal(0, 3.0))) if rng.random() < 0.5 else None,
            snap=bool(resin.release_1_s[lane] > 0.0),
        )
        case, earlier = _cases(rng, sheet, only(days[1], lane), only(days[0], lane))
        late_s = float(rng.uniform(60, 200)) if rng.random() < 0.3 else 0.0
        end_s = 1.6 * film_s if np.isfinite(film_s) else 4.0 * sheet.pot_life_s
        rows = _logged_K(rng, today, lane, case, min(late_s, 0.4 * end_s), end_s)
        rows = _with_fault(rng, rows, fault, film_s if np.isfinite(film_s) else sheet.pot_life_s)
        if late_s > 0.0 and rng.random() < 0.3:
            rows[0, 1] = np.nan
        earlier = replace(earlier, cup_gel_s=_touch_s(rng, float(told[0][0][lane])),
                          coat_gel_s=_touch_s(rng, float(told[0][1][lane])))  # fmt: skip
        out.append(
            Logged(
                f"{world.name}{seed}-{lane}",
                case,
                tuple(
                    gel.Row(float(t), None if np.isnan(p) else float(p), float(a))
                    for t, p, a in rows
                ),
                film_s if np.isfinite(film_s) else None,
                fault,
                (gel.Touch("cup", _touch_s(rng, cup_s)),) if np.isfinite(cup_s) else (),
                (earlier,),
            )
        )
    return out


def _cases(
    rng: np.random.Generator, sheet: Sheet, day: Place, past: Place
) -> tuple[gel.Case, gel.EarlierBatch]:
    """Return the maker's notes of today and of the earlier day."""
    placement: gel.What = "cup" if rng.random() < 0.6 else "coat"
    probes: tuple[gel.Probe, ...] = ("digital_1wire", "thermocouple_k", "infrared")
    known = rng.random() < 0.7
    written = [
        {
            "coat_m": float(d.film_m * rng.lognormal(0.0, 0.08)),
            "wall_m": 1e-3 * float(round(1e3 * float(d.slab_m))),
            "wall_material": "silicone rubber",
            "pour_s": float(5 * round(float(d.pour_s) / 5)),
            "cup_mass_kg": float(round(float(d.cup_kg), 3)),
            "mould_K": float(d.mould_K + 0.7 * d.warm_K + rng.normal(0.0, 0.5)) if known else None,
        }
        for d in (day, past)
    ]
    case = gel.Case(
        sheet=sheet, placement=placement, probe=probes[rng.integers(3)],
        probe_in_s=float(day.pour_s) + 20.0 if rng.random() < 0.6 else None, **written[0],
    )  # fmt: skip
    return case, gel.EarlierBatch(ambient_K=float(past.air_K), **written[1])


def load(name: str) -> list[Logged]:
    """Batches of a name such as 'C7x40' (world, seed, count) or 'D3x9!' (each kind of fault)."""
    seed, count = name[1:].rstrip("!").split("x")
    world = WORLDS[name[0]]
    if not name.endswith("!"):
        return batches(world, int(seed), int(count))
    return [b for fault in FAULTS for b in batches(world, int(seed), int(count), fault)]
