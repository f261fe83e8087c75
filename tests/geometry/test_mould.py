"""The mould's geometry against closed forms, and every broken mesh against its one clear line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from evenwall.geometry.crossings import crossings
from evenwall.geometry.facets import facet_mm, narrowest
from evenwall.geometry.mould import Cavity, load_cavity, mount_rotation
from evenwall.geometry.surface import MouldError
from evenwall.model import Casting, Mount, Opening, Resin, Sheet, read_casting
from evenwall.samples.make_meshes import revolve

SAMPLES = Path(__file__).resolve().parents[2] / "controller" / "samples"

RESIN = Resin(
    name="Test Clear",
    sheet=Sheet(
        pot_life_min=10,
        mixed_viscosity_mPa_s=600,
        mix_ratio_b_per_100a=90,
        mixed_density_g_cm3=1.06,
    ),
)


def casting(mesh: trimesh.Trimesh, folder: Path, name: str = "form.ply", **more: object) -> Casting:
    path = folder / name
    mesh.export(path)
    return Casting(name="Form", mesh=path, resin=RESIN, wall_mm=4.0, **more)


def bowl(level: int, radius: float = 60.0, cut: float = 30.0) -> trimesh.Trimesh:
    """A sphere open above z = cut."""
    ball = trimesh.creation.icosphere(subdivisions=level, radius=radius)
    return ball.slice_plane([0, 0, cut], [0, 0, -1])


def lidless_box(x: float, y: float, z: float) -> trimesh.Trimesh:
    box = trimesh.creation.box((x, y, z))
    box.update_faces(box.triangles_center[:, 2] < z / 2 - 1e-6)
    return box


def cubes(cells: list[tuple[int, int, int]], size: float) -> trimesh.Trimesh:
    """A closed body of cubes on a grid: faces between two cubes are left out."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    triangles = []
    for cell in cells:
        for axis in range(3):
            for side in (0, 1):
                beside = list(cell)
                beside[axis] += 2 * side - 1
                if tuple(beside) in cells:
                    continue
                corners = np.zeros((4, 3))
                corners[:, axis] = side
                corners[:, (axis + 1) % 3] = square[:, 0]
                corners[:, (axis + 2) % 3] = square[:, 1]
                if side == 0:
                    corners = corners[::-1]
                triangles += [corners[[0, 1, 2]] + cell, corners[[0, 2, 3]] + cell]
    soup = np.array(triangles) * size
    return trimesh.Trimesh(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3))


def cone(radius: float, height: float, around: int) -> trimesh.Trimesh:
    """Point down, base open."""
    a = np.linspace(0, 2 * np.pi, around, endpoint=False)
    ring = np.column_stack([radius * np.cos(a), radius * np.sin(a), np.full(around, height)])
    k = np.arange(around)
    faces = np.column_stack([np.full(around, around), np.roll(k, -1), k])
    return trimesh.Trimesh(np.vstack([ring, [[0, 0, 0]]]), faces, process=False)


def sphere_figures(cavity: Cavity) -> tuple[float, float]:
    return cavity.area_cm2, cavity.solid_volume_cm3


def test_sphere_area_and_volume_converge_at_second_order(tmp_path: Path) -> None:
    """Zone 2 pi R (R + c) and its cap-less ball pi (2R^3/3 + R^2 c - c^3/3); facets: order 2."""
    r, c = 6.0, 3.0
    area, volume = 2 * np.pi * r * (r + c), np.pi * (2 * r**3 / 3 + r**2 * c - c**3 / 3)
    errors = []
    for level in (3, 4, 5):
        found = load_cavity(casting(bowl(level), tmp_path))
        errors.append([1 - found.area_cm2 / area, 1 - found.solid_volume_cm3 / volume])
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert (orders > 1.7).all()
    assert (orders < 2.3).all()
    assert np.abs(errors[-1]).max() < 2e-3


