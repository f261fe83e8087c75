"""The public interface for programs: `evenwall.plan`, `evenwall.wall`, `evenwall.gel`."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import evenwall
from evenwall.errors import InputError

SAMPLES = Path(evenwall.__file__).parent / "samples"


@pytest.mark.slow
def test_plan_then_wall(tmp_path: Path) -> None:
    """The film gets the same input from a file and from the plan itself, and is computed once
    (`walls_once` in tests/conftest.py)."""
    made = evenwall.plan(SAMPLES / "lantern-globe.toml", time_budget_s=0.0, seed=1)
    file = tmp_path / "plan.json"
    file.write_text(made.model_dump_json(), encoding="utf-8")
    from_file = evenwall.wall(file, 6.5).summary()
    assert from_file == evenwall.wall(made, 6.5).summary()
    assert from_file.mean_mm == pytest.approx(made.casting.wall_mm, rel=0.05)


def test_refusals_are_the_commands_own(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        evenwall.plan(tmp_path / "none.toml")
    with pytest.raises(InputError):
        evenwall.wall(tmp_path / "none.json")
    with pytest.raises(InputError):
        evenwall.gel(tmp_path / "none.csv", tmp_path / "none.toml")


def test_it_is_typed_documented_and_light() -> None:
    assert (Path(evenwall.__file__).parent / "py.typed").is_file()
    for name in evenwall.__all__:
        function = getattr(evenwall, name)
        assert "Raises InputError" in " ".join((inspect.getdoc(function) or "").split())
        assert inspect.signature(function).return_annotation
    code = "import sys, evenwall; print('numpy' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout == "False\n"
