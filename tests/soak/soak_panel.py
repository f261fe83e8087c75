"""The whole job by touch on the real controller, once at every size of screen, light and dark.

Three coats, cure, measures, proof and repetition; pictures of every step stay in build/panel.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.browser.conftest import SIZES
from tests.browser.pictures import whole_job


def main() -> int:
    for size in SIZES:
        folder = Path("build/panel") / size.replace(" ", "-")
        count = whole_job(folder, size, ("light", "dark"))
        print(f"{size}: the whole job by touch, {count} pictures in {folder}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
