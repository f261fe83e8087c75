"""Plain reference: one coat in double precision, against which the batched kernel is checked.

numba compiles it at its first use and keeps the result, so it needs no C compiler. Nothing else
imports numba, and this module is imported only to run the reference.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from numba import njit

from evenwall.errors import NotConverged
from evenwall.numerics.film.inputs import Coat, FilmResult, Fluid, Numerics
from evenwall.numerics.film.mesh import FilmMesh, levelling_bounds
from evenwall.numerics.film.stages import METHODS, PLAIN, Method
from evenwall.numerics.film.start import mean_film, start_film

Floats = npt.NDArray[np.float64]

STEP_SCALE = 16.0  # steps are taken from a coarse scale, so that rounding does not change them

compiled = njit(cache=True, error_model="numpy", fastmath={"contract", "nsz"})


@compiled
def cell_terms(  # type: ignore[no-untyped-def]
    h, points, normals, curvature, start, neighbour, lap, g, spin, capillary2, out
):
    """Write into out (n, 4): film, potential of gravity and spin, half g.n, capillary potential."""
    g0, g1, g2 = g
    xx, yy, zz, xy, xz, yz = spin
    for i in range(len(h)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        own, bend = h[i], curvature[i]
        for k in range(start[i], start[i + 1]):
            bend += lap[k] * (h[neighbour[k]] - own)
        out[i, 0] = own
        out[i, 1] = (
            (g0 + xx * x + xy * y) * x + (g1 + yy * y + yz * z) * y + (g2 + zz * z + xz * x) * z
        )
        out[i, 2] = 0.5 * (normals[i, 0] * g0 + normals[i, 1] * g1 + normals[i, 2] * g2)
        out[i, 3] = capillary2 * bend


@compiled
def edge_flows(  # type: ignore[no-untyped-def]
    h,
    cell,
    edges,
    weight,
    length,
    behind,
    behind_weight,
    share,
    area,
    fluidity,
    cap,
    per_step,
    inflow,
    wanted,
):
    """Write the net flow into every cell to inflow (n,), m3/s. Return the fastest outflow over an
    edge, 1/s, or 0 if it is not requested."""
    inflow[:] = 0.0
    fast = 0.0
    b, w = behind, behind_weight
    for e in range(len(edges)):
        i, j = edges[e, 0], edges[e, 1]
        hi, hj = cell[i, 0], cell[j, 0]
        rise = hj - hi
        # The pull of a hanging film does not grow once it is thicker than the cap.
        hang = cell[i, 2] + cell[j, 2]
        lean = min(hj, cap) - min(hi, cap) if hang > 0.0 else rise
        slide = cell[j, 1] - cell[i, 1]
        # The slope and curvature of a film drive it no harder than its full weight.
        level = hang * lean + (cell[j, 3] - cell[i, 3])
        level = min(max(level, -length[e]), length[e])
        drive = weight[e] * (slide + level)
        # Both sides are computed, because a branch on the flow's direction would cost more.
        back_i = w[e, 0] * (hi - h[b[e, 0]]) + w[e, 1] * (hi - h[b[e, 1]])
        back_j = w[e, 2] * (hj - h[b[e, 2]]) + w[e, 3] * (hj - h[b[e, 3]])
        forth = drive > 0.0
        up = hi if forth else hj
        back = back_i if forth else back_j
        ahead = rise if forth else -rise
        # Koren's limiter (1993), halved: third order where smooth, no new extremum elsewhere.
        a, c = abs(back), abs(ahead)
        slope = min(min(a, c), (a + 2.0 * c) * (1.0 / 6.0))
        slope = slope if ahead > 0.0 else -slope
        face = up + (slope if back * ahead > 0.0 else 0.0)
        face = max(face, 0.0)  # within a step a film may run below zero
        # The flow moves no more of a pool than its capped depth. No edge may take more than its
        # share of a cell's volume, so that no cell falls below zero.
        moved = min(face, cap)
        unit = fluidity * moved * moved
        flux = unit * weight[e] * (face * slide + moved * level)
        flux = min(flux, max(hi, 0.0) * share[i] * per_step)
        flux = max(flux, min(-hj, 0.0) * share[j] * per_step)
        inflow[i] -= flux
        inflow[j] += flux
        if wanted:  # d(h min(h, cap)^2)/dh over min(h, cap)^2
            speed = unit * abs(drive) * (3.0 if face < cap else 1.0)
            fast = max(fast, speed / area[i if forth else j])
    return fast


@compiled
def fastest_levelling(  # type: ignore[no-untyped-def]
    h, normals, g, levelling, levelling2, cap, capillary2
):
    """Fastest levelling rate per unit of fluidity, m."""
    fast = 0.0
    for i in range(len(h)):
        moved = min(h[i], cap)
        hang = abs(normals[i, 0] * g[0] + normals[i, 1] * g[1] + normals[i, 2] * g[2])
        fast = max(fast, moved**3 * (hang * levelling[i] + capillary2 * levelling2[i]))
    return fast


@compiled
def mended(h, area, start, neighbour):  # type: ignore[no-untyped-def]
    """Fill the cells that a step has left below zero from their neighbours, in place. Neighbours
    that hold too little go below zero in turn. Return whether no cell is below zero any more."""
    nothing = 1e-17 * np.dot(h, area)  # far below the rounding of a step
    for _ in range(len(h)):
        again = False
        for i in range(len(h)):
            lacks = -h[i] * area[i]
            if not lacks > 0.0:
                continue
            if lacks < nothing:
                h[i] = 0.0
                continue
            held = 0.0
            for k in range(start[i], start[i + 1]):
                held += max(h[neighbour[k]], 0.0) * area[neighbour[k]]
            share = lacks / held if lacks < held else 1.0
            owed = 0.0 if lacks < held else (lacks - held) / (start[i + 1] - start[i])
            for k in range(start[i], start[i + 1]):
                j = neighbour[k]
                h[j] -= share * max(h[j], 0.0) + owed / area[j]
            h[i] = 0.0
            again = True
        if not again:
            return True
    return False


class Flow:
    """The semi-discrete film of one coat: the net flow into every cell."""

    def __init__(self, mesh: FilmMesh, *, rim_open: bool, cap_m: float, capillary2: float) -> None:
        self.mesh, self.rim_open, self.cap_m, self.capillary2 = mesh, rim_open, cap_m, capillary2
        i, j = mesh.edges.T
        e, n = len(i), mesh.cells
        self.length = np.linalg.norm(mesh.points[j] - mesh.points[i], axis=1)
        self.behind_weight = np.column_stack([mesh.upwind_weight[:e], mesh.upwind_weight[e:]])
        own, other = np.concatenate([i, j]), np.concatenate([j, i])
        order = np.argsort(own, kind="stable")
        # Unsigned: a signed index may count from the end, and checking it takes a tenth of the
        # time.
        self.edges = mesh.edges.astype(np.uint32)
        self.behind = np.column_stack([mesh.upwind[:e], mesh.upwind[e:]]).astype(np.uint32)
        self.start = np.concatenate([[0], np.cumsum(mesh.degree)]).astype(np.uint32)
        self.neighbour = other[order].astype(np.uint32)
        self.lap = (np.tile(mesh.weight, 2) / mesh.area[own])[order]
        self.share = mesh.area / (mesh.degree + mesh.rim)
        self.levelling, self.levelling2 = levelling_bounds(mesh)
        self.cell, self.inflow = np.empty((n, 4)), np.empty(n)

    def change(
        self, h: Floats, g: Floats, spin: Floats, fluidity: float, per_step: float, rate: bool
    ) -> tuple[Floats, float, float]:
        """Return dh/dt (n,), m/s, the flow over an open rim, m3/s, and, if `rate` is true, the
        fastest outflow over an edge, 1/s. per_step: largest share of a cell that may leave it,
        1/s."""
        mesh = self.mesh
        cell_terms(
            *(h, mesh.points, mesh.normals, mesh.curvature),
            *(self.start, self.neighbour, self.lap, g, spin, self.capillary2, self.cell),
        )
        fastest = edge_flows(
            *(h, self.cell, self.edges, mesh.weight, self.length, self.behind),
            *(self.behind_weight, self.share, mesh.area, fluidity, self.cap_m, per_step),
            *(self.inflow, rate),
        )
        if not self.rim_open:
            return self.inflow / mesh.area, 0.0, fastest
        drive = np.maximum(mesh.rim_out @ g, 0.0)
        unit = fluidity * np.minimum(h, self.cap_m) ** 2 * drive
        over = np.maximum(h, 0.0) * np.minimum(unit, self.share * per_step)
        return (self.inflow - over) / mesh.area, float(over.sum()), fastest

    def level_rate(self, h: Floats, g: Floats) -> float:
        """Fastest levelling rate per unit of fluidity, m."""
        bounds = (self.levelling, self.levelling2, self.cap_m, self.capillary2)
        return float(fastest_levelling(h, self.mesh.normals, g, *bounds))


def _fluidity(fluid: Fluid, t: float) -> float:
    time, value = fluid.times_s, fluid.fluidity
    if t > time[-1]:
        return 0.0
    k = min(max(int(np.searchsorted(time, t, side="right")) - 1, 0), len(time) - 2)
    s = max((t - time[k]) / (time[k + 1] - time[k]), 0.0)
    return float(value[k] * (value[k + 1] / value[k]) ** s)


def _left(fluid: Fluid, t: float) -> float:
    """Return the integral of the fluidity from t to the end of the table, 1/m."""
    f0 = _fluidity(fluid, t)
    if f0 == 0.0:
        return 0.0
    time = fluid.times_s
    k = min(int(np.searchsorted(time, t, side="right")), len(time) - 1)
    f1 = float(fluid.fluidity[k])
    step = np.log(f1 / f0)
    mean = f0 if abs(step) < 1e-9 else (f1 - f0) / step
    return float(mean * (time[k] - t) + fluid.remaining[k])


def coarse(per_s: float) -> float:
    """Return a rate, 1/s, rounded up to a coarse scale."""
    part, octave = np.frexp(per_s)
    return float(np.ldexp(np.ceil(part * STEP_SCALE) / STEP_SCALE, octave))


def plain_step(longest_s: float, flow: float, level: float) -> float:
    """Return the step of SSPRK(4,2) at these rates, 1/s."""
    rate = np.hypot(flow, level / PLAIN.level)
    if rate * longest_s <= 1.0:
        return longest_s
    part, octave = np.frexp(1.0 / rate)
    return float(np.ldexp(np.floor(part * STEP_SCALE) / STEP_SCALE, octave))


def best_step(longest_s: float, end_s: float, flow: float, level: float) -> tuple[float, Method]:
    """Return the step that is longest per stage, up to end_s, and its method."""
    rates = coarse(flow), coarse(level)

    def step_s(method: Method) -> float:
        return method.step_s(min(method.turn * longest_s, end_s), *rates)

    found = max(METHODS, key=lambda method: step_s(method) / method.stages)
    return step_s(found), found


Change = tuple[Floats, float, float]
# Arguments: time since the step's start, film, limit on the share that leaves a cell, 1/s
Changes = Callable[[float, Floats, float], Change]


def run(mesh: FilmMesh, coat: Coat, *, rim_open: bool, numerics: Numerics) -> FilmResult:
    """Compute one coat from its start until nothing can flow, by SSPRK(4,2) (Spiteri and Ruuth
    2002) or by the methods of `stages`."""
    fluid, spin = coat.fluid, coat.spin
    h = start_film(mesh, coat).copy()
    before = float(mesh.area @ h)
    flow = Flow(
        mesh,
        rim_open=rim_open,
        cap_m=numerics.cap_ratio * mean_film(mesh, h),
        capillary2=fluid.capillary_length2_m2,
    )
    t = max(spin.start_s, float(fluid.times_s[0]))
    end = float(fluid.times_s[-1])
    spilt, steps = 0.0, 0
    _, _, rate = flow.change(h, *spin.pull(t), _fluidity(fluid, t), 1.0, True)
    while True:
        error = float((mesh.area @ h + spilt - before) / before)
        paid = not numerics.stabilised or mended(h, mesh.area, flow.start, flow.neighbour)
        if not np.isfinite(error) or not paid:
            raise NotConverged("film flow (not finite)", error, steps)
        deep = min(float(h.max()), flow.cap_m)
        if t >= end or 3.0 * deep * deep * _left(fluid, t) < numerics.path_tol_m:
            return FilmResult(h, float(spilt), error, float(t), steps)
        if steps >= numerics.max_steps:
            raise NotConverged("film flow (too many steps)", error, steps)

        def change(at: float, film: Floats, per_step: float, now: float = t) -> Change:
            fluidity = _fluidity(fluid, now + at)
            return flow.change(film, *spin.pull(now + at), fluidity, per_step, at == 0.0)

        knot = max(int(np.searchsorted(spin.knots[:, 0], t, side="right")) - 1, 0)
        speed = float(np.abs(spin.knots[knot : knot + 2, [2, 4]]).max())
        longest_s = 2.0 * np.pi / (speed * numerics.turn_steps) if speed > 0.0 else 1.0
        level = _fluidity(fluid, t) * flow.level_rate(h, spin.pull(t)[0])
        flows = 2.0 * rate / (3.0 * numerics.cfl)
        if numerics.stabilised:
            dt, method = best_step(longest_s, end - t, flows, level)
            h, spilt, rate = stabilised(method, dt, h, spilt, change)
        else:
            dt = min(plain_step(longest_s, flows, level), end - t)
            h, spilt, rate = plain(dt, h, spilt, change)
        t += dt
        steps += 1


def plain(dt: float, start: Floats, start_spilt: float, change: Changes) -> Change:
    """Take one step. Return the film (n,), the spilt volume, and the fastest outflow at its
    start."""
    h, spilt, rate = start, start_spilt, 0.0
    for stage in range(4):
        now, lost, fastest = change(stage * dt / 3.0, h, 3.0 / dt)
        rate = fastest if stage == 0 else rate
        h, spilt = h + dt / 3.0 * now, spilt + dt / 3.0 * lost
    return 0.25 * start + 0.75 * h, 0.25 * start_spilt + 0.75 * spilt, rate


def stabilised(
    method: Method, dt: float, start: Floats, start_spilt: float, change: Changes
) -> Change:
    """Take one step, like `plain`, but with the stages of the method."""
    per_step = method.per_step / dt
    h, spilt = (start, start), (start_spilt, start_spilt)  # a stage ago, and now
    f0, lost0, rate = now, lost, _ = change(0.0, start, per_step)
    for j in range(1, method.stages + 1):
        if j > 1:
            now, lost, _ = change(method.at[j - 1] * dt, h[1], per_step)
        mu, nu, step, first = method.mu[j], method.nu[j], dt * method.step[j], dt * method.first[j]
        whole = 1.0 - mu - nu
        film = whole * start + mu * h[1] + nu * h[0] + step * now + first * f0
        over = whole * start_spilt + mu * spilt[1] + nu * spilt[0] + step * lost + first * lost0
        h, spilt = (h[1], film), (spilt[1], over)
    return h[1], spilt[1], rate
