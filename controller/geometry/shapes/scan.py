"""Repair of a scanned mesh. Each repair is noted; a refusal names the repair to ask for."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import trimesh

from evenwall.errors import InputError
from evenwall.geometry import mesh_files
from evenwall.geometry.crossings import crossings
from evenwall.geometry.mould import MM_PER_UNIT, UNREADABLE
from evenwall.geometry.shapes import known as how_well
from evenwall.geometry.shapes.measures import Mouth, Scan
from evenwall.geometry.shapes.opening import middle_of, plane_of
from evenwall.geometry.shapes.sections import Array, Index
from evenwall.geometry.shapes.shape import Shape, open_at, proposed, settled
from evenwall.geometry.shapes.wrap import wrap
from evenwall.geometry.surface import boundary_loops, loop_area
from evenwall.units import percent

FORMATS = ("obj", "ply", "stl", "3mf", "glb")
MOST_FACES = 2_000_000
FARTHEST = 1e7  # a drawing in a national grid, in metres; beyond it a float32 rounds to a unit
SMALLEST = 1e-6  # in any unit: smaller is a point
MANY_FACES = 120_000  # a larger mesh is drawn again on cells: it would slow every later step
FLOATER = 0.10  # share of the largest body's skin: a body with less is a floater
SHORTEST_MM, LONGEST_MM = 5.0, 3000.0  # beyond these a file's units count as wrong
MOUTH_SHARE = 0.004  # share of the skin: a smaller hole is not an opening
# glTF 2.0, 3.6.1: metres, y up. The other formats define neither; a 3MF names its own unit.
AGAIN = "scan or export it again, as one surface of triangles"
CUSTOM_UP = {"glb": "y", "obj": "y"}
CUSTOM_UNITS = {"glb": "m"}
SCAN_SKIN = 0.015  # error of a scan's skin from its noise, relative (common practice, no source)
INSIDE = 0.005  # share of the height: how far inside its own opening a scan is cut again
STEEPEST_DEG = 60.0  # steepest opening that is described by its height and its lean
WRAP_CELLS = 100  # along the longest side


@dataclass
class Mending:
    """A mesh under repair, with the notes of its repairs."""

    points: Array
    faces: Index
    notes: list[str] = field(default_factory=list)

    def mesh(self) -> trimesh.Trimesh:
        return trimesh.Trimesh(self.points, self.faces, process=False)

    def take(self, mesh: trimesh.Trimesh) -> None:
        self.points = np.asarray(mesh.vertices, dtype=np.float64)
        self.faces = np.asarray(mesh.faces, dtype=np.int64)


def from_scan(scan: Scan, mouth: Mouth | None, folder: Path) -> Shape:
    """Read, repair, turn upright and scale a scan. Raises an InputError that says what to do."""
    mending = Mending(*read_mesh(folder / scan.file))
    kind = Path(scan.file).suffix.lower().lstrip(".")
    _tidy(mending)
    _drop_floaters(mending, scan)
    _stand_up(mending, scan, kind)
    relative = _scale(mending, scan, kind)
    mending.points = mending.points - middle_of(mending.points)
    _turn_outwards(mending)
    _loosen(mending)
    _close_holes(mending, mouth)
    _draw_anew(mending, scan)
    whole, cut = (mending.points, mending.faces), _its_own_mouth(mending)
    if not boundary_loops(mending.faces):
        cut = settled(mending.points, mending.faces, _mouth_of(mending, mouth))
        mending.points, mending.faces = open_at(mending.points, mending.faces, cut)
    _opening_up(mending)
    mending.points = mending.points - [0.0, 0.0, mending.points[:, 2].min()]
    known = how_well.of_length(relative, SCAN_SKIN)
    notes = tuple(mending.notes)
    return Shape(mending.points, mending.faces, known, "a scan", notes, whole=whole, mouth=cut)


def read_mesh(path: Path) -> tuple[Array, Index]:
    """Return the corners and triangles of a mesh file, unchanged. Raises InputError."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in FORMATS:
        limit = f"must be {', '.join(one.upper() for one in FORMATS[:-1])} or GLB"
        raise InputError("scan.file", path.name, limit)
    if not path.is_file():
        limit = "there is no such file beside the measurements"
        raise InputError("scan.file", path.name, limit)
    try:
        mesh, _ = mesh_files.load(path, "scan.file")
    except InputError as error:
        error.hint = error.hint or "export it again: 100,000 triangles are plenty"
        raise
    except (*UNREADABLE, OSError, NotImplementedError) as error:
        raise InputError(
            "scan.file", path.name, f"cannot be read as {kind.upper()}: {error}"
        ) from None
    points = np.asarray(mesh.vertices, dtype=np.float64)
    faces = np.asarray(mesh.faces, dtype=np.int64)
    if len(faces) < 4:
        raise InputError("scan.file", path.name, "holds no surface of triangles", hint=AGAIN)
    if len(faces) > MOST_FACES:
        raise InputError(
            "scan.file",
            len(faces),
            f"must have at most {MOST_FACES} triangles",
            hint="export it with fewer: 100,000 are plenty",
        )
    if not np.isfinite(points).all():
        raise InputError("scan.file", path.name, "has corners that are not numbers", hint=AGAIN)
    if np.abs(points).max() > FARTHEST:
        limit = f"has corners farther than {FARTHEST:.0e} of its units from its origin"
        raise InputError("scan.file", path.name, limit, hint=AGAIN)
    if not mesh_files.is_surface(mesh):
        limit = "must be triangles between its own corners, in x, y and z"
        raise InputError("scan.file", path.name, limit, hint=AGAIN)
    return points, faces


