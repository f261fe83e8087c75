"""The pages show what the program prints: each command is run, each word looked up.

Write the pages again from real runs with `python -m tests.docs.refresh` (DEVELOPERS.md).
"""

from __future__ import annotations

import importlib.util
import re
import shlex
from pathlib import Path

import pytest

from evenwall.cli.arguments import parser
from evenwall.cli.main import COMMANDS
from tests.docs.pages import ROOT, all_blocks, blocks, differs, fenced, notes, pages, renewed
from tests.docs.sandbox import departures

WITH_COMMANDS = [page for page in pages() if any(not b.not_run for b in blocks(page))]
PROGRAMS = r"(evenwall|make|sudo|systemctl|avrdude|git|python3?|pytest|mosquitto_\w+|journalctl)"


def name(page: Path) -> str:
    return str(page.relative_to(ROOT))


@pytest.mark.timeout(600)
@pytest.mark.parametrize("page", WITH_COMMANDS, ids=name)
def test_commands_say_what_the_page_shows(page: Path, tmp_path: Path) -> None:
    found = departures(page, tmp_path, long=False)
    assert not found, "\n\n".join(found) + "\n\npython -m tests.docs.refresh writes them anew"


def test_what_is_not_run_has_a_reason_and_is_little() -> None:
    left_out = [block for block in all_blocks() if block.not_run]
    for block in left_out:
        assert len(block.not_run.split()) >= 3, f"{block}: why?"
    assert len(left_out) <= 8, [str(block) for block in left_out]


@pytest.mark.parametrize("page", pages(), ids=name)
def test_commands_stand_in_console_blocks_only(page: Path) -> None:
    """Otherwise nothing would run them."""
    stray = []
    for number, language, lines in fenced(page):
        if language != "console":
            stray += [f"{number}: {line}" for line in lines if re.match(rf"{PROGRAMS} ", line)]
    text = page.read_text(encoding="utf-8")
    stray += re.findall(rf"^    {PROGRAMS} .*$", text, re.MULTILINE)
    assert not stray


def in_text(page: Path) -> list[str]:
    """Return code in running text, without fences, with a line break inside it as a space."""
    text = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.DOTALL | re.MULTILINE)
    return [re.sub(r"\s+", " ", code) for code in re.findall(r"`([^`]+)`", text)]


@pytest.mark.parametrize("page", pages(), ids=name)
def test_commands_named_in_the_text_exist(page: Path) -> None:
    wrong = []
    targets = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(), re.MULTILINE)
    for code in in_text(page):
        words = code.replace("sudo -u evenwall ", "").replace("sudo ", "").split()
        head = words[0] if words else ""
        if head.endswith("evenwall") and len(words) > 1 and "/" not in words[1]:
            wrong += [code] if not understood(shlex.split(" ".join(words[1:]))) else []
        elif head == "make" and len(words) > 1:
            wrong += [code] if words[1] not in targets else []
        elif "-m" in words and re.search(r"\bpython3?$", head):
            module = words[words.index("-m") + 1]
            wrong += [] if importlib.util.find_spec(module) else [code]
    assert not wrong


def understood(words: list[str]) -> bool:
    """Return whether the program accepts these words: names of commands and options, not of
    files."""
    if words[0].isupper() or "..." in words:
        return True
    if words[-1] == "--help" or len(words) == 1:
        words = [*words[:1], "--help"]
    try:
        parser(COMMANDS).parse_args(words)
    except SystemExit as ended:
        return ended.code == 0
    return True


@pytest.mark.parametrize("page", pages(), ids=name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text) + re.findall(r'src="([^"]+)"', text)
    lost = [link for link in links if "://" not in link and not (page.parent / link).exists()]
    assert not lost


@pytest.mark.parametrize("page", pages(), ids=name)
def test_files_named_in_the_text_exist(page: Path) -> None:
    """Paths in code style are relative to the repository's root or to the page."""
    rooms = ("controller/", "web/", "hardware/", "tests/", "firmware_bridge/", "web/guide/")
    named = [c for c in in_text(page) if c.startswith(rooms) and re.fullmatch(r"[\w./-]+", c)]
    lost = [c for c in named if not any((base / c).exists() for base in (ROOT, page.parent))]
    assert not lost


# --- The comparing itself ------------------------------------------------------------------------

REAL = ["Coat 1 1.50 mm", "wall 4.50 mm", "rim 4.62 mm", "done"]


@pytest.mark.parametrize(
    ("shown", "same", "same_words"),
    [
        (REAL, True, True),
        ([], True, True),
        (REAL[:2], False, False),
        (["...", "rim 4.62 mm", "done"], True, True),
        (["Coat 1 1.50 mm", "...", "done"], True, True),
        (["Coat 1 1.50 mm", "..."], True, True),
        (["wall 4.50 mm", "..."], False, False),
        (["...", "rim 4.61 mm", "done"], False, True),
        (["...", "done", "rim 4.62 mm"], False, False),
        (["...", "wall 4.50 mm", "...", "done"], True, True),
    ],
)
def test_differs(shown: list[str], same: bool, same_words: bool) -> None:
    assert (differs(shown, REAL, exact=True) == "") == same
    assert (differs(shown, REAL, exact=False) == "") == same_words


def test_renewed() -> None:
    assert renewed(["...", "wall 4.4 mm", "...", "done"], REAL) == [
        *("...", "wall 4.50 mm", "...", "done")
    ]
    assert renewed(["Coat 1 1.4 mm", "..."], REAL) == ["Coat 1 1.50 mm", "..."]
    twice = ["button 1", "up", "button 2", "down"]
    assert renewed(["...", "button 9", "down"], twice) == ["...", "button 2", "down"]
    assert renewed(["old"], REAL) == REAL
    assert renewed([], REAL) == []
    with pytest.raises(ValueError, match="cannot place"):
        renewed(["...", "wool 4.4 mm", "...", "done"], REAL)


def test_notes() -> None:
    assert notes("<!-- docs: long; numbers vary -->") == {"long": "", "numbers vary": ""}
    assert notes("<!-- docs: until The panel is at -->") == {"until": "The panel is at"}
    assert notes("Words.") == {}
    with pytest.raises(ValueError, match="not a note"):
        notes("<!-- docs: sometimes -->")
