"""The outline of a form in a photograph: found here, and corrected by hand on the page."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import ndimage
from skimage.color import rgb2lab
from skimage.filters import threshold_otsu
from skimage.measure import approximate_polygon, find_contours

from evenwall.errors import InputError
from evenwall.geometry.pictures import open_picture
from evenwall.geometry.shapes.sections import Array

WORKED_PX = 1400  # longer side of the picture in which outlines are found
BORDER = 0.03  # share of the picture: this border shows the background
SMOOTH_PX = 1.0
LEAST_SHARE = 0.01  # share of the picture: a smaller outline is not the form
CORNERS_PX = 0.6  # largest distance of the contour from the outline's straight sides


def find_outline(path: Path) -> Array:
    """Return the corners of the form's outline (n, 2), in the picture's own pixels, x right and y
    down.

    The form differs in colour from the picture's edge: the distance is taken in CIE L*a*b*, the
    threshold by Otsu (1979, IEEE Trans. SMC 9:62), and the largest piece is kept with its holes
    filled. The outline is that distance's contour, which is finer than a pixel. Raises InputError
    if no form can be told from the background.
    """
    picture = open_picture(path)
    shrink = max(1.0, max(picture.size) / WORKED_PX)
    small = picture.resize((round(picture.width / shrink), round(picture.height / shrink)))
    lab = rgb2lab(np.asarray(small))
    wide = max(2, round(BORDER * min(small.size)))
    edge = np.concatenate(
        [part.reshape(-1, 3) for part in (lab[:wide], lab[:, :wide], lab[:, -wide:])]
    )  # the foot of a picture is the table, and often in shadow
    away = np.linalg.norm(lab - np.median(edge, axis=0), axis=2)
    away = ndimage.gaussian_filter(away, SMOOTH_PX)
    level = float(threshold_otsu(away))  # type: ignore[no-untyped-call]
    label, count = ndimage.label(away > level)
    sizes = np.bincount(label.ravel())[1:] if count else np.zeros(1)
    if sizes.max() < LEAST_SHARE * away.size or away.max() < 8.0:
        raise InputError(
            "outline",
            "unclear",
            "the form does not stand out from its background",
            hint="take the picture again before an even, different background",
        )
    form = ndimage.binary_fill_holes(label == 1 + int(sizes.argmax()))
    # Beyond the form's own piece everything counts as background; inside it nothing does.
    near = ndimage.binary_dilation(form, iterations=2)
    core = ndimage.binary_erosion(form, iterations=2)
    value = np.where(near, away, 0.0)
    value[core] = max(2.0 * level, float(away.max()))
    lines = find_contours(np.pad(value, 1), level)  # type: ignore[no-untyped-call]
    line = max(lines, key=_area)
    corners = approximate_polygon(line, CORNERS_PX)  # type: ignore[no-untyped-call]
    corners = np.asarray(corners)[:-1, ::-1] - 1.0  # from rows and columns, and off the padding
    return np.asarray((corners + 0.5) * shrink - 0.5, dtype=np.float64)


def _area(line: Array) -> float:
    x, y = line[:, 0], line[:, 1]
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def widths(outline_px: Array, rows_px: Array) -> tuple[Array, Array]:
    """Return the leftmost and rightmost x of a closed outline at each row: NaN where it has
    none."""
    a, b = outline_px, np.roll(outline_px, -1, axis=0)
    left, right = np.full(len(rows_px), np.inf), np.full(len(rows_px), -np.inf)
    for (x0, y0), (x1, y1) in zip(a, b, strict=True):
        low, high = min(y0, y1), max(y0, y1)
        hit = (rows_px >= low) & (rows_px <= high)
        if high - low < 1e-9:
            where = np.array([x0, x1])
            left[hit] = np.minimum(left[hit], where.min())
            right[hit] = np.maximum(right[hit], where.max())
            continue
        x = x0 + (rows_px[hit] - y0) / (y1 - y0) * (x1 - x0)
        left[hit] = np.minimum(left[hit], x)
        right[hit] = np.maximum(right[hit], x)
    none = ~np.isfinite(left)
    left[none], right[none] = np.nan, np.nan
    return left, right
