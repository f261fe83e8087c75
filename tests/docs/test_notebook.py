"""The guide's notebook runs, and the file in the guide is up to date."""

from __future__ import annotations

import json
import re

import pytest

from tests.docs import notebook

FIGURE = re.compile(r"\d+(\.\d+)?")


@pytest.mark.slow
def test_the_notebook_says_what_it_shows() -> None:
    """Figures may move with the machine's speed, since the plan's search is cut short; words may
    not."""
    kept = json.loads(notebook.FILE.read_text(encoding="utf-8"))
    today = notebook.made()
    sources = [[cell["source"] for cell in one["cells"]] for one in (kept, today)]
    assert sources[0] == sources[1], "write it anew: python -m tests.docs.notebook"
    shown = [[FIGURE.sub("0", line) for line in notebook.printed(one)] for one in (kept, today)]
    assert shown[0] == shown[1]
    pictures = [o for cell in today["cells"] for o in cell.get("outputs", ()) if "data" in o]
    assert len(pictures) == 1
