"""Library of castings and resins: text files read by the command line and edited by phone."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from evenwall.errors import EvenwallError, InputError
from evenwall.geometry.shapes.measures import Measures, parse_measures
from evenwall.model import (
    CastingCard,
    Frozen,
    ResinCard,
    read_casting,
    read_resin,
    read_toml,
)
from evenwall.model.written import toml_text
from evenwall.service.uploads import PICTURES, BEGINNING_bytes, Uploads, kind_of
from evenwall.worker_process import Limits, WorkerProcess

T = TypeVar("T")

STEM = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
ENDING = ".shape"  # globe.shape.toml holds the measurements of globe.toml
SHAPE_LIMITS = Limits(memory_MB=2000, processor_s=120, file_MB=300)
SHAPE_TIME_s = 180.0
BEFORE = "~"  # the version before the last change stays beside the file


class Side(Frozen):
    """Outline of a form seen from one side: rows of (height, left, right), mm."""

    name: str
    rows_mm: tuple[tuple[float, float, float], ...]


class MouthCard(Frozen):
    """Cut that opens a form, with the fields of `Mouth`: a finger may move it."""

    side: Literal["top", "bottom"]
    height_mm: float
    lean_deg: tuple[float, float]


class ShapeCard(Frozen):
    """Figures of a shape, before it is kept. mouth: position of the cut, in the sides' frame."""

    how: str
    size_mm: tuple[float, float, float]
    area_cm2: float
    area_error_percent: float
    volume_cm3: float
    volume_error_percent: float
    notes: tuple[str, ...]
    sides: tuple[Side, ...]
    mouth: MouthCard | None = None


class OutlineCard(Frozen):
    """Outline found in a photograph, in the photograph's pixels."""

    file: str
    width_px: int
    height_px: int
    outline_px: tuple[tuple[float, float], ...]


class CastingEntry(Frozen):
    """Current file of a casting, and the measurements from which its mesh was made."""

    casting_id: str
    casting: dict[str, Any]
    measures: dict[str, Any] | None = None


class ResinEntry(Frozen):
    """Current file of a resin. picture: photograph of its data sheet, if one was kept."""

    resin_id: str
    resin: dict[str, Any]
    picture: str | None = None


