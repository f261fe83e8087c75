"""Inputs of a coat: the resin's viscosity over time, and the turning of the mould."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from evenwall.errors import InputError
from evenwall.units import G_M_S2

Floats = npt.NDArray[np.float64]


def _table(name: str, values: npt.ArrayLike) -> Floats:
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise InputError(name, "not finite", "must be a list of numbers")
    return array


@dataclass(frozen=True)
class Fluid:
    """A resin with its viscosity as a table over time.

    density kg/m3; surface_tension N/m; times_s (k,) rising; viscosity_Pa_s (k,), interpolated
    exponentially between its entries. After the last entry the film has set and no longer moves.
    """

    density_kg_m3: float
    surface_tension_N_m: float
    times_s: Floats
    viscosity_Pa_s: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "times_s", _table("viscosity time_s", self.times_s))
        object.__setattr__(self, "viscosity_Pa_s", _table("viscosity Pa_s", self.viscosity_Pa_s))
        t, mu = self.times_s, self.viscosity_Pa_s
        if len(t) < 2 or len(t) != len(mu):
            raise InputError("viscosity", len(t), "needs at least two times, with one value each")
        if not (np.diff(t) > 0).all():
            back = int(np.argmin(np.diff(t))) + 1
            raise InputError("viscosity time_s", f"{t[back]:g}", f"must rise from {t[back - 1]:g}")
        if not (mu > 0).all():
            raise InputError("viscosity", float(mu.min()), "must be above 0", unit="Pa s")
        if not 0.0 < self.density_kg_m3 < np.inf:
            raise InputError("density", self.density_kg_m3, "must be above 0", unit="kg/m3")
        if not 0.0 <= self.surface_tension_N_m < np.inf:
            raise InputError("surface tension", self.surface_tension_N_m, "0 or more", unit="N/m")

    @cached_property
    def capillary_length2_m2(self) -> float:
        """sigma/(rho g)."""
        return self.surface_tension_N_m / (self.density_kg_m3 * G_M_S2)

    @cached_property
    def fluidity(self) -> Floats:
        """rho g/(3 mu) at the table's times, 1/(m s)."""
        return self.density_kg_m3 * G_M_S2 / (3.0 * self.viscosity_Pa_s)

    @cached_property
    def remaining(self) -> Floats:
        """Integral of rho g/(3 mu) from each time of the table to its end, 1/m."""
        f = self.fluidity
        step = np.log(f[1:] / f[:-1])
        flat = np.abs(step) < 1e-9
        mean = np.where(flat, f[:-1], (f[1:] - f[:-1]) / np.where(flat, 1.0, step))
        return np.concatenate([np.cumsum((mean * np.diff(self.times_s))[::-1])[::-1], [0.0]])


