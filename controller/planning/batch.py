"""Bench work of one coat: the weights, the resin that stays in the cup, and the clock from mixing
to rest."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenwall.errors import PlanError
from evenwall.model import WITNESS_G, Casting, CoatClock, Resin, RigSpec, Sheet, agreeing
from evenwall.numerics import cure
from evenwall.planning.wall_rows import WallSaid
from evenwall.units import G_M_S2, kelvin, metres, pascal_seconds

# Hand work, s. Common practice, no source: the parts are weighed before they meet.
MIX_S, POUR_S, CLOSE_UP_S = 90.0, 45.0, 45.0
# Under vacuum until the mix rises and falls (about a minute), then 90 s more: common practice.
DEGAS_S = 150.0
LEAST_DEGAS_S = 60.0
# Of the time to the gel: how late turning may begin, where no film told that; as one did of the
# lantern globe.
USUALLY_LATE = 0.045
# A mix that waits as long as it may is poured from this share of its latest pouring time on. The
# rest is for the pouring itself, and as long again for being late (common practice, no source).
LATEST_POUR = 0.8
# A cup that has doubled its viscosity is past pouring well: common practice, no source.
POURABLE_RISE = 2.0
CUP_DRAIN_S = 20.0  # how long a tilted cup is left to run out
STICK_G = 1.0  # what the mixing stick keeps: common practice
# Gel time of a batch over its sheet's, as a 90 % range: 10 % for batch and weather, and the
# uncertainty of the ratio of coat to cup (1.5 to 1.7: common practice).
GEL_LOW, GEL_HIGH = 0.88, 1.14
# On a wall that earlier coats warm: standard deviation of the heat model, as a share of the warmth
# (over losses of 10 to 30 W/m2 K and four wall materials a third coat gels 14 to 33 % earlier), and
# the change of a coat's gel by one kelvin of it (the lantern globe's second and third coat, 3 to
# 4 %).
HEAT_SD, GEL_PER_K = 0.2, 0.033
NINETY = 1.645  # standard deviations to either side of a 90 % range
HORIZON_GELS = 30.0  # how far the cure is computed, for windows and demoulding


@dataclass(frozen=True)
class CoatDone:
    """Outcome of a coat: weighed, left and spilt grams. The thickness follows from them.

    pace: the observed gel time over the expected one; the next coats of the same day are timed by
    it.
    """

    mix_g: float
    cup_left_g: float
    spill_g: float = 0.0
    pace: float = 1.0


@dataclass(frozen=True)
class Taught:
    """Lessons of this mould's proven castings, as ratios of measured over predicted: the resin that
    stayed in the mould, and the rim against the average wall. castings: their number. walls: the
    measures of those in this resin, oldest first; where there are any, the plan follows them."""

    stays: float = 1.0
    rim_factor: float = 1.0
    castings: int = 0
    walls: tuple[WallSaid, ...] = ()


@dataclass(frozen=True)
class Batch:
    """A coat before its spin is chosen. `history` is the coat's cure on the coat's clock.

    warmer_K: warming of the mould by earlier coats. rest: the share of the bonding window by which
    the next coat waits.
    """

    mean_mm: float
    mix_g: float
    part_a_g: float
    part_b_g: float
    cup_left_g: float
    spill_g: float
    degas_s: float
    clock: CoatClock
    demould_s: float
    history: cure.CureHistory
    cup_peak_degC: float
    coat_peak_degC: float
    warmer_K: float = 0.0
    rest: float = 0.0


def cure_sheet(sheet: Sheet) -> cure.Sheet:
    """Return the sheet in SI. Raises InputError where two of its figures contradict each other."""
    agreeing(sheet)
    peak = sheet.peak_exotherm_degC
    return cure.Sheet(
        pot_life_s=sheet.pot_life_min * 60.0,
        pot_life_mass_kg=sheet.pot_life_mass_g * 1e-3,
        pot_life_temp_K=kelvin(sheet.pot_life_temp_degC),
        viscosity_Pa_s=pascal_seconds(sheet.mixed_viscosity_mPa_s),
        b_per_a=sheet.mix_ratio_b_per_100a / 100.0,
        density_kg_m3=sheet.mixed_density_g_cm3 * 1e3,
        peak_K=None if peak is None else kelvin(peak),
        demould_s=None if sheet.demould_min is None else sheet.demould_min * 60.0,
        snap=sheet.snap,
    )


def parts_g(mix_g: float, sheet: Sheet) -> tuple[float, float]:
    """Return the grams of A and B in a mix, by the ratio by weight."""
    part_a = mix_g / (1.0 + sheet.mix_ratio_b_per_100a / 100.0)
    return part_a, mix_g - part_a


def cup_left_g(poured_g: float, sheet: Sheet) -> float:
    """Return the resin that clings to a tilted cup after CUP_DRAIN_S, and to the stick.

    The draining film on a plate, h = sqrt(mu x/(rho g t)) (Jeffreys 1930), is averaged over a squat
    cup as deep as it is wide: two thirds of the thickness at its foot, on bottom and side.
    """
    density = sheet.mixed_density_g_cm3 * 1e3
    width = (4.0 * poured_g * 1e-3 / density / math.pi) ** (1.0 / 3.0)
    viscosity = pascal_seconds(sheet.mixed_viscosity_mPa_s)
    film = (2.0 / 3.0) * math.sqrt(viscosity * width / (density * G_M_S2 * CUP_DRAIN_S))
    return float(1.25 * math.pi * width**2 * film * density * 1e3 + STICK_G)


def mix(
    mean_mm: float,
    area_cm2: float,
    spill_g: float,
    sheet: Sheet,
    *,
    lid_g: float = 0.0,
    witness: bool = False,
    stays: float = 1.0,
) -> tuple[float, float]:
    """Return the grams to mix, and the grams of these that stay in the cup, for a cured coat of
    `mean_mm` after spilling and after what the lid takes.

    witness: some resin is left in the cup on purpose, for the probe in it. stays: the share of the
    planned grams that stayed in the mould in its earlier castings.
    """
    on_wall = area_cm2 * mean_mm * 0.1 * sheet.cured_density_g_cm3
    poured = on_wall + spill_g + lid_g
    left = cup_left_g(poured, sheet) + on_wall * (1.0 / stays - 1.0)
    left = max(left, WITNESS_G if witness else 0.0)
    return poured + left, left


def probe_in_cup(rig: RigSpec) -> bool:
    """Return whether a probe stands in the resin left in the cup."""
    return any(probe.role == "resin" and probe.placement == "cup" for probe in rig.probes)


def make_batch(
    casting: Casting,
    kin: cure.Kinetics,
    mean_mm: float,
    weights_g: tuple[float, float],
    spill_g: float,
    shop_degC: float,
    mould_degC: float,
    stand: float = 0.0,
    warmer_K: float = 0.0,
    rest: float = 0.0,
) -> Batch:
    """Time one coat with the weights from `mix`. Raises PlanError when the resin leaves no time.

    stand: the share (0 to 1) of the time that the degassed mix may stand in its cup before it is
    poured. Poured later it is more viscous and flows less far. warmer_K: warming of the mould by
    earlier coats. rest: the share (0 to 1) of the bonding window that the next coat waits.
    """
    sheet = casting.resin.sheet
    mix_g, left_g = weights_g
    room_K = kelvin(shop_degC)
    cup = cure.cup_history(kin, mix_g * 1e-3, room_K, room_K, 4.0 * sheet.pot_life_min * 60.0)
    pour_by = _pour_by_s(casting.resin, cup)
    _check_pour(sheet, mix_g, pour_by, shop_degC)
    degas = min(DEGAS_S, max(0.0, pour_by - MIX_S - POUR_S))
    may_stand = max(0.0, LATEST_POUR * pour_by - MIX_S - DEGAS_S)  # not during degassing
    stands = stand * may_stand
    poured, met_degC = MIX_S + degas + stands + POUR_S, mould_degC + warmer_K
    history, short = _coat_histories(casting, kin, mean_mm, mix_g, poured, room_K, met_degC)
    gel = _gel_s(short, sheet, shop_degC)
    gel_low, gel_high = gel_span(warmer_K)
    low, until = cure.next_pour_window_s(kin, history)
    clock = CoatClock(
        pour_from_s=poured - POUR_S if stands else 0.0,
        pour_by_s=pour_by,
        spin_from_s=poured + CLOSE_UP_S,
        gel_expected_s=gel,
        gel_low_s=gel * gel_low,
        gel_high_s=gel * gel_high,
        spin_until_s=gel * gel_high,
        next_pour_from_s=low + rest * (until - low),
        next_pour_until_s=until,
    )
    part_a, part_b = parts_g(mix_g, sheet)
    return Batch(
        mean_mm=mean_mm,
        mix_g=mix_g,
        part_a_g=part_a,
        part_b_g=part_b,
        cup_left_g=left_g,
        spill_g=spill_g,
        degas_s=degas,
        clock=clock,
        demould_s=cure.demould_s(kin, history),
        history=short,
        cup_peak_degC=float(cup.temp_K.max()) - kelvin(0.0),
        coat_peak_degC=float(short.temp_K.max()) - kelvin(0.0),
        warmer_K=warmer_K,
        rest=rest,
    )


def gel_span(warmer_K: float) -> tuple[float, float]:
    """Return the earliest and the latest gel over the expected one, as a 90 % span. It combines the
    spread of batches with the error of the heat model on a wall warmed by earlier coats; the two
    are taken to be independent."""
    heat = NINETY * HEAT_SD * GEL_PER_K * abs(warmer_K)
    low, high = (math.hypot(math.log(share), heat) for share in (GEL_LOW, GEL_HIGH))
    return math.exp(-low), math.exp(high)


def _gel_s(short: cure.CureHistory, sheet: Sheet, shop_degC: float) -> float:
    """Return the coat's gel. Raises PlanError where it does not gel."""
    gel = cure.gel_time_s(short)
    if not math.isfinite(gel):
        limit = f"the coat does not gel within {short.time_s[-1] / 60:.0f} min"
        hint = f"warm shop and mould towards {sheet.pot_life_temp_degC:g} degC"
        raise PlanError("shop.temp_degC", shop_degC, limit, unit="degC", hint=hint)
    return gel