def test_box_is_exact(tmp_path: Path) -> None:
    """Flat faces: round-off only."""
    found = load_cavity(casting(lidless_box(80, 60, 100), tmp_path))
    assert found.area_cm2 == pytest.approx(48 + 2 * 80 + 2 * 60, rel=1e-9)
    assert found.solid_volume_cm3 == pytest.approx(480, rel=1e-9)
    assert found.opening.area_cm2 == pytest.approx(48, rel=1e-9)
    assert found.opening.direction == pytest.approx((0, 0, 1))
    assert found.opening.centre_mm == pytest.approx((0, 0, 50), abs=1e-9)


def test_cone_converges_at_second_order(tmp_path: Path) -> None:
    """pi r sqrt(r^2 + h^2) and pi r^2 h / 3; a polygon of n sides errs as 1/n^2."""
    r, h = 5.0, 12.0
    exact = np.array([np.pi * r * np.hypot(r, h), np.pi * r**2 * h / 3])
    errors = []
    for around in (24, 48, 96):
        found = load_cavity(casting(cone(50, 120, around), tmp_path))
        errors.append(1 - np.array([found.area_cm2, found.solid_volume_cm3]) / exact)
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.abs(orders - 2).max() < 0.05


@pytest.mark.parametrize("suffix", ["stl", "obj", "ply", "3mf"])
def test_every_format_gives_the_same_mould(suffix: str, tmp_path: Path) -> None:
    """STL and PLY keep single precision: 1e-6 relative."""
    found = load_cavity(casting(bowl(3), tmp_path, f"form.{suffix}"))
    plain = load_cavity(casting(bowl(3), tmp_path))
    assert sphere_figures(found) == pytest.approx(sphere_figures(plain), rel=3e-6)
    assert len(found.rim) == len(plain.rim)


def test_metres_and_inches(tmp_path: Path) -> None:
    plain = load_cavity(casting(bowl(3), tmp_path))
    for unit, factor in (("m", 1e-3), ("inch", 1 / 25.4)):
        mesh = bowl(3)
        mesh.apply_scale(factor)
        found = load_cavity(casting(mesh, tmp_path, mesh_units=unit))
        assert sphere_figures(found) == pytest.approx(sphere_figures(plain), rel=3e-6)
        with pytest.raises(MouldError, match='set mesh_units = "'):
            load_cavity(casting(mesh, tmp_path))


def test_inside_out_is_turned_round_and_said(tmp_path: Path) -> None:
    mesh = bowl(3)
    mesh.invert()
    found = load_cavity(casting(mesh, tmp_path))
    assert found.opening.direction == pytest.approx((0, 0, 1), abs=1e-9)
    assert found.solid_volume_cm3 > 0
    assert any("inside out" in note for note in found.notes)


def test_some_triangles_turned(tmp_path: Path) -> None:
    mesh = bowl(3)
    mesh.faces[::7] = mesh.faces[::7, ::-1]
    found = load_cavity(
        casting(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False), tmp_path)
    )
    assert sphere_figures(found) == pytest.approx(
        sphere_figures(load_cavity(casting(bowl(3), tmp_path))), rel=1e-5
    )
    assert any("wrong way" in note for note in found.notes)


def test_closed_is_refused_unless_an_opening_is_stated(tmp_path: Path) -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=60.0)
    with pytest.raises(MouldError, match="no opening to pour through"):
        load_cavity(casting(ball, tmp_path))
    stated = Opening(centre_mm=(0, 0, 30), direction=(0, 0, 1))
    found = load_cavity(casting(ball, tmp_path, opening=stated))
    # The cut lies a hair (0.2 % of the size) inside the stated plane.
    assert found.opening.centre_mm[2] == pytest.approx(30, abs=0.5)
    assert found.opening.area_cm2 == pytest.approx(np.pi * (36 - 9), rel=0.02)


def test_a_closed_box_loses_its_stated_face_whole(tmp_path: Path) -> None:
    box = trimesh.creation.box((80, 60, 100))
    stated = Opening(centre_mm=(40, 0, 0), direction=(1, 0, 0))
    found = load_cavity(casting(box, tmp_path, opening=stated))
    assert found.opening.direction == pytest.approx((1, 0, 0), abs=1e-9)
    assert found.opening.area_cm2 == pytest.approx(60, rel=1e-6)
    assert found.solid_volume_cm3 == pytest.approx(480, rel=0.005)


