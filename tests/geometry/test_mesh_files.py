"""Mesh files that claim more than they contain, or unpack to too much, in a process with the usual
limits."""

from __future__ import annotations

import io
import json
import os
import struct
import zipfile
from pathlib import Path

import pytest
import trimesh

from evenwall.errors import InputError
from evenwall.geometry import mesh_files
from evenwall.geometry.mould import UNREADABLE
from evenwall.geometry.shapes.measures import Scan
from evenwall.geometry.shapes.scan import from_scan, read_mesh

MODEL = (
    '<?xml version="1.0"?>{doctype}<model unit="millimeter" xmlns="http://schemas.microsoft.com/'
    '3dmanufacturing/core/2015/02"><resources>{objects}</resources><build>{items}</build></model>'
)
CORNERS = "".join(
    f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in ((0, 0, 0), (9, 0, 0), (0, 9, 0), (0, 0, 9))
)
FACES = "".join(
    f'<triangle v1="{a}" v2="{b}" v3="{c}"/>'
    for a, b, c in ((0, 2, 1), (0, 1, 3), (1, 2, 3), (0, 3, 2))
)
BODY = (
    f'<object id="1"><mesh><vertices>{CORNERS}</vertices>'
    f"<triangles>{FACES}</triangles></mesh></object>"
)
ITEM = '<item objectid="{}"/>'


def archive(path: Path, *, how: int = zipfile.ZIP_DEFLATED, **model: str) -> Path:
    text = MODEL.format(**{"doctype": "", "objects": BODY, "items": ITEM.format(1), **model})
    with zipfile.ZipFile(path, "w", how) as made:
        made.writestr("3D/3dmodel.model", text)
    return path


def refused(path: Path, why: str) -> None:
    with pytest.raises(InputError, match=why) as raised:
        mesh_files.load(path, "mesh")
    assert "\n" not in str(raised.value)


def test_a_good_one_is_read_by_every_reader(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=2, radius=30.0)
    for kind in ("stl", "obj", "ply", "glb"):
        path = tmp_path / f"ball.{kind}"
        path.write_bytes(_exported(ball, kind))
        mesh, raw = mesh_files.load(path, "mesh")
        assert len(mesh.faces) == len(ball.faces), kind
        assert raw == path.read_bytes()
    mesh, _ = mesh_files.load(archive(tmp_path / "body.3mf"), "mesh")
    assert len(mesh.faces) == 4


def _exported(mesh: trimesh.Trimesh, kind: str) -> bytes:
    made = mesh.export(file_type=kind)
    return made.encode() if isinstance(made, str) else bytes(made)


def test_an_archive_that_unfolds_a_thousand_times_is_refused(tmp_path: Path) -> None:
    path = archive(tmp_path / "bomb.3mf")
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as made, made.open("a", "w") as part:
        for _ in range(500):
            part.write(bytes(1_000_000))
    assert path.stat().st_size < 1_000_000
    refused(path, "expands to 500 MB")


def test_an_archive_that_lies_about_its_size_gives_no_more_than_it_told(tmp_path: Path) -> None:
    path = archive(tmp_path / "lying.3mf", objects=BODY + " " * 100_000)
    with zipfile.ZipFile(path) as made:
        told = made.getinfo("3D/3dmodel.model").file_size
    raw = path.read_bytes()
    assert raw.count(struct.pack("<I", told)) == 2  # in the part's header and in the directory
    path.write_bytes(raw.replace(struct.pack("<I", told), struct.pack("<I", 300)))
    with pytest.raises((InputError, *UNREADABLE)):
        mesh_files.load(path, "mesh")


@pytest.mark.parametrize("how", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_an_archive_packed_otherwise_is_refused(tmp_path: Path, how: int) -> None:
    refused(archive(tmp_path / "packed.3mf", how=how), "stored or deflated")


def test_an_archive_of_many_parts_is_refused(tmp_path: Path) -> None:
    path = archive(tmp_path / "parts.3mf")
    with zipfile.ZipFile(path, "a") as made:
        for number in range(mesh_files.MOST_PARTS):
            made.writestr(f"part-{number}", b"")
    refused(path, "at most 500 parts")


def test_entities_are_refused(tmp_path: Path) -> None:
    """Ten entities, each of ten times the previous one, expand a few letters to ten thousand
    million."""
    inside = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10 if n else "lol"}">' for n in range(10))
    refused(archive(tmp_path / "laughs.3mf", doctype=f"<!DOCTYPE m [{inside}]>"), "entities")
    secret = '<!DOCTYPE m [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
    refused(archive(tmp_path / "secret.3mf", doctype=secret), "entities")


def test_objects_that_repeat_each_other_without_end_are_refused(tmp_path: Path) -> None:
    ten = "".join(
        f'<object id="{n + 1}"><components>'
        + f'<component objectid="{n}"/>' * 10
        + "</components></object>"
        for n in range(1, 10)
    )
    grown = archive(tmp_path / "grown.3mf", objects=BODY + ten, items=ITEM.format(10))
    refused(grown, "repeats its objects more than 1000 times")
    itself = '<object id="2"><components><component objectid="2"/></components></object>'
    ring = archive(tmp_path / "ring.3mf", objects=BODY + itself, items=ITEM.format(2))
    refused(ring, "contains itself")


