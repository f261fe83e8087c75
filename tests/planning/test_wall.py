"""From a mould's file to a wall, its figures and its pictures."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from PIL import Image

from evenwall.errors import InputError, NotConverged, OutsideValidity
from evenwall.geometry import film_mesh as filmmesh
from evenwall.geometry.film_mesh import film_mesh
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.model import (
    CoatClock,
    CoatPlan,
    Geometry,
    Plan,
    Ramp,
    WallSummary,
    read_casting,
    read_rig,
)
from evenwall.numerics.film import mesh_error
from evenwall.planning.wall import (
    COARSER,
    WallResult,
    check_films,
    compute_wall,
    default_mesh_mm,
    film_coats,
    flow_coats,
)
from evenwall.reports.wall_view import rim_loop, write

SAMPLES = Path(__file__).resolve().parents[2] / "controller" / "samples"
RIG = read_rig(SAMPLES.parents[1] / "hardware" / "rigs" / "small.toml")
MESH_MM = 7.0
DENSITY_G_CM3, MIX_G, CUP_LEFT_G = 1.08, 95.0, 5.0


@cache
def cavity(name: str) -> Cavity:
    return load_cavity(read_casting(SAMPLES / f"{name}.toml"))


def short_coat(number: int, opening: str) -> CoatPlan:
    """A quick resin, so that the test is quick: gel at four minutes."""
    time_s = np.linspace(0.0, 236.0, 40)
    viscosity = 0.8 * (1.0 - time_s / 240.0) ** -2.0
    return CoatPlan.model_construct(
        coat=number,
        mix_g=MIX_G,
        cup_left_g=CUP_LEFT_G,
        spill_g=0.0,
        lid_g=0.0,
        clock=CoatClock.model_construct(spin_from_s=20.0),
        ramps=(Ramp(leg="spin", duration_s=5.0, major_rpm=6.0, minor_rpm=1.7 * number),),
        viscosity=tuple(zip(time_s.tolist(), viscosity.tolist(), strict=True)),
        opening_state=opening,
    )


def plan_of(*coats: CoatPlan, sha: str | None = None) -> Plan:
    casting = read_casting(SAMPLES / "lantern-globe.toml")
    sheet = casting.resin.sheet.model_copy(update={"mixed_density_g_cm3": DENSITY_G_CM3})
    casting = casting.model_copy(
        update={"resin": casting.resin.model_copy(update={"sheet": sheet})}
    )
    return Plan.model_construct(
        casting=casting,
        rig=RIG,
        geometry=Geometry.model_construct(mesh_sha256=sha or cavity("lantern-globe").mesh_sha256),
        coats=coats,
        wall=WallSummary(target_mm=4.5, mean_mm=4.5),
    )


@cache
def wall() -> WallResult:
    return compute_wall(plan_of(short_coat(1, "capped"), short_coat(2, "open")), MESH_MM)


@pytest.mark.parametrize("name", ["lantern-globe", "lighthouse", "sea-rock"])
def test_film_mesh_keeps_area_rim_and_shape(name: str) -> None:
    mould = cavity(name)
    mesh = film_mesh(mould, 6.0)
    # chords of 6 mm on walls of 40 mm lose (edge/R)^2/8 = 0.3 % of the area, small mouldings more
    assert mesh.total_area == pytest.approx(mould.area_cm2 * 1e-4, rel=0.02)
    assert mesh.edge_length_m == pytest.approx(6e-3, rel=0.1)
    # no slivers: equilateral cells differ by a few tens of per cent, rim cells are half ones
    share = mesh.area / np.median(mesh.area)
    assert share[~mesh.rim].min() > 0.3
    # one small rim cell would set the time step of the whole mesh
    assert share[mesh.rim].min() > 0.2
    rim_edges = mesh.edges[mesh.on_rim]
    rim_mm = np.linalg.norm(np.diff(mesh.points[rim_edges], axis=1)[:, 0], axis=1)
    assert np.ptp(rim_mm) < 0.1 * rim_mm.mean()
    assert mesh.weight.min() > -0.5
    # the rim is one loop about the opening, and normals point into the cavity
    middle = mesh.points[mesh.rim].mean(axis=0)
    assert np.linalg.norm(middle - mould.opening_centre_m()) < 5e-3
    assert mesh.area @ np.einsum("ij,ij->i", mesh.normals, mesh.points) < 0.0


def test_mesh_sizes_out_of_range_name_what_would_do(monkeypatch: pytest.MonkeyPatch) -> None:
    mould = cavity("lantern-globe")
    with pytest.raises(InputError, match=r"needs 500; .* mm does"):
        film_mesh(mould, 40.0)
    with pytest.raises(InputError, match=r"0\.2 to 100"):
        film_mesh(mould, float("nan"))
    monkeypatch.setattr(filmmesh, "MAX_CELLS", 5000)
    with pytest.raises(InputError, match="at most 5000"):
        film_mesh(mould, 2.0)
    assert film_mesh(mould, COARSER * default_mesh_mm(mould)).cells >= 500


def test_detail_lost_to_a_coarse_mesh_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(filmmesh, "LOSS", 0.01)  # the lighthouse's gallery loses 1.2 % at 8 mm
    with pytest.raises(InputError, match="loses 1 % of the mould's area, in detail finer"):
        film_mesh(cavity("lighthouse"), 8.0)


def test_a_mesh_with_a_sliver_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(filmmesh, "THINNEST", 1.5)
    with pytest.raises(InputError, match=r"mesh size is 8 mm.* so thin that the film"):
        film_mesh(cavity("lantern-globe"), 8.0)


def test_wall_of_a_plan_adds_its_coats_and_weighs_right() -> None:
    found = wall()
    mesh = found.mesh
    poured_m3 = (MIX_G - CUP_LEFT_G) / DENSITY_G_CM3 * 1e-6
    cured_share = 0.97  # of the sheet that does not state a shrinkage
    stayed = found.coats_m @ mesh.area
    kept = stayed / cured_share
    np.testing.assert_allclose(kept + found.spilt_m3, poured_m3, rtol=1e-12)
    assert found.spilt_m3[0] == 0.0
    assert found.spilt_m3[1] > 0.0
    s = found.summary()
    assert s.mean_mm == pytest.approx(stayed.sum() / mesh.total_area * 1e3, rel=1e-12)
    assert s.min_point_mm is not None
    assert s.min_mm is not None
    assert 0.0 < s.min_point_mm <= s.min_mm < s.mean_mm
    assert mesh.cells / found.coarse_cells == pytest.approx(COARSER**2, rel=0.2)
    difference_mm = (found.statistics.min - found.coarse.min) * 1e3
    bar_mm = mesh_error(mesh, found.statistics.min_cell, difference_mm, found.coarse_cells)
    assert s.mesh_error_mm == pytest.approx(bar_mm, rel=1e-12)


def test_the_error_of_the_shape_is_in_the_error_of_the_wall() -> None:
    """A skin known to 3 % makes a weighed wall uncertain by 3 %. It adds in quadrature to the
    mesh's error."""
    drawn = wall()
    assert drawn.summary().shape_error_mm is None
    assert drawn.error_mm == drawn.mesh_error_mm
    measured = dataclasses.replace(drawn, shape_error=0.03)
    s = measured.summary()
    assert s.min_mm is not None
    assert s.shape_error_mm == pytest.approx(0.03 * s.min_mm, rel=1e-12)
    assert s.error_mm == pytest.approx(math.hypot(drawn.mesh_error_mm, 0.03 * s.min_mm), rel=1e-12)
    assert measured.error_mm == s.error_mm


