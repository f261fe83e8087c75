"""Cure and heat of invented resins, from mechanism, for worlds that the estimate does not know.

Nothing here is taken from the estimator: no rate law, no heat path, no constant. SI throughout;
arrays hold one entry for each batch, shape (L,), unless said.

Chemistry: second order with catalyst (rate k c (1 - a)^2, the usual law of urethane from Macosko
1989, 'RIM: Fundamentals of Reaction Injection Molding', ch. 2, from memory), with the product's
own catalysis (Sourour and Kamal 1976, Thermochim. Acta 14:41), with a blocked catalyst that sets
itself free (first order), and with two polyols of unequal pace (the primary and secondary
hydroxyls of a polyether). Vitrification: the glass temperature by DiBenedetto's equation (Pascault
and Williams 1990, J. Polym. Sci. B 28:85) and a smooth stop at it. Heat: shells of resin stirred by
free convection while it is liquid (Nu of a heated body about 0.5 Ra^1/4, Churchill 1983, from
memory), and a film on a slab that is warm from the coat before, in still or moving air.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
GAS_J_MOLK, KNOWN_K = 8.314, 298.15
STEFAN_W_M2K4 = 5.67e-8
SHELLS, SLICES = 5, 8


@dataclass(frozen=True)
class Mix:
    """Resin of one batch. pace_1_s: at KNOWN_K. own: its product's catalysis over the
    plain one; release_1_s: of the blocked catalyst, 0 where it is free. slow_part, slow_pace: of
    the second polyol; glass_K, glass_full_K: of the mix and of the cured resin.
    """

    pace_1_s: FloatArray
    activation_J_mol: FloatArray
    own: FloatArray
    own_activation_J_mol: FloatArray
    release_1_s: FloatArray
    release_activation_J_mol: FloatArray
    leak: FloatArray
    slow_part: FloatArray
    slow_pace: FloatArray
    glass_K: FloatArray
    glass_full_K: FloatArray
    rise_K: FloatArray
    gel: FloatArray
    density: FloatArray
    heat: FloatArray
    conduct: FloatArray
    viscosity: FloatArray


@dataclass(frozen=True)
class Place:
    """Cup, mould and room of one batch. warm_K: temperature of the inner face of the mould over its
    outer face at the pour; wind: of the mould's outer loss, over still air.
    """

    cup_kg: FloatArray
    slender: FloatArray
    cup_hold: FloatArray
    air_K: FloatArray
    swing_K: FloatArray
    mixed_K: FloatArray
    mould_K: FloatArray
    warm_K: FloatArray
    pour_s: FloatArray
    film_m: FloatArray
    slab_m: FloatArray
    slab_conduct: FloatArray
    slab_store: FloatArray
    wind: FloatArray


@dataclass(frozen=True)
class Course:
    """Histories of one batch each, (N, L); core_K and skin_K of the cup, film_K of the coat."""

    time_s: FloatArray
    air_K: FloatArray
    core_K: FloatArray
    skin_K: FloatArray
    film_K: FloatArray
    cup_done: FloatArray
    film_done: FloatArray

    def gel_s(self, done: FloatArray, level: FloatArray) -> FloatArray:
        """Time at which each column passes its level, (L,); inf where it never does."""
        found = np.full(done.shape[1], np.inf)
        for lane in range(done.shape[1]):
            if done[-1, lane] > level[lane]:
                found[lane] = np.interp(level[lane], done[:, lane], self.time_s[:, lane])
        return found


def only(record, index):  # type: ignore[no-untyped-def]
    """The record with only the batches of `index`."""
    return replace(record, **{f.name: getattr(record, f.name)[index] for f in fields(record)})


def _speed(activation: FloatArray, temp_K: FloatArray) -> FloatArray:
    return np.exp(activation / GAS_J_MOLK * (1.0 / KNOWN_K - 1.0 / temp_K))


class _Bodies:
    """Conversion of fast and slow groups and the free catalyst in every body, (bodies, L)."""

    def __init__(self, mix: Mix, bodies: int) -> None:
        lanes = len(mix.gel)
        self.mix = mix
        self.fast, self.slow = np.zeros((bodies, lanes)), np.zeros((bodies, lanes))
        blocked = mix.release_1_s > 0.0
        self.free = np.tile(np.where(blocked, mix.leak, 1.0), (bodies, 1))

    def done(self) -> FloatArray:
        part = self.mix.slow_part
        return (1.0 - part) * self.fast + part * self.slow

    def advance(self, temp_K: FloatArray, dt_s: FloatArray) -> FloatArray:
        """One step; returns the conversion that it made, (bodies, L)."""
        mix, before = self.mix, self.done()
        plain = mix.pace_1_s * _speed(mix.activation_J_mol, temp_K)
        own = mix.pace_1_s * mix.own * before * _speed(mix.own_activation_J_mol, temp_K)
        lamb = 0.4
        glass = mix.glass_K + (mix.glass_full_K - mix.glass_K) * lamb * before / (
            1.0 - (1.0 - lamb) * before
        )
        mobile = 1.0 / (1.0 + np.exp(np.clip((glass - temp_K) / 5.0, -40.0, 40.0)))
        pace = (plain * self.free + own) * (1.0 - before) * mobile * dt_s
        self.fast += (1.0 - self.fast) * -np.expm1(-pace)
        self.slow += (1.0 - self.slow) * -np.expm1(-pace * mix.slow_pace)
        freed = mix.release_1_s * _speed(mix.release_activation_J_mol, temp_K) * dt_s
        self.free += (1.0 - self.free) * -np.expm1(-freed)
        return self.done() - before


def follow(
    mix: Mix, place: Place, window_s: FloatArray, steps: int = 5000, keep: int = 10
) -> Course:
    """Course of cup and coat over `window_s` (L,), in explicit steps."""
    dt = window_s / steps
    volume = place.cup_kg / mix.density
    height = np.cbrt(4.0 * volume * place.slender**2 / np.pi)
    radius = np.sqrt(volume / (np.pi * height))
    share = 1.0 / SHELLS
    # Shells of equal volume; areas and gaps as of nested bodies of one shape.
    rank = (np.arange(1, SHELLS) / SHELLS)[:, None]
    skin = 2.0 * np.pi * radius * (radius + height)
    area = skin * rank ** (2.0 / 3.0)
    middle = (((np.arange(SHELLS) + 0.5) / SHELLS) ** (1.0 / 3.0))[:, None]
    size = 3.0 * volume / skin
    gap = np.diff(middle, axis=0) * size
    last_gap = (1.0 - middle[-1]) * size
    store = share * place.cup_kg * mix.heat

    slice_m = place.slab_m / SLICES
    film_store = place.film_m * mix.density * mix.heat
    slice_store = slice_m * place.slab_store
    between = place.slab_conduct / slice_m
    to_film = 1.0 / (0.5 * place.film_m / mix.conduct + 0.5 / between)

    bodies = _Bodies(mix, SHELLS + 1)
    temp = np.tile(place.mixed_K, (SHELLS + 1, 1))
    depth = ((np.arange(SLICES) + 0.5) / SLICES)[:, None]
    fresh_slab = place.mould_K + place.warm_K * (1.0 - depth)
    slab = fresh_slab.copy()
    kept = []
    for step in range(steps + 1):
        now = step * dt
        air = place.air_K + place.swing_K * np.sin(now / 900.0)
        done = bodies.done()
        if step % keep == 0:
            kept.append((now, air, temp[0].copy(), temp[SHELLS - 1].copy(), temp[-1].copy(),
                         done[:SHELLS].mean(axis=0), done[-1].copy()))  # fmt: skip
        temp = temp + mix.rise_K * bodies.advance(temp, dt)

        # The cup: stirred by its own warmth until it is too thick.
        drop = np.abs(temp[0] - temp[SHELLS - 1]) + 0.1
        left = np.clip(1.0 - done[:SHELLS].mean(axis=0) / mix.gel, 0.02, 1.0)
        thick = mix.viscosity * left**-2.0
        lift = 9.81 * 6e-4 * drop * radius**3 * mix.density**2
        rayleigh = lift * mix.heat / (thick * mix.conduct)
        carried = mix.conduct * (1.0 + np.where(left > 0.03, 0.25 * rayleigh**0.25, 0.0))
        over = temp[SHELLS - 1] - air
        still = 1.4 * (np.abs(over) / height + 1.0) ** 0.25 + 0.9 * 4 * STEFAN_W_M2K4 * air**3
        flow = np.zeros_like(temp)
        passed = area * carried / gap * (temp[1:SHELLS] - temp[: SHELLS - 1])
        flow[: SHELLS - 1] += passed
        flow[1:SHELLS] -= passed
        flow[SHELLS - 1] -= over * skin / (last_gap / mix.conduct + 1.0 / (still * place.cup_hold))
        temp[:SHELLS] += dt * flow[:SHELLS] / store

        # The coat on its slab.
        into = to_film * (slab[0] - temp[-1])
        temp[-1] += dt * (into + 2.0 * (air - temp[-1])) / film_store
        gain = np.zeros_like(slab)
        gain[0] -= into
        passed = between * (slab[1:] - slab[:-1])
        gain[:-1] += passed
        gain[1:] -= passed
        out = 4.5 * place.wind + 5.0
        gain[-1] += (air - slab[-1]) / (0.5 / between + 1.0 / out)
        waiting = now < place.pour_s
        slab = np.where(waiting, fresh_slab, slab + dt * gain / slice_store)
        for field in (temp, bodies.fast, bodies.slow, bodies.free):
            field[-1] = np.where(waiting, field[:SHELLS].mean(axis=0), field[-1])
    return Course(*(np.array(column) for column in zip(*kept, strict=True)))
