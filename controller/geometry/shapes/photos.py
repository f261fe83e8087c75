"""A form from photographs: lofts outlines, and corrects perspective or counts it as an error."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenwall.errors import InputError, naming
from evenwall.geometry.shapes.known import Known
from evenwall.geometry.shapes.measures import Mouth, Photo, Photos
from evenwall.geometry.shapes.outline import find_outline
from evenwall.geometry.shapes.sections import Array, area_and_volume
from evenwall.geometry.shapes.shape import Shape, open_at
from evenwall.geometry.shapes.silhouettes import View, loft_views
from evenwall.units import percent

FEWEST_CORNERS, MOST_CORNERS = 12, 6000
APART_DEG = (60.0, 120.0)  # angle between two views
NEAREST = 4.0  # heights away; from nearer, the correction errs by more than 3 % of a volume
# Distances for a picture without one: most pictures are taken from 4 heights away or more. The form
# is computed for 8, and its error is the change for 4 and infinity (common practice, no source).
USUAL, CLOSEST = 8.0, 4.0
EDGE_PX = 1.0  # error of an outline's edge
# Errors of skin and volume because a section is not an ellipse, and because its corners are not
# seen, by the number of views (judged, not measured).
UNSEEN = {2: 0.025, 3: 0.02}
UNSEEN_MANY = 0.012


def from_photos(photos: Photos, mouth: Mouth | None, folder: Path) -> Shape:
    """Find the outlines that are not given, and loft the form. Raises InputError."""
    views = []
    for k, photo in enumerate(photos.photo, 1):
        with naming(within=f"photos.photo[{k}]."):
            views.append(_view(photo, photos, folder))
    _check_round(views)
    open_bottom = photos.opening == "bottom"
    stated = all(math.isfinite(view.distance_mm) for view in views)
    notes = []
    usual = _at_distance(views, USUAL * photos.height_mm)
    lofted = loft_views(usual, photos.height_mm, open_bottom=open_bottom)
    points, faces = lofted.points_mm, lofted.faces
    base = np.array(area_and_volume(points, faces))
    perspective = np.zeros(2)
    if not stated:
        for far in (CLOSEST * photos.height_mm, math.inf):
            other = loft_views(_at_distance(views, far), photos.height_mm, open_bottom=open_bottom)
            change = np.abs(np.array(area_and_volume(other.points_mm, other.faces)) / base - 1.0)
            perspective = np.maximum(perspective, change)
        notes.append(
            "No camera distance is given: perspective makes the volume uncertain by "
            f"{percent(perspective[1], 1)}. Measure from the lens to the middle of the form, and "
            "write distance_mm."
        )
    flat_mouth = lofted.flat_bottom if open_bottom else lofted.flat_top
    if mouth is not None or not flat_mouth:
        points, faces = open_at(points, faces, mouth or Mouth(side=photos.opening))
    known = _known(views, photos, perspective)
    how = f"{len(photos.photo)} photographs"
    return Shape(points, faces, known, how, tuple(notes))


def _view(photo: Photo, photos: Photos, folder: Path) -> View:
    if photo.outline_px is not None:
        outline = np.array(photo.outline_px, dtype=np.float64)
    elif photo.file:
        outline = find_outline(folder / photo.file)
    else:
        raise InputError("outline_px", "missing", "needs an outline or a file")
    if not FEWEST_CORNERS <= len(outline) <= MOST_CORNERS:
        limit = f"must have {FEWEST_CORNERS} to {MOST_CORNERS} corners"
        hint = "take the picture again before an even, different background"
        raise InputError("outline_px", len(outline), limit, hint=hint)
    tall_px = float(np.ptp(outline[:, 1]))
    if tall_px < 40.0:
        raise InputError(
            "outline_px", f"{tall_px:.0f}", "must be at least 40 high", unit="px", hint="go nearer"
        )
    far = math.inf if photo.distance_mm is None else photo.distance_mm
    if far < NEAREST * photos.height_mm:
        raise InputError(
            "distance_mm",
            f"{far:g}",
            f"must be at least {NEAREST * photos.height_mm:.0f} mm, {NEAREST:g} times the height",
            unit="mm",
            hint="step back and zoom in",
        )
    scale = None
    if photo.known_mm is not None:
        if photo.known_px is None:
            raise InputError(
                "known_px", "missing", "is needed: the two ends of known_mm in the picture"
            )
        pixels = float(np.linalg.norm(np.subtract(*photo.known_px)))
        if pixels < 20.0:
            limit, hint = "must be at least 20 apart", "mark the ruler's two ends again"
            raise InputError("known_px", f"{pixels:.0f}", limit, unit="px", hint=hint)
        scale = photo.known_mm / pixels
        if not 0.5 < scale * tall_px / photos.height_mm < 2.0:
            raise InputError(
                "known_mm",
                f"{photo.known_mm:g}",
                f"makes the form {scale * tall_px:.0f} mm high, not {photos.height_mm:g} mm",
                unit="mm",
                hint="measure both again; the ruler stands beside the middle of the form",
            )
    lens = 0.5 * photos.height_mm if photo.lens_height_mm is None else photo.lens_height_mm
    return View(outline, math.radians(photo.from_deg), scale, far, lens)


def _check_round(views: list[View]) -> None:
    """Raise InputError if the views leave a side of the form unseen."""
    turn = np.degrees([view.from_rad for view in views]) % 180.0
    order = np.argsort(turn)
    gaps = np.diff(np.append(turn[order], turn[order[0]] + 180.0))
    if gaps.max() > APART_DEG[1] + 1e-6:
        raise InputError(
            "photos.from_deg",
            [round(float(np.degrees(view.from_rad))) for view in views],
            "the views must surround the form, no more than 120 apart",
            unit="deg",
            hint="a front and a side view are 90 apart",
        )


def _at_distance(views: list[View], distance_mm: float) -> list[View]:
    """Return the views; those without a distance get this one."""
    return [
        view if math.isfinite(view.distance_mm) else replace(view, distance_mm=distance_mm)
        for view in views
    ]


def _known(views: list[View], photos: Photos, perspective: Array) -> Known:
    """Return the errors from length, outline, perspective and hollows that no silhouette shows, in
    quadrature."""
    length = photos.height_reading_mm / photos.height_mm
    half = [0.25 * float(np.ptp(view.outline_px[:, 0])) for view in views]
    edge = EDGE_PX / max(1.0, float(np.mean(half)))
    unseen = UNSEEN.get(len(views), UNSEEN_MANY)
    area = math.sqrt((2 * length) ** 2 + edge**2 + perspective[0] ** 2 + unseen**2)
    volume = math.sqrt(
        (3 * length) ** 2 + (2 * edge) ** 2 + perspective[1] ** 2 + (1.5 * unseen) ** 2
    )
    return Known(area, volume, math.hypot(unseen, edge))