def _check_pour(sheet: Sheet, mix_g: float, pour_by_s: float, shop_degC: float) -> None:
    """Raise PlanError if a person cannot mix and pour in time."""
    if pour_by_s >= MIX_S + POUR_S:
        return
    needed_s = MIX_S + LEAST_DEGAS_S + POUR_S
    raise PlanError(
        "resin.sheet.pot_life_min",
        sheet.pot_life_min,
        f"{mix_g:.0f} g must be poured {pour_by_s:.0f} s after the parts meet at "
        f"{shop_degC:g} degC; mixing and pouring take {MIX_S + POUR_S:.0f} s",
        unit="min",
        hint="a pot life of about "
        f"{math.ceil(sheet.pot_life_min * needed_s / pour_by_s)} min would do",
    )


def _pour_by_s(resin: Resin, cup: cure.CureHistory) -> float:
    """Return the time by which the cup has doubled its viscosity, or three quarters of its time to
    gel if that is earlier."""
    thick = cup.viscosity_Pa_s > POURABLE_RISE * cup.viscosity_Pa_s[0]
    doubled = float(cup.time_s[int(np.argmax(thick))]) if thick.any() else math.inf
    pour_by = min(doubled, 0.75 * cure.gel_time_s(cup))
    return pour_by if math.isfinite(pour_by) else resin.sheet.pot_life_min * 60.0


