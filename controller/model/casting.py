"""The casting: its form, its mould and its workshop."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from evenwall.model.bounds import Frozen, Name, RoomTemp_degC, Typed, Vector3
from evenwall.model.resin import Resin


class Opening(Frozen):
    """The mould's opening; without a centre, it is the mesh's largest boundary loop. `state` is
    that while the mould turns: capped, or open, so that resin that runs over is lost."""

    centre_mm: Vector3 | None = None
    direction: Vector3 | None = None
    state: Literal["open", "capped"] = "capped"


class Mount(Frozen):
    """The mesh's place on the frame."""

    minor_axis: Vector3 = (0.0, 0.0, 1.0)
    centre_mm: Vector3 | None = None  # crossing of the two axes; by default the mesh's centroid


class Mould(Typed):
    wall_mm: Annotated[float, Field(ge=1, le=100)] = 12.0
    material: Annotated[str, Field(max_length=80)] = "silicone rubber"
    mass_kg: Annotated[float, Field(gt=0, le=1000)] | None = None
    temp_degC: RoomTemp_degC | None = None


class Shop(Typed):
    temp_degC: RoomTemp_degC = 21.0
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None


class ShapeKnown(Frozen):
    """Source and errors of the shape of a mould without a drawing.

    Skin and volume are within these errors nine times out of ten. measures: the file of
    measurements.
    """

    how: Annotated[str, Field(max_length=120)] = ""
    measures: Annotated[str, Field(max_length=500)] = ""
    area_error_percent: Annotated[float, Field(ge=0, le=50)] = 0.0
    volume_error_percent: Annotated[float, Field(ge=0, le=50)] = 0.0


class Casting(Frozen):
    """A casting file with its resin read in. `file` is its path; other paths are relative to it."""

    name: Name
    mesh: Path
    mesh_units: Literal["mm", "cm", "m", "inch"] = "mm"
    resin: Resin
    wall_mm: Annotated[float, Field(gt=0.2, le=50, strict=True)]
    coats: Annotated[int, Field(ge=1, le=12)] | None = None
    opening: Opening = Opening()
    mount: Mount = Mount()
    mould: Mould = Mould()
    shop: Shop = Shop()
    shape: ShapeKnown | None = None  # if absent, the mesh counts as exact
