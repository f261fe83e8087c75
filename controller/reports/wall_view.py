"""Pictures of a wall: views coloured by thickness, a histogram, the rim; PLY and HTML to turn."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import trimesh
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from mpl_toolkits.mplot3d.art3d import Poly3DCollection
from mpl_toolkits.mplot3d.axes3d import Axes3D
from trimesh.viewer.notebook import scene_to_html

from evenwall.errors import InputError
from evenwall.palette import AMBER, INK, PAPER, PEN, wall_scale
from evenwall.planning.wall import WallResult
from evenwall.units import SHOWN, System, shown

Floats = npt.NDArray[np.float64]

MAP = LinearSegmentedColormap.from_list("amber", AMBER)  # light is thin, dark is thick
MARKS = "Dot: thinnest place. Line: opening, dotted where hidden."
VIEWS = (("front", 12, -90), ("back", 12, 90), ("into the opening", 65, -60), ("below", -50, -60))


def write(wall: WallResult, path: Path, title: str, units: System = "metric") -> None:
    """Write the wall as .png, .ply or .html, with its words in these units.

    Raises InputError for any other ending.
    """
    makers: dict[str, Callable[[WallResult, Path, str, System], None]] = {
        ".png": write_png,
        ".ply": write_ply,
        ".html": write_html,
    }
    maker = makers.get(path.suffix.lower())
    if maker is None:
        raise InputError("--out", path.name, f"must end in {', '.join(makers)}")
    maker(wall, path, title, units)


def scale_of(wanted_mm: float) -> Normalize:
    """Return the common scale of all pictures of a wall, in mm."""
    scale = wall_scale(wanted_mm)
    return Normalize(vmin=scale["low_mm"], vmax=scale["high_mm"])


def _coloured(wall: WallResult) -> trimesh.Trimesh:
    """The casting's outside, mm in the mould frame, coloured per corner."""
    colours = (MAP(scale_of(wall.target_mm)(wall.total_m * 1e3)) * 255).astype(np.uint8)
    return trimesh.Trimesh(
        wall.mesh.points * 1e3,
        wall.mesh.triangles[:, ::-1],
        vertex_colors=colours,
        vertex_attributes={"thickness_mm": (wall.total_m * 1e3).astype(np.float32)},
        process=False,
    )


def write_ply(wall: WallResult, path: Path, title: str, units: System = "metric") -> None:
    """Write a PLY file whose vertices carry `thickness_mm` and a colour."""
    del title, units  # PLY has no place for them
    _coloured(wall).export(path, file_type="ply")


# The library's page lights from the front alone, shows one side of each triangle and fits wide
# windows only. Here: colours near those of the scale, both sides, and the whole casting in a
# phone's window too.
BETTER_VIEW = """<script>
const usual_resize = onWindowResize;
let usual_fov = 0;
onWindowResize = function () {
  if (!usual_fov) {
    usual_fov = camera.fov;
    tracklight.intensity = 0.25;
    scene.add(new THREE.AmbientLight(0xffffff, 0.8));
    scene.traverse((part) => {
      if (!part.isMesh) return;
      part.geometry.computeVertexNormals();
      const vertexColors = part.material.vertexColors;
      part.material = new THREE.MeshLambertMaterial({vertexColors, side: THREE.DoubleSide});
    });
  }
  const narrow = Math.max(1, window.innerHeight / window.innerWidth);
  const half = Math.tan((usual_fov * Math.PI) / 360) * narrow;
  camera.fov = (360 / Math.PI) * Math.atan(half);
  usual_resize();
};
</script>"""


