"""Figures in the code's sentences have a form that can be converted to the reader's units.

The grammar is that of controller/units.py: number, space, symbol. A figure in any other form would
stay metric for a maker who chose ounces, inches and Fahrenheit.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from evenwall.units import shown

ROOT = Path(__file__).resolve().parents[2]
# What may stay metric: terminal help for a simulated scale, names of units and of columns, and
# messages to other programs (their unit is part of the message).
OWN = {
    "controller/units.py", "controller/cli/console.py", "controller/history/dictionary.py",
    "controller/telemetry/self_description.py",
}  # fmt: skip
METRIC = re.compile(
    r"\d\s?(?:g|kg|mm|cm|ml|cm²|cm³|cm2|cm3|°C|degC|kPa)(?![\w/])"
    r"|\b(?:grams?|kilograms?|millimetres?|centimetres?|millilitres?)\b"
)
OF_SCRIPT = re.compile(r"`[^`]*`|\"[^\"\n]*\"")


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of each string that is not a docstring; 1.5 replaces each filled-in part.

    A part directly after another one, such as an error after its figure, is left out.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            skipped.update(id(part) for part in node.values)
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            skipped.add(id(node.format_spec))
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and isinstance(body[0], ast.Expr):
            skipped.add(id(body[0].value))
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
        elif isinstance(node, ast.JoinedStr):
            yield node.lineno, _filled(node)


def _filled(node: ast.JoinedStr) -> str:
    said = ""
    for before, part in zip([None, *node.values], node.values, strict=False):
        if isinstance(part, ast.Constant):
            said += str(part.value)
        elif not isinstance(before, ast.FormattedValue):
            said += "1.5"
    return said


NAMED = re.compile(r"_(mm|g|degC|cm2|cm3|ml|kg)\)?$")
UNIT_FOLLOWS = re.compile(r" (?:mm|g|degC|cm2|cm3|ml|kg|K)\b| to $| to \d| \+- |, $")


def without_unit(path: Path) -> Iterator[str]:
    """Yield sentences in which a figure whose name carries a unit is not followed by it.

    A string that is only a figure is the value of an error, which has its unit beside it. One that
    begins with +- is an error behind a figure.
    """
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.JoinedStr) or len(node.values) == 1:
            continue
        for part, after in zip(node.values, [*node.values[1:], None], strict=True):
            figure = isinstance(part, ast.FormattedValue) and part.format_spec is not None
            if not figure or not NAMED.search(ast.unparse(part.value)):
                continue
            follows = str(after.value) if isinstance(after, ast.Constant) else ""
            whole = ast.unparse(node)
            behind = isinstance(after, ast.FormattedValue) or whole.startswith("f' +- ")
            if not behind and not UNIT_FOLLOWS.match(follows):
                yield f"{path.name}:{part.lineno}: {whole}"


# A figure and % without a space between them (SI Brochure, 9th ed., 5.4.7), and what looks like it:
# lengths in drawings and style sheets, a setting of systemd, an escape in an address.
NO_SPACE = re.compile(r"\d%(?![\w(;])")
NO_FIGURE = re.compile(r"^\d+%$|<\w+ |\.style\.|MemoryMax=|://")


def without_space(path: Path) -> Iterator[str]:
    """Yield strings and formats that would print a percentage without its space.

    `evenwall.units.percent` prints one; a format such as `:.0%` does not.
    """
    for number, text in sentences(path):
        if NO_SPACE.search(text) and not NO_FIGURE.search(text):
            yield f"{path.name}:{number}: {text}"
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            form = "".join(ast.unparse(part) for part in ast.walk(node.format_spec))
            if "%'" in form:
                yield f"{path.name}:{node.lineno}: {ast.unparse(node.value)}"


def of_script(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of each string of a script; 1.5 stands for each filled-in part."""
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if line.lstrip().startswith("//"):
            continue
        for found in OF_SCRIPT.finditer(line):
            yield number, re.sub(r"\$\{[^}]*\}", "1.5", found[0][1:-1])


def stays_metric(text: str) -> list[str]:
    """Return the parts that a reader of inches would still see in metric units."""
    said = shown(text, "inch")
    return [said[max(0, m.start() - 30) : m.end() + 20] for m in METRIC.finditer(said)]


@pytest.mark.parametrize(
    ("said", "stays"),
    [
        ("Weigh 63.8 g.", False),
        ("4.22 +- 0.05 mm", False),
        ("Weigh 63.8g.", True),
        ("at 21 °C", True),
        ("2 x 3.0 mm", False),
        ("Ten grams to go.", True),
    ],
)
def test_a_figure_outside_the_grammar_is_found(said: str, stays: bool) -> None:
    assert bool(stays_metric(said)) is stays


def test_no_sentence_of_the_code_stays_metric() -> None:
    found = []
    for folder in ("controller", "web"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            name = str(path.relative_to(ROOT))
            if name not in OWN and not name.startswith("controller/simulation/"):
                found += [(name, *one) for one in sentences(path)]
    for path in sorted((ROOT / "web" / "panel").rglob("*.js")):
        if "vendor" not in path.parts:
            found += [(str(path.relative_to(ROOT)), *one) for one in of_script(path)]
    assert len(found) > 5000  # strings were read at all: there are some ten thousand
    assert [f"{n}:{line}: {w}" for n, line, text in found for w in stays_metric(text)] == []


def test_a_figure_whose_name_has_a_unit_says_it(tmp_path: Path) -> None:
    probe = tmp_path / "probe.py"
    probe.write_text('f"now {a_g:.1f} g (was {b_g:.1f})"; f"{c_mm:.1f} to {d_mm:.1f} mm"\n')
    assert len(list(without_unit(probe))) == 1
    found = []
    for folder in ("controller", "web"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            if "simulation" not in path.parts:
                found += list(without_unit(path))
    assert found == []


def test_a_percentage_has_a_space(tmp_path: Path) -> None:
    probe = tmp_path / "probe.py"
    probe.write_text('f"{a:.0%} of it"; "8% of it"; f"{a}% of it"; f"{percent(a)}"; "8 % of it"\n')
    assert len(list(without_space(probe))) == 3
    found = []
    for folder in ("controller", "firmware_bridge", "web", "hardware", "tests"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            if path != Path(__file__):
                found += list(without_space(path))
    for path in sorted((ROOT / "web" / "panel").rglob("*.js")):
        if "vendor" not in path.parts:
            strings = (text for _, text in of_script(path))
            found += [f"{path.name}: {one}" for one in strings if NO_SPACE.search(one)]
    assert [one for one in found if not re.search(r": [\d.]+%$", one)] == []


def test_a_percentage_on_a_page_has_a_space() -> None:
    found = []
    for pattern in ("*.md", "web/guide/**/*.md", "hardware/**/*.md"):
        for path in ROOT.glob(pattern):
            lines = path.read_text(encoding="utf-8").splitlines()
            found += [f"{path.name}: {line}" for line in lines if NO_SPACE.search(line)]
    assert found == []