def test_counts_that_lie_are_refused(tmp_path: Path) -> None:
    ply = tmp_path / "lying.ply"
    head = "ply\nformat binary_little_endian 1.0\nelement vertex {}\nproperty float x\nend_header\n"
    for claimed in ("4000000000", "9" * 400, "-1", "many"):
        ply.write_text(head.format(claimed))
        refused(ply, "claims")
    stl = tmp_path / "lying.stl"
    stl.write_bytes(bytes(80) + struct.pack("<I", 2**32 - 1) + bytes(100))
    mesh, _ = mesh_files.load(stl, "mesh")
    assert len(mesh.faces) == 0  # which the mould and the scan refuse


def _glb(path: Path, **table: object) -> Path:
    text = json.dumps({"asset": {"version": "2.0"}, **table}).encode()
    text += b" " * (-len(text) % 4)
    head = struct.pack("<4sII", b"glTF", 2, 20 + len(text))
    path.write_bytes(head + struct.pack("<I4s", len(text), b"JSON") + text)
    return path


def test_a_glb_that_claims_or_names_what_it_has_not_is_refused(tmp_path: Path) -> None:
    zeros = {"componentType": 5126, "type": "VEC3", "count": 10**9}
    refused(_glb(tmp_path / "zeros.glb", accessors=[zeros]), "claims 1000000000 in accessors")
    outside = [{"uri": "../../etc/passwd", "byteLength": 10}]
    refused(_glb(tmp_path / "outside.glb", buffers=outside), "refers to another file")
    refused(_glb(tmp_path / "many.glb", nodes=[{}] * 1001), "at most 1000 nodes")
    (tmp_path / "short.glb").write_bytes(b"glTF")
    refused(tmp_path / "short.glb", "not that of a GLB")


def test_no_other_file_is_opened_for_an_obj(tmp_path: Path) -> None:
    """A material library may name any path; a pipe with no writer would hold the reader up."""
    os.mkfifo(tmp_path / "library.mtl")
    ball = trimesh.creation.icosphere(subdivisions=1, radius=30.0)
    path = tmp_path / "ball.obj"
    path.write_bytes(b"mtllib library.mtl\nusemtl a\n" + _exported(ball, "obj"))
    mesh, _ = mesh_files.load(path, "mesh")
    assert len(mesh.faces) == len(ball.faces)


@pytest.mark.parametrize("name", ["device.stl", "folder.stl", "pipe.stl"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "device.stl":
        path.symlink_to("/dev/zero")
    elif name == "folder.stl":
        path.mkdir()
    else:
        os.mkfifo(path)
    refused(path, "must be a file")


def test_a_sparse_file_beyond_the_size_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sparse.stl"
    with path.open("wb") as file:
        file.truncate(mesh_files.MOST_BYTES + 1)
    refused(path, "must be at most")


def test_a_text_that_is_an_archive_in_name_alone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "text.3mf"
    path.write_bytes(io.BytesIO(b"PK no archive").getvalue())
    with pytest.raises(zipfile.BadZipFile):
        mesh_files.load(path, "mesh")


TRIANGLES = "f 1 3 2\nf 1 2 4\nf 2 3 4\nf 1 4 3\n"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("v 0 0\nv 50 0\nv 0 50\nv 9 9\n" + TRIANGLES, "x, y and z"),
        (
            "v 0 0 0\nv 50 0 0\nv 0 50 0\nf 1 2 3\nf 1 2 9\nf 1 3 9\nf 2 3 9\n",
            "cannot be|its own corners",
        ),
        ("v 0 0 0\nv 5e-9 0 0\nv 0 5e-9 0\nv 0 0 5e-9\n" + TRIANGLES, "no size"),
        ("v 9e6 0 0\nv 9e6 1 0\nv 9e6 0 1\nv 9e6 1 1\n" + TRIANGLES, "a millionth"),
        ("v 1e30 0 0\nv 0 1e30 0\nv 0 0 1e30\nv 0 0 0\n" + TRIANGLES, "farther than"),
    ],
    ids=["flat", "absent", "tiny", "far", "huge"],
)
def test_a_scan_out_of_all_proportion_is_refused(text: str, why: str, tmp_path: Path) -> None:
    (tmp_path / "scan.obj").write_text(text)
    with pytest.raises(InputError, match=why) as told:
        from_scan(Scan(file="scan.obj", known="longest", known_mm=60.0), None, tmp_path)
    assert "\n" not in str(told.value)


def test_a_scan_too_flat_for_an_opening_is_refused(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=2, radius=30.0)
    ball.vertices[:, 0] *= 0.01
    ball.export(tmp_path / "flat.stl")
    with pytest.raises(InputError, match="width"):
        from_scan(Scan(file="flat.stl", known="longest", known_mm=60.0), None, tmp_path)


def test_a_damaged_packing_is_refused(tmp_path: Path) -> None:
    path = archive(tmp_path / "body.3mf")
    raw = bytearray(path.read_bytes())
    raw[60:90] = bytes(30)  # in the deflated model
    path.write_bytes(raw)
    with pytest.raises(InputError, match="3MF"):
        read_mesh(path)
