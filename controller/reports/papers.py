"""Plans and runs as files for a phone: PDF and PNG, as bytes. Runs in a separate process."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Sequence
from pathlib import Path

from evenwall.history.recorded import Recorded
from evenwall.model import Plan
from evenwall.planning.wall import compute_wall
from evenwall.reports import plan_report, run_report
from evenwall.reports.wall_view import figure_of
from evenwall.units import System

PICTURE_DPI = 110  # a phone shows it whole; 1430 pixels wide


def plan_pdf(plan: Plan, units: System = "metric") -> bytes:
    """Return the plan as PDF, with the planned wall if a film was computed."""
    with tempfile.TemporaryDirectory(prefix="evenwall-paper-") as folder:
        path = Path(folder) / "plan.pdf"
        pictures = plan_report.pictures_of(plan, threads=2, units=units)
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
    wall = compute_wall(plan, threads=2)
    figure_of(wall, plan.casting.name, units).savefig(drawn, format="png", dpi=PICTURE_DPI)
    return drawn.getvalue()
