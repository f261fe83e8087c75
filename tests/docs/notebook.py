"""The guide's notebook: its cells are here, and their outputs come from a real run.

`python -m tests.docs.notebook` runs the cells in order, in one namespace and an empty folder, and
writes web/guide/tour.ipynb (nbformat 4.5). Nothing of Jupyter is needed for it.
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import os
import tempfile
from base64 import b64encode
from pathlib import Path
from typing import Any

from tests.docs.pages import ROOT

FILE = ROOT / "web" / "guide" / "tour.ipynb"

CELLS: tuple[tuple[str, str], ...] = (
    (
        "markdown",
        """\
# Plan, compute a wall and read a trace from Python

`evenwall.plan`, `evenwall.wall` and `evenwall.gel` do what the commands of the same names do. They
take files or the objects read from them. The casting here is the sample that `evenwall sample`
writes.""",
    ),
    (
        "code",
        """\
from pathlib import Path

import evenwall

samples = Path(evenwall.__file__).parent / "samples"
plan = evenwall.plan(samples / "lantern-globe.toml", seed=1, time_budget_s=6)
for coat in plan.coats:
    clock = coat.clock
    print(
        f"coat {coat.coat}: {coat.part_a_g:.1f} g of A, {coat.part_b_g:.1f} g of B, "
        f"turn {(clock.spin_until_s - clock.spin_from_s) / 60:.0f} min"
    )""",
    ),
    (
        "markdown",
        """\
Six seconds give a rough plan; leave `time_budget_s` out for a full search. The plan is a document:
it can be kept as JSON and given to `evenwall spin`.""",
    ),
    (
        "code",
        """\
Path("plan.json").write_text(plan.model_dump_json(indent=1), encoding="utf-8")
wall = evenwall.wall("plan.json", mesh_mm=6.0)
found = wall.summary()
print(f"mean {found.mean_mm:.2f} mm, thinnest patch {found.min_mm:.2f} mm")
print(f"rim {found.rim_mm:.2f} mm")
print(f"{len(wall.total_m)} cells, {wall.coats_m.shape[0]} coats")""",
    ),
    (
        "markdown",
        """\
The wall is an array over the cells of a mesh, in metres. This shows how much of the surface is how
thick.""",
    ),
    (
        "code",
        """\
import numpy as np
from matplotlib.figure import Figure

figure = Figure(figsize=(6, 3), layout="constrained")
axes = figure.add_subplot(xlabel="wall, mm", ylabel="share of the surface")
share = wall.mesh.area / wall.mesh.area.sum()
axes.hist(wall.total_m * 1e3, bins=40, weights=share, color="#b8860b")
figure""",
    ),
    (
        "markdown",
        """\
A trace is a CSV file with the time since mixing and the temperatures of probe and air. A case tells
the resin's sheet and where the probe stood. This trace is made up: a cup that warms, peaks and
cools.""",
    ),
    (
        "code",
        """\
time_s = np.arange(0.0, 1500.0, 5.0)
warming = 66.0 / (1.0 + np.exp(-(time_s - 560.0) / 75.0))
cooling = np.exp(-np.clip(time_s - 700.0, 0.0, None) / 1400.0)
probe_degC = 22.0 + warming * cooling
rows = "".join(f"{t:.0f},{p:.2f},22.0\\n" for t, p in zip(time_s, probe_degC, strict=True))
Path("trace.csv").write_text("time_s,probe_degC,ambient_degC\\n" + rows, encoding="utf-8")
Path("case.toml").write_text(
    '''
[sheet]
pot_life_min = 9.0
pot_life_mass_g = 100.0
pot_life_temp_degC = 23.0
mixed_viscosity_mPa_s = 600.0
mix_ratio_b_per_100a = 90.0
mixed_density_g_cm3 = 1.06
peak_exotherm_degC = 98.0
snap = false

[case]
placement = "cup"
probe = "thermocouple_k"
cup_mass_g = 60.0
coat_mm = 1.5
wall_mm = 12.0
wall_material = "silicone rubber"
poured_at_s = 60.0
''',
    encoding="utf-8",
)
reading = evenwall.gel("trace.csv", "case.toml")
print(reading.last.sentence)
best_s, safe_s = reading.last.best_s, reading.last.safe_to_stop_s
print(f"best {best_s / 60:.0f} min, safe to stop {safe_s / 60:.0f} min")""",
    ),
)


def _run(code: str, names: dict[str, Any]) -> list[dict[str, Any]]:
    """Run a cell; return its outputs: the printed text, and a figure if it comes last."""
    tree = ast.parse(code)
    last = tree.body[-1]
    value = None
    with contextlib.redirect_stdout(io.StringIO()) as said:
        if isinstance(last, ast.Expr):
            exec(compile(ast.Module(tree.body[:-1], []), "cell", "exec"), names)
            value = eval(compile(ast.Expression(last.value), "cell", "eval"), names)
        else:
            exec(compile(tree, "cell", "exec"), names)
    outputs: list[dict[str, Any]] = []
    if text := said.getvalue():
        lines = text.splitlines(keepends=True)
        outputs.append({"output_type": "stream", "name": "stdout", "text": lines})
    if hasattr(value, "savefig"):
        drawn = io.BytesIO()
        value.savefig(drawn, format="png", dpi=80, metadata={"Software": None})
        data = {"image/png": b64encode(drawn.getvalue()).decode() + "\n"}
        outputs.append({"output_type": "display_data", "data": data, "metadata": {}})
    return outputs


def made() -> dict[str, Any]:
    """Return the notebook with the outputs of a run."""
    names: dict[str, Any] = {"__name__": "__main__"}
    cells: list[dict[str, Any]] = []
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        try:
            for number, (kind, source) in enumerate(CELLS):
                cell: dict[str, Any] = {
                    "cell_type": kind,
                    "id": f"cell-{number}",
                    "metadata": {},
                    "source": source.splitlines(keepends=True),
                }
                if kind == "code":
                    cell |= {"execution_count": None, "outputs": _run(source, names)}
                cells.append(cell)
        finally:
            os.chdir(before)
    return {
        "cells": cells,
        "metadata": {"language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def printed(notebook: dict[str, Any]) -> list[str]:
    """Return the lines that the cells print."""
    return [
        line
        for cell in notebook["cells"]
        for output in cell.get("outputs", ())
        for line in output.get("text", ())
    ]


if __name__ == "__main__":
    FILE.write_text(json.dumps(made(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