class Library:
    """Folder of castings, resins, measurements, scans and photographs.

    Every method is slow and is called from a thread. A refused change raises InputError and leaves
    every file as it was.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.uploads = Uploads(folder, _look_at)
        self._writing = threading.Lock()

    # --- Resins ----------------------------------------------------------------------------------

    def resin(self, resin_id: str) -> ResinEntry:
        table = read_toml(self._existing("resin_id", resin_id))
        return ResinEntry(resin_id=resin_id, resin=table, picture=self._picture_of(resin_id))

    def keep_resin(self, resin_id: str, table: Mapping[str, Any], new: bool) -> ResinCard:
        """Write a resin's file with the checks of the command line. new: it must not exist yet."""
        path = self._free("resin_id", resin_id, new)
        with self._writing:
            name = self._written(path, toml_text(table), lambda made: read_resin(made).name)
        return ResinCard(resin_id=resin_id, name=name)

    def _picture_of(self, resin_id: str) -> str | None:
        names = [f"{resin_id}.sheet{ending}" for ending in PICTURES]
        return next((name for name in names if (self.folder / name).is_file()), None)

    # --- Castings --------------------------------------------------------------------------------

    def casting(self, casting_id: str) -> CastingEntry:
        table = read_toml(self._existing("casting_id", casting_id))
        measures = self.folder / f"{casting_id}{ENDING}.toml"
        told = read_toml(measures) if measures.is_file() else None
        return CastingEntry(casting_id=casting_id, casting=table, measures=told)

    def keep_casting(
        self,
        casting_id: str,
        table: Mapping[str, Any],
        measures: Mapping[str, Any] | None,
        new: bool,
    ) -> CastingCard:
        """Write a casting's file. With measurements, write its mesh and their file as well.

        Without measurements the casting keeps the table's `mesh`, a file of this folder.
        """
        path = self._free("casting_id", casting_id, new)
        made = dict(table)
        for key in ("mesh", "resin"):
            if isinstance(made.get(key), str) and Path(made[key]).name != made[key]:
                raise InputError(key, made[key], "must be a file of the library, without a folder")
        with self._writing:
            if measures is None:
                return self._written(path, toml_text(made), lambda file: _card(casting_id, file))
            return self._with_mesh(path, made, measures)

    def _with_mesh(
        self, path: Path, table: dict[str, Any], measures: Mapping[str, Any]
    ) -> CastingCard:
        """Make the casting's mesh. Write casting, mesh and measurements, or none of them."""
        casting_id = path.stem
        mesh, beside = self.folder / f"{casting_id}.ply", self.folder / f".{casting_id}.new.ply"
        known = _apart("mesh", self._checked(measures), self.folder, beside)
        known["measures"] = f"{casting_id}{ENDING}.toml"
        table |= {"mesh": mesh.name, "mesh_units": "mm", "shape": known}

        def check(file: Path) -> CastingCard:
            file.write_text(toml_text({**table, "mesh": beside.name}), encoding="utf-8")
            card = _card(casting_id, file)
            beside.replace(mesh)
            return card

        try:
            card = self._written(path, toml_text(table), check)
        finally:
            beside.unlink(missing_ok=True)
        self._replace(self.folder / f"{casting_id}{ENDING}.toml", toml_text(measures))
        return card

    # --- Shapes ----------------------------------------------------------------------------------

    def shape(self, table: Mapping[str, Any]) -> ShapeCard:
        """Return the figures of a shape, without keeping anything."""
        card: ShapeCard = _apart("card", self._checked(table), self.folder)
        return card

    def outline(self, name: str) -> OutlineCard:
        """Find the form's outline in an uploaded photograph, to be corrected by finger."""
        path = self.uploads.path_of(name, PICTURES)
        if not path.is_file():
            raise InputError("file", name, "no such picture in the library")
        card: OutlineCard = _apart("outline", path)
        return card

    def picture(self, name: str) -> tuple[Path, str]:
        """Return the path of a photograph in the library and its media type. Raises InputError."""
        path = self.uploads.path_of(name, PICTURES)
        if not path.is_file():
            raise InputError("file", name, "no such picture in the library")
        with path.open("rb") as file:
            kind = kind_of(file.read(BEGINNING_bytes))
        if kind is None:
            raise InputError("file", name, "is not a picture, though named like one")
        return path, kind

    def _checked(self, table: Mapping[str, Any]) -> Measures:
        """Return the measurements, whose files must all be here. Raises InputError."""
        measures: Measures = parse_measures(dict(table), "")
        files = [measures.scan.file] if measures.scan else []
        files += [photo.file for photo in measures.photos.photo] if measures.photos else []
        for name in filter(None, files):
            path = self.uploads.path_of(name)
            if not path.is_file():
                raise InputError("file", name, "is not in the library: send it first")
        return measures

    # --- Files -----------------------------------------------------------------------------------

    def _existing(self, field: str, stem: str) -> Path:
        path = self.folder / f"{stem}.toml"
        if not STEM.fullmatch(stem) or not path.is_file():
            raise InputError(field, stem, "no such file in the library")
        return path

    def _free(self, field: str, stem: str, new: bool) -> Path:
        if not STEM.fullmatch(stem):
            raise InputError(field, stem[:80], "must be small letters, digits and -, at most 60")
        path = self.folder / f"{stem}.toml"
        if new and path.exists():
            raise InputError(
                "name", stem, "is taken", hint="give it another name, or edit the one there"
            )
        if not new and not path.is_file():
            raise InputError(field, stem, "no such file in the library")
        return path

    def _written(self, path: Path, text: str, check: Callable[[Path], T]) -> T:
        """Write a file once `check` has read it back; the previous version stays beside it."""
        beside = path.with_name(f".{path.stem}.new.toml")
        beside.write_text(text, encoding="utf-8")
        try:
            found = check(beside)
        except InputError as error:
            error.file = ""  # the page knows which form it sent
            raise
        finally:
            beside.unlink()
        self._replace(path, text)
        return found

    def _replace(self, path: Path, text: str) -> None:
        beside = path.with_name(f".{path.name}.new")
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.is_file():
            path.replace(path.with_name(path.name + BEFORE))
        beside.replace(path)


def _card(casting_id: str, path: Path) -> CastingCard:
    casting = read_casting(path)
    return CastingCard(
        casting_id=casting_id,
        name=casting.name,
        resin=casting.resin.name,
        wall_mm=casting.wall_mm,
    )


def _look_at(path: Path, name: str) -> None:
    """Read a picture whole in a short-lived process. Raises InputError."""
    try:
        _apart("looked_at", path, name, where="evenwall.service.picture_work")
    except InputError:
        raise
    except EvenwallError as error:  # it took more memory or time than it may
        raise InputError("file", name, f"cannot be read: {error}") from None


def _apart(name: str, *args: Any, where: str = "evenwall.service.shape_work") -> Any:
    """Call a function in a short-lived process: the mesher takes much memory."""
    process = WorkerProcess(where, limits=SHAPE_LIMITS)
    late = threading.Timer(SHAPE_TIME_s, process.end)  # the waiting request then gets an error
    late.daemon = True
    late.start()
    try:
        return process.ask(name, *args)
    finally:
        late.cancel()
        process.end()
