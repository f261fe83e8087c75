"""Sizes that keep the code readable: lines of a module, lines of a function, methods of a class."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("controller", "firmware_bridge", "web", "hardware")
MODULE_LINES, FUNCTION_LINES, CLASS_METHODS = 500, 60, 20

# Larger than the measures, by name, and why. The list may only shrink.
EXCEPTIONS: dict[str, str] = {}


def too_large(path: Path) -> Iterator[str]:
    """Names of what exceeds a measure in this module."""
    name = path.relative_to(ROOT).as_posix()
    text = path.read_text(encoding="utf-8")
    if text.count("\n") > MODULE_LINES:
        yield name
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    for node in ast.walk(ast.parse(text)):
        lines = getattr(node, "end_lineno", 0) - getattr(node, "lineno", 0) + 1
        long = isinstance(node, functions) and lines > FUNCTION_LINES
        methods = sum(isinstance(part, functions) for part in ast.iter_child_nodes(node))
        broad = isinstance(node, ast.ClassDef) and methods > CLASS_METHODS
        if long or broad:
            yield f"{name} {getattr(node, 'name', '')}"


def test_nothing_outgrows_its_measure() -> None:
    found = {
        one
        for folder in FOLDERS
        for path in sorted((ROOT / folder).rglob("*.py"))
        for one in too_large(path)
    }
    assert found <= EXCEPTIONS.keys()
