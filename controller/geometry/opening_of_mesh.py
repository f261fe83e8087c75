"""The one opening of a mould: found among the holes of a mesh, or cut where the casting says."""

from __future__ import annotations

import numpy as np
import trimesh

from evenwall.geometry.surface import Array, Index, MouldError, boundary_loops, loop_area
from evenwall.model import Opening, OpeningFound

SMALL_HOLE = 0.002  # a stray hole below this share of the mesh's area is closed, with a note


def one_opening(
    mesh: trimesh.Trimesh, wanted: Opening, notes: list[str]
) -> tuple[trimesh.Trimesh, Index]:
    """Return a mesh with one body and one boundary loop, and the loop in its triangles' winding."""
    if wanted.direction is not None and np.linalg.norm(wanted.direction) < 1e-9:
        raise MouldError("opening.direction", wanted.direction, "must have a direction")
    _check_edges(mesh)
    if not mesh.is_winding_consistent:
        mesh.fix_normals()
        if not mesh.is_winding_consistent:
            raise MouldError("mesh", "one-sided", "its triangles cannot all face outwards")
        notes.append("Some triangles faced the wrong way; they were turned round.")
    bodies = trimesh.graph.connected_components(
        mesh.face_adjacency, nodes=np.arange(len(mesh.faces))
    )
    if len(bodies) > 1:
        shares = sorted((mesh.area_faces[body].sum() for body in bodies), reverse=True)
        raise MouldError(
            "mesh",
            len(bodies),
            "must be one body",
            unit="bodies",
            hint=f"the second has {shares[1] / 100:.3g} cm2 of skin: delete it or join it",
        )
    loops = boundary_loops(np.asarray(mesh.faces))
    if not loops:
        return _cut_open(mesh, wanted, notes)
    points = np.asarray(mesh.vertices)
    sizes = np.array([loop_area(points[loop]) for loop in loops])
    chosen = int(sizes.argmax())
    if wanted.centre_mm is not None:
        centre = np.asarray(wanted.centre_mm)
        far = np.array([np.linalg.norm(points[loop].mean(axis=0) - centre) for loop in loops])
        chosen = int(far.argmin())
        radius = np.sqrt(sizes[chosen] / np.pi)
        if far[chosen] > max(radius, 10.0):
            found = tuple(round(float(x), 1) for x in points[loops[chosen]].mean(axis=0))
            raise MouldError(
                "opening.centre_mm",
                wanted.centre_mm,
                f"the nearest hole in the mesh is {far[chosen]:.0f} mm away",
                unit="mm",
                hint=f"its middle is at {list(found)}",
            )
    return _without_others(mesh, loops, sizes, chosen, notes), loops[chosen]


def _without_others(
    mesh: trimesh.Trimesh, loops: list[Index], sizes: Array, chosen: int, notes: list[str]
) -> trimesh.Trimesh:
    """Close all holes but the opening. Raises MouldError for a large one."""
    others = [i for i in range(len(loops)) if i != chosen]
    for i in others:
        if sizes[i] > SMALL_HOLE * mesh.area:
            raise MouldError(
                "mesh",
                len(loops),
                "must have one opening",
                unit="holes",
                hint=f"the second is {sizes[i] / 100:.2g} cm2: close it in the drawing",
            )
    if not others:
        return mesh
    notes.append(f"{len(others)} small hole(s) beside the opening were closed.")
    return close_holes(mesh, [loops[i] for i in others])


def _check_edges(mesh: trimesh.Trimesh) -> None:
    _, uses = np.unique(mesh.edges_sorted, axis=0, return_counts=True)
    worst = int(uses.max())
    if worst > 2:
        raise MouldError(
            "mesh", worst, "must be at most 2 triangles on an edge", unit="triangles on one edge"
        )


def close_holes(mesh: trimesh.Trimesh, loops: list[Index]) -> trimesh.Trimesh:
    points, faces = [np.asarray(mesh.vertices)], [np.asarray(mesh.faces)]
    count = len(mesh.vertices)
    for loop in loops:
        points.append(points[0][loop].mean(axis=0)[None])
        faces.append(np.column_stack([np.roll(loop, -1), loop, np.full(len(loop), count)]))
        count += 1
    return trimesh.Trimesh(np.concatenate(points), np.concatenate(faces), process=False)


