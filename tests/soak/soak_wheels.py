"""Asks the package index whether a Pi can install every locked dependency without compiling it.

Raspberry Pi OS bookworm has glibc 2.36 and Python 3.11, trixie glibc 2.41 and Python 3.13; the
platform tags are those of PEP 600. Nothing is installed: pip or uv only resolves, for aarch64 and
with wheels alone. Needs the network.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LOCK = ROOT / "requirements.lock"
# uv names manylinux tags up to 2_40; what runs there runs on 2.41 too (PEP 600).
PIS = {"bookworm": ("2_36", "3.11"), "trixie": ("2_40", "3.13")}


def resolved(glibc: str, python: str, lock: Path) -> tuple[int, str]:
    """Return the number of packages with a wheel, or none and what the index lacks."""
    uv = Path(sys.executable).with_name("uv")
    with tempfile.TemporaryDirectory() as target:
        asked = subprocess.run(
            [
                *(uv, "pip", "install", "--dry-run", "--no-deps", "--only-binary", ":all:"),
                *("--python-platform", f"aarch64-manylinux_{glibc}", "--python-version", python),
                *("--target", target, "-r", lock),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
    found = len(re.findall(r"^ \+ ", asked.stderr, re.MULTILINE))
    return (found, "") if asked.returncode == 0 else (0, asked.stderr)


def main() -> int:
    worst = 0
    for suite, (glibc, python) in PIS.items():
        found, lack = resolved(glibc, python, LOCK)
        print(f"{suite}: glibc {glibc.replace('_', '.')}, Python {python}: {found} packages{lack}")
        worst |= found == 0
    # The asking itself: an older Pi has not all of them, and is told which.
    found, lack = resolved("2_17", "3.11", LOCK)
    print(f"glibc 2.17: {lack.strip().splitlines()[-1] if lack else found}")
    return worst or int(found != 0)


if __name__ == "__main__":
    sys.exit(main())
