"""The wall's own page, opened from its file as a person would."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser

from evenwall.geometry.film_mesh import film_mesh
from evenwall.geometry.mould import load_cavity
from evenwall.model import read_casting
from evenwall.numerics.film import WallWeights
from evenwall.planning.wall import WallResult
from evenwall.reports.wall_view import write

pytestmark = pytest.mark.browser
SAMPLES = Path(__file__).resolve().parents[2] / "controller" / "samples"


def globe() -> WallResult:
    """A wall of invented thickness: this test does not need a film."""
    mesh = film_mesh(load_cavity(read_casting(SAMPLES / "lantern-globe.toml")), 8.0)
    weights, wall_m = WallWeights.of(mesh), 4.5e-3 + 0.01 * mesh.points[:, 2]
    found = weights.statistics(wall_m)
    return WallResult(
        mesh=mesh,
        mesh_mm=8.0,
        weights=weights,
        coats_m=wall_m[None],
        spilt_m3=np.zeros(1),
        statistics=found,
        coarse=found,
        coarse_cells=mesh.cells // 2,
        target_mm=4.5,
        facet_mm=4.1,
    )


def test_the_page_shows_the_whole_casting_in_the_colours_of_its_scale(
    browser: Browser, tmp_path: Path
) -> None:
    """On a phone too; the page uses no network and throws no error."""
    write(globe(), tmp_path / "wall.html", "Lantern globe")
    for width, height in ((360, 740), (1280, 900)):
        page = browser.new_page(viewport={"width": width, "height": height})
        wrong: list[str] = []
        page.on("pageerror", lambda error, into=wrong: into.append(str(error)))
        page.on("request", lambda asked, into=wrong: into.append(asked.url))
        page.goto((tmp_path / "wall.html").as_uri())
        page.wait_for_function("typeof usual_fov !== 'undefined' && usual_fov > 0")
        page.evaluate("render()")
        shot = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        page.close()
        assert [w for w in wrong if not w.startswith(("file:", "data:", "blob:"))] == []
        seen = np.asarray(shot, dtype=int)[160:]  # below the legend
        shape = (seen < 245).any(axis=2)
        assert 0.2 < shape.mean() < 0.6
        assert not shape[:, [0, -1]].any()  # nothing is cut off at the sides
        bright = seen[shape].max(axis=1)
        assert bright.min() > 50  # viridis has nothing darker, so no side is unlit
        colours = {tuple(c) for c in (seen[shape] // 32).tolist()}
        assert len(colours) > 12
