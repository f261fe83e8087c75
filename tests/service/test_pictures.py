"""Uploaded pictures are read completely in a separate process before the library keeps them."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from PIL import Image

from evenwall.errors import InputError
from evenwall.service.library import Library
from evenwall.service.uploads import kind_of
from tests.geometry.test_photos_that_lie import NOTES, WEBP, png

HTML = b"<script>alert(1)</script>"


def drawn(kind: str, **how: object) -> bytes:
    to = io.BytesIO()
    Image.effect_noise((60, 40), 50.0).convert("RGB").save(to, kind, **how)  # type: ignore[arg-type]
    return to.getvalue()


def sent(folder: Path, name: str, content: bytes) -> Library:
    library = Library(folder)
    library.uploads.take(name, 0, len(content), content)
    return library


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.jpg", HTML),
        ("a.png", b"GIF89a" + bytes(100)),
        ("a.webp", b"\0"),
        ("a.jpg", b"\xff\xd8\xff" + HTML),  # the beginning alone is a picture's
        ("a.jpg", drawn("JPEG")[:-400]),
        ("a.png", png(2**31 - 1, 2**31 - 1)),
        ("a.png", png(30_000, 30_000)),
        ("a.png", png(10, 10, NOTES)),
        ("a.webp", WEBP),
        ("a.jpg", b"%PDF-1.4\n" + drawn("JPEG")),
    ],
    ids=range(10),
)
def test_what_is_no_whole_picture_is_not_kept(tmp_path: Path, name: str, content: bytes) -> None:
    with pytest.raises(InputError) as told:
        sent(tmp_path, name, content)
    said = str(told.value)
    assert "\n" not in said
    assert ".part" not in said
    assert str(tmp_path) not in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "content", "kind"),
    [
        ("a.jpg", drawn("JPEG"), "image/jpeg"),
        ("a.png", drawn("JPEG") + HTML, "image/jpeg"),  # told by its content, not by its name
        ("a.jpg", drawn("PNG"), "image/png"),
        ("a.webp", drawn("WEBP"), "image/webp"),
        ("a.jpeg", drawn("JPEG", exif=b"Exif\0\0" + bytes(60_000)), "image/jpeg"),
    ],
)
def test_a_picture_is_kept_and_told_by_its_content(
    tmp_path: Path, name: str, content: bytes, kind: str
) -> None:
    path, found = sent(tmp_path, name, content).picture(name)
    assert (path.read_bytes(), found) == (content, kind)


def test_a_picture_sent_in_parts_is_looked_at_once_it_is_whole(tmp_path: Path) -> None:
    library, content = Library(tmp_path), drawn("PNG") + bytes(10)
    assert not library.uploads.take("a.png", 0, len(content), content[:50], "one").whole
    assert library.uploads.take("a.png", 50, len(content), content[50:], "one").whole


def test_an_earlier_picture_stays_where_its_successor_is_refused(tmp_path: Path) -> None:
    good = drawn("PNG")
    library = sent(tmp_path, "a.png", good)
    with pytest.raises(InputError, match="must be a JPEG, PNG or WebP"):
        library.uploads.take("a.png", 0, len(HTML), HTML)
    assert library.picture("a.png")[0].read_bytes() == good


def test_a_file_that_somebody_put_there_is_not_served_as_a_picture(tmp_path: Path) -> None:
    (tmp_path / "amber.sheet.png").write_bytes(HTML)
    with pytest.raises(InputError, match="is not a picture"):
        Library(tmp_path).picture("amber.sheet.png")


def test_kinds_are_told_by_their_first_bytes() -> None:
    assert kind_of(b"") is None
    assert kind_of(b"RIFF\n\n\n\nWEBP") == "image/webp"
    assert kind_of(b"RIFF....WAVE") is None
