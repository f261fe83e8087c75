"""The measurements of a shape, as a maker writes them: a text file in everyday units."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from evenwall.errors import InputError
from evenwall.model import Frozen, parse, read_toml

Length = Annotated[float, Field(gt=0, le=2000, strict=True)]
Width = Annotated[float, Field(ge=0, le=6500, strict=True)]
Lean = Annotated[float, Field(ge=-60, le=60, strict=True)]
Place = Annotated[float, Field(ge=-2000, le=2000, strict=True)]
Point = tuple[Place, Place, Place]
FEWEST, MOST = 2, 40  # heights


class Turned(Frozen):
    """Heights and the measurements at them, from the bottom upwards.

    heights_mm: above the form's bottom. girths_mm: by a tape round it, or diameters_mm: by a
    caliper across it. across_mm: the other diameter of an oval, at right angles. middles_mm: the
    middle of each section, in x and y, if the axis leans. opening: the end that stays open.
    closed_end: the kind of the other end; a round or pointed one has a girth of 0 there.
    reading_mm: error of a reading, nine times out of ten; by default 2 mm for a girth and 1 mm for
    a diameter. height_reading_mm: the same for a height.
    """

    heights_mm: Annotated[tuple[Width, ...], Field(min_length=FEWEST, max_length=MOST)]
    girths_mm: tuple[Width, ...] | None = None
    diameters_mm: tuple[Width, ...] | None = None
    across_mm: tuple[Width, ...] | None = None
    middles_mm: tuple[tuple[Place, Place], ...] | None = None
    opening: Literal["top", "bottom"] = "top"
    closed_end: Literal["round", "flat", "point"] = "flat"
    reading_mm: Annotated[float, Field(gt=0, le=50, strict=True)] | None = None
    height_reading_mm: Annotated[float, Field(gt=0, le=50, strict=True)] = 2.0


class Body(Frozen):
    """A simple body. at_mm: the middle of its bottom; axis: its upward direction.

    ball: diameter_mm. egg: height_mm, diameter_mm, widest_mm (the height where it is widest).
    cylinder: height_mm, diameter_mm. cup: height_mm, bottom_mm and top_mm (diameters). cone:
    height_mm, diameter_mm. box: along_mm, across_mm, height_mm, edge_mm (radius of its edges).
    """

    kind: Literal["ball", "egg", "cylinder", "cup", "cone", "box"]
    height_mm: Length | None = None
    diameter_mm: Length | None = None
    widest_mm: Length | None = None
    bottom_mm: Length | None = None
    top_mm: Length | None = None
    along_mm: Length | None = None
    across_mm: Length | None = None
    edge_mm: Annotated[float, Field(ge=0, le=500, strict=True)] | None = None
    at_mm: Point = (0.0, 0.0, 0.0)
    axis: Point = (0.0, 0.0, 1.0)


class Scan(Frozen):
    """A mesh from a scan or a drawing.

    file: OBJ, PLY, STL, 3MF or GLB, beside this file. One known length scales it: `known` names the
    length, known_mm gives its value, known_reading_mm its error. up: the upward direction in the
    file; by default that of the file's format. keep: 'largest' drops all other bodies, however
    large. wrap: draw a new skin round parts that cross or overlap, in cells of wrap_mm.
    """

    file: Annotated[str, Field(min_length=1, max_length=120)]
    units: Literal["mm", "cm", "m", "inch"] | None = None
    known: Literal["height", "width", "depth", "longest"] = "height"
    known_mm: Length | None = None
    known_reading_mm: Annotated[float, Field(gt=0, le=50, strict=True)] = 1.0
    up: Literal["x", "y", "z", "-x", "-y", "-z"] | None = None
    keep: Literal["all", "largest"] = "all"
    wrap: bool = False
    wrap_mm: Length | None = None


class Photo(Frozen):
    """One silhouette: a photograph with the camera level, looking at the form's axis.

    file: the picture, or `outline_px`: corners of the outline, x to the right and y down, in the
    picture's pixels. from_deg: the camera's direction from the form; 0 is the front, 90 its right
    side. known_mm: the length in the picture from known_px[0] to known_px[1], at the axis; by
    default the form's own height. distance_mm: from the lens to the axis. lens_height_mm: height of
    the lens over the form's bottom; by default half the form's height.
    """

    file: str = ""
    outline_px: tuple[tuple[float, float], ...] | None = None
    from_deg: Annotated[float, Field(ge=-360, le=360, strict=True)]
    known_mm: Length | None = None
    known_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    distance_mm: Annotated[float, Field(gt=0, le=20_000, strict=True)] | None = None
    lens_height_mm: Place | None = None


class Photos(Frozen):
    """Silhouettes of one form, from two sides or more."""

    height_mm: Length
    height_reading_mm: Annotated[float, Field(gt=0, le=50, strict=True)] = 1.0
    photo: Annotated[tuple[Photo, ...], Field(min_length=2, max_length=24)]
    opening: Literal["top", "bottom"] = "top"


class Mouth(Frozen):
    """The cut that opens the form: a plane at a height, or a level one at a width.

    height_mm: height of the plane at the middle of the form. lean_deg: its slopes, rising to the
    right, as seen from the front, and to the back; only with a height.
    """

    side: Literal["top", "bottom"] = "top"
    height_mm: Length | None = None
    diameter_mm: Length | None = None
    lean_deg: tuple[Lean, Lean] = (0.0, 0.0)

    @model_validator(mode="after")
    def _leans_at_a_height(self) -> Self:
        if any(self.lean_deg) and self.height_mm is None:
            raise ValueError("a leaning opening needs height_mm")
        return self


class Water(Frozen):
    """Weight of the water that fills the mould to its rim. scale_g: error of that weight."""

    mass_g: Annotated[float, Field(gt=0, le=500_000, strict=True)]
    temp_degC: Annotated[float, Field(ge=0, le=40, strict=True)] = 20.0
    scale_g: Annotated[float, Field(gt=0, le=5000, strict=True)] | None = None


class CastingWish(Frozen):
    """The rest of a casting file, so that one file of measurements makes both shape and casting."""

    resin: str
    wall_mm: Annotated[float, Field(gt=0.2, le=50, strict=True)]
    mould_wall_mm: Annotated[float, Field(ge=1, le=100, strict=True)] = 12.0
    mould_material: str = "silicone rubber"
    shop_temp_degC: Annotated[float, Field(ge=0, le=60, strict=True)] = 21.0


class Measures(Frozen):
    """A file of measurements: one description of the shape, and water to check it with."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    turned: Turned | None = None
    body: Annotated[tuple[Body, ...], Field(max_length=12)] = ()
    scan: Scan | None = None
    photos: Photos | None = None
    mouth: Mouth | None = None
    water: Water | None = None
    casting: CastingWish | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [
            name
            for name, value in (
                ("turned", self.turned),
                ("body", self.body),
                ("scan", self.scan),
                ("photos", self.photos),
            )
            if value
        ]
        if len(given) != 1:
            raise ValueError(
                "describe the shape in one way: [turned], [[body]], [scan] or [photos]"
                + (f", not {' and '.join(given)} together" if given else "")
            )
        return self


