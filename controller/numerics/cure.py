"""Cure, viscosity and heat of a two-part resin: in the witness cup and in a coat on a mould wall.

Bare SI throughout: kelvin, seconds, kilograms, metres. Conversion runs from 0 to 1. One integrator
serves the planner (one lane) and the gel estimator (many lanes, one parameter set each).

Model and sources
-----------------
Rate       d(alpha)/dt = k(T) (b + alpha^m) (1 - alpha)^n, the Kamal-Sourour law (Kamal and Sourour
           1973, Polym. Eng. Sci. 13:59) with k1 = b k, k2 = k and one Arrhenius constant;
           b -> large at constant b k leaves the n-th order law of Broyer and Macosko 1976.
Induction  a delayed-action catalyst: d(q)/dt = Arrhenius/induction_s, the rate is multiplied by
           q^p/(1 + q^p). A smooth switch; its sharpness p is our choice, no source.
Gel        alpha_gel = 1/sqrt(r (f-1) (g-1)): Flory 1941, Stockmayer 1943; Macosko and Miller 1976.
Viscosity  Castro and Macosko 1982: mu0(T) [alpha_gel/(alpha_gel - alpha)]^(A + B alpha).
Heat       a squat cup of two nested bodies of resin that lose heat to the room, and a coat on a
           wall of four layers; between steps the linear heat network is solved exactly, and each
           step puts in the heat of the conversion it makes, so energy is kept to round-off.
"""

from __future__ import annotations

import ctypes
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.errors import NotConverged, OutsideValidity
from evenwall.numerics import native
from evenwall.units import G_M_S2, R_J_MOLK, ZERO_DEGC_K

FloatArray = npt.NDArray[np.float64]
Lane = Any  # a float or an array of shape (L,): numpy broadcasts either
"""One number for all lanes, or one per lane."""

# Typical of unfilled urethane and epoxy castings near room temperature, from memory of handbook
# ranges (0.15 to 0.25 W/m K; 1.6 to 2.1 kJ/kg K), not held against one printed table.
RESIN_CONDUCTIVITY_W_MK = 0.20
RESIN_HEAT_J_KGK = 1900.0

# Still air and radiation on a small body, some 4 + 5 W/m2 K, less what a thin cup wall and a bench
# hold back; from memory of the usual 5 to 15 W/m2 K for free convection with radiation.
CUP_LOSS_W_M2K = 8.5
MOULD_LOSS_W_M2K = 10.0  # a slowly turning mould in a room
CAVITY_LOSS_W_M2K = 1.5  # through the opening, spread over the whole coat

# Ages, in equivalent age over that at gel, at which a coat bears the next one, still bonds to it,
# and leaves the mould: common practice, no source (about 30 min and 2 h for a resin with a pot life
# near 10 min and a coat that gels at 16). Age and not conversion, because the last part of a
# room-temperature cure is held back by vitrification, which the rate law above does not know.
NEXT_POUR_FROM_AGE = 1.9
NEXT_POUR_UNTIL_AGE = 4.0
DEMOULD_AGE = 7.5

INDUCTION_SHARPNESS = 12.0
_SOURCE = Path(__file__).with_name("cure_kernel.c")
_STEPS = 600  # of a history for the planner; second order, see the convergence test
CORE, SHELL, COAT = 0, 1, 2  # resin nodes
_WALL_LAYERS = 4
_NODES = 3 + _WALL_LAYERS
_CORE_FRACTION = 0.4  # of the cup's resin
_SQUAT = 1.2  # height over radius of the resin in a cup


@dataclass(frozen=True, slots=True)
class WallMaterial:
    """Thermal properties of the mould's own wall."""

    conductivity_W_mK: float
    density_kg_m3: float
    heat_J_kgK: float


# From memory of makers' and handbook ranges; the estimator allows for 30 % on each.
WALL_MATERIALS = {
    "silicone rubber": WallMaterial(0.25, 1150.0, 1350.0),
    "polyurethane rubber": WallMaterial(0.20, 1050.0, 1800.0),
    "latex": WallMaterial(0.16, 950.0, 1900.0),
    "plaster": WallMaterial(0.45, 1100.0, 1050.0),
    "glass-fibre laminate": WallMaterial(0.25, 1600.0, 1100.0),
    "printed plastic": WallMaterial(0.18, 1150.0, 1600.0),
    "aluminium": WallMaterial(200.0, 2700.0, 900.0),
}


