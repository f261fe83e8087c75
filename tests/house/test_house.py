"""House rules that no linter knows: the places and the names of things."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("firmware_bridge", "controller", "web")

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "Makefile", "pyproject.toml"),
    *("requirements.lock", "firmware_bridge", "controller", "web", "tests", "hardware"),
}

# A number whose name says what it measures must also say in which unit.
QUANTITIES = ("temp", "temperature", "rate", "speed_of", "wall", "mass", "weight", "duration")
UNITS = (
    *("s", "min", "h", "ms", "ns", "mm", "m", "m2", "m3", "cm2", "cm3", "g", "kg", "K", "degC"),
    *("degF", "rpm", "rpm_s", "rad_s", "turn_s", "steps_s", "deg", "rad", "Pa_s", "mPa_s"),
    *("percent", "fraction", "kg_m3", "g_cm3", "per_kg", "Nm", "N_m", "kg_m2", "inch", "oz", "utc"),
)


def tracked() -> list[str]:
    out = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [line for line in out.stdout.splitlines() if (ROOT / line).exists()]


def test_top_level_holds_the_rooms_and_nothing_else() -> None:
    """Pages for people go to web/guide/ (the panel serves them), benches to tests/bench/."""
    found = {path.split("/")[0] for path in tracked()}
    assert {name for name in found if not name.startswith(".")} <= TOP_LEVEL


def test_every_folder_of_code_is_installed() -> None:
    """setuptools cannot find packages whose folders have other names, so pyproject lists them."""
    setup = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]
    folders = {folder: name for name, folder in setup["package-dir"].items()}
    wanted = set()
    for path in tracked():
        folder, _, file = path.rpartition("/")
        top, _, rest = folder.partition("/")
        if top in folders and file == "__init__.py":
            wanted.add(".".join([folders[top], *filter(None, rest.split("/"))]))
    assert set(setup["packages"]) == wanted


def float_fields(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Names of class fields and arguments annotated as a bare float."""
    for node in ast.walk(tree):
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            target, note = node.target.id, node.annotation
        elif isinstance(node, ast.arg) and node.annotation is not None:
            target, note = node.arg, node.annotation
        else:
            continue
        if ast.unparse(note) in ("float", "float | None"):
            yield target, node.lineno


def test_quantities_carry_their_unit() -> None:
    bad = []
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            for name, line in float_fields(ast.parse(path.read_text(encoding="utf-8"))):
                head = name.lower().split("_")[0]
                if head in QUANTITIES and not name.endswith(UNITS):
                    bad.append(f"{path.relative_to(ROOT)}:{line}: {name}")
    assert not bad, "a name that measures something must end in its unit:\n" + "\n".join(bad)


def test_no_button_is_called_an_emergency_stop() -> None:
    """Emergency stop is wiring that cuts motor power (ISO 13850): no screen may claim the name."""
    panel = ROOT / "web" / "panel"
    for path in sorted(panel.rglob("*")):
        if path.suffix in {".html", ".js", ".css", ".json"} and "vendor" not in path.parts:
            assert "emergency" not in path.read_text(encoding="utf-8").lower(), path


def test_no_swallowed_errors() -> None:
    bad = []
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                if re.search(r"except (Base)?Exception\b|except\s*:", line):
                    bad.append(f"{path.relative_to(ROOT)}:{number}")
    assert not bad, f"name what is caught: {bad}"
