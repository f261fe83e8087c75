"""Results of a long bench, kept in files, so that an interrupted bench can continue."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def kept(path: Path, compute: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """Return the result in this file; compute it if there is none. FRESH=1 computes it again."""
    if path.exists() and os.environ.get("FRESH") != "1":
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return found
    found = compute()
    path.parent.mkdir(parents=True, exist_ok=True)
    scratch = path.with_suffix(".part")
    scratch.write_text(json.dumps(found), encoding="utf-8")
    scratch.replace(path)
    return found


def commit() -> str:
    """Return the short name of the commit that is checked out."""
    words = ["git", "-C", str(ROOT), "rev-parse", "--short", "HEAD"]
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()