def read_measures(path: Path) -> Measures:
    """Read a file of measurements. Raises an InputError that names the first fault."""
    return parse_measures(read_toml(path), path)


def parse_measures(data: dict[str, object], file: Path | str) -> Measures:
    """Return measurements from plain data. Raises an InputError that names the first fault."""
    measures = parse(Measures, data, file)
    if measures.turned is not None:
        _agreeing(measures.turned)
    return measures


def _agreeing(turned: Turned) -> None:
    count = len(turned.heights_mm)
    if (turned.girths_mm is None) == (turned.diameters_mm is None) and not (
        turned.girths_mm is not None and turned.across_mm is None
    ):
        raise InputError(
            "turned",
            "unclear",
            "needs girths_mm or diameters_mm",
            hint="an oval takes diameters_mm and across_mm, or girths_mm and diameters_mm",
        )
    rows = ("girths_mm", "diameters_mm", "across_mm", "middles_mm")
    for name in rows:
        row = getattr(turned, name)
        if row is not None and len(row) != count:
            raise InputError(
                f"turned.{name}",
                len(row),
                f"must be {count}, one for each height",
                unit="values",
                hint="write a decimal point: a decimal comma makes two values of one",
            )
    for k, (low, high) in enumerate(zip(turned.heights_mm, turned.heights_mm[1:], strict=False)):
        if high - low < 0.5:
            raise InputError(
                f"turned.heights_mm[{k + 1}]",
                f"{high:g}",
                f"must be at least 0.5 mm above the one before, {low:g} mm",
                unit="mm",
                hint="write the heights from the bottom up, each once",
            )
