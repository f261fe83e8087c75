"""Plans and runs as files for a phone: PDF and PNG, as bytes. Runs in a separate process."""

from __future__ import annotations

import io
import math
import tempfile
from collections.abc import Sequence
from pathlib import Path

from evenwall.geometry.film_mesh import widest_mm
from evenwall.geometry.mould import load_cavity
from evenwall.history.recorded import Recorded
from evenwall.model import Plan
from evenwall.planning.wall import COARSER, compute_wall, default_mesh_mm
from evenwall.reports import plan_report, run_report
from evenwall.reports.wall_view import figure_of
from evenwall.units import System

PICTURE_DPI = 110  # a phone shows it whole; 1430 pixels wide


def quick_mesh_mm(plan: Plan) -> float | None:
    """Return the cell spacing of a phone's pictures, in mm; None for a plan without a film.

    It is that of the page's view, or less where the second mesh, wider still, would have too few
    cells. On the finer default a paper took up to half a minute of a desktop's core.
    """
    if plan.wall.min_mm is None:
        return None
    cavity = load_cavity(plan.casting)
    widest = min(COARSER * default_mesh_mm(cavity), widest_mm(cavity) / COARSER)
    return math.floor(widest * 100.0) / 100.0


def plan_pdf(plan: Plan, units: System = "metric") -> bytes:
    """Return the plan as PDF, with the planned wall if a film was computed."""
    with tempfile.TemporaryDirectory(prefix="evenwall-paper-") as folder:
        path = Path(folder) / "plan.pdf"
        pictures = plan_report.pictures_of(plan, quick_mesh_mm(plan), threads=2, units=units)
        plan_report.write_report(plan, path, pictures, units)
        return path.read_bytes()


def run_pdf(
    run: Recorded,
    proven: Recorded | None = None,
    photos: Sequence[tuple[str, str]] = (),
    units: System = "metric",
) -> bytes:
    """Return the run's report as PDF. photos: file and caption of each. Raises RecordError."""
    with tempfile.TemporaryDirectory(prefix="evenwall-paper-") as folder:
        path = Path(folder) / "run.pdf"
        run_report.write_report(run, path, proven=proven, photos=photos, units=units)
        return path.read_bytes()


def wall_png(plan: Plan, units: System = "metric") -> bytes:
    """Return the planned wall as PNG: four views, a histogram by area and the rim's profile."""
    drawn = io.BytesIO()
    wall = compute_wall(plan, quick_mesh_mm(plan), threads=2)
    figure_of(wall, plan.casting.name, units).savefig(drawn, format="png", dpi=PICTURE_DPI)
    return drawn.getvalue()
