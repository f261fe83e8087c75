"""Making of a shape from measurements: a surface with one opening, and its errors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import trimesh

from evenwall.errors import InputError, naming
from evenwall.geometry.shapes import known as how_well
from evenwall.geometry.shapes.bodies import Body as Solid
from evenwall.geometry.shapes.bodies import Box, Egg, Frustum, Placed, union
from evenwall.geometry.shapes.known import Known
from evenwall.geometry.shapes.measures import FEWEST, Body, Measures, Mouth, Turned, Water
from evenwall.geometry.shapes.photos import from_photos
from evenwall.geometry.shapes.scan import from_scan
from evenwall.geometry.shapes.sections import (
    Array,
    End,
    Sections,
    across_from_girth,
    turn,
)
from evenwall.geometry.shapes.shape import Shape, open_at, settled
from evenwall.units import percent

GIRTH_READING_MM, DIAMETER_READING_MM = 2.0, 1.0  # errors, nine times out of ten; common practice
PITCH_MM = 3.0  # distance between rings: a film's cells are 5 mm wide
FINEST, COARSEST = 70, 160  # cells of marching cubes along the longest side
BODY_READING_MM = 1.0
LEAST_VOLUME_CM3 = 5.0


def build(measures: Measures, folder: Path) -> Shape:
    """Make the shape. folder: the folder of a scan or a picture named in the measurements.

    Raises an InputError that says what to measure again, or which repair to ask for.
    """
    if measures.turned is not None:
        with naming(within="turned."):
            shape = _turned(measures.turned)
    elif measures.body:
        shape = _bodies(measures)
    elif measures.scan is not None:
        shape = from_scan(measures.scan, measures.mouth, folder)
    elif measures.photos is not None:
        shape = from_photos(measures.photos, measures.mouth, folder)
    else:
        raise InputError("shape", "missing", "needs [turned], [[body]], [scan] or [photos]")
    if shape.volume_cm3 < LEAST_VOLUME_CM3:
        raise InputError(
            "the shape's volume",
            f"{shape.volume_cm3:.2g}",
            f"must be at least {LEAST_VOLUME_CM3:g} cm3",
            unit="cm3",
            hint="are the measures in mm?",
        )
    return shape if measures.water is None else with_water(shape, measures.water)


# --- Turned forms --------------------------------------------------------------------------------


def sections_of(turned: Turned) -> tuple[Sections, float]:
    """Return the form's sections, and the error of half a width (mm)."""
    heights = np.array(turned.heights_mm)
    girths, first, second = turned.girths_mm, turned.diameters_mm, turned.across_mm
    if girths is None or first is not None:
        reading = turned.reading_mm or DIAMETER_READING_MM
        off = 0.5 * reading
    else:
        reading = turned.reading_mm or GIRTH_READING_MM
        off = reading / (2.0 * np.pi)
    if first is None:
        along = np.array(girths) / (2.0 * np.pi)
        across = along.copy()
    else:
        along = 0.5 * np.array(first)
        if girths is not None:
            across = np.array(
                [
                    across_from_girth(g, a) if g > 0 else 0.0
                    for g, a in zip(girths, along, strict=True)
                ]
            )
        else:
            across = along.copy() if second is None else 0.5 * np.array(second)
    middles = np.zeros((len(heights), 2))
    if turned.middles_mm is not None:
        middles = np.array(turned.middles_mm, dtype=np.float64)
    bottom: End = turned.closed_end if turned.opening == "top" else "open"
    top: End = turned.closed_end if turned.opening == "bottom" else "open"
    sections = Sections(heights, along, across, middles, bottom, top)
    return _ends(sections, turned), off


