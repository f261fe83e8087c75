"""The page of promises names tests that exist, and every promise names one."""

from __future__ import annotations

import ast
import re

import pytest

from tests.docs.pages import ROOT

PAGE = ROOT / "web" / "guide" / "promises.md"
NAMED = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")
TEXT = PAGE.read_text(encoding="utf-8")


def functions(file: str) -> set[str]:
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return {node.name for node in ast.walk(tree) if isinstance(node, kinds)}


@pytest.mark.parametrize(("file", "name"), sorted(set(NAMED.findall(TEXT))))
def test_a_test_that_holds_a_promise_exists(file: str, name: str) -> None:
    assert name.startswith("test_")
    assert name in functions(file)


def test_every_promise_names_its_tests_and_what_is_outside() -> None:
    promises = re.split(r"^\*\*", TEXT.split("## Fault trees")[0], flags=re.MULTILINE)[1:]
    assert len(promises) >= 9
    for promise in promises:
        assert NAMED.search(promise), promise[:80]
        assert "- Outside: " in promise, promise[:80]


def test_every_commonly_named_test_file_is_spelled_with_its_function() -> None:
    """A file alone would still exist after the test in it was removed."""
    assert not re.findall(r"`tests/[\w/]+\.py`", TEXT)