def test_a_stated_cut_leaves_other_arms_alone(tmp_path: Path) -> None:
    """A U of two arms, opened on one: the other arm keeps its end."""
    solid = cubes([(0, 0, 0), (1, 0, 0), (2, 0, 0), (0, 0, 1), (2, 0, 1)], 40.0)
    stated = Opening(centre_mm=(100, 20, 80), direction=(0, 0, 1))
    found = load_cavity(casting(solid, tmp_path, opening=stated))
    assert found.opening.area_cm2 == pytest.approx(16, rel=1e-3)
    assert found.vertices_mm[found.vertices_mm[:, 0] < 50, 2].max() == pytest.approx(80, abs=1e-4)
    assert found.vertices_mm[found.vertices_mm[:, 0] > 50, 2].max() < 79.9
    assert found.opening.direction == pytest.approx((0, 0, 1), abs=1e-9)


def test_an_opening_that_is_not_on_the_mesh(tmp_path: Path) -> None:
    stated = Opening(centre_mm=(0, 0, -60))
    with pytest.raises(MouldError, match="nearest hole in the mesh is 90 mm away"):
        load_cavity(casting(bowl(3), tmp_path, opening=stated))


def test_two_bodies(tmp_path: Path) -> None:
    other = bowl(3)
    other.apply_translation([200, 0, 0])
    with pytest.raises(MouldError, match="2 bodies: must be one body"):
        load_cavity(casting(trimesh.util.concatenate([bowl(3), other]), tmp_path))


def test_two_openings(tmp_path: Path) -> None:
    ring = bowl(4).slice_plane([0, 0, -30], [0, 0, 1])
    with pytest.raises(MouldError, match="must have one opening"):
        load_cavity(casting(ring, tmp_path))


def test_a_pinhole_is_closed_and_said(tmp_path: Path) -> None:
    mesh = bowl(4)
    keep = np.ones(len(mesh.faces), dtype=bool)
    keep[int(mesh.triangles_center[:, 2].argmin())] = False
    mesh.update_faces(keep)
    found = load_cavity(casting(mesh, tmp_path))
    assert any("small hole" in note for note in found.notes)
    assert len(found.rim) == len(load_cavity(casting(bowl(4), tmp_path)).rim)


def test_cutting_through_itself(tmp_path: Path) -> None:
    """A bowl whose bottom is pushed out through its own top and one side through the other."""
    mesh = bowl(4)
    points = np.array(mesh.vertices)
    low = points[:, 2] < -50
    points[low] += [0, 0, 100]  # the bottom pushed out through the top of itself
    side = points[:, 0] > 50
    points[side, 0] -= 130  # and one side through the other
    bad = trimesh.Trimesh(points, mesh.faces, process=False)
    with pytest.raises(MouldError, match="must not cut through itself"):
        load_cavity(casting(bad, tmp_path))


def test_crossings_counts_one_pierced_pair() -> None:
    points = np.array(
        [
            [0, 0, 0],
            [10, 0, 0],
            [0, 10, 0],
            [2, 2, -1],
            [2, 2, 1],
            [9, 9, 1.0],
            [20, 0, 0],
            [0, 20, 0],
        ]
    )
    assert len(crossings(points, np.array([[0, 1, 2], [3, 4, 5]]))) == 1
    # Touching in one plane is no crossing.
    assert len(crossings(points, np.array([[0, 1, 2], [0, 6, 7]]))) == 0


def test_three_triangles_on_one_edge(tmp_path: Path) -> None:
    mesh = bowl(3)
    points = np.vstack([mesh.vertices, [[0, 0, -200]]])
    faces = np.vstack([mesh.faces, [[*mesh.edges_unique[200], len(points) - 1]]])
    with pytest.raises(MouldError, match="at most 2 triangles on an edge"):
        load_cavity(casting(trimesh.Trimesh(points, faces, process=False), tmp_path))