def _ends(sections: Sections, turned: Turned) -> Sections:
    """Check the ends; a round or pointed bottom without a height is put at height 0."""
    wide = np.maximum(sections.along_mm, sections.across_mm)
    row = "girths_mm" if turned.girths_mm is not None else "diameters_mm"
    if (wide[1:-1] <= 0.0).any():
        k = 1 + int((wide[1:-1] <= 0.0).argmax())
        hint = f"measure at {sections.height_mm[k]:g} mm again, or leave that height out"
        limit = "must be above 0 between the ends"
        raise InputError(f"{row}[{k}]", 0, limit, unit="mm", hint=hint)
    if wide[-1 if turned.opening == "top" else 0] <= 0.0:
        hint = "measure round the rim, or say that the resin goes in at the other end"
        raise InputError(row, 0, "must be above 0 at the opening", unit="mm", hint=hint)
    at = 0 if turned.opening == "top" else -1
    if turned.closed_end == "flat":
        if wide[at] <= 0.0:
            raise InputError(
                f"{row}[{at}]",
                0,
                "a flat end has a girth",
                unit="mm",
                hint='closed_end = "round" or "point" has no flat end',
            )
        return sections
    if wide[at] <= 0.0:
        return sections
    if at == 0 and sections.height_mm[0] >= 0.5:
        return replace(
            sections,
            height_mm=np.concatenate([[0.0], sections.height_mm]),
            along_mm=np.concatenate([[0.0], sections.along_mm]),
            across_mm=np.concatenate([[0.0], sections.across_mm]),
            middle_mm=np.vstack([sections.middle_mm[:1], sections.middle_mm]),
        )
    raise InputError(
        f"{row}[{at}]",
        f"{wide[at] * 2:.0f}",
        f"a {turned.closed_end} end has a girth of 0",
        unit="mm across",
        hint='write the end\'s own height with a girth of 0, or closed_end = "flat"',
    )


def _turned(turned: Turned) -> Shape:
    sections, off = sections_of(turned)
    points, faces = turn(sections, _pitch(sections))
    girths = turned.girths_mm is not None and turned.diameters_mm is None
    known = how_well.of_sections(sections, off, turned.height_reading_mm, girths=girths)
    notes = []
    if known.area > 0.05:
        notes.append(
            f"The area is known only to {percent(known.area)}. Measure at more heights, closest "
            "together where the form curves most."
        )
    if girths:
        notes.append(
            "Every section is assumed to be a circle. If the form is oval, also measure a "
            "diameter at every height."
        )
    count = len(turned.heights_mm)
    if count == FEWEST:
        notes.append(
            "Two heights give a straight side, and the stated errors assume one. "
            "If the side bends, measure at more heights."
        )
    how = f"{'girths' if girths else 'diameters'} at {count} heights"
    return Shape(points, faces, known, how, tuple(notes))


def _pitch(sections: Sections) -> float:
    size = max(float(np.ptp(sections.height_mm)), 2.0 * float(sections.along_mm.max()))
    return float(np.clip(size / 60.0, 1.0, PITCH_MM))


# --- Simple bodies -------------------------------------------------------------------------------


def _bodies(measures: Measures) -> Shape:
    placed = []
    for k, body in enumerate(measures.body, 1):
        with naming(within=f"body[{k}]."):
            axis = np.array(body.axis)
            if np.linalg.norm(axis) < 1e-9:
                raise InputError("axis", body.axis, "must have a direction")
            placed.append((body, Placed(_solid(body), np.array(body.at_mm), axis)))
    one = measures.body[0] if len(measures.body) == 1 else None
    sections = None if one is None else _as_sections(one)
    if sections is not None:
        points, faces = turn(sections, _pitch(sections))
        if measures.mouth is None and sections.top == "open":
            return Shape(points, faces, _known_of(points), _one(measures.body[0]))
    else:
        low = np.min([p.bounds()[0] for _, p in placed], axis=0)
        high = np.max([p.bounds()[1] for _, p in placed], axis=0)
        longest = float((high - low).max())
        pitch = float(np.clip(2.0, longest / COARSEST, longest / FINEST))
        points, faces = union([p for _, p in placed], pitch)
        bodies = trimesh.Trimesh(points, faces, process=False).body_count
        if bodies > 1:
            raise InputError(
                "body",
                bodies,
                "must touch each other to be one form",
                unit="bodies apart",
                hint="change at_mm of one until it overlaps the next",
            )
    mouth = settled(points, faces, measures.mouth or Mouth())
    whole = points, faces
    points, faces = open_at(points, faces, mouth)
    how = _one(one) if one is not None else f"{len(measures.body)} simple bodies"
    return Shape(points, faces, _known_of(points), how, whole=whole, mouth=mouth)


def _known_of(points: Array) -> Known:
    size = float(np.ptp(points, axis=0).min())
    return how_well.of_length(BODY_READING_MM / max(size, 1.0))


