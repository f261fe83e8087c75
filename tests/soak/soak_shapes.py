"""Walls of ten forms known from photographs, against the same forms known exactly.

Silhouettes are rendered from known meshes under a known camera. On each form twice, as photographed
and as it is: the same usual spins, the film on 5 mm cells. `python -m tests.soak.soak_shapes globe`
for some of them. Writes its table into web/guide/soak.md; exits non-zero when a volume is off by
more than 3 % or a thinnest patch by more than 0.05 of the mean wall.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import trimesh

from evenwall.model import Casting, ShapeKnown, read_casting
from evenwall.planning import make_plan
from evenwall.planning.wall import WallResult, compute_wall
from evenwall.units import percent
from tests.soak.page import write_part
from tests.support.photographed import TEN, lofted, shot
from tests.support.virtual_shop import SAMPLES, sample_rig

VOLUME_MOST, PATCH_MOST = 0.03, 0.05
HEAD = (
    "| form | photographs | volume | skin | thinnest patch, known | from photographs | apart |",
    "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
)


def opened(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """The form without the lid on its rim."""
    lid = mesh.triangles[:, :, 2].min(axis=1) > mesh.bounds[1, 2] - 1e-6
    left = mesh.copy()
    left.update_faces(~lid)
    left.remove_unreferenced_vertices()
    left.merge_vertices()
    return left


def wall_of(mesh: trimesh.Trimesh, shape: ShapeKnown | None, folder: Path) -> WallResult:
    """The wall that usual spins lay in this form, 4 mm on average."""
    path = folder / "form.ply"
    mesh.export(path)
    sample: Casting = read_casting(SAMPLES / "bell-shade.toml")
    casting = sample.model_copy(update={"mesh": path, "shape": shape, "coats": 3})
    plan = make_plan(casting, sample_rig(), time_budget_s=0.0)
    return compute_wall(plan, threads=2)


def share(wall: WallResult) -> float:
    """Thinnest patch over the mean wall."""
    return float(wall.statistics.min / wall.statistics.mean)


def compared(name: str) -> tuple[str, float, float]:
    """A row of the table, with how far volume and thinnest patch are off."""
    make, views = TEN[name]
    mesh = make()
    with tempfile.TemporaryDirectory(prefix="evenwall-soak-") as scratch:
        folder = Path(scratch)
        tall = float(np.ptp(mesh.vertices[:, 2]))
        shape = lofted(shot(mesh, views, folder), tall, folder)
        true = wall_of(opened(mesh), None, folder)
        known = ShapeKnown(area_error_percent=100.0 * shape.known.area)
        seen = wall_of(shape.mesh(), known, folder)
    volume = shape.volume_cm3 / (abs(mesh.volume) / 1000.0) - 1.0
    skin = shape.area_cm2 / (true.mesh.total_area * 1e4) - 1.0
    apart = share(seen) - share(true)
    row = (
        f"| {name} | {views} | {percent(volume, 1, '+')} | {percent(skin, 1, '+')} | "
        f"{share(true):.3f} | {share(seen):.3f} | {apart:+.3f} |"
    )
    return row, abs(volume), abs(apart)


def main(words: list[str]) -> int:
    """Compare them; 1 when one is off by more than it may."""
    rows, bad = [], []
    for name in words or TEN:
        row, volume, apart = compared(name)
        rows.append(row)
        print(row, flush=True)
        if volume > VOLUME_MOST or apart > PATCH_MOST:
            bad.append(name)
    if not words:
        write_part("shapes", "\n".join((*HEAD, *rows)))
    print(f"{len(rows)} forms, off by more than they may: {', '.join(bad) or 'none'}")
    return int(bool(bad))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
