"""The library's files are written by phone, read by the command line, and never incomplete."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
import trimesh

from evenwall.errors import EvenwallError, InputError
from evenwall.geometry.mould import load_cavity
from evenwall.model import read_casting, read_resin
from evenwall.service.library import Library, _apart
from evenwall.service.uploads import Uploads
from tests.support.virtual_shop import SAMPLES

GIRTHS = {
    "name": "Globe",
    "turned": {
        "heights_mm": [0, 15, 35, 55, 75, 95, 115, 130],
        "girths_mm": [0, 272, 381, 430, 438, 412, 340, 226],
        "closed_end": "round",
    },
}
SMALL = {
    "name": "Ball",
    "body": [{"kind": "ball", "diameter_mm": 60}],
    "mouth": {"diameter_mm": 30},
}
CASTING = {"name": "Globe", "resin": "quick-clear.toml", "wall_mm": 4.5}
RESIN = {
    "name": "Amber Clear",
    "price_per_kg": 41.0,
    "sheet": {
        "pot_life_min": 12,
        "mixed_viscosity_mPa_s": 550,
        "mix_ratio_b_per_100a": 90,
        "mixed_density_g_cm3": 1.07,
    },
}


@pytest.fixture
def library(tmp_path: Path) -> Library:
    shutil.copy(SAMPLES / "quick-clear.toml", tmp_path)
    return Library(tmp_path)


def files(library: Library) -> set[str]:
    return {path.name for path in library.folder.iterdir()}


def test_casting_from_girths_is_read_by_the_command_line(library: Library) -> None:
    card = library.keep_casting("globe", CASTING, GIRTHS, new=True)
    assert (card.name, card.resin, card.wall_mm) == ("Globe", "Quick Clear", 4.5)
    casting = read_casting(library.folder / "globe.toml")
    assert casting.shape is not None
    assert 0.5 < casting.shape.area_error_percent < 3.0
    assert load_cavity(casting).area_cm2 == pytest.approx(573, abs=2)
    entry = library.casting("globe")
    assert entry.measures == GIRTHS
    assert library.keep_casting("globe", entry.casting, entry.measures, new=False) == card


def test_edit_without_measurements_keeps_the_mesh_and_the_file_before(library: Library) -> None:
    library.keep_casting("globe", CASTING, GIRTHS, new=True)
    table = library.casting("globe").casting
    library.keep_casting("globe", {**table, "wall_mm": 3.0}, None, new=False)
    assert read_casting(library.folder / "globe.toml").wall_mm == 3.0
    assert "wall_mm = 4.5" in (library.folder / "globe.toml~").read_text(encoding="utf-8")


def test_what_is_refused_leaves_every_file_as_it_was(library: Library) -> None:
    library.keep_casting("globe", CASTING, GIRTHS, new=True)
    before = {name: (library.folder / name).read_bytes() for name in files(library)}
    cases = [
        ("globe", CASTING, GIRTHS, True, "is taken"),
        ("globe", {**CASTING, "wall_mm": 400}, None, False, "mesh is missing"),
        ("globe", {**CASTING, "wall_mm": 400}, SMALL, False, "must be <= 50"),
        ("other", CASTING, GIRTHS, False, "no such file in the library"),
        ("Ölmütz", CASTING, GIRTHS, True, "small letters"),
        ("new", {**CASTING, "resin": "../quick-clear.toml"}, GIRTHS, True, "without a folder"),
        ("new", {**CASTING, "resin": "none.toml"}, GIRTHS, True, "no such file"),
        ("new", CASTING, {**GIRTHS, "scan": {"file": "a.obj"}}, True, "in one way"),
        ("new", CASTING, {"name": "x", "scan": {"file": "../a.obj"}}, True, "small letters"),
        ("new", CASTING, {"name": "x", "scan": {"file": "a.obj"}}, True, "send it first"),
    ]
    for casting_id, table, measures, new, words in cases:
        with pytest.raises(InputError, match=words):
            library.keep_casting(casting_id, table, measures, new)
        kept = {name: (library.folder / name).read_bytes() for name in before}
        assert kept == before, words


def test_resin_is_checked_as_the_command_line_checks_it(library: Library) -> None:
    assert library.keep_resin("amber", RESIN, new=True).name == "Amber Clear"
    assert read_resin(library.folder / "amber.toml").sheet.pot_life_min == 12
    assert library.resin("amber").resin == RESIN
    wrong = {**RESIN, "sheet": {**RESIN["sheet"], "demould_min": 5}}  # type: ignore[dict-item]
    with pytest.raises(InputError, match="at least the pot life"):
        library.keep_resin("amber", wrong, new=False)
    assert library.resin("amber").resin == RESIN
    (library.folder / "amber.sheet.jpg").write_bytes(b"x")
    assert library.resin("amber").picture == "amber.sheet.jpg"


def test_shape_is_shown_before_it_is_kept(library: Library) -> None:
    before = files(library)
    card = library.shape(GIRTHS)
    assert card.area_cm2 == pytest.approx(573, abs=2)
    heights, left, right = zip(*card.sides[0].rows_mm, strict=True)
    assert max(right) - min(left) == pytest.approx(card.size_mm[0], abs=0.2)
    assert max(heights) <= 130.0
    assert files(library) == before


def test_upload_goes_on_where_the_line_broke(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path)
    content = trimesh.creation.icosphere(3).export(file_type="stl")
    assert isinstance(content, bytes)
    whole, half = len(content), len(content) // 2
    assert not uploads.take("ball.stl", 0, whole, content[:half]).whole
    assert not (tmp_path / "ball.stl").exists()
    again = Uploads(tmp_path)  # the controller has been restarted meanwhile
    assert again.standing("ball.stl").bytes == half
    with pytest.raises(InputError, match=f"must be {half}, the length received so far"):
        again.take("ball.stl", half + 1, whole, content[half + 1 :])
    assert again.take("ball.stl", half, whole, content[half:]).whole
    assert (tmp_path / "ball.stl").read_bytes() == content


@pytest.mark.parametrize(
    ("name", "total", "words"),
    [
        ("../ball.stl", 10, "small letters"),
        ("ball.toml", 10, "and end in"),
        ("Ball.stl", 10, "small letters"),
        ("ball.stl", 64_000_001, "must be 1 to 64000000"),
        ("sheet.jpg", 20_000_001, "must be 1 to 20000000"),
    ],
)
def test_uploads_have_names_and_sizes(name: str, total: int, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        Uploads(tmp_path).take(name, 0, total, b"12345")
    assert not list(tmp_path.iterdir())


def test_folder_has_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenwall.service.uploads.ALL_BYTES", 12)
    uploads = Uploads(tmp_path)
    uploads.take("a.stl", 0, 10, b"1234567890")
    with pytest.raises(InputError, match="no longer needed"):
        uploads.take("b.stl", 0, 5, b"12345")


def test_an_upload_goes_on_with_the_same_content_only(tmp_path: Path) -> None:
    """A stamp distinguishes two files of one name; beginning again drops an abandoned file."""
    uploads = Uploads(tmp_path)
    uploads.take("ball.stl", 0, 6, b"abc", "one")
    assert uploads.standing("ball.stl", "one").bytes == 3
    assert uploads.standing("ball.stl", "two").bytes == 0
    with pytest.raises(InputError, match="must be 0, the length received so far"):
        uploads.take("ball.stl", 3, 6, b"xyz", "two")
    uploads.take("ball.stl", 3, 6, b"def", "one")
    assert (tmp_path / "ball.stl").read_bytes() == b"abcdef"
    uploads.take("ball.stl", 0, 6, b"uvw", "two")
    uploads.take("ball.stl", 0, 6, b"rst", "three")
    assert [path.name for path in tmp_path.glob("*.part")] == ["ball.stl.three.part"]
    with pytest.raises(InputError, match="0 to 16 small letters"):
        uploads.standing("ball.stl", "../x")


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_a_part_is_written_into_a_file_alone(tmp_path: Path, kind: str) -> None:
    """Something put in the place of a part by another hand is neither followed nor waited for."""
    (tmp_path / "elsewhere").write_text("not ours")
    part = tmp_path / "scan.ply.part"
    if kind == "link":
        part.symlink_to(tmp_path / "elsewhere")
    elif kind == "pipe":
        os.mkfifo(part)
    else:
        part.mkdir()
    with pytest.raises(InputError):
        Uploads(tmp_path).take("scan.ply", 0, 4, b"abcd")
    assert (tmp_path / "elsewhere").read_text() == "not ours"
    assert not (tmp_path / "scan.ply").exists()


def test_a_scan_that_takes_too_long_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenwall.service.library.SHAPE_TIME_s", 0.2)
    os.mkfifo(tmp_path / "never.jpg")
    with pytest.raises(EvenwallError, match="ended early"):
        _apart("outline", tmp_path / "never.jpg")
