"""Advice for the day: cautions, moisture, bubbles, a shopping list, and the resin that a hollow
casting saves."""

from __future__ import annotations

import math

from evenwall.errors import OutsideValidity
from evenwall.model import Casting
from evenwall.numerics import cure
from evenwall.planning.batch import Batch
from evenwall.units import G_M_S2, degC, kelvin

# Common practice, no source: surfaces closer than this to the dew point take up moisture, and
# isocyanates foam with it.
DEW_MARGIN_K = 3.0
VISIBLE_BUBBLE_MM = 0.2
COLD_K = 8.0  # colder than the sheet's temperature: common practice is to warm the shop first
FEW_PER_100, MANY_PER_100 = 5.0, 2000.0  # g of B per 100 g of A in casting resins, a wide range
CUP_FOAM = 4.0  # a degassing mix rises to about this many times its volume: common practice
SPARE = 1.05  # buy a little more than the sum

# The one list for plan, sheet and report: people stop reading what they meet twice in other words.
WARM_degC, HOT_degC = 30.0, 45.0  # of a mould
HOT_MOULD = "A mould this hot burns the skin: heat-proof gloves."
STANDING = (
    "Read the resin's safety data sheet first; it, local codes and licensed practice take "
    "precedence over anything said here.",
    "Many of these resins hold isocyanates: gloves, goggles, a fitted respirator, moving air.",
    "Leftover mix heats itself until it smokes: spread it thinly outdoors; never cap it or leave "
    "it in the cup.",
    "Vacuum pulls hard on a vessel: use one made for it, inspect it, keep your face away.",
    "A turning frame catches hair, sleeves and hands, and turns without further warning: guard "
    "closed before it turns.",
    "The stop wired beside the frame cuts motor power: know where it is. No button on a screen "
    "replaces it.",
    "Sand, saw or key cured resin wet, with a dust mask and goggles: its dust harms the lungs.",
    "Mains wiring and the stop circuit are work for a licensed person. The frame needs protective "
    "earth.",
    "Never pour spilt resin back: it has a different age.",
)


# A resin's angle on bare silicone (from memory: liquids of 0.035 N/m on a surface of 0.021 N/m, by
# Girifalco and Good 1957), and the tension of `wall`.
SILICONE_ANGLE_DEG, TENSION_N_M = 54.0, 0.035
AIR_PA = 101_325.0
PLAY_DEG = 0.45  # of play act like RIPPLE_PERCENT of ripple: a bias of 2 d/pi, d in radians
RIPPLE_PERCENT = 0.5


def dewetting_mm(density_kg_m3: float) -> float:
    """Thickness below which a film opens round a dry spot on bare silicone, in mm.

    2 l_c sin(theta/2), l_c = sqrt(sigma/(rho g)): the height of a puddle, at which gravity and
    surface tension balance (de Gennes, Brochard-Wyart and Quere 2004, chapter 2; from memory).
    """
    length_m = math.sqrt(TENSION_N_M / (density_kg_m3 * G_M_S2))
    return 2.0 * length_m * math.sin(math.radians(SILICONE_ANGLE_DEG) / 2.0) * 1e3


def dewetting(casting: Casting, first_mm: float) -> list[str]:
    """Warn of a first coat that may draw back from bare silicone. Coats on resin do not."""
    limit_mm = dewetting_mm(casting.resin.sheet.mixed_density_g_cm3 * 1e3)
    if "silicone" not in casting.mould.material or first_mm >= limit_mm:
        return []
    return [
        f"The first coat, {first_mm:.1f} mm, is thinner than {limit_mm:.1f} mm: below that "
        "resin can draw back from a dry or greasy spot on bare silicone. Wet every place in the "
        "first minutes, look for bare rings and beads, and brush them over before it thickens. A "
        "thicker first coat is safer."
    ]


def vent(warmer_K: float, room_degC: float, mean_mm: float, density_kg_m3: float) -> list[str]:
    """Warn of a sealed cap: the air inside warms at a constant volume (dp = p dT/T, ideal gas), and
    its pressure is compared with the weight of a coat, rho g h."""
    if warmer_K < 1.0:
        return []
    pressure_Pa = AIR_PA * warmer_K / kelvin(room_degC)
    coats = pressure_Pa / (density_kg_m3 * G_M_S2 * mean_mm * 1e-3)
    return [
        "Leave a vent of 1 to 2 mm in the cap. In a sealed mould air that warms by up to "
        f"{warmer_K:.0f} K presses with {pressure_Pa / 1e3:.1f} kPa, {coats:.0f} times the "
        "weight of a coat: it blows resin out at the seam and lifts the cap."
    ]


def balance(counterweights: bool) -> list[str]:
    """Warn of play in an unbalanced axis: the frame falls through the play twice a turn."""
    if not counterweights:
        return []
    return [
        "Fit the counterweights. An unbalanced mould falls through the play of its axis every "
        f"turn: {PLAY_DEG:g} degrees of play act like a ripple of {RIPPLE_PERCENT:g} %, all that "
        "the worst day allows."
    ]


