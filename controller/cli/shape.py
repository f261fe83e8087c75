"""`evenwall shape`: measurements in; mesh, picture and casting file out."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenwall.errors import InputError, naming
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.files import (
    casting_table,
    stem_of,
    write_mesh,
)
from evenwall.geometry.shapes.measures import CastingWish, Measures, read_measures
from evenwall.geometry.shapes.shape import Shape
from evenwall.model import parse
from evenwall.model.written import toml_text
from evenwall.reports.shape_view import picture
from evenwall.units import percent


@dataclass(frozen=True)
class Made:
    """Files written by the command, and their figures."""

    name: str
    shape: Shape
    written: tuple[Path, ...]

    def data(self) -> dict[str, Any]:
        shape = self.shape
        return {
            "kind": "evenwall/shape",
            "name": self.name,
            "how": shape.how,
            "size_mm": [round(float(x), 1) for x in shape.size_mm()],
            "area_cm2": round(shape.area_cm2, 1),
            "area_error_percent": round(100 * shape.known.area, 2),
            "volume_cm3": round(shape.volume_cm3, 1),
            "volume_error_percent": round(100 * shape.known.volume, 2),
            "notes": list(shape.notes),
            "written": [str(path) for path in self.written],
        }

    def words(self) -> str:
        shape = self.shape
        wide, deep, high = shape.size_mm()
        lines = [
            f"{self.name}, from {shape.how}",
            f"  size   {wide:.0f} mm x {deep:.0f} mm x {high:.0f} mm",
            f"  skin   {shape.area_cm2:.0f} cm2, known to {percent(shape.known.area, 1)}",
            f"  holds  {shape.volume_cm3:.0f} cm3, known to {percent(shape.known.volume, 1)}",
            *(f"- {note}" for note in shape.notes),
            *(f"Written: {path}" for path in self.written),
        ]
        return "\n".join(lines)


def make(args: argparse.Namespace) -> Made:
    """Carry out the command line. Raises InputError before anything is written."""
    path: Path = args.measures
    measures = read_measures(path)
    folder: Path = args.out or path.parent
    if not folder.is_dir():
        raise InputError("--out", folder, "must be a folder that exists")
    wish = _wish(measures, args.resin, args.wall_mm)
    stem = stem_of(path)
    mesh, image, casting = (folder / f"{stem}{end}" for end in (".ply", ".png", ".toml"))
    if casting.resolve() == path.resolve():
        raise InputError(
            "file",
            path.name,
            "would be overwritten by the casting file",
            hint=f"name it {stem}.shape.toml",
        )
    with naming(path):
        shape = build(measures, path.parent)
    write_mesh(shape, mesh)
    picture(shape, measures.name, args.units).savefig(image, dpi=110)
    written = [mesh, image]
    if wish is not None:
        beside = folder.resolve() == path.parent.resolve()
        told = path.name if beside else str(path.resolve())
        table = casting_table(measures.name, mesh.name, shape, wish, told)
        casting.write_text(toml_text(table), encoding="utf-8")
        written.append(casting)
    return Made(measures.name, shape, tuple(written))


def _wish(measures: Measures, resin: str | None, wall_mm: float | None) -> CastingWish | None:
    """Fields of the casting file, from the measurements and from the command line."""
    wish = measures.casting
    if resin is None and wall_mm is None:
        return wish
    given = {} if wish is None else wish.model_dump()
    given |= {} if resin is None else {"resin": resin}
    given |= {} if wall_mm is None else {"wall_mm": wall_mm}
    for name, option in (("resin", "--resin"), ("wall_mm", "--wall-mm")):
        if name not in given:
            raise InputError(option, "missing", "a casting file needs a resin and a wall")
    return parse(CastingWish, given, "casting")