def _tidy(mending: Mending) -> None:
    mesh, before = mending.mesh(), len(mending.faces)
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    if not size > SMALLEST:
        raise InputError("scan.file", "a point", "has no size", hint=AGAIN)
    if float(np.abs(mesh.vertices).max()) > size / SMALLEST:
        limit = "must be at least a millionth of its distance from its origin"
        raise InputError("the scan's size", f"{size:.3g}", limit, hint=AGAIN)
    digits = int(np.ceil(6 - np.log10(size)))
    mesh.merge_vertices(merge_tex=True, merge_norm=True, digits_vertex=digits)
    mesh.update_faces(mesh.nondegenerate_faces() & mesh.unique_faces())
    mesh.remove_unreferenced_vertices()
    if len(mesh.faces) < before:
        gone = before - len(mesh.faces)
        mending.notes.append(f"{gone} empty or duplicate triangles were left out.")
    if len(mesh.faces) < 4:
        limit = "must have at least 4 triangles with area"
        raise InputError("scan.file", len(mesh.faces), limit, hint=AGAIN)
    mending.take(mesh)


def _stand_up(mending: Mending, scan: Scan, kind: str) -> None:
    up = scan.up or CUSTOM_UP.get(kind, "z")
    # With y upwards a form faces +z (glTF 2.0, section 3.4); here it faces -y.
    turned = {"x": [1, 2, 0], "y": [0, 2, 1], "z": [0, 1, 2]}[up[-1]]
    mending.points = mending.points[:, turned]
    if up[-1] == "y":
        mending.points = mending.points * [1.0, -1.0, 1.0]
    if up[0] == "-":
        mending.points = mending.points * [1.0, -1.0, -1.0]
    if scan.up is None and up != "z":
        mending.notes.append(
            f"{kind.upper()} files have {up} upwards by custom, so it was stood up that way; "
            'up = "z" keeps the file\'s own.'
        )


def _scale(mending: Mending, scan: Scan, kind: str) -> float:
    """Scale to mm; return the relative error of a length."""
    size = np.ptp(mending.points, axis=0)
    if scan.known_mm is None:
        units = scan.units or CUSTOM_UNITS.get(kind)
        if units is None:
            raise InputError(
                "scan.known_mm",
                "missing",
                "one length of the real object is needed to scale the scan",
                hint="measure its height and write known_mm, or name the file's units",
            )
        mending.points = mending.points * MM_PER_UNIT[units]
        longest = MM_PER_UNIT[units] * float(size.max())
        if not SHORTEST_MM <= longest <= LONGEST_MM:
            raise InputError(
                "scan.units",
                units,
                f"makes the form {longest:.3g} mm long: must be {SHORTEST_MM:g} to "
                f"{LONGEST_MM:g} mm",
                hint="measure its height and write known_mm, or name the file's units",
            )
        mending.notes.append(
            f"Assumed to be drawn in {units}; the size was not checked against any measure."
        )
        return 0.01
    at = {"width": 0, "depth": 1, "height": 2}
    along = float(size.max() if scan.known == "longest" else size[at[scan.known]])
    if along <= 0.0:
        hint = "measure another length, and name it"
        limit = "the scan has no size in that direction"
        raise InputError("scan.known", scan.known, limit, hint=hint)
    factor = scan.known_mm / along
    mending.points = mending.points * factor
    wide, deep, high = np.ptp(mending.points, axis=0)
    mending.notes.append(
        f"Scaled by its {scan.known}: {wide:.0f} mm wide, {deep:.0f} mm deep, {high:.0f} mm high. "
        "Hold a ruler to one of the others."
    )
    return scan.known_reading_mm / scan.known_mm


