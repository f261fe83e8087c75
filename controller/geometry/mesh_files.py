"""Checks of mesh files before they are read, against small files that unpack to or claim too much.

A 3MF is an archive that may hold a thousand times its size, and its parts may repeat each other
without end. Counts in a header may be false. A GLB or an OBJ may name other files of this machine.
All of this is refused here, by figures that are cheap to read, before a reader allocates memory.
"""

from __future__ import annotations

import io
import logging
import re
import struct
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from lxml import etree

from evenwall.errors import InputError
from evenwall.model.untrusted import from_json, read_bytes

MOST_BYTES = 200_000_000
UNFOLDED_BYTES = 400_000_000  # size of all parts of a 3MF: two million triangles are about 150 MB
MOST_PARTS = 500
MOST_COPIES = 1000  # copies of objects in a 3MF, made by its components
PLY_HEADER_BYTES = 100_000
STORED_AS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)  # all that OPC allows (ECMA-376-2, annex C)
GLB_MAGIC = b"glTF"
GLB_COUNTS = {"accessors": "count", "buffers": "byteLength", "bufferViews": "byteLength"}
# The library logs the traceback of each error that it goes on after; the refusal says it in words.
logging.getLogger("trimesh").setLevel(logging.CRITICAL)


def load(path: Path, field: str) -> tuple[trimesh.Trimesh, bytes]:
    """Return a file's mesh, with all its bodies in one, and its bytes. Opens no other file.

    Raises InputError for a file that is too large or claims too much, and the reader's own errors
    for an invalid file (`evenwall.geometry.mould.UNREADABLE`).
    """
    raw = read_bytes(path, MOST_BYTES)
    kind = path.suffix.lower().lstrip(".")
    try:
        if kind == "3mf":
            _look_into_3mf(raw)
        elif kind == "ply":
            _count_ply(raw)
        elif kind == "glb":
            _count_glb(raw)
    except InputError as error:
        raise InputError(field, path.name, f"{error.field} {error.limit}") from None
    with np.errstate(all="ignore"):  # the caller checks the corners
        scene = trimesh.load_scene(io.BytesIO(raw), file_type=kind, resolver={}, process=False)
        return scene.to_mesh(), raw


def is_surface(mesh: trimesh.Trimesh) -> bool:
    """Whether its faces are triangles between corners that exist, in three coordinates."""
    corners, faces = np.shape(mesh.vertices), np.asarray(mesh.faces)
    if len(corners) != 2 or corners[1] != 3 or faces.ndim != 2 or faces.shape[1] != 3:
        return False
    return bool(len(faces) and faces.min() >= 0 and faces.max() < corners[0])


def _look_into_3mf(raw: bytes) -> None:
    """Check a 3MF. Raises InputError for an archive that unpacks to too much, BadZipFile for a file
    that is no archive."""
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        parts = archive.infolist()
        if len(parts) > MOST_PARTS:
            raise InputError("the archive", len(parts), f"must have at most {MOST_PARTS} parts")
        unfolded = sum(part.file_size for part in parts)
        if unfolded > UNFOLDED_BYTES:
            limit = f"expands to {unfolded / 1e6:.0f} MB, at most {UNFOLDED_BYTES / 1e6:.0f}"
            raise InputError("the archive", unfolded, limit)
        if any(part.compress_type not in STORED_AS or part.flag_bits & 1 for part in parts):
            raise InputError("the archive", "", "must be stored or deflated, and not encrypted")
        models = [part for part in parts if part.filename.lower().endswith(".model")]
        copies = _Copies()
        for part in models:
            # Reading ends at the size that the archive states, even if more is packed in it.
            text = archive.read(part)
            if b"<!DOCTYPE" in text[:4096] or b"<!ENTITY" in text:
                # OPC: 'XML content shall not contain DTD declarations' (ECMA-376-2, 8.1.4).
                raise InputError("the model", "", "must not declare entities")
            copies.read(text)
        copies.check()