def moisture(casting: Casting, mould_degC: float) -> tuple[float | None, list[str]]:
    """Return the dew point of the shop's air in degC and the cautions that follow from it."""
    shop = casting.shop
    if shop.humidity_percent is None:
        return None, ["The shop's humidity was not given: moisture was not checked."]
    if shop.humidity_percent < 0.1:
        return None, []
    dew = degC(cure.dew_point_K(kelvin(shop.temp_degC), shop.humidity_percent / 100.0))
    if mould_degC < dew + DEW_MARGIN_K:
        return dew, [
            f"The mould, at {mould_degC:.1f} degC, is within {DEW_MARGIN_K:g} K of the dew point "
            f"({dew:.1f} degC): warm it, or moisture clouds the resin and raises bubbles."
        ]
    return dew, []


def escaping_bubble_mm(batch: Batch, density_kg_m3: float) -> float:
    """Return the diameter of the smallest bubble that rises through its own coat before the gel.

    Stokes' law with a rigid surface, d = sqrt(18 h/(rho g integral dt/mu)), while the resin lies on
    the skin. For an equal time it hangs from the skin, so half the time counts.
    """
    history = batch.history
    after = history.time_s >= batch.clock.spin_from_s
    fluidity = 1.0 / history.viscosity_Pa_s[after]
    dt = float(history.time_s[1] - history.time_s[0])
    way = 0.5 * float(fluidity.sum()) * dt
    try:
        per_d2 = cure.bubble_rise_m_s(1e-4, density_kg_m3, 1.0) / 1e-8
    except OutsideValidity:
        return math.nan
    return math.sqrt(batch.mean_mm * 1e-3 / (per_d2 * way)) * 1e3


def shopping(casting: Casting, batch: Batch, coats: int) -> dict[str, float]:
    """Return what to have on the bench: grams of each part with a little spare, and the degassing
    cup."""
    sheet = casting.resin.sheet
    a_g, b_g = batch.part_a_g * coats, batch.part_b_g * coats
    found = {
        "part_a_g": round(a_g * SPARE, 1),
        "part_b_g": round(b_g * SPARE, 1),
        "waste_g": round((batch.cup_left_g + batch.spill_g) * coats, 1),
        "degas_cup_ml": round(batch.mix_g / sheet.mixed_density_g_cm3 * CUP_FOAM, -1),
        "cups": float(coats),
        "gloves_pairs": float(2 * coats),
    }
    if casting.resin.density_a_g_cm3 is not None:
        found["part_a_ml"] = round(a_g * SPARE / casting.resin.density_a_g_cm3, 1)
    if casting.resin.density_b_g_cm3 is not None:
        found["part_b_ml"] = round(b_g * SPARE / casting.resin.density_b_g_cm3, 1)
    return found


def warm_mould(mould_degC: float) -> list[str]:
    """Return the cautions for a warmed mould (common practice, no source for the two limits)."""
    if mould_degC <= WARM_degC:
        return []
    said = (
        f"The mould, at {mould_degC:.0f} degC, is warmed: the time to work is shorter and more "
        "vapour rises. Respirator on, moving air; never warm a mould with an open flame."
    )
    return [said, HOT_MOULD] if mould_degC > HOT_degC else [said]


def cautions(casting: Casting, batch: Batch, mould_degC: float) -> tuple[list[str], float]:
    """Return the cautions for this casting on this day, then the standing ones, and the diameter of
    the smallest bubble that escapes."""
    found = moisture(casting, mould_degC)[1]
    sheet = casting.resin.sheet
    if batch.degas_s < 120.0:
        found.append(
            f"Only {batch.degas_s:.0f} s are left for degassing: common practice is to degas "
            f"until the mix rises and falls, then 90 s more. Expect bubbles, or use a slower resin."
        )
    if batch.cup_peak_degC > 80.0:
        found.append(f"Mix left in a full cup can reach about {batch.cup_peak_degC:.0f} degC.")
    found += warm_mould(mould_degC)
    colder_K = sheet.pot_life_temp_degC - casting.shop.temp_degC
    if colder_K > COLD_K:
        found.append(
            f"The shop is {colder_K:.0f} K colder than the {sheet.pot_life_temp_degC:g} degC of "
            f"the resin's sheet: the resin thickens late and may not cure fully. Warm shop, "
            "mould and resin."
        )
    if not FEW_PER_100 <= sheet.mix_ratio_b_per_100a <= MANY_PER_100:
        found.append(
            f"{sheet.mix_ratio_b_per_100a:g} g of B to 100 g of A is unusual: does the resin's "
            f"file give the ratio for 100 g of A?"
        )
    bubble = escaping_bubble_mm(batch, sheet.mixed_density_g_cm3 * 1e3)
    if bubble > VISIBLE_BUBBLE_MM:
        found.append(
            f"Bubbles smaller than about {bubble:.1f} mm cannot rise out before the gel: degas "
            "well and pour in a thin stream."
        )
    return found + list(STANDING), bubble


def mean_bound_mm(mass_g: float, solid_g: float, density_g_cm3: float, *, opening: bool) -> float:
    """Return the largest average wall that `mass_g` of skin can have on a form that weighs
    `solid_g` when solid.

    Isoperimetric inequality: a closed skin is no smaller than the sphere of that volume. A skin
    with one flat opening, mirrored at it, encloses twice the volume, so it is no smaller than a
    hemisphere.
    """
    volume_cm3 = solid_g / density_g_cm3
    if opening:
        area_cm2 = 0.5 * math.cbrt(36.0 * math.pi * (2.0 * volume_cm3) ** 2)
    else:
        area_cm2 = math.cbrt(36.0 * math.pi * volume_cm3**2)
    return mass_g / density_g_cm3 / area_cm2 * 10.0
