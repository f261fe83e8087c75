"""Two thousand spoilt data folders, each opened as the controller opens it.

`python -m tests.soak.soak_folders 200` for fewer; `... 200 1000` for those from seed 1000 on.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

from tests.faults.folders import trial

MANY = 2000
SHOWN = 5  # tracebacks


def main(words: list[str]) -> int:
    """Spoil, open and count; 1 when any folder did not open."""
    many, first = ([int(word) for word in words] + [MANY, 0][len(words) :])[:2]
    found = Counter[str]()
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["RUNTIME_DIRECTORY"] = os.environ["XDG_RUNTIME_DIR"] = scratch
        for seed in range(first, first + many):
            try:
                said = trial(random.Random(f"soak/folder/{seed}"), Path(scratch))
                found["unharmed" if "as if nothing" in said else "said on the page"] += 1
            except Exception:  # noqa: BLE001  every kind is a finding here
                found["failed"] += 1
                if found["failed"] <= SHOWN:
                    print(f"seed {seed}:", file=sys.stderr)
                    traceback.print_exc(limit=-6)
    print(f"{many} folders: " + ", ".join(f"{count} {word}" for word, count in found.items()))
    return int(found["failed"] > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