@dataclass(frozen=True)
class Spin:
    """Speeds of both axes as ramps, on the clock of the viscosity table.

    The speeds start at zero, at the start angles, at `start_s`. Each ramp changes both speeds
    linearly, over its duration, to its own speeds; after the last ramp they stay constant.
    duration_s, major_rad_s, minor_rad_s: (r,).
    """

    start_s: float
    start_major_rad: float
    start_minor_rad: float
    duration_s: Floats
    major_rad_s: Floats
    minor_rad_s: Floats

    def __post_init__(self) -> None:
        for name in ("duration_s", "major_rad_s", "minor_rad_s"):
            object.__setattr__(self, name, _table(f"ramp {name}", getattr(self, name)))
        if not len(self.duration_s) == len(self.major_rad_s) == len(self.minor_rad_s):
            raise InputError("ramps", len(self.duration_s), "durations and speeds must match")
        if (self.duration_s < 0).any():
            raise InputError("ramp duration", float(self.duration_s.min()), "0 or more", unit="s")
        for name in ("start_s", "start_major_rad", "start_minor_rad"):
            if not np.isfinite(getattr(self, name)):
                raise InputError(name, getattr(self, name), "must be a number")

    @staticmethod
    def steady(
        major_rad_s: float, minor_rad_s: float, *, start_s: float = 0.0, ramp_s: float = 0.0
    ) -> Spin:
        """Return a spin at constant speeds, reached in `ramp_s`, from zero angles."""
        return Spin(
            start_s, 0.0, 0.0, np.array([ramp_s]), np.array([major_rad_s]), np.array([minor_rad_s])
        )

    @cached_property
    def knots(self) -> Floats:
        """Table (r+1, 7): time, major angle and speed, minor angle and speed, and the accelerations
        from that time on."""
        t = self.start_s + np.concatenate([[0.0], np.cumsum(self.duration_s)])
        columns = [t]
        for angle, speeds in (
            (self.start_major_rad, self.major_rad_s),
            (self.start_minor_rad, self.minor_rad_s),
        ):
            speed = np.concatenate([[0.0], speeds])
            step = 0.5 * (speed[1:] + speed[:-1]) * self.duration_s
            columns += [angle + np.concatenate([[0.0], np.cumsum(step)]), speed]
        for k in (2, 4):
            rise = np.diff(columns[k])
            long = self.duration_s > 0
            columns.append(
                np.append(np.where(long, rise / np.where(long, self.duration_s, 1.0), 0.0), 0.0)
            )
        return np.ascontiguousarray(np.stack(columns, axis=1))

    @cached_property
    def travel_rad(self) -> float:
        """Angle that the faster axis travels, in both directions, up to the last ramp's end."""
        return float(np.abs(np.diff(self.knots[:, [1, 3]], axis=0)).max(axis=1, initial=0.0).sum())

    @property
    def end_s(self) -> float:
        return float(self.knots[-1, 0])

    def angles(self, time_s: float) -> tuple[float, float, float, float]:
        """Major angle, major speed, minor angle, minor speed at a time (rad, rad/s)."""
        t, phi, dphi, psi, dpsi, ddphi, ddpsi = self.knots[
            max(int(np.searchsorted(self.knots[:, 0], time_s, side="right")) - 1, 0)
        ].tolist()
        s = max(time_s - t, 0.0)
        return (
            phi + (dphi + 0.5 * ddphi * s) * s,
            dphi + ddphi * s,
            psi + (dpsi + 0.5 * ddpsi * s) * s,
            dpsi + ddpsi * s,
        )

    def pull(self, time_s: float) -> tuple[Floats, Floats]:
        """Return gravity's direction in the mould frame (3,), and the six coefficients (xx, yy, zz,
        xy, xz, yz) of the centrifugal potential |w x r|^2/(2 g), 1/m.

        R_world<-mould = Rx(phi) Rz(psi), so g_m = -(sin phi sin psi, sin phi cos psi, cos phi) and
        the spin in the mould frame is w = (phi' cos psi, -phi' sin psi, psi').
        """
        phi, dphi, psi, dpsi = self.angles(time_s)
        sin_psi, cos_psi, sin_phi = math.sin(psi), math.cos(psi), math.sin(phi)
        g = np.array([-sin_phi * sin_psi, -sin_phi * cos_psi, -math.cos(phi)])
        return g, centrifugal(dphi * cos_psi, -dphi * sin_psi, dpsi)


def centrifugal(wx: float, wy: float, wz: float) -> Floats:
    """Return (w^2 r^2 - (w.r)^2)/(2 g) as the six coefficients of a quadratic form."""
    xx, yy, zz = wx * wx, wy * wy, wz * wz
    halves = np.array([yy + zz, xx + zz, xx + yy, -2 * wx * wy, -2 * wx * wz, -2 * wy * wz])
    return halves / (2.0 * G_M_S2)


@dataclass(frozen=True)
class Coat:
    """One pour: the fluid, the spin, and either the volume poured or the film at the start.

    volume_m3: a pool that is level in the parked mould at the start of the spin. start_m (n,):
    the film itself, volume per wall area.
    """

    fluid: Fluid
    spin: Spin
    volume_m3: float = 0.0
    start_m: Floats | None = None


@dataclass(frozen=True)
class Numerics:
    """Time step control, and the limit of lubrication theory.

    turn_steps: steps per turn of the faster axis. cfl: of one forward-Euler stage. cap_ratio: the
    mobility is h min(h, cap)^2 with cap = cap_ratio times the mean film, because a pool is too deep
    for lubrication theory. A cap of twice the mean restrains a pool that begins to turn late or
    gels early; from four times the mean on, a wall changes by no more than its error bar.
    path_tol_m: the run ends once rho g h^2/mu, integrated over the rest of the table, falls below
    it, h the thickest film up to the cap. stabilised: Runge-Kutta-Chebyshev steps in as many stages
    as are worth their cost (see `stages`), instead of SSPRK(4,2): for fine cells and high caps,
    where levelling and surface tension limit the step.
    """

    turn_steps: int = 20
    cfl: float = 0.7
    cap_ratio: float = 4.0
    path_tol_m: float = 2e-5
    max_steps: int = 400_000
    stabilised: bool = False


@dataclass(frozen=True)
class FilmResult:
    """A coat that has set.

    film_m (n,): volume per wall area. spilt_m3: volume that ran over an open rim. imbalance:
    relative error of the volume, (end + spilt - start)/start. end_s: time from which nothing can
    flow. steps: time steps taken.
    """

    film_m: Floats
    spilt_m3: float
    imbalance: float
    end_s: float
    steps: int


Progress = Callable[[int, int], None]
Halt = Callable[[], bool]


class Halted(Exception):
    """The caller no longer needs the films that it requested."""
