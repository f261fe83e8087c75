"""The pages' long commands in full, with every figure shown compared."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.docs.pages import blocks, pages
from tests.docs.sandbox import departures


def main() -> int:
    found = []
    for page in pages():
        if any("long" in block.notes for block in blocks(page)):
            with tempfile.TemporaryDirectory() as folder:
                found += departures(page, Path(folder), long=True)
    print("\n\n".join(found) or "every page says what the program says")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
