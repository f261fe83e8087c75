"""Cure and heat step by step: the heat network of cup and coat, and the march of a batch."""

from __future__ import annotations

import ctypes
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np

from evenwall.numerics import native
from evenwall.numerics.cure_law import (
    CAVITY_LOSS_W_M2K,
    RESIN_CONDUCTIVITY_W_MK,
    RESIN_HEAT_J_KGK,
    FloatArray,
    Kinetics,
    Lane,
    Surroundings,
)
from evenwall.units import R_J_MOLK

_SOURCE = Path(__file__).with_name("cure_kernel.c")
CORE, SHELL, COAT = 0, 1, 2  # resin nodes
_WALL_LAYERS = 4
_NODES = 3 + _WALL_LAYERS
_CORE_FRACTION = 0.4  # share of the cup's resin in its core
_SQUAT = 1.2  # height over radius of the resin in a cup
# A lane has no induction if the induction would age by more than the first figure in one step. A
# lane does not react if its conversion would rise by less than the second in one step. The kernel
# has the same figures.
_NO_DELAY, _NO_REACTION = 100.0, 1e-9


def _network(kin: Kinetics, around: Surroundings, lanes: int) -> tuple[FloatArray, FloatArray]:
    """Return the nodes' heat capacities (nodes, L) in J/K, and their conductances to each other and
    to the room (nodes, nodes + 1, L) in W/K, for a whole cup and one square metre of coat and wall.
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
    # Distances between the middles of nested similar bodies, each cut at half its volume.
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
    """Exact one-step map of the linear network, shape (nodes, nodes + 3 + 1, L). It maps the node
    temperatures, the rises of the resin nodes (spread over the step) and the room's temperature.
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
    """Integrate the temperatures and conversions of the cup's core, its shell and the coat.

    ambient_K: shape (N,), the room's temperature over each of N steps of `dt_s`. Returns two arrays
    of shape (N + 1, 3, L). The rate per unreacted part is stepped by two-step Adams-Bashforth,
    applied so that the conversion can never pass 1; heat conduction is exact; the whole is of
    second order in dt_s. Until the pour the coat has the cup's mean temperature and conversion.
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
    """March every lane through every step: fill `temps` (from its first row on) and `alphas`, both
    (N + 1, 3, L). This is the reference for the compiled kernel, and replaces it if there is no
    compiler.
    """
    rate_dt, start, order_less_1, scaled_E, at_ref, rise_K, q_step, sharpness = fields[:8]
    mould_K, own_order = fields[8:]
    rate_dt = np.where(rate_dt * (start + 1.0) > _NO_REACTION, rate_dt, 0.0)
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
            pace *= np.where(q_step < _NO_DELAY, gate / (1.0 + gate), 1.0)
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
    """Return `_march` compiled, or None where there is no compiler."""
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
    """Return the mass mean over the cup, shape (N, L), of an array (N, 3, L)."""
    return _CORE_FRACTION * field[:, CORE] + (1.0 - _CORE_FRACTION) * field[:, SHELL]


def crossing_s(conversion: FloatArray, level: Lane, dt_s: float) -> FloatArray:
    """Return the first time at which each column of (N, L) reaches `level`, shape (L,); inf where
    it never does."""
    past = conversion >= level
    first = np.argmax(past, axis=0)
    reached = past[first, np.arange(conversion.shape[1])]
    column = np.arange(conversion.shape[1])
    low = conversion[np.maximum(first - 1, 0), column]
    high = conversion[first, column]
    part = np.where(high > low, (level - low) / np.where(high > low, high - low, 1.0), 0.0)
    return np.where(reached, (first - 1 + part) * dt_s, np.inf)
