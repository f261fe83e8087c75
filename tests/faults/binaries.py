"""Photographs and meshes as an upload may hold them: good ones, damaged in a few bytes."""

from __future__ import annotations

import io
import random
import struct
import tempfile
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import trimesh
from PIL import Image

from evenwall.errors import InputError
from evenwall.geometry.pictures import open_picture
from evenwall.geometry.shapes.measures import Scan
from evenwall.geometry.shapes.scan import from_scan, read_mesh

MODEL = (
    '<?xml version="1.0"?><model unit="millimeter" xmlns="http://schemas.microsoft.com/'
    '3dmanufacturing/core/2015/02"><resources><object id="1"><mesh><vertices>{corners}</vertices>'
    '<triangles>{faces}</triangles></mesh></object></resources><build><item objectid="1"/></build>'
    "</model>"
)
# Lengths, counts and sizes that a header may claim.
CLAIMED = (0, 1, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


@cache
def photographs() -> tuple[bytes, ...]:
    picture = Image.effect_noise((40, 30), 60.0).convert("RGB")
    notes = Image.Exif()
    notes[0x0112], notes[0x010E], notes[0x829A] = 6, "x" * 50, (1, 100)  # turned; words; exposure
    found = []
    kinds: tuple[tuple[str, dict[str, Any]], ...] = (
        ("JPEG", {}),
        ("JPEG", {"progressive": True}),
        ("PNG", {}),
        ("WEBP", {}),
        ("WEBP", {"lossless": True}),
    )
    for kind, how in kinds:
        to = io.BytesIO()
        picture.save(to, kind, exif=notes, **how)
        found.append(to.getvalue())
    return tuple(found)


@cache
def meshes() -> dict[str, bytes]:
    ball = trimesh.creation.icosphere(subdivisions=1, radius=30.0)
    found = {}
    for kind in ("stl", "stl_ascii", "obj", "ply", "glb"):
        made = ball.export(file_type=kind)
        found[kind] = made.encode() if isinstance(made, str) else bytes(made)
    corners = "".join('<vertex x="{}" y="{}" z="{}"/>'.format(*at) for at in ball.vertices)
    faces = "".join('<triangle v1="{}" v2="{}" v3="{}"/>'.format(*of) for of in ball.faces)
    to = io.BytesIO()
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("3D/3dmodel.model", MODEL.format(corners=corners, faces=faces))
    return found | {"3mf": to.getvalue()}


def bytes_spoilt(content: bytes, draw: random.Random) -> bytes:
    """Change, cut out, repeat or claim something else in a few places, often near the beginning."""
    data = bytearray(content)
    how = draw.randrange(4)
    for _ in range(draw.choice((1, 1, 2, 5, 20))):
        at = draw.randrange(min(len(data), draw.choice((60, 300, 10**9))))
        if how == 0:
            data[at] = draw.randrange(256)
        elif how == 1:
            order = draw.choice("<>")
            data[at : at + 4] = struct.pack(f"{order}I", draw.choice(CLAIMED))
        elif how == 2:
            del data[at : at + draw.choice((1, 4, 100))]
        else:
            data[at:at] = data[at : at + draw.choice((1, 8, 200))]
        if not data:
            return b"\0"
    return bytes(data)


def _tried(name: str, content: bytes, read: Callable[[Path], object]) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            read(path)
        except InputError as error:
            said = str(error)
        else:
            return True
    assert "\n" not in said, said
    assert len(said) < 1500, said
    return False


def photograph(draw: random.Random) -> bool:
    """A picture of a form or of a run."""
    return _tried("photo", bytes_spoilt(draw.choice(photographs()), draw), open_picture)


def _as_scan(path: Path) -> None:
    points, faces = read_mesh(path)
    assert faces.min() >= 0
    assert faces.max() < len(points)
    from_scan(Scan(file=path.name, known="longest", known_mm=60.0), None, path.parent)


def mesh_file(draw: random.Random) -> bool:
    """A mesh in one of the formats that the library takes."""
    kind, content = draw.choice(list(meshes().items()))
    name = f"mesh.{kind.removesuffix('_ascii')}"
    return _tried(name, bytes_spoilt(content, draw), _as_scan)