def _drop_floaters(mending: Mending, scan: Scan) -> None:
    mesh = mending.mesh()
    bodies = trimesh.graph.connected_components(
        mesh.face_adjacency, nodes=np.arange(len(mesh.faces))
    )
    if len(bodies) == 1:
        return
    areas = np.array([mesh.area_faces[body].sum() for body in bodies])
    order = np.argsort(-areas)
    large = [k for k in order if areas[k] > FLOATER * areas[order[0]]]
    kept = [order[0]] if scan.keep == "largest" else large
    if len(kept) > 1 and not scan.wrap:
        second = areas[kept[1]] / areas[kept[0]]
        raise InputError(
            "scan",
            len(kept),
            f"must be one body; the second has {percent(second)} of the first's skin",
            unit="bodies",
            hint='keep = "largest" drops the others; wrap = true draws one skin round all of them',
        )
    gone = len(bodies) - len(kept)
    if gone:
        share = 1.0 - areas[kept].sum() / areas.sum()
        pieces = f"{gone} loose pieces were" if gone > 1 else "A loose piece was"
        mending.notes.append(f"{pieces} left out, {percent(share, 1)} of the skin.")
    mesh.update_faces(np.concatenate([bodies[k] for k in kept]))
    mesh.remove_unreferenced_vertices()
    mending.take(mesh)


def _turn_outwards(mending: Mending) -> None:
    mesh = mending.mesh()
    if mixed := not mesh.is_winding_consistent:
        before = mesh.faces.copy()
        mesh.fix_normals(multibody=True)
        turned = int((mesh.faces != before).any(axis=1).sum())
        turned = min(turned, len(before) - turned)
        many = f"{turned} triangles" if turned > 1 else "A triangle"
        mending.notes.append(f"{many} faced the wrong way: turned round.")
    if mesh.volume < 0:
        mesh.invert()
        if not mixed:
            mending.notes.append("The scan was inside out; it was turned.")
    mending.take(mesh)