class _Copies:
    """Count of the copies of each object in a 3MF, from its components and build items."""

    def __init__(self) -> None:
        self._inside: dict[str, list[str]] = {}
        self._built: list[str] = []

    def read(self, text: bytes) -> None:
        tags = ("{*}object", "{*}item", "{*}component")
        holds: list[str] = []
        parsed = etree.iterparse(
            io.BytesIO(text), tag=tags, resolve_entities=False, no_network=True, huge_tree=False
        )
        try:
            for _, element in parsed:
                tag = etree.QName(element).localname
                if tag == "component":
                    holds.append(element.get("objectid", ""))
                elif tag == "item":
                    self._built.append(element.get("objectid", ""))
                else:
                    self._inside.setdefault(element.get("id", ""), []).extend(holds)
                    holds = []
                    element.clear()  # its triangles are read later
        except etree.XMLSyntaxError as error:
            raise InputError("the model", "", f"is not XML: {str(error)[:80]}") from None

    def check(self) -> None:
        """Raise InputError above MOST_COPIES, and for an object that contains itself."""
        known: dict[str, int] = {}

        def count(name: str, above: tuple[str, ...]) -> int:
            if name in above or len(above) > 50:
                raise InputError("the model", name, "has an object that contains itself")
            if name not in known:
                parts = self._inside.get(name, [])
                found = 1
                for part in parts:
                    found += count(part, (*above, name))
                    if found > MOST_COPIES:
                        break
                known[name] = found
            return known[name]

        copies = 0
        for name in self._built or list(self._inside):
            copies += count(name, ())
            if copies > MOST_COPIES:
                limit = f"repeats its objects more than {MOST_COPIES} times"
                raise InputError("the model", copies, limit)


def _count_ply(raw: bytes) -> None:
    """Raise InputError if the header claims more elements than the file has bytes."""
    header = raw[:PLY_HEADER_BYTES].split(b"end_header", 1)[0]
    for number in re.findall(rb"^\s*element\s+\S+\s+(\S+)", header, re.MULTILINE):
        if not number.isdigit() or int(number[:18]) > len(raw) or len(number) > 18:
            claimed = number[:20].decode("ascii", "replace")
            raise InputError(
                "the header", claimed, f"claims {claimed} elements, more than it contains"
            )


def _count_glb(raw: bytes) -> None:
    """Raise InputError if counts exceed the file's size, or if it names another file (glTF 2.0)."""
    table = _glb_table(raw)
    for name in ("buffers", "images"):
        uris = [entry.get("uri") for entry in _entries(table, name)]
        if any(uri is not None and not str(uri).startswith("data:") for uri in uris):
            raise InputError(
                "the file", "", "refers to another file; it must contain everything itself"
            )
    for name, key in GLB_COUNTS.items():
        for entry in _entries(table, name):
            count = entry.get(key, 0)
            if not isinstance(count, int) or not 0 <= count <= len(raw):
                raise InputError("the header", "", f"claims {str(count)[:20]} in {name}")
    if max(len(_entries(table, name)) for name in ("nodes", "meshes")) > MOST_COPIES:
        raise InputError("the file", "", f"must have at most {MOST_COPIES} nodes and meshes")


def _glb_table(raw: bytes) -> dict[str, Any]:
    if raw[:4] != GLB_MAGIC or len(raw) < 20:
        raise InputError("the header", "", "is not that of a GLB file")
    size, kind = struct.unpack_from("<I4s", raw, 12)
    if kind != b"JSON" or size > len(raw) - 20:
        raise InputError("the header", size, "claims more data than the file contains")
    table = from_json(raw[20 : 20 + size])
    if not isinstance(table, dict):
        raise InputError("the header", "", "is not a table")
    return table


def _entries(table: dict[str, Any], name: str) -> list[dict[str, Any]]:
    found = table.get(name, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise InputError("the header", "", f"has no list of {name}")
    return found