def write_html(wall: WallResult, path: Path, title: str, units: System = "metric") -> None:
    """Write one file that needs no network: drag to turn, wheel or two fingers to zoom."""
    s = wall.statistics
    scene = trimesh.Scene(_coloured(wall))
    scene.set_camera(angles=np.radians((62.0, 0.0, 0.0)), distance=1.05 * scene.scale)
    page = str(scene_to_html(scene)).replace("</body>", f"{BETTER_VIEW}</body>", 1)
    scale = wall_scale(wall.target_mm)
    steps = ", ".join(
        "rgb({:.0f} {:.0f} {:.0f})".format(*(255 * np.array(MAP(x)[:3])))
        for x in np.linspace(0.0, 1.0, 9)
    )
    thinnest = f"{s.min * 1e3:.2f} +- {wall.error_mm:.2f} mm"
    low, wanted, high = (
        shown(f"{value_mm:.1f} mm", units)
        for value_mm in (scale["low_mm"], wall.target_mm, scale["high_mm"])
    )
    legend = (
        '<div style="position:fixed;left:1rem;top:1rem;font:14px Bitter,Georgia,serif;'
        f'background:{PAPER};color:{INK};padding:.6rem .8rem;border-radius:4px">'
        f"<b>{_escape(title)}</b><br>"
        f"{shown(f'mean {s.mean * 1e3:.2f} mm, thinnest patch {thinnest}', units)}"
        f'<div style="height:12px;margin:.4rem 0 .1rem;background:linear-gradient(90deg,{steps})">'
        '</div><div style="display:flex;justify-content:space-between;gap:1rem">'
        f"<span>{low} or less</span><span>{wanted} wanted</span>"
        f"<span>{high} or more</span></div></div>"
    )
    page = page.replace("trimesh: threejs viewer", _escape(title), 1)
    path.write_text(page.replace("<body>", f"<body>{legend}", 1), encoding="utf-8")


def _escape(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;")


def write_png(wall: WallResult, path: Path, title: str, units: System = "metric") -> None:
    """Write four views, a histogram by area and the rim's profile."""
    figure_of(wall, title, units).savefig(path, dpi=130)


def figure_of(wall: WallResult, title: str, units: System = "metric") -> Figure:
    """Return the picture for a file or a report, with its axes in these units."""
    figure = Figure(figsize=(13, 7.6), layout="constrained")
    grid = figure.add_gridspec(2, 5, width_ratios=[1, 1, 1, 1, 0.06], height_ratios=[1.25, 1])
    scale = scale_of(wall.target_mm)
    for k, (name, elevation, azimuth) in enumerate(VIEWS):
        axes = figure.add_subplot(grid[0, k], projection="3d")
        draw_view(axes, wall, elevation, azimuth, scale)
        axes.set_title(name, fontsize=10, y=-0.08)
    colour_bar(figure, figure.add_subplot(grid[0, 4]), scale, units)
    _histogram(figure.add_subplot(grid[1, :2]), wall, units)
    _rim(figure.add_subplot(grid[1, 2:4]), wall, units)
    s = wall.statistics
    said = shown(
        f"mean {s.mean * 1e3:.2f} mm, thinnest patch {s.min * 1e3:.2f} +- {wall.error_mm:.2f} mm, "
        f"5 % of the area below {s.p05 * 1e3:.2f} mm, computed on a {wall.mesh_mm:.1f} mm mesh",
        units,
    )
    figure.suptitle(f"{title}: {said}. {MARKS}", fontsize=12, wrap=True)
    return figure


def colour_bar(figure: Figure, axes: Axes, scale: Normalize, units: System) -> None:
    """Draw the scale of the wall beside its pictures, in these units."""
    unit = SHOWN[units]["mm"]
    low, high = scale.vmin or 0.0, scale.vmax or 0.0
    own = Normalize(vmin=low * unit.factor, vmax=high * unit.factor)
    figure.colorbar(ScalarMappable(own, MAP), cax=axes, label=f"wall, {unit.symbol}", extend="both")


def draw_view(
    axes: Axes3D, wall: WallResult, elevation_deg: float, azimuth_deg: float, scale: Normalize
) -> None:
    """Draw one view into 3-D axes, each triangle in the colour of its mean thickness."""
    mesh, h_mm = wall.mesh, wall.total_m * 1e3
    corners = mesh.points[mesh.triangles] * 1e3
    colours = MAP(scale(h_mm[mesh.triangles].mean(axis=1)))
    # Gentle light from over the viewer's shoulder: the colour must stay readable as a scale.
    turn, rise = np.radians(azimuth_deg + 35.0), np.radians(elevation_deg + 30.0)
    light = np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])
    outward = -mesh.normals[mesh.triangles].mean(axis=1)
    colours[:, :3] *= (0.86 + 0.14 * (outward @ light))[:, None]
    axes.add_collection3d(
        Poly3DCollection(
            corners, facecolors=colours, edgecolors=colours, linewidths=0.2, antialiased=False
        )
    )
    worst = mesh.points[wall.statistics.min_cell] * 1e3 - mesh.normals[wall.statistics.min_cell] * 2
    axes.scatter(*worst, marker="o", color=PEN, s=40, depthshade=False)
    rim = mesh.points[rim_loop(wall)].T * 1e3
    sight = np.radians([elevation_deg, azimuth_deg])
    eye = np.array(
        [np.cos(sight[0]) * np.cos(sight[1]), np.cos(sight[0]) * np.sin(sight[1]), np.sin(sight[0])]
    )
    hidden = eye @ (rim.mean(axis=1) - mesh.points.mean(axis=0) * 1e3) < 0.0
    axes.plot(*np.hstack([rim, rim[:, :1]]), ":" if hidden else "-", color=INK, lw=1.8, zorder=10)
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), zlim=(low[2], high[2]))
    axes.set_box_aspect(tuple(high - low), zoom=1.25)
    axes.view_init(elev=elevation_deg, azim=azimuth_deg)
    axes.set_axis_off()