def wall_material(name: str) -> WallMaterial:
    """The material by its plain name, or the part of one that only it has ('silicone').

    Raises OutsideValidity for one that is not listed.
    """
    wanted = name.strip().lower()
    fitting = [known for known in WALL_MATERIALS if wanted and wanted in known]
    if wanted not in WALL_MATERIALS and len(fitting) != 1:
        known = ", ".join(WALL_MATERIALS)
        raise OutsideValidity("mould.material", name, f"must be one of: {known}")
    return WALL_MATERIALS[wanted if wanted in WALL_MATERIALS else fitting[0]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Data of a resin's sheet. `b_per_a` is the mass of part B for one of part A."""

    pot_life_s: float
    pot_life_mass_kg: float
    pot_life_temp_K: float
    viscosity_Pa_s: float
    b_per_a: float
    density_kg_m3: float
    peak_K: float | None = None
    demould_s: float | None = None
    snap: bool = False

    def __post_init__(self) -> None:
        _within("sheet.pot_life_s", self.pot_life_s, 30.0, 24 * 3600.0, "s")
        _within("sheet.pot_life_mass_kg", self.pot_life_mass_kg, 0.005, 5.0, "kg")
        _within_room("sheet.pot_life_temp_K", self.pot_life_temp_K)
        _within("sheet.viscosity_Pa_s", self.viscosity_Pa_s, 0.005, 50.0, "Pa s")
        _within("sheet.b_per_a", self.b_per_a, 0.005, 50.0, "kg/kg")
        _within("sheet.density_kg_m3", self.density_kg_m3, 700.0, 2500.0, "kg/m3")
        if self.peak_K is not None:
            low = self.pot_life_temp_K + 1.0
            _within("sheet.peak_K", self.peak_K, low, 600.0, "K")
        if self.demould_s is not None:
            _within("sheet.demould_s", self.demould_s, self.pot_life_s, 14 * 86400.0, "s")


@dataclass(frozen=True, slots=True)
class Kinetics:
    """One resin's cure, or one per lane where a field is an array of shape (L,).

    rate_1_s: k at `ref_K`; start: b; order: n; activation_J_mol: E; rise_K: adiabatic rise, the
    heat of reaction over the specific heat; induction_s: 0 for none, at `ref_K`; sharpness: of the
    end of the induction; own_order: m, of what has reacted.
    """

    rate_1_s: Lane
    start: Lane
    order: Lane
    activation_J_mol: Lane
    ref_K: float
    rise_K: Lane
    alpha_gel: Lane
    induction_s: Lane = 0.0
    sharpness: Lane = INDUCTION_SHARPNESS
    own_order: Lane = 1.0
    density_kg_m3: float = 1080.0
    viscosity_Pa_s: float = 0.6  # mixed, at ref_K and no conversion
    viscosity_activation_J_mol: float = 40e3
    viscosity_power: float = 1.5
    viscosity_slope: float = 1.0
    demould_age: float = DEMOULD_AGE  # over the age at gel


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The thermal side of a batch. Fields marked Lane may be arrays of shape (L,).

    `mixed_kg` is the resin that stands in the cup; a coat takes its conversion and temperature
    from it when it is poured.
    """

    mixed_kg: Lane
    start_K: Lane
    mould_K: Lane
    pour_s: float
    coat_m: Lane
    wall_m: float
    material: WallMaterial
    cup_loss_W_m2K: Lane = CUP_LOSS_W_M2K
    cup_mixing: Lane = 1.0  # of the conduction between the cup's core and its shell
    mould_loss_W_m2K: Lane = MOULD_LOSS_W_M2K
    wall_uptake: Lane = 1.0  # of the wall's thermal effusivity


@dataclass(frozen=True, slots=True)
class CureHistory:
    """Time, temperature, conversion and viscosity of one body of resin, each of shape (N,).

    Viscosity is infinite from the gel on.
    """

    time_s: FloatArray
    temp_K: FloatArray
    conversion: FloatArray
    viscosity_Pa_s: FloatArray
    alpha_gel: float


def _within(field: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:  # also catches nan
        raise OutsideValidity(field, value, f"must be {low:g} to {high:g} {unit}", unit=unit)


def _within_room(field: str, temp_K: float) -> None:
    """Room-temperature cure: the rate constants are not fitted beyond 0 to 60 degC."""
    _within(field, temp_K, ZERO_DEGC_K, ZERO_DEGC_K + 60.0, "K")


def gel_conversion(functionality_a: float, functionality_b: float, r: float = 1.0) -> float:
    """Conversion at gel, 1/sqrt(r (f-1) (g-1)), of the minority group.

    r: stoichiometric ratio, 0 to 1. Flory 1941, Stockmayer 1943; as in Macosko and Miller 1976.
    Raises OutsideValidity where no gel forms (the value would exceed 1).
    """
    _within("r", r, 1e-6, 1.0, "")
    branching = r * (functionality_a - 1.0) * (functionality_b - 1.0)
    if branching < 1.0:
        raise OutsideValidity("r (f-1) (g-1)", branching, "must be at least 1, or nothing gels")
    return 1.0 / math.sqrt(branching)


def arrhenius(activation_J_mol: Lane, ref_K: float, temp_K: Lane) -> Lane:
    """exp(-E/R (1/T - 1/T_ref)), the rate at `temp_K` over the rate at `ref_K`."""
    return np.exp(activation_J_mol / R_J_MOLK * (1.0 / ref_K - 1.0 / temp_K))


def viscosity_Pa_s(kin: Kinetics, temp_K: FloatArray, conversion: FloatArray) -> FloatArray:
    """Castro and Macosko 1982; infinite from the gel on. Shapes broadcast."""
    mu0 = kin.viscosity_Pa_s * arrhenius(-kin.viscosity_activation_J_mol, kin.ref_K, temp_K)
    left = (kin.alpha_gel - conversion) / kin.alpha_gel
    power = kin.viscosity_power + kin.viscosity_slope * conversion
    liquid = left > 0.0
    growth = np.power(np.where(liquid, left, 1.0), -power)
    return np.asarray(np.where(liquid, mu0 * growth, np.inf))


def equivalent_age_s(
    time_s: FloatArray, temp_K: FloatArray, activation_J_mol: float, ref_K: float
) -> FloatArray:
    """Age at `ref_K` that gives the same cure, integral of the Arrhenius ratio; shape (N,).

    The maturity method of ASTM C1074 (concrete), used here for resin; trapezoidal rule.
    """
    speed = arrhenius(activation_J_mol, ref_K, temp_K)
    parts = 0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s)
    return np.concatenate([[0.0], np.cumsum(parts)])


def dew_point_K(air_K: float, humidity: float) -> float:
    """Dew point by the Magnus form over water, e_s = 6.112 exp(17.62 t/(243.12 + t)) hPa.

    humidity: relative, 0 to 1. Sonntag 1990, as WMO-No. 8 recommends; -45 to 60 degC.
    """
    _within("air_K", air_K, ZERO_DEGC_K - 45.0, ZERO_DEGC_K + 60.0, "K")
    _within("humidity", humidity, 1e-3, 1.0, "")
    air_degC = air_K - ZERO_DEGC_K
    x = math.log(humidity) + 17.62 * air_degC / (243.12 + air_degC)
    return ZERO_DEGC_K + 243.12 * x / (17.62 - x)


def bubble_rise_m_s(
    diameter_m: float, density_kg_m3: float, viscosity: float, *, clean: bool = False
) -> float:
    """Terminal rise of a bubble: Stokes 1851 (rigid surface) rho g d^2/(18 mu), or Hadamard and
    Rybczynski 1911 (clean surface) rho g d^2/(12 mu). Raises OutsideValidity for Re > 1.
    """
    speed = density_kg_m3 * G_M_S2 * diameter_m**2 / ((12.0 if clean else 18.0) * viscosity)
    reynolds = density_kg_m3 * speed * diameter_m / viscosity
    if reynolds > 1.0:
        raise OutsideValidity("Reynolds number", f"{reynolds:.3g}", "must be at most 1")
    return speed


def _network(kin: Kinetics, around: Surroundings, lanes: int) -> tuple[FloatArray, FloatArray]:
    """Heat capacities (nodes, L) in J/K, and conductances to each other and to the room
    (nodes, nodes + 1, L) in W/K. The cup is whole; the coat and wall are one square metre.
    """
    capacity = np.empty((_NODES, lanes))
    link = np.zeros((_NODES, _NODES + 1, lanes))

    def join(i: int, j: int, conductance: Lane) -> None:
        link[i, j] += conductance
        if j < _NODES:
            link[j, i] += conductance

    volume = around.mixed_kg / kin.density_kg_m3
    radius = np.cbrt(volume / (math.pi * _SQUAT))
    area = 2.0 * math.pi * radius**2 * (1.0 + _SQUAT)
    capacity[CORE] = _CORE_FRACTION * around.mixed_kg * RESIN_HEAT_J_KGK
    capacity[SHELL] = (1.0 - _CORE_FRACTION) * around.mixed_kg * RESIN_HEAT_J_KGK
    # Distances between the middles of nested similar bodies that halve each other's volume.
    inner_area = area * _CORE_FRACTION ** (2.0 / 3.0)
    to_shell = 0.40 * radius / RESIN_CONDUCTIVITY_W_MK
    to_face = 0.12 * radius / RESIN_CONDUCTIVITY_W_MK
    join(CORE, SHELL, inner_area / to_shell * around.cup_mixing)
    join(SHELL, _NODES, area / (to_face + 1.0 / around.cup_loss_W_m2K))

    material = around.material
    layer = around.wall_m / _WALL_LAYERS
    uptake = around.wall_uptake
    capacity[COAT] = around.coat_m * kin.density_kg_m3 * RESIN_HEAT_J_KGK
    capacity[3:] = layer * material.density_kg_m3 * material.heat_J_kgK * uptake
    through = material.conductivity_W_mK / layer * uptake
    half_coat = 0.5 * around.coat_m / RESIN_CONDUCTIVITY_W_MK
    join(COAT, 3, 1.0 / (half_coat + 0.5 / through))
    join(COAT, _NODES, CAVITY_LOSS_W_M2K)
    for node in range(3, _NODES - 1):
        join(node, node + 1, through)
    join(_NODES - 1, _NODES, 1.0 / (0.5 / through + 1.0 / around.mould_loss_W_m2K))
    return capacity, link


def _propagator(capacity: FloatArray, link: FloatArray, dt_s: float) -> FloatArray:
    """Exact one-step map of the linear network, shape (nodes, nodes + 3 + 1, L): from the node
    temperatures, the temperature rises the resin nodes get spread over the step, and the room.
    """
    to_nodes = np.moveaxis(link[:, :_NODES], -1, 0)
    rate = -to_nodes.copy()
    diagonal = np.arange(_NODES)
    rate[:, diagonal, diagonal] += link.sum(axis=1).T
    root = np.sqrt(capacity.T)
    values, vectors = np.linalg.eigh(rate / (root[:, :, None] * root[:, None, :]))
    x = np.maximum(values, 0.0) * dt_s
    decay = np.exp(-x)
    spread = np.where(x > 1e-9, -np.expm1(-x) / np.maximum(x, 1e-9), 1.0)
    left = vectors / root[:, :, None]
    right = np.swapaxes(vectors, 1, 2) * root[:, None, :]
    keep = (left * decay[:, None, :]) @ right
    source = ((left * spread[:, None, :]) @ right)[:, :, :3]
    room = 1.0 - keep.sum(axis=2, keepdims=True)
    return np.ascontiguousarray(np.moveaxis(np.concatenate([keep, source, room], axis=2), 0, -1))


def integrate(
    kin: Kinetics, around: Surroundings, ambient_K: FloatArray, dt_s: float, lanes: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Temperatures and conversions of the cup's core, its shell and the coat.

    ambient_K: shape (N,), the room over each of N steps of `dt_s`. Returns two arrays of shape
    (N + 1, 3, L). Two-step Adams-Bashforth for the rate per unreacted part, applied so that the
    conversion can never pass 1; exact heat conduction; second order in dt_s. Until the pour the
    coat has the mean temperature and conversion of the cup.
    """
    steps = len(ambient_K)
    propagator = _propagator(*_network(kin, around, lanes), dt_s)
    temps = np.empty((steps + 1, 3, lanes))
    temps[0] = around.start_K
    alphas = np.zeros((steps + 1, 3, lanes))
    scaled_E = kin.activation_J_mol / R_J_MOLK
    induction = np.asarray(kin.induction_s, dtype=float)
    fields = (
        kin.rate_1_s * dt_s,
        kin.start,
        kin.order - 1.0,
        scaled_E,
        scaled_E / kin.ref_K,
        kin.rise_K,
        dt_s / np.maximum(induction, 1e-3),
        kin.sharpness,
        around.mould_K,
        kin.own_order,
    )
    lane_fields = np.empty((len(fields), lanes))
    for row, field in zip(lane_fields, fields, strict=True):
        row[:] = field
    march = _march if (kernel := _kernel()) is None else kernel
    march(
        propagator,
        lane_fields,
        np.ascontiguousarray(ambient_K),
        round(around.pour_s / dt_s),
        bool(np.any(induction > 0.0)),
        bool(np.any(lane_fields[-1] != 1.0)),
        temps,
        alphas,
    )
    return temps, alphas


def _march(
    propagator: FloatArray,
    fields: FloatArray,
    ambient_K: FloatArray,
    pour_step: int,
    delayed: bool,
    curved: bool,
    temps: FloatArray,
    alphas: FloatArray,
) -> None:
    """Every step of every lane: fills `temps` (from its first row on) and `alphas`, both
    (N + 1, 3, L). The reference of the compiled kernel, and its stand-in without a compiler.
    """
    rate_dt, start, order_less_1, scaled_E, at_ref, rise_K, q_step, sharpness = fields[:8]
    mould_K, own_order = fields[8:]
    lanes = fields.shape[1]
    state = np.empty((_NODES + 4, lanes))
    state[:3] = temps[0]
    state[3:_NODES] = mould_K
    q, aged, alpha = np.zeros((3, 3, lanes))
    before: FloatArray | None = None
    for step, air_K in enumerate(ambient_K):
        speed = np.exp(at_ref - scaled_E / state[:3])
        left = 1.0 - alpha
        made = np.power(alpha, own_order) if curved else alpha
        pace = rate_dt * speed * (start + made) * np.power(left, order_less_1)
        if delayed:
            gate = np.power(q, sharpness)
            pace *= gate / (1.0 + gate)
            ageing = q_step * speed
            # Beyond 10 the switch is fully on, and the power must not overflow.
            q = np.clip(q + (1.5 * ageing - 0.5 * aged if step else ageing), 0.0, 10.0)
            aged = ageing
        x = pace if before is None else np.maximum(1.5 * pace - 0.5 * before, 0.5 * pace)
        before = pace
        after = left / (1.0 + x + 0.5 * x * x)
        state[_NODES : _NODES + 3] = rise_K * (left - after)
        state[_NODES + 3] = air_K
        state[:_NODES] = np.einsum("ijl,jl->il", propagator, state)
        alpha = 1.0 - after
        if step < pour_step:
            for field in (state, alpha, q):
                field[COAT] = _CORE_FRACTION * field[CORE] + (1.0 - _CORE_FRACTION) * field[SHELL]
            state[3:_NODES] = mould_K
        temps[step + 1] = state[:3]
        alphas[step + 1] = alpha


@cache
def _kernel() -> Callable[..., None] | None:
    """`_march` compiled, or None where there is no compiler."""
    try:
        library = ctypes.CDLL(str(native.library(_SOURCE, "-ffast-math")))
    except native.NoCompiler:
        return None
    run = library.cure_march
    run.restype = None
    whole, array = ctypes.c_int64, ctypes.c_void_p
    run.argtypes = [whole, whole, whole, whole, whole, ctypes.c_double, *[array] * 5]

    def march(
        propagator: FloatArray,
        fields: FloatArray,
        ambient_K: FloatArray,
        pour_step: int,
        delayed: bool,
        curved: bool,
        temps: FloatArray,
        alphas: FloatArray,
    ) -> None:
        run(
            fields.shape[1],
            len(ambient_K),
            pour_step,
            delayed,
            curved,
            _CORE_FRACTION,
            *(a.ctypes.data for a in (propagator, fields, ambient_K, temps, alphas)),
        )

    return march


def cup_mean(field: FloatArray) -> FloatArray:
    """Mass mean over the cup of an array (N, 3, L), shape (N, L)."""
    return _CORE_FRACTION * field[:, CORE] + (1.0 - _CORE_FRACTION) * field[:, SHELL]


def crossing_s(conversion: FloatArray, level: Lane, dt_s: float) -> FloatArray:
    """First time each column of (N, L) reaches `level`; inf where it never does; shape (L,)."""
    past = conversion >= level
    first = np.argmax(past, axis=0)
    reached = past[first, np.arange(conversion.shape[1])]
    column = np.arange(conversion.shape[1])
    low = conversion[np.maximum(first - 1, 0), column]
    high = conversion[first, column]
    part = np.where(high > low, (level - low) / np.where(high > low, high - low, 1.0), 0.0)
    return np.where(reached, (first - 1 + part) * dt_s, np.inf)


# Starting values where a sheet says nothing: the usual ranges of urethane and epoxy casting (E 40
# to 65 kJ/mol; gel between the Flory-Stockmayer values of f = 3 and f = 4 with g = 2, .71 to .58).
_TYPICAL = Kinetics(
    rate_1_s=1e-3,
    start=0.03,
    order=1.8,
    activation_J_mol=50e3,
    ref_K=ZERO_DEGC_K + 23.0,
    rise_K=110.0,
    alpha_gel=gel_conversion(3.45, 2.0),
)
SNAP_INDUCTION = 0.8  # of the pot life
# A coat gels at about 1.5 to 1.7 times the cup: common practice, no source. It fixes how much of
# the rate waits for the reaction's own products, which a sheet does not tell. A delayed-action
# resin follows its catalyst's clock more than its heat, so its coat follows closer: the rate law
# above says 1.06 to 1.33 for an induction of 0.7 to 0.8 pot lives, pot lives of 7 to 33 min and a
# rise of 40 to 120 K. With 1.28 coats were foretold 5 % late (cupsim, 120 batches).
COAT_OVER_CUP = 1.6
SNAP_COAT_OVER_CUP = 1.2
_REFERENCE_COAT = Surroundings(
    mixed_kg=0.1,
    start_K=ZERO_DEGC_K + 23.0,
    mould_K=ZERO_DEGC_K + 23.0,
    pour_s=0.0,
    coat_m=1.3e-3,
    wall_m=12e-3,
    material=WALL_MATERIALS["silicone rubber"],
)
_SHEET_WINDOW, _SHEET_STEPS = 4.0, 400  # pot lives
_RATIO_OFF = 0.08  # of the log of that ratio: 1.5 to 1.7 and as much again
_CATALYST_ALONE = 10.0  # start, over what the product adds: the law is of second order within 4 %


def coat_over_cup(sheet: Sheet) -> float:
    """Ratio of a coat's gel time to its cup's that the trade expects."""
    return SNAP_COAT_OVER_CUP if sheet.snap else COAT_OVER_CUP


def sheet_figures(
    kin: Kinetics,
    sheet: Sheet,
    around: Surroundings = _REFERENCE_COAT,
    lanes: int = 1,
    pour_s: float | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gel (s) and peak (K) of the cup a sheet speaks of, and gel (s) of a coat of it poured early
    in the same room; each of shape (L,). A gel past four pot lives reads as four pot lives.

    `around` gives the coat, the wall and the heat losses; pour_s: None is 0.15 pot lives.
    """
    temp_K = sheet.pot_life_temp_K
    window_s = _SHEET_WINDOW * sheet.pot_life_s
    dt_s = window_s / _SHEET_STEPS
    case = replace(
        around,
        mixed_kg=sheet.pot_life_mass_kg,
        start_K=temp_K,
        mould_K=temp_K,
        pour_s=0.15 * sheet.pot_life_s if pour_s is None else pour_s,
    )
    temps, conversions = integrate(kin, case, np.full(_SHEET_STEPS, temp_K), dt_s, lanes)
    cup_s = np.minimum(crossing_s(cup_mean(conversions), kin.alpha_gel, dt_s), window_s)
    coat_s = np.minimum(crossing_s(conversions[:, COAT], kin.alpha_gel, dt_s), window_s)
    return cup_s, temps[:, CORE].max(axis=0), coat_s


def kinetics_from_sheet(
    sheet: Sheet, *, ratio_sd: float = _RATIO_OFF, second_order: bool = False
) -> Kinetics:
    """Kinetics whose cup of the stated mass at the stated temperature gels at the pot life, and
    peaks at the stated peak where the sheet has one.

    ratio_sd: how far, in the log, the coat's common-practice ratio may be off. second_order: a
    resin that its catalyst alone drives, d(alpha)/dt = k (1 - alpha)^2.

    Least squares on the logs of rate, rise and start; the pot life weighs as exact, the peak as
    good to 2 %, the coat's common-practice ratio and the usual rise and start as loose. Raises
    NotConverged, or OutsideValidity for a peak that no casting resin's heat explains.
    """
    base = replace(
        _TYPICAL,
        ref_K=sheet.pot_life_temp_K,
        density_kg_m3=sheet.density_kg_m3,
        viscosity_Pa_s=sheet.viscosity_Pa_s,
        induction_s=SNAP_INDUCTION * sheet.pot_life_s if sheet.snap else 0.0,
    )
    if second_order:
        base = replace(base, start=_CATALYST_ALONE, order=2.0)
    temp_K = sheet.pot_life_temp_K
    step = 0.02
    nudges = np.vstack([np.zeros(3), step * np.eye(3)])

    def misfit(logs: FloatArray) -> FloatArray:
        """Misfit of each row (rate, rise, start), scaled by how far each figure may be off."""
        rate, rise, start = np.exp(logs).T
        kin = replace(base, rate_1_s=rate, rise_K=base.rise_K * rise, start=base.start * start)
        cup_s, peak_K, coat_s = sheet_figures(kin, sheet, lanes=len(logs))
        rows = [
            np.log(cup_s / sheet.pot_life_s) / 3e-3,
            np.log(coat_s / cup_s / coat_over_cup(sheet)) / ratio_sd,
            np.log(rise) / 0.4,
            np.log(start),
        ]
        if sheet.peak_K is not None:
            rows.append(np.log((peak_K - temp_K) / (sheet.peak_K - temp_K)) / 0.02)
        return np.array(rows)

    def misfit_of_one(x: FloatArray) -> FloatArray:
        return misfit(x[None])[:, 0]

    def slopes(x: FloatArray) -> FloatArray:
        values = misfit(x + nudges)
        return (values[:, 1:] - values[:, :1]) / step

    # Rate as if two thirds of the cure came from self-heating: only where the search begins.
    pots = 2.0 / _CATALYST_ALONE if second_order else 8.0 if sheet.snap else 3.0
    first = np.array([math.log(pots / sheet.pot_life_s), 0.0, 0.0])
    from scipy import optimize  # 40 MB, which the process that keeps a frame turning does without

    found = optimize.least_squares(misfit_of_one, first, jac=slopes, xtol=1e-3)
    rate, rise, start = (float(v) for v in np.exp(found.x))
    # The pot life must come out whatever else had to give: read the rate off a fine ladder.
    ladder = rate * np.exp(np.linspace(-1.5, 1.5, 121))
    kin = replace(base, rate_1_s=ladder, rise_K=base.rise_K * rise, start=base.start * start)
    cup_s = sheet_figures(kin, sheet, lanes=len(ladder))[0]
    if not cup_s[-1] < sheet.pot_life_s < cup_s[0]:
        raise NotConverged("kinetics from the sheet", float(found.fun[0]) * 1e-3, found.nfev)
    rate = float(np.interp(sheet.pot_life_s, cup_s[::-1], ladder[::-1]))
    _within("adiabatic rise behind the peak exotherm", base.rise_K * rise, 5.0, 400.0, "K")
    age = DEMOULD_AGE if sheet.demould_s is None else sheet.demould_s / sheet.pot_life_s
    return replace(
        base,
        rate_1_s=rate,
        rise_K=base.rise_K * rise,
        start=base.start * start,
        demould_age=age,
    )


def cup_history(
    kin: Kinetics, mass_kg: float, ambient_K: float, start_K: float, duration_s: float
) -> CureHistory:
    """The cup: temperature of its core, mean conversion, viscosity at both."""
    _within("mass_kg", mass_kg, 0.005, 5.0, "kg")
    _within_room("ambient_K", ambient_K)
    _within_room("start_K", start_K)
    _within("duration_s", duration_s, 1.0, 30 * 86400.0, "s")
    around = Surroundings(
        mass_kg, start_K, ambient_K, 0.0, 1.3e-3, 12e-3, WALL_MATERIALS["silicone rubber"]
    )
    temps, conversions = integrate(kin, around, np.full(_STEPS, ambient_K), duration_s / _STEPS)
    return _history(kin, duration_s, temps[:, CORE, 0], cup_mean(conversions)[:, 0])


def coat_history(
    kin: Kinetics,
    coat_m: float,
    wall_m: float,
    material: str,
    ambient_K: float,
    mould_K: float,
    pour_s: float,
    mixed_kg: float,
    *,
    start_K: float | None = None,
    duration_s: float,
) -> CureHistory:
    """The coat: in the cup with `mixed_kg` until `pour_s`, then on the wall.

    start_K: of the mixed resin; the room's where not given.
    """
    start_K = ambient_K if start_K is None else start_K
    _within("coat_m", coat_m, 0.1e-3, 20e-3, "m")
    _within("wall_m", wall_m, 1e-3, 100e-3, "m")
    _within("mixed_kg", mixed_kg, 0.005, 5.0, "kg")
    _within("pour_s", pour_s, 0.0, duration_s, "s")
    _within("duration_s", duration_s, 1.0, 30 * 86400.0, "s")
    for field, temp_K in (("ambient_K", ambient_K), ("mould_K", mould_K), ("start_K", start_K)):
        _within_room(field, temp_K)
    around = Surroundings(
        mixed_kg, start_K, mould_K, pour_s, coat_m, wall_m, wall_material(material)
    )
    temps, conversions = integrate(kin, around, np.full(_STEPS, ambient_K), duration_s / _STEPS)
    return _history(kin, duration_s, temps[:, COAT, 0], conversions[:, COAT, 0])


def _history(
    kin: Kinetics, duration_s: float, temp_K: FloatArray, conversion: FloatArray
) -> CureHistory:
    time_s = np.linspace(0.0, duration_s, len(temp_K))
    viscosity = viscosity_Pa_s(kin, temp_K, conversion)
    return CureHistory(time_s, temp_K, conversion, viscosity, float(kin.alpha_gel))


def gel_time_s(history: CureHistory) -> float:
    """When the conversion reaches that of gel; inf if not within the history."""
    return _reaches_s(history, history.alpha_gel)


def _reaches_s(history: CureHistory, alpha: float) -> float:
    dt_s = float(history.time_s[1] - history.time_s[0])
    return float(crossing_s(history.conversion[:, None], alpha, dt_s)[0])


def aged_s(kin: Kinetics, history: CureHistory, age: float) -> float:
    """When the equivalent age is `age` times that at gel; inf if not within the history."""
    ages = equivalent_age_s(history.time_s, history.temp_K, kin.activation_J_mol, kin.ref_K)
    gel_s = gel_time_s(history)
    if math.isinf(gel_s):
        return math.inf
    wanted = age * float(np.interp(gel_s, history.time_s, ages))
    return float(np.interp(wanted, ages, history.time_s, right=math.inf))


def next_pour_window_s(kin: Kinetics, history: CureHistory) -> tuple[float, float]:
    """From when a coat bears the next one, until when the next still bonds to it (inf: later than
    the history ends). Common practice, no source, see NEXT_POUR_FROM_AGE; never past demoulding.
    """
    from_age = min(NEXT_POUR_FROM_AGE, 0.7 * kin.demould_age)
    until_age = min(NEXT_POUR_UNTIL_AGE, kin.demould_age)
    return aged_s(kin, history, from_age), aged_s(kin, history, until_age)


def demould_s(kin: Kinetics, history: CureHistory) -> float:
    """When a coat may leave the mould; inf if not within the history.

    A sheet's demould time speaks of a casting in bulk; a thin coat takes longer by the ratio of
    its gel to the pot life (common practice, no source).
    """
    return aged_s(kin, history, kin.demould_age)
