"""A form with one opening, and the cut that opens it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import trimesh

from evenwall.errors import InputError
from evenwall.geometry.shapes.known import Known
from evenwall.geometry.shapes.measures import Mouth
from evenwall.geometry.shapes.opening import at_diameter, cut_level, off_flat_end
from evenwall.geometry.shapes.sections import Array, Index
from evenwall.geometry.surface import boundary_loops, enclosed_volume, surface_integrals


@dataclass(frozen=True, eq=False)
class Shape:
    """A form with one opening.

    points_mm (n, 3) and faces (m, 3), outward; z is up. how: the source of the form, in a word or
    two. notes: remarks for the maker. scale: factor on every length from weighing with water.
    whole: points and faces before the form was opened; mouth: the cut that opened it, in their
    frame, None without a cut or for a vertical one.
    """

    points_mm: Array
    faces: Index
    known: Known
    how: str
    notes: tuple[str, ...] = ()
    scale: float = 1.0
    whole: tuple[Array, Index] | None = None
    mouth: Mouth | None = None

    def mesh(self) -> trimesh.Trimesh:
        return trimesh.Trimesh(self.points_mm, self.faces, process=False)

    @property
    def area_cm2(self) -> float:
        return surface_integrals(self.points_mm, self.faces).area_m2 * 1e-2

    @property
    def volume_cm3(self) -> float:
        """Volume that the form holds, filled to its opening."""
        rim = boundary_loops(self.faces)[0]
        return abs(enclosed_volume(self.points_mm, self.faces, rim)) * 1e-3

    def size_mm(self) -> Array:
        """Width along x, depth along y, height."""
        return np.asarray(np.ptp(self.points_mm, axis=0))


def open_at(points: Array, faces: Index, mouth: Mouth) -> tuple[Array, Index]:
    """Cut a closed form open where the maker says. Raises InputError if the maker does not say."""
    found = settled(points, faces, mouth)
    return cut_level(points, faces, found.height_mm or 0.0, found.side, found.lean_deg)


def settled(points: Array, faces: Index, mouth: Mouth) -> Mouth:
    """Return the mouth with its height. Raises InputError for a mouth without height and width."""
    if mouth.height_mm is not None:
        if any(mouth.lean_deg):
            return mouth
        height = off_flat_end(points, faces, mouth.height_mm, mouth.side)
        return mouth.model_copy(update={"height_mm": height})
    if mouth.diameter_mm is None:
        raise InputError(
            "mouth",
            "missing",
            "say where the resin is poured in: [mouth] diameter_mm or height_mm",
            hint=_words(proposed(points, faces, mouth.side)),
        )
    height = at_diameter(points, faces, mouth.diameter_mm, mouth.side)
    return mouth.model_copy(update={"height_mm": height})


def _words(mouth: Mouth) -> str:
    """Return a proposed mouth as the maker may write it into the file, whose lengths are in mm."""
    if (across := mouth.diameter_mm) is not None:
        return f"diameter_mm = {across:g} is half its width"
    end = mouth.height_mm
    return f"height_mm = {end:g} opens it at its {mouth.side}"


def proposed(points: Array, faces: Index, side: Literal["top", "bottom"] = "top") -> Mouth:
    """Return the mouth that most forms of this kind have: half as wide as the form, or the whole of
    its end where that is wider."""
    half = round(0.5 * float(np.ptp(points[:, :2], axis=0).min()))
    try:
        at_diameter(points, faces, half, side)
    except InputError:
        end = points[:, 2].max() if side == "top" else points[:, 2].min()
        return Mouth(side=side, height_mm=round(float(end), 1))
    return Mouth(side=side, diameter_mm=float(half))
