"""The page on adding to Evenwall: each addition is made in a copy of the code and used."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "web" / "guide" / "extending.md"
MOST_LINES = 10
NAMES = {"evenwall": "controller", "evenwall_bridge": "firmware_bridge", "evenwall_web": "web"}


@dataclass(frozen=True)
class Addition:
    """Lines to put into a file; where: 'at the end', or 'after', 'before', 'in place of' a line."""

    file: str
    where: str
    anchor: str
    lines: str


@cache
def recipes() -> dict[str, list[Addition]]:
    """Additions of each heading of the page."""
    text = PAGE.read_text(encoding="utf-8")
    found = {}
    for part in re.split(r"(?m)^## ", text)[1:]:
        title, _, body = part.partition("\n")
        found[title] = [
            Addition(file, place, anchor or "", lines)
            for file, place, anchor, lines in re.findall(
                r"In `([^`]+)`, (at the end|after|before|in place of)(?: `([^\n]+)`)?:\n\n"
                r"```python\n(.*?)```",
                body,
                flags=re.DOTALL,
            )
        ]
    return found


def add(addition: Addition, root: Path) -> None:
    """Make the addition. Each anchor must stand once at the beginning of a line."""
    path = root / addition.file
    text = path.read_text(encoding="utf-8")
    if addition.where == "at the end":
        path.write_text(f"{text}\n\n{addition.lines}", encoding="utf-8")
        return
    places = [line for line in text.splitlines() if line.startswith(addition.anchor)]
    assert len(places) == 1, f"{addition.file}: {addition.anchor!r} stands {len(places)} times"
    old = f"{places[0]}\n"
    gap = "\n\n" if addition.lines.startswith("def ") else ""
    new = {
        "after": f"{old}{addition.lines}",
        "before": f"{addition.lines}{gap}{old}",
        "in place of": addition.lines,
    }[addition.where]
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


USES = {
    "A probe": """
import asyncio, random, sys
from evenwall.devices.probes import open_probe
from evenwall.model import ProbeSpec
from evenwall_bridge.clock import ManualClock

async def read(path):
    spec = ProbeSpec(kind="file", address=path)
    probe = open_probe(spec, ManualClock(5.0), random.Random(1))
    try:
        return await probe.read()
    finally:
        await probe.close()

open("degC", "w").write("23.5")
assert asyncio.run(read("degC")).temp_degC == 23.5
assert asyncio.run(read("absent")).fault == "probe_lost"
""",
    "An event": """
from evenwall.run.events import read
from evenwall.run.events.base import KINDS
from evenwall.run.events.people import MouldWiped
from evenwall.run.view import record_line
from tests.run.bench import Bench, as_row

assert KINDS["mould_wiped"] is MouldWiped
row = as_row(MouldWiped(layers=2), 3.0)
assert read(row) == MouldWiped(layers=2)
assert record_line(row).text == "The mould was wiped with release agent, 2 layers."
state = Bench().state
assert read(row).fold(state, 3.0) is state
""",
    "A command": """
from evenwall.model import Step
from evenwall_web.commands import ask_for
from tests.run.bench import Bench

bench = Bench().until(Step.MIX)
assert bench.ask("door").accepted
assert bench.events[-1].line() == "The shop's door stood open."
bench.until(Step.SPIN)
assert not bench.ask("door").accepted
assert ask_for("door").model_validate({"key": "abcdefgh", "data": {}})
""",
    "A step": """
from dataclasses import replace
from evenwall.model import Step
from evenwall.run.view import buttons, sentence
from evenwall.run.observation import Observation
from tests.run.bench import Bench

bench = Bench()
bench.state = bench.folded = replace(bench.state, step=Step.DEMOULD)
assert bench.ask("next").accepted
assert bench.state.step is Step.CLEAN
assert sentence(bench.state, bench.now_s, Observation())[0] == "Wash the casting in warm water."
assert buttons(bench.state, bench.now_s)[0].label == "Washed"
assert bench.ask("next").accepted
assert bench.state.step is Step.MEASURE
""",
    "A form of mould": """
from pathlib import Path
import numpy as np
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.measures import Measures

lens = {"kind": "lens", "height_mm": 40.0, "diameter_mm": 120.0}
mouth = {"height_mm": 36.0}
measures = {"name": "Lens", "body": [lens], "mouth": mouth}
shape = build(Measures.model_validate(measures), Path())
assert np.allclose(shape.size_mm()[:2], 120.0, rtol=0.01)
assert abs(shape.size_mm()[2] - 36.0) < 1.0
""",
}


def test_every_recipe_is_tried() -> None:
    assert recipes().keys() == USES.keys()
    assert all(recipes().values())


@pytest.mark.parametrize("title", sorted(USES))
def test_an_addition_is_short(title: str) -> None:
    lines = [line for one in recipes()[title] for line in one.lines.splitlines() if line.strip()]
    assert len(lines) < MOST_LINES


@pytest.mark.parametrize("title", sorted(USES))
def test_an_addition_works(title: str, tmp_path: Path) -> None:
    for folder in (*NAMES.values(), "tests/run", "tests/support"):
        shutil.copytree(
            ROOT / folder,
            tmp_path / folder,
            ignore=shutil.ignore_patterns("pictures", "panel", "__pycache__", "*.png"),
        )
    (tmp_path / "tests" / "__init__.py").touch()
    (tmp_path / "hardware").symlink_to(ROOT / "hardware")
    names = tmp_path / "names"
    names.mkdir()
    for name, folder in NAMES.items():
        (names / name).symlink_to(tmp_path / folder)
    for one in recipes()[title]:
        add(one, tmp_path)
    here = f"import evenwall\nassert {str(names)!r} in evenwall.__path__[0]\n"
    done = subprocess.run(
        [sys.executable, "-c", here + USES[title]],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": f"{names}:{tmp_path}"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