_FIELDS = {
    "ball": ("diameter_mm",),
    "egg": ("height_mm", "diameter_mm"),
    "cylinder": ("height_mm", "diameter_mm"),
    "cup": ("height_mm", "bottom_mm", "top_mm"),
    "cone": ("height_mm", "diameter_mm"),
    "box": ("along_mm", "across_mm", "height_mm"),
}


def _one(body: Body) -> str:
    """Return the body's kind with its article."""
    return f"an {body.kind}" if body.kind == "egg" else f"a {body.kind}"


def _lengths(body: Body) -> list[float]:
    """Return the lengths that this kind of body needs, in the order of `_FIELDS`."""
    wanted = _FIELDS[body.kind]
    found = []
    for name in wanted:
        value = getattr(body, name)
        if value is None:
            limit = f"{_one(body)} needs {', '.join(wanted)}"
            raise InputError(name, "missing", limit, hint="measure the missing lengths")
        found.append(value)
    return found


def _solid(body: Body) -> Solid:
    size = _lengths(body)
    if body.kind == "ball":
        return Egg(size[0], size[0], 0.5 * size[0])
    if body.kind == "egg":
        widest = 0.42 * size[0] if body.widest_mm is None else body.widest_mm
        if not 0.1 * size[0] <= widest <= 0.9 * size[0]:
            low, high = 0.1 * size[0], 0.9 * size[0]
            limit = f"must be {low:.0f} to {high:.0f} mm"
            hint = "measure from its bottom to where it is widest again"
            raise InputError("widest_mm", f"{widest:g}", limit, unit="mm", hint=hint)
        return Egg(size[0], size[1], widest)
    if body.kind == "box":
        edge = 0.1 * min(size) if body.edge_mm is None else body.edge_mm
        if edge > 0.5 * min(size):
            limit = f"must be at most half its shortest side, {0.5 * min(size):g} mm"
            hint = "measure the radius of its edges again"
            raise InputError("edge_mm", f"{edge:g}", limit, unit="mm", hint=hint)
        return Box(size[0], size[1], size[2], edge)
    if body.kind == "cup":
        return Frustum(size[0], size[1], size[2])
    return Frustum(size[0], size[1], size[1] if body.kind == "cylinder" else 0.0)


def _as_sections(body: Body) -> Sections | None:
    """Return a single upright body of revolution as sections, which is exact; None for others."""
    if body.axis != (0.0, 0.0, 1.0) or body.kind == "box":
        return None
    solid = _solid(body)
    middle = np.zeros((3, 2)) + np.array(body.at_mm[:2])
    base = body.at_mm[2]
    if isinstance(solid, Egg):
        height = base + np.array([0.0, solid.widest_mm, solid.height_mm])
        half = 0.5 * np.array([0.0, solid.diameter_mm, 0.0])
        return Sections(height, half, half, middle, "round", "round")
    if not isinstance(solid, Frustum):
        return None
    height = base + np.array([0.0, solid.height_mm])
    half = 0.5 * np.array([solid.bottom_mm, solid.top_mm])
    top: End = {"cup": "open", "cone": "point"}.get(body.kind, "flat")  # type: ignore[assignment]
    return Sections(height, half, half, middle[:2], "flat", top)


# --- Water ---------------------------------------------------------------------------------------


def with_water(shape: Shape, water: Water) -> Shape:
    """Return the shape scaled to the water that its mould holds. Raises InputError if the water
    cannot be that of this mould."""
    volume = how_well.water_volume_cm3(water.mass_g, water.temp_degC)
    scale_g = water.scale_g if water.scale_g is not None else max(1.0, 0.005 * water.mass_g)
    said = how_well.weigh(shape.volume_cm3, shape.known, volume, scale_g / water.mass_g)
    more = "more" if said.disagreement > 0 else "less"
    note = (
        f"By water the volume is {volume:.0f} cm3, {percent(abs(said.disagreement), 1)} {more} "
        f"than the measures: every length was multiplied by {said.scale:.3f}."
    )
    notes = [*shape.notes, note]
    if abs(said.disagreement) > shape.known.volume:
        notes.append(
            f"The measures are uncertain by only {percent(shape.known.volume, 1)}: "
            "measure the widest place and the height again."
        )
    middle = np.array([0.0, 0.0, shape.points_mm[:, 2].min()])
    return replace(
        shape,
        points_mm=(shape.points_mm - middle) * said.scale + middle,
        known=said.known,
        notes=tuple(notes),
        scale=said.scale,
        how=f"{shape.how}, and water",
    )
