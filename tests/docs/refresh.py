"""Write the output of commands into the pages: `python -m tests.docs.refresh [PAGE ...]`.

With `--quick` commands marked long are left as they are (else the whole takes about ten minutes).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.docs.pages import ROOT, blocks, pages, renewed
from tests.docs.sandbox import run, sandbox


def refresh(page: Path, *, long: bool) -> list[str]:
    """Rewrite one page; return the parts that could not be placed, in words."""
    lost: list[str] = []
    fresh: list[tuple[int, int, list[str]]] = []
    with tempfile.TemporaryDirectory() as folder, sandbox(page, Path(folder)) as box:
        for block in blocks(page):
            if block.not_run:
                continue
            short = "long" in block.notes and not long
            for command in block.commands:
                said = run(box, block, command, short=short)
                if short:
                    continue
                try:
                    fresh.append((command.first, command.last, renewed(command.output, said)))
                except ValueError as error:
                    lost.append(f"{block}: {command.text}: {error}")
    lines = page.read_text(encoding="utf-8").splitlines()
    for first, last, said in reversed(fresh):
        lines[first:last] = said
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return lost


def main() -> int:
    long = "--quick" not in sys.argv
    named = [Path(word).resolve() for word in sys.argv[1:] if not word.startswith("-")]
    lost = []
    for page in named or pages():
        if any(not block.not_run for block in blocks(page)):
            print(page.relative_to(ROOT), flush=True)
            lost += refresh(page, long=long)
    print("\n".join(lost))
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
