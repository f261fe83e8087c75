"""The plain reference: one coat, double precision, the referee of the batched kernel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import sparse

from controller.errors import NotConverged
from controller.film.inputs import Coat, FilmResult, Fluid, Numerics
from controller.film.mesh import FilmMesh
from controller.film.start import mean_film, start_film

Floats = npt.NDArray[np.float64]

REAL_AXIS = 5.4  # SSPRK(4,2) keeps |R| <= 1 down to -6 on the real axis; a tenth is kept in hand
LEVELLING_BOUND = 0.8  # of Gershgorin's 2 sum|w|/A; the true maximum is 0.75 of it on an
# equilateral mesh


STEP_SCALE = 16.0  # steps come from a coarse scale, so that rounding does not change them


class Flow:
    """The semi-discrete film: fluxes over edges and their divergence."""

    def __init__(self, mesh: FilmMesh, *, rim_open: bool, cap_m: float, capillary2: float) -> None:
        self.mesh, self.rim_open, self.cap_m, self.capillary2 = mesh, rim_open, cap_m, capillary2
        i, j = mesh.edges.T
        e, n = len(i), mesh.cells
        self.i, self.j = i.astype(np.intp), j.astype(np.intp)
        self.along = mesh.points[j] - mesh.points[i]
        self.length = np.linalg.norm(self.along, axis=1)
        self.normal = 0.5 * (mesh.normals[i] + mesh.normals[j])
        rows = np.arange(e)
        self.rise = sparse.csr_array(
            (
                np.concatenate([np.ones(e), -np.ones(e)]),
                (np.tile(rows, 2), np.concatenate([j, i])),
            ),
            shape=(e, n),
        )
        self.inflow = sparse.csr_array(sparse.diags_array(1.0 / mesh.area) @ self.rise.T)
        own = np.concatenate([i, j])
        double = np.arange(2 * e)
        self.back = sparse.csr_array(
            (
                np.concatenate([mesh.upwind_weight.sum(axis=1), *(-mesh.upwind_weight.T)]),
                (np.tile(double, 3), np.concatenate([own, *mesh.upwind.T])),
            ),
            shape=(2 * e, n),
        )
        self.share = mesh.area / (mesh.degree + mesh.rim)
        self.rate_of = 1.0 / np.minimum(mesh.area[i], mesh.area[j])
        x, y, z = mesh.points.T
        self.squares = np.column_stack([x * x, y * y, z * z, x * y, x * z, y * z])
        spread = np.bincount(own, np.abs(np.tile(mesh.weight, 2)), minlength=n) / mesh.area
        self.levelling = 2.0 * LEVELLING_BOUND * spread

    def flux(
        self, h: Floats, g: Floats, centrifugal: Floats, fluidity: float, step_s: float
    ) -> tuple[Floats, float]:
        """Volume per second over every edge, (e,), and the fastest rate, 1/s."""
        mesh = self.mesh
        rise = self.rise @ h
        # A film that hangs pulls no harder once it is thicker than the cap.
        hang = self.normal @ g
        lean = np.where(hang > 0.0, self.rise @ np.minimum(h, self.cap_m), rise)
        slide = self.along @ g
        slide += self.rise @ (self.squares @ centrifugal)
        # Slope and curvature of a film drive no harder than its full weight.
        bend = self.capillary2 * (mesh.laplacian @ h + mesh.curvature)
        level = np.clip(hang * lean + self.rise @ bend, -self.length, self.length)
        drive = mesh.weight * (slide + level)

        back = self.back @ h
        forth = drive > 0.0
        up = np.where(forth, h[self.i], h[self.j])
        behind = np.where(forth, back[: len(rise)], back[len(rise) :])
        ahead = np.where(forth, rise, -rise)
        # Koren's limiter (1993), halved: third order where smooth, no new extremum elsewhere.
        a, c = np.abs(behind), np.abs(ahead)
        slope = np.minimum(np.minimum(a, c), (a + 2.0 * c) / 6.0)
        face = up + np.where(behind * ahead > 0.0, np.copysign(slope, ahead), 0.0)
        moved = np.minimum(face, self.cap_m)
        unit = fluidity * moved * moved
        wave = np.where(face < self.cap_m, 3.0, 1.0)  # d(h min(h, cap)^2)/dh over min(h, cap)^2
        rate = float((unit * np.abs(drive) * wave * self.rate_of).max())
        # They move no more of a pool than its capped depth. No edge may take more than its share
        # of a cell, so that none runs below zero.
        share = h * self.share / step_s
        flux = unit * mesh.weight * (face * slide + moved * level)
        return np.clip(flux, -share[self.j], share[self.i]), rate

    def over_rim(self, h: Floats, g: Floats, fluidity: float, step_s: float) -> Floats:
        """Volume per second that runs over an open rim, (n,)."""
        drive = np.maximum(self.mesh.rim_out @ g, 0.0)
        unit = fluidity * np.minimum(h, self.cap_m) ** 2 * drive
        return np.asarray(h * np.minimum(unit, self.share / step_s))

    def level_rate(self, h: Floats, g: Floats) -> float:
        """Fastest levelling rate per unit of fluidity."""
        moved = np.minimum(h, self.cap_m)
        slack = np.abs(self.mesh.normals @ g) + self.capillary2 * self.levelling
        return float((moved**3 * self.levelling * slack).max())


def _fluidity(fluid: Fluid, t: float) -> float:
    time, value = fluid.times_s, fluid.fluidity
    if t > time[-1]:
        return 0.0
    k = min(max(int(np.searchsorted(time, t, side="right")) - 1, 0), len(time) - 2)
    s = max((t - time[k]) / (time[k + 1] - time[k]), 0.0)
    return float(value[k] * (value[k + 1] / value[k]) ** s)


def _left(fluid: Fluid, t: float) -> float:
    """Integral of the fluidity from t to the end of the table, 1/m."""
    f0 = _fluidity(fluid, t)
    if f0 == 0.0:
        return 0.0
    time = fluid.times_s
    k = min(int(np.searchsorted(time, t, side="right")), len(time) - 1)
    f1 = float(fluid.fluidity[k])
    step = np.log(f1 / f0)
    mean = f0 if abs(step) < 1e-9 else (f1 - f0) / step
    return float(mean * (time[k] - t) + fluid.remaining[k])


def run(mesh: FilmMesh, coat: Coat, *, rim_open: bool, numerics: Numerics) -> FilmResult:
    """One coat from its start until nothing can flow, by SSPRK(4,2) (Spiteri and Ruuth 2002)."""
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
    rate = flow.flux(h, *spin.pull(t), _fluidity(fluid, t), 1.0)[1]
    while True:
        thick = float(h.max())
        error = float((mesh.area @ h + spilt - before) / before)
        if not np.isfinite(error):
            raise NotConverged("film flow (not finite)", error, steps)
        deep = min(thick, flow.cap_m)
        if t >= end or 3.0 * deep * deep * _left(fluid, t) < numerics.path_tol_m:
            return FilmResult(h, float(spilt), error, float(t), steps)
        if steps >= numerics.max_steps:
            raise NotConverged("film flow (too many steps)", error, steps)
        knot = max(int(np.searchsorted(spin.knots[:, 0], t, side="right")) - 1, 0)
        speed = float(np.abs(spin.knots[knot : knot + 2, [2, 4]]).max())
        dt = 2.0 * np.pi / (speed * numerics.turn_steps) if speed > 0.0 else 1.0
        fastest = np.hypot(
            2.0 * rate / (3.0 * numerics.cfl),
            _fluidity(fluid, t) * flow.level_rate(h, spin.pull(t)[0]) / REAL_AXIS,
        )
        if fastest * dt > 1.0:
            part, octave = np.frexp(1.0 / fastest)
            dt = float(np.ldexp(np.floor(part * STEP_SCALE) / STEP_SCALE, octave))
        dt = min(dt, end - t)
        start, start_spilt = h, spilt
        for stage in range(4):
            at = t + stage * dt / 3.0
            g, centrifugal = spin.pull(at)
            fluidity = _fluidity(fluid, at)
            flux, fast = flow.flux(h, g, centrifugal, fluidity, dt / 3.0)
            if stage == 0:
                rate = fast
            change = flow.inflow @ flux
            lost = 0.0
            if rim_open:
                over = flow.over_rim(h, g, fluidity, dt / 3.0)
                change -= over / mesh.area
                lost = float(over.sum())
            h = h + dt / 3.0 * change
            spilt = spilt + dt / 3.0 * lost
        h = 0.25 * start + 0.75 * h
        spilt = 0.25 * start_spilt + 0.75 * spilt
        t += dt
        steps += 1
