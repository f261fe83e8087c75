"""kill -9 of the demo in a person's terminal, and then the same command again."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.browser.real import castings
from tests.support.quick_demo import quick

SPEED = 120.0
# The kill concerns the casting, so its plan need not be searched for.
BEFORE = quick(plan_budget_s=0.0)
SOON_HARD = {"demould_min = 75.0": "demould_min = 20.0"}


def demo(folder: Path) -> subprocess.Popen[str]:
    told = ["--speed", f"{SPEED:g}", "--data", str(folder / "data"), "--port", "0", "--exit"]
    program = [
        sys.executable,
        "-c",
        BEFORE + "import sys; from evenwall.cli.main import main; sys.exit(main())",
    ]
    casting = str(folder / "castings" / "lantern-globe.toml")
    return subprocess.Popen(
        [*program, "demo", "--casting", casting, *told, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def read_until(process: subprocess.Popen[str], words: str) -> list[str]:
    assert process.stderr is not None
    lines = []
    for line in process.stderr:
        lines.append(line.rstrip())
        if words in line:
            return lines
    raise AssertionError(f"never said {words!r}:\n" + "\n".join(lines))


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_demo_is_killed_and_begun_again(tmp_path: Path) -> None:
    sheet = castings(tmp_path / "castings", SOON_HARD) / "lantern-globe.toml"
    three = "wall_mm = 4.5\ncoats = 3"
    text = sheet.read_text(encoding="utf-8")
    assert three in text
    sheet.write_text(text.replace(three, "wall_mm = 3.0\ncoats = 2"), encoding="utf-8")
    with demo(tmp_path) as process:
        read_until(process, "Turning began.")
        process.send_signal(signal.SIGKILL)
    with demo(tmp_path) as process:
        lines = read_until(process, "->")
        said = (
            "The controller was restarted in the middle of a casting (Lantern globe, coat 1 of 2)"
        )
        assert any(line.startswith(said) for line in lines)
        out, _ = process.communicate(timeout=240.0)
    summary = json.loads(out)
    assert process.returncode == 0
    assert summary["ended"] == "done"
    for coat in summary["coats"]:
        assert coat["done"]
        assert coat["steps_exact"] is not False
    assert 25.0 < summary["elapsed_min"] < 120.0