@pytest.mark.parametrize("content", [b"", b"solid nothing\nendsolid", b"ply\nformat", b"\x00" * 90])
def test_rubbish_files(content: bytes, tmp_path: Path) -> None:
    for suffix in ("stl", "ply", "obj", "3mf"):
        path = tmp_path / f"bad.{suffix}"
        path.write_bytes(content)
        with pytest.raises(MouldError):
            load_cavity(Casting(name="Bad", mesh=path, resin=RESIN, wall_mm=4.0))


def test_mount_turns_the_axis_to_z() -> None:
    for axis in ((0, 0, 1), (1, 0, 0), (0.3, -0.5, 0.2), (0, 0, -2)):
        turn = mount_rotation(Mount(minor_axis=axis))
        assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(turn) == pytest.approx(1.0)
        assert turn @ (np.array(axis) / np.linalg.norm(axis)) == pytest.approx([0, 0, 1], abs=1e-12)
    assert mount_rotation(Mount()) == pytest.approx(np.eye(3))


def test_neck_of_a_tube_in_a_bottle() -> None:
    """A bottle whose neck has a radius of 12 mm: samples on facets see it within 6 %."""
    z = np.array([0, 0, 60, 80, 120.0])
    r = np.array([0, 50, 50, 12, 12.0])
    bottle = trimesh.creation.revolve(np.column_stack([r, z]), sections=64)
    bottle = bottle.subdivide_to_size(6.0)
    radius, where = narrowest(np.asarray(bottle.vertices), np.asarray(bottle.faces))
    assert radius == pytest.approx(12.0, rel=0.06)
    assert where[2] > 75


def test_facets_of_a_tube_and_of_a_ball() -> None:
    """A tube's are as wide as the chords of its sections, 2 R sin(pi/n), whatever their height; a
    box's flat faces have none; a ball's are as high as its equilateral triangles."""
    tube = trimesh.creation.cylinder(50.0, 300.0, sections=40)
    chord = 2 * 50.0 * np.sin(np.pi / 40)
    assert facet_mm(np.asarray(tube.vertices), tube.faces) == pytest.approx(chord, rel=1e-6)
    cube = trimesh.creation.box((50, 50, 50)).subdivide_to_size(10.0)
    assert facet_mm(np.asarray(cube.vertices), cube.faces) == 0.0
    ball = trimesh.creation.icosphere(4, 50.0)
    high = np.sqrt(0.75) * float(ball.edges_unique_length.mean())
    assert facet_mm(np.asarray(ball.vertices), ball.faces) == pytest.approx(high, rel=0.05)


def test_a_coarse_mesh_is_said_to_be_one(tmp_path: Path) -> None:
    """Sixteen sections about a globe of 140 mm."""
    polar = np.linspace(np.pi, np.pi / 6, 10)
    coarse = revolve(70 * np.sin(polar) * (polar < 3.1), 70 * np.cos(polar), 16)
    coarse.export(tmp_path / "coarse.ply")
    globe = read_casting(SAMPLES / "lantern-globe.toml")
    found = load_cavity(globe.model_copy(update={"mesh": tmp_path / "coarse.ply"}))
    (note,) = found.notes
    assert "the mesh are about 2" in note


@pytest.mark.parametrize("name", ["lantern-globe", "lighthouse", "sea-rock"])
def test_samples_are_sound(name: str) -> None:
    found = load_cavity(read_casting(SAMPLES / f"{name}.toml"))
    assert found.notes == ()
    assert found.opening.direction == pytest.approx((0, 0, 1), abs=1e-6)
    # Isoperimetric inequality for an open skin: area^3 >= 18 pi volume^2 (the hemisphere's).
    assert found.area_cm2**3 > 18 * np.pi * found.solid_volume_cm3**2


def test_globe_against_its_own_sphere() -> None:
    """The sample's figures by hand: R = 70, open above 60 degrees of latitude; 1 % for facets."""
    found = load_cavity(read_casting(SAMPLES / "lantern-globe.toml"))
    r, c = 7.0, 7.0 * np.cos(np.radians(30))
    assert found.area_cm2 == pytest.approx(2 * np.pi * r * (r + c), rel=0.01)
    assert found.solid_volume_cm3 == pytest.approx(
        np.pi * (2 * r**3 / 3 + r**2 * c - c**3 / 3), rel=0.01
    )
