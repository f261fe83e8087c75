"""The library over HTTP: permissions, answers, and sending a file in parts."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import trimesh

from tests.service.test_library import CASTING, GIRTHS, RESIN
from tests.support.virtual_shop import SAMPLES
from tests.web.server import PanelServer


@pytest.fixture
def panel() -> Iterator[PanelServer]:
    with PanelServer() as panel:
        folder = panel.service.library.folder
        for file in folder.iterdir():
            file.unlink()
        shutil.copy(SAMPLES / "quick-clear.toml", folder)
        yield panel


@pytest.fixture
def phone(panel: PanelServer) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"{panel.url}/api/library", timeout=30) as phone:
        told = httpx.post(f"{panel.url}/api/pair", json={"code": panel.code()})
        phone.cookies = told.cookies
        phone.headers["x-evenwall-csrf"] = told.json()["csrf"]
        yield phone


def put(phone: httpx.Client, path: str, **wish: Any) -> httpx.Response:
    return phone.put(path, json=wish)


def test_resin_and_casting_are_kept_and_read_back(phone: httpx.Client) -> None:
    assert put(phone, "/resins/amber", resin=RESIN, new=True).json()["name"] == "Amber Clear"
    assert phone.get("/resins/amber").json()["resin"] == RESIN
    told = put(phone, "/castings/globe", casting=CASTING, measures=GIRTHS, new=True)
    assert told.json() == {
        "casting_id": "globe",
        "name": "Globe",
        "resin": "Quick Clear",
        "wall_mm": 4.5,
    }
    assert phone.get("/castings/globe").json()["measures"] == GIRTHS
    taken = put(phone, "/castings/globe", casting=CASTING, measures=GIRTHS, new=True)
    assert taken.status_code == 422
    assert "is taken" in taken.json()["detail"]


def test_shape_tells_figures_or_what_to_measure_again(phone: httpx.Client) -> None:
    assert phone.post("/shape", json={"measures": GIRTHS}).json()["area_cm2"] == pytest.approx(
        573, abs=1
    )
    wrong = {"name": "x", "turned": {"heights_mm": [0, 10], "girths_mm": [0, 90]}}
    told = phone.post("/shape", json={"measures": wrong})
    assert told.status_code == 422
    assert "a flat end has a girth" in told.json()["detail"]


def test_file_is_sent_in_parts(phone: httpx.Client, panel: PanelServer) -> None:
    content = trimesh.creation.icosphere(5, radius=70.0).export(file_type="stl")
    assert isinstance(content, bytes)
    assert len(content) > 1_000_000
    whole = len(content)
    for _ in range(9):
        here = phone.get("/uploads/ball.stl").json()
        if here["whole"]:
            break
        at = here["bytes"]
        part = content[at : at + 400_000]
        phone.put(f"/uploads/ball.stl?offset={at}&total={whole}", content=part)
    assert (panel.service.library.folder / "ball.stl").read_bytes() == content
    scan = {"name": "Ball", "scan": {"file": "ball.stl", "known_mm": 140.0}}
    told = phone.post("/shape", json={"measures": scan}).json()
    assert told["size_mm"][2] < 140.0  # its top is cut open
    assert any("is proposed at the top" in note for note in told["notes"])


def test_part_that_is_too_large_is_refused(phone: httpx.Client) -> None:
    told = phone.put("/uploads/a.stl?offset=0&total=2000000", content=b"x" * 1_000_001)
    assert told.status_code == 413


def test_outline_is_found_and_the_picture_shown(phone: httpx.Client, panel: PanelServer) -> None:
    from tests.geometry.camera import render

    mesh = trimesh.creation.cylinder(40.0, 120.0)
    mesh.apply_translation([0, 0, 60])
    render(mesh, panel.service.library.folder / "front.jpg", 0.0, 800.0, 60.0, tall_px=500)
    told = phone.post("/outline", json={"file": "front.jpg"}).json()
    assert (told["width_px"], told["height_px"]) == (500, 500)
    assert len(told["outline_px"]) >= 8
    assert phone.get("/files/front.jpg").headers["content-type"] == "image/jpeg"


def test_nobody_writes_unpaired(panel: PanelServer) -> None:
    for method, path in (
        ("PUT", "/resins/amber"),
        ("PUT", "/castings/globe"),
        ("POST", "/shape"),
        ("POST", "/outline"),
        ("PUT", "/uploads/a.stl?offset=0&total=3"),
    ):
        answer = httpx.request(method, f"{panel.url}/api/library{path}", json={})
        assert answer.status_code in (401, 422), path
    assert [p.name for p in panel.service.library.folder.iterdir()] == ["quick-clear.toml"]