def _histogram(axes: Axes, wall: WallResult, units: System) -> None:
    s, unit = wall.statistics, SHOWN[units]["mm"]
    axes.hist(
        wall.total_m * 1e3 * unit.factor,
        bins=60,
        weights=wall.mesh.area / wall.mesh.total_area * 100.0,
        color=MAP(0.6),
    )
    for value, label, side in (
        (s.min, "thinnest patch", "right"),
        (s.mean, "mean", "right"),
        (wall.target_mm * 1e-3, "wanted", "left"),
    ):
        axes.axvline(value * 1e3 * unit.factor, color=INK, lw=1)
        axes.annotate(
            label,
            (value * 1e3 * unit.factor, 0.97),
            xycoords=("data", "axes fraction"),
            xytext=(-3 if side == "right" else 3, 0),
            textcoords="offset points",
            rotation=90,
            ha=side,
            va="top",
            fontsize=9,
        )
    axes.set(xlabel=f"wall, {unit.symbol}", ylabel="share of the area, %")
    axes.spines[["top", "right"]].set_visible(False)


def _rim(axes: Axes, wall: WallResult, units: System) -> None:
    unit = SHOWN[units]["mm"]
    per_m = 1e3 * unit.factor
    loop = rim_loop(wall)
    x = wall.mesh.points[loop] * per_m
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.roll(x, -1, axis=0) - x, axis=1))])
    for values, label, style in (
        (wall.weights.patch_means(wall.total_m), shown("12 mm patch at the rim", units), "-"),
        (wall.total_m, "cell at the rim", ":"),
    ):
        y = values[loop] * per_m
        axes.plot(along, np.append(y, y[0]), style, color=MAP(0.6), label=label)
    axes.axhline(wall.statistics.mean * per_m, color=INK, lw=1, label="mean of the wall")
    top = 1.15 * per_m * max(float(wall.total_m[loop].max()), wall.statistics.mean)
    axes.set(xlabel=f"along the rim, {unit.symbol}", ylabel=f"wall, {unit.symbol}", ylim=(0.0, top))
    axes.legend(frameon=False, fontsize=9, loc="lower right")
    axes.spines[["top", "right"]].set_visible(False)


def rim_loop(wall: WallResult) -> npt.NDArray[np.intp]:
    """Cells of the opening's loop in order."""
    edges = wall.mesh.edges[wall.mesh.on_rim]
    links: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        links.setdefault(a, []).append(b)
        links.setdefault(b, []).append(a)
    start = int(edges[0, 0])
    loop, before, at = [start], start, links[start][0]
    while at != start:
        loop.append(at)
        first, second = links[at]
        before, at = at, second if first == before else first
    return np.array(loop)