def test_the_bar_is_richardsons() -> None:
    """On a mesh twice as wide, a difference of 0.3 means an error of a third of it at second order,
    and all of it at first order. A bottom is no rim."""
    mesh = film_mesh(cavity("lantern-globe"), 8.0)
    rim, bottom = int(np.flatnonzero(mesh.rim)[0]), int(mesh.points[:, 2].argmin())
    assert mesh_error(mesh, bottom, -0.3, mesh.cells // 4) == pytest.approx(0.1, rel=0.01)
    assert mesh_error(mesh, rim, -0.3, mesh.cells // 4) == pytest.approx(0.3, rel=0.01)


def test_pictures_show_the_wall(tmp_path: Path) -> None:
    found = wall()
    write(found, tmp_path / "wall.png", "Lantern globe")
    with Image.open(tmp_path / "wall.png") as picture:
        assert picture.size == (1690, 988)
        assert len(picture.convert("RGB").getcolors(2_000_000)) > 500
    write(found, tmp_path / "wall.ply", "Lantern globe")
    again = trimesh.load_mesh(tmp_path / "wall.ply", process=False)
    assert len(again.vertices) == found.mesh.cells
    thickness = again.metadata["_ply_raw"]["vertex"]["data"]["thickness_mm"]
    np.testing.assert_allclose(np.ravel(thickness), found.total_m * 1e3, rtol=1e-5)
    write(found, tmp_path / "wall.html", "Globe <1>")
    page = (tmp_path / "wall.html").read_text(encoding="utf-8")
    assert "Globe &lt;1>" in page
    assert 'src="http' not in page  # one file, no network
    with pytest.raises(InputError, match=r"must end in \.png, \.ply, \.html"):
        write(found, tmp_path / "wall.gif", "Lantern globe")


def test_rim_is_walked_once_round() -> None:
    found = wall()
    loop = rim_loop(found)
    assert sorted(loop) == np.flatnonzero(found.mesh.rim).tolist()
    steps = np.linalg.norm(np.diff(found.mesh.points[loop], axis=0), axis=1)
    assert steps.max() < 3.0 * found.mesh.edge_length_m


def test_a_plan_that_cannot_be_flown_says_why() -> None:
    with pytest.raises(InputError, match="the mesh file has changed"):
        compute_wall(plan_of(short_coat(1, "capped"), sha="0" * 64), MESH_MM)
    no_ramps = short_coat(1, "capped").model_copy(update={"ramps": ()})
    with pytest.raises(InputError, match="ramps is 0"):
        compute_wall(plan_of(no_ramps), MESH_MM)
    no_table = short_coat(1, "capped").model_copy(update={"viscosity": ()})
    with pytest.raises(InputError, match="viscosity is 0"):
        compute_wall(plan_of(no_table), MESH_MM)


@pytest.mark.parametrize(
    ("ramp", "said"),
    [
        ({"major_rpm": 5000.0}, "turns at most at 20"),
        ({"minor_rpm": -21.0}, "turns at most at 20"),
        ({"duration_s": 0.5}, "cannot reach it, at 4 rpm/s"),
    ],
)
def test_ramps_beyond_the_rig_are_refused(ramp: dict[str, float], said: str) -> None:
    good = short_coat(1, "capped")
    bad = good.model_copy(update={"ramps": (good.ramps[0].model_copy(update=ramp),)})
    with pytest.raises(InputError, match=said) as caught:
        compute_wall(plan_of(bad), MESH_MM)
    assert "\n" not in str(caught.value)


def test_a_wall_of_resin_that_stood_in_a_pool_is_refused() -> None:
    # Half a turn, then the frame stands opening-down while the coat is liquid: unchecked, the film
    # equation piled this coat up to 1540 mm in one cell, in a globe 130 mm wide.
    turned = tuple(
        Ramp(leg="spin", duration_s=duration_s, major_rpm=rate_rpm, minor_rpm=0.0)
        for duration_s, rate_rpm in ((5.0, 3.0), (2.5, 3.0), (5.0, 0.0))
    )
    stood = short_coat(1, "capped").model_copy(update={"ramps": turned})
    with pytest.raises(OutsideValidity, match=r"mm.*cannot be computed"):
        wall_of(stood)


def test_a_film_that_lost_resin_is_refused() -> None:
    found = wall()
    poured_m3 = np.full(2, (MIX_G - CUP_LEFT_G) / DENSITY_G_CM3 * 1e-6)
    liquid_m = found.coats_m / 0.97
    check_films(found.mesh, liquid_m, found.spilt_m3, poured_m3)
    with pytest.raises(NotConverged, match="mass"):
        check_films(found.mesh, liquid_m * 1.001, found.spilt_m3, poured_m3)


def wall_of(*coats: CoatPlan) -> None:
    plan = plan_of(*coats)
    flow_coats(plan, film_coats(plan), film_mesh(cavity("lantern-globe"), 8.0), 1)