def _loosen(mending: Mending) -> None:
    """Remove triangles where three or more share an edge, or holes share a corner."""
    for _ in range(6):
        edges = np.sort(mending.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        _, which, uses = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
        bad = (uses[which.ravel()] > 2).reshape(-1, 3).any(axis=1)
        border = edges[uses[which.ravel()] == 1]
        corners = np.bincount(border.ravel(), minlength=len(mending.points))
        bad |= (corners[mending.faces] > 2).any(axis=1)
        if not bad.any():
            return
        mending.notes.append(
            f"{int(bad.sum())} triangles that did not join their neighbours were left out."
        )
        mesh = mending.mesh()
        mesh.update_faces(~bad)
        mesh.remove_unreferenced_vertices()
        mending.take(mesh)
    raise InputError(
        "scan",
        "torn",
        "its triangles do not join in many places",
        hint="wrap = true draws a new skin round it",
    )


def _close_holes(mending: Mending, mouth: Mouth | None) -> None:
    """Close every hole but the opening, which is the largest one unless a mouth is to be cut."""
    loops = boundary_loops(mending.faces)
    if not loops:
        return
    areas = np.array([loop_area(mending.points[loop]) for loop in loops])
    skin = float(mending.mesh().area)
    keep = int(areas.argmax()) if mouth is None and areas.max() > MOUTH_SHARE * skin else -1
    others = [loop for k, loop in enumerate(loops) if k != keep]
    if not others:
        return
    points, faces, count = [mending.points], [mending.faces], len(mending.points)
    for loop in others:
        points.append(mending.points[loop].mean(axis=0)[None])
        faces.append(np.column_stack([np.roll(loop, -1), loop, np.full(len(loop), count)]))
        count += 1
    mending.points, mending.faces = np.concatenate(points), np.concatenate(faces)
    closed = float(areas.sum() - (areas[keep] if keep >= 0 else 0.0)) / 100.0
    many = f"{len(others)} holes were" if len(others) > 1 else "A hole was"
    mending.notes.append(f"{many} closed, {closed:.1f} cm2 in all.")


def _draw_anew(mending: Mending, scan: Scan) -> None:
    """Wrap the mesh if that is asked for or it has far too many triangles; else refuse a mesh that
    crosses itself."""
    many = len(mending.faces) > MANY_FACES
    if not (scan.wrap or many):
        pairs = crossings(mending.points, mending.faces)
        if len(pairs):
            at = [round(float(x)) for x in mending.points[mending.faces[pairs[0, 0], 0]]]
            raise InputError(
                "scan",
                len(pairs),
                f"must not cut through itself, first near {at} mm",
                unit="crossings",
                hint="wrap = true draws a new skin round it",
            )
        return
    opening = _lid_of(mending)
    longest = float(np.ptp(mending.points, axis=0).max())
    pitch = scan.wrap_mm or float(np.clip(longest / WRAP_CELLS, 0.5, 4.0))
    count = len(mending.faces)
    mending.points, mending.faces = wrap(mending.points, mending.faces, pitch)
    bodies = mending.mesh().split(only_watertight=False)
    if len(bodies) > 1:
        mending.take(max(bodies, key=lambda one: float(one.area)))
    mending.notes.append(
        f"{count} triangles were replaced by {len(mending.faces)}, on cells of {pitch:.1f} mm."
    )
    if opening is not None:
        # The lid over the opening was wrapped as well: it is cut off again, one cell inside.
        centre, out = opening
        cut = mending.mesh().slice_plane(centre - out * pitch, -out)
        cut.merge_vertices(digits_vertex=6)
        cut.update_faces(cut.nondegenerate_faces(height=1e-4))
        cut.remove_unreferenced_vertices()
        mending.take(cut)
        if len(boundary_loops(mending.faces)) != 1:
            raise InputError(
                "mouth",
                "missing",
                "the opening of the scan is not flat: say where to cut it",
                hint="[mouth] height_mm or diameter_mm",
            )


def _lid_of(mending: Mending) -> tuple[Array, Array] | None:
    """Close the opening for the wrap; return its middle and its outward direction."""
    loops = boundary_loops(mending.faces)
    if not loops:
        return None
    loop = mending.points[loops[0]]
    middle = loop.mean(axis=0)
    area = 0.5 * np.cross(loop - middle, np.roll(loop, -1, axis=0) - middle).sum(axis=0)
    count = len(mending.points)
    lid = np.column_stack([np.roll(loops[0], -1), loops[0], np.full(len(loop), count)])
    mending.points = np.vstack([mending.points, middle])
    mending.faces = np.concatenate([mending.faces, lid])
    return middle, -area / np.linalg.norm(area)


def _mouth_of(mending: Mending, mouth: Mouth | None) -> Mouth:
    """Return the mouth asked for, or a proposal: half the width, at the top."""
    if mouth is not None:
        return mouth
    wide = float(np.ptp(mending.points[:, :2], axis=0).min())
    if wide < 2.0:
        limit = "must be at least 2 mm, or have an opening"
        raise InputError("the scan's width", f"{wide:.3g}", limit, unit="mm", hint=AGAIN)
    found = proposed(mending.points, mending.faces)
    wide_mm = f" of {found.diameter_mm:g} mm" if found.diameter_mm else ""
    mending.notes.append(
        f"The scan is closed all round. An opening{wide_mm} is proposed at the top. "
        "Move it with a finger on the phone, or with [mouth] in the file."
    )
    return found


def _its_own_mouth(mending: Mending) -> Mouth | None:
    """Return the cut that makes the scan's own opening; None if it is too steep to be moved on the
    page."""
    loops = boundary_loops(mending.faces)
    if len(loops) != 1:
        return None
    height, lean = plane_of(mending.points, loops[0])
    low, high = float(mending.points[:, 2].min()), float(mending.points[:, 2].max())
    if max(abs(one) for one in lean) > STEEPEST_DEG or not low < height:
        return None
    side: Literal["top", "bottom"] = "top" if height > 0.5 * (low + high) else "bottom"
    tilt = (round(lean[0], 1), round(lean[1], 1))
    inside = INSIDE * (high - low)  # a cut along the lid over the opening would miss it
    height += inside if side == "bottom" else -inside
    return Mouth(side=side, height_mm=round(height, 1), lean_deg=tilt)


def _opening_up(mending: Mending) -> None:
    """Note the opening's direction; the casting's minor axis can be set to it."""
    loops = boundary_loops(mending.faces)
    if len(loops) != 1:
        raise InputError(
            "scan",
            len(loops),
            "must have one opening",
            unit="openings",
            hint="wrap = true may close them",
        )
    corners = mending.points[mending.faces]
    lid = -0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).sum(axis=0)
    out = lid / np.linalg.norm(lid)
    words = "upwards" if out[2] > 0.9 else "downwards" if out[2] < -0.9 else "sideways"
    area = float(np.linalg.norm(lid)) / 100.0
    mending.notes.append(f"The opening is {area:.1f} cm2 and looks {words}.")