def _cut_open(
    mesh: trimesh.Trimesh, wanted: Opening, notes: list[str]
) -> tuple[trimesh.Trimesh, Index]:
    """Cut a closed mesh with a plane at its stated opening; refuse it if none is stated."""
    if wanted.centre_mm is None or wanted.direction is None:
        raise MouldError(
            "mesh",
            "closed",
            "has no opening to pour through",
            hint="leave the opening's face out of the mesh, or state [opening] centre_mm and "
            "direction, and it is cut there",
        )
    if mesh.volume < 0:
        mesh.invert()
        notes.append("The mesh was inside out; its triangles were turned round.")
    normal = np.asarray(wanted.direction, dtype=np.float64)
    normal = normal / np.linalg.norm(normal)
    centre = np.asarray(wanted.centre_mm)
    # The plane lies slightly inside, so that a flat face on the plane itself is removed whole.
    origin = centre - normal * 2e-3 * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    below = mesh.slice_plane(origin, -normal)
    above = mesh.slice_plane(origin, normal)
    if len(above.faces) == 0 or len(below.faces) == 0:
        raise MouldError(
            "opening.centre_mm", wanted.centre_mm, "the plane there misses the mesh", unit="mm"
        )
    above.merge_vertices()
    parts = list(above.split(only_watertight=False))
    nearest = min(range(len(parts)), key=lambda i: _distance(parts[i], centre))
    kept = [below, *(part for i, part in enumerate(parts) if i != nearest)]
    offsets = np.cumsum([0, *(len(part.vertices) for part in kept)])
    mesh = trimesh.Trimesh(
        np.concatenate([part.vertices for part in kept]),
        np.concatenate([part.faces + shift for part, shift in zip(kept, offsets, strict=False)]),
        process=False,
    )
    weld(mesh)
    mesh.update_faces(mesh.nondegenerate_faces())
    mesh.remove_unreferenced_vertices()
    loops = boundary_loops(np.asarray(mesh.faces))
    points = np.asarray(mesh.vertices)
    if len(loops) != 1:
        raise MouldError(
            "opening.centre_mm",
            wanted.centre_mm,
            f"a cut there leaves {len(loops)} holes: must be one",
            unit="mm",
        )
    if np.linalg.norm(points[loops[0]].mean(axis=0) - centre) > 2 * np.sqrt(
        loop_area(points[loops[0]]) / np.pi
    ):
        raise MouldError("opening.centre_mm", wanted.centre_mm, "is not on the mesh", unit="mm")
    notes.append("The mesh was closed; it was cut open at the stated opening.")
    return mesh, loops[0]


def _distance(mesh: trimesh.Trimesh, point: Array) -> float:
    return float(np.linalg.norm(np.asarray(mesh.vertices) - point, axis=1).min())


def opening_found(points_mm: Array, triangles: Index, rim: Index) -> OpeningFound:
    """Return the opening found. The lid over a single hole has minus the vector area of all other
    faces, and this points outwards."""
    corners = points_mm[triangles]
    lid = -0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]).sum(axis=0)
    size = float(np.linalg.norm(lid))
    loop = points_mm[rim]
    lengths = np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1)
    middles = 0.5 * (loop + np.roll(loop, 1, axis=0))
    centre = (lengths[:, None] * middles).sum(axis=0) / lengths.sum()
    direction = lid / size if size > 0 else np.array([0.0, 0.0, 1.0])
    return OpeningFound(
        centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
        direction=(float(direction[0]), float(direction[1]), float(direction[2])),
        area_cm2=size * 1e-2,
    )


def weld(mesh: trimesh.Trimesh) -> None:
    """Join corners closer than 1e-6 of the size: STL writes every corner of every triangle."""
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    if size > 0:
        mesh.merge_vertices(
            merge_tex=True, merge_norm=True, digits_vertex=int(np.ceil(6 - np.log10(size)))
        )
