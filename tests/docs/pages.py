"""The pages that people read, and the commands in them with the output that is shown.

A block fenced as `console` holds lines that begin with `$ ` and, below each, what it prints; a line
of `...` means any number of lines. A comment on the line before the fence may add a note:

    <!-- docs: not run, REASON -->     the few that cannot be run here
    <!-- docs: until WORDS -->         interrupted once it has said that
    <!-- docs: long -->                run by `make soak ARGS=docs`, in a short form by `make test`
    <!-- docs: numbers vary -->        only the words are compared

Several notes are separated by semicolons.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
NOTE = re.compile(r"<!-- docs: (.*) -->")
GAP = "..."


@dataclass
class Command:
    """One `$ ` line; `first` and `last` are the places of its output in the page's lines."""

    text: str
    first: int
    output: list[str] = field(default_factory=list)

    @property
    def last(self) -> int:
        return self.first + len(self.output)


@dataclass
class Block:
    page: Path
    line: int
    notes: dict[str, str]
    commands: list[Command]

    def __str__(self) -> str:
        return f"{self.page.relative_to(ROOT)}:{self.line}"

    @property
    def not_run(self) -> str:
        return self.notes.get("not run", "")


def pages() -> list[Path]:
    rooms = [ROOT / "web" / "guide", ROOT / "hardware"]
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    return found + sorted(page for room in rooms for page in room.rglob("*.md"))


def notes(line: str) -> dict[str, str]:
    match = NOTE.fullmatch(line.strip())
    if match is None:
        return {}
    found = {}
    for part in [match[1]] if match[1].startswith("not run") else match[1].split(";"):
        word = re.match(r"not run|until|long|numbers vary", part.strip())
        if word is None:
            raise ValueError(f"not a note of tests/docs/pages.py: {part}")
        found[word[0]] = part.strip()[len(word[0]) :].strip(" ,")
    return found


def fenced(page: Path) -> Iterator[tuple[int, str, list[str]]]:
    """Yield (line number of the fence, language, lines between) of every fenced block."""
    lines = page.read_text(encoding="utf-8").splitlines()
    open_at = None
    for number, line in enumerate(lines, 1):
        if line.startswith("```"):
            if open_at is None:
                open_at = number
            else:
                yield open_at, lines[open_at - 1][3:].strip(), lines[open_at : number - 1]
                open_at = None


def blocks(page: Path) -> list[Block]:
    lines = page.read_text(encoding="utf-8").splitlines()
    found = []
    for number, language, inside in fenced(page):
        if language != "console":
            continue
        said = notes(lines[number - 2]) if number > 1 else {}
        commands: list[Command] = []
        for offset, line in enumerate(inside):
            if line.startswith("$ "):
                commands.append(Command(line[2:], number + offset + 1))
            else:
                commands[-1].output.append(line)
        found.append(Block(page, number, said, commands))
    return found


def all_blocks() -> list[Block]:
    return [block for page in pages() for block in blocks(page)]


# --- Comparing -----------------------------------------------------------------------------------

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def words(line: str) -> str:
    """Return a line without its numbers, and without the spaces that replaced their digits."""
    return re.sub(r"\s+", " ", _NUMBER.sub("#", line)).strip()


def segments(shown: list[str]) -> list[list[str]]:
    """Split the shown output at the gaps; empty parts are left at a gap at either end."""
    parts: list[list[str]] = [[]]
    for line in shown:
        if line.strip() == GAP:
            parts.append([])
        else:
            parts[-1].append(line)
    return parts


def find(part: list[str], real: list[str], start: int, *, exact: bool) -> int:
    """Return the index at which this part begins in the real output, or -1."""
    said = (lambda s: s.rstrip()) if exact else words
    wanted = [said(line) for line in part]
    for at in range(start, len(real) - len(part) + 1):
        if [said(line) for line in real[at : at + len(part)]] == wanted:
            return at
    return -1


def differs(shown: list[str], real: list[str], *, exact: bool) -> str:
    """Return the difference between the page and the real output in words, or nothing."""
    if not shown:
        return ""
    parts, at = segments(shown), 0
    for number, part in enumerate(parts):
        if not part:
            continue
        where = find(part, real, at, exact=exact)
        if where < 0 or (number == 0 and where > 0):
            return "not said:\n" + "\n".join(part) + "\nbut:\n" + "\n".join(real)
        at = where + len(part)
    if parts[-1] and at != len(real):
        return "more was said:\n" + "\n".join(real[at:])
    return ""


def strays(shown: list[str], real: list[str]) -> str:
    """Return the words that a short form does not know, if they are over a third."""
    said = {words(line) for line in real}
    lines = [line for line in shown if line.strip() not in ("", GAP)]
    lost = [line for line in lines if words(line) not in said]
    return "" if 3 * len(lost) <= len(lines) else "unknown:\n" + "\n".join(lost)


def renewed(shown: list[str], real: list[str]) -> list[str]:
    """Return the shown output replaced by the real one, with its gaps kept.

    Raises ValueError when a part between gaps cannot be found again by its words.
    """
    parts, at, fresh = segments(shown), 0, []
    if len(parts) == 1:
        return real if shown else []
    for number, part in enumerate(parts):
        if number:
            fresh.append(GAP)
        if not part:
            continue
        whole = find(part, real, at, exact=False)
        begins = find(part[:1], real, at, exact=False) if number else 0
        if whole >= 0 and (number or whole == 0):
            begins, end = whole, whole + len(part)
        elif number == len(parts) - 1:
            end = len(real)
        else:
            where = find(part[-1:], real, max(begins, 0), exact=False)
            end = where + 1 if where >= 0 else -1
        if begins < 0 or end < 0:
            raise ValueError("cannot place:\n" + "\n".join(part))
        fresh += real[begins:end]
        at = end
    return fresh