def _coat_histories(
    casting: Casting,
    kin: cure.Kinetics,
    mean_mm: float,
    mix_g: float,
    poured_s: float,
    room_K: float,
    mould_degC: float,
) -> tuple[cure.CureHistory, cure.CureHistory]:
    """Return the cure of the coat to its demoulding, and in fine steps to its gel."""

    def history(duration_s: float) -> cure.CureHistory:
        return cure.coat_history(
            kin,
            metres(mean_mm),
            metres(casting.mould.wall_mm),
            casting.mould.material,
            room_K,
            kelvin(mould_degC),
            poured_s,
            mix_g * 1e-3,
            duration_s=duration_s,
        )

    span = max(4.0 * casting.resin.sheet.pot_life_min * 60.0, 2.0 * poured_s)
    for _ in range(4):
        gel = cure.gel_time_s(history(span))
        if math.isfinite(gel):
            break
        span *= 2.0
    else:
        return history(span), history(span)
    # A sheet may ask for a demoulding many gels later than most.
    for more in (1.0, 2.0, 4.0, 8.0):
        whole = history(more * HORIZON_GELS * gel)
        if math.isfinite(cure.demould_s(kin, whole)):
            return whole, history(1.3 * gel)
    raise PlanError(
        "resin.sheet.demould_min",
        casting.resin.sheet.demould_min or math.nan,
        f"the coat gels after {gel / 60:.1f} min and is not ready to leave the mould within "
        f"{whole.time_s[-1] / 3600:.0f} h",
        unit="min",
        hint="check the sheet again, or warm shop and mould",
    )


def turn_by_s(clock: CoatClock) -> float:
    """Return the time after the parts met from which a poured coat that does not turn is late."""
    return clock.turn_by_s or clock.spin_from_s + USUALLY_LATE * clock.gel_expected_s


def viscosity_table(history: cure.CureHistory) -> tuple[tuple[float, float], ...]:
    """Return (time_s, Pa s) up to the gel, in steps of 8 % in viscosity. The coat is set after the
    last entry."""
    liquid = np.isfinite(history.viscosity_Pa_s)
    count = int(np.argmin(liquid)) if not liquid.all() else len(liquid)
    log = np.log(history.viscosity_Pa_s[:count])
    rows = [0]
    for k in range(1, count):
        if abs(log[k] - log[rows[-1]]) > 0.08 or k - rows[-1] >= 20 or k == count - 1:
            rows.append(k)
    return tuple(
        (round(float(history.time_s[k]), 2), float(f"{math.exp(log[k]):.5g}")) for k in rows
    )
