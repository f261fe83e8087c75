"""Prose rules for docstrings, comments and pages; `make lint` runs `python -m tests.house.prose`.

The rules catch sentences that would need a second reading:

- a docstring opens with a verb or a noun phrase, not with 'What', 'Who', 'Where', 'Of' or 'How';
- a sentence has at most 40 words in a docstring and 45 on a page;
- some constructions are not used: they read like a translation, or like a riddle.

`prose_known.txt` counts the findings of each folder that are not mended yet. A count may only fall.
"""

from __future__ import annotations

import ast
import re
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CODE = ("controller", "firmware_bridge", "web", "hardware", "tests")
PAGES = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "web/guide/**/*.md", "hardware/**/*.md")
KNOWN = Path(__file__).with_name("prose_known.txt")
DOCSTRING_WORDS, PAGE_WORDS = 40, 45

OPENING = re.compile(r"(What|Who|Whom|Whose|Where|Of|How|Which)\b")
BANNED = (
    (re.compile(r"\bfor want of\b"), "say 'without'"),
    (re.compile(r"\bhence\b|\bthereof\b|\bwherein\b|\bwhereby\b|\bthereby\b"), "use a plain word"),
    (re.compile(r"\bWho (?:[a-z]+s|has|is) [^.?]*\b(?:is|are|has|gets)\b"), "say 'a person who'"),
    (re.compile(r"\bhas not got\b"), "say 'does not have'"),
    (re.compile(r"\bin the least\b|\bforthwith\b|\bbe it\b"), "use a plain word"),
    (re.compile(r"\b(?:is|are) said (?:first|so|once)\b"), "say who tells whom"),
    (re.compile(r"\bhangs on\b"), "say 'depends on'"),
    (re.compile(r"\bever(?:y|ywhere) and always\b|\blest\b"), "use a plain word"),
    (re.compile(r"\bturns over by itself\b"), "say 'moves to the next step by itself'"),
    (re.compile(r"\bis proven already\b"), "say 'is already proven'"),
    (re.compile(r"(?<![.`\w])fore(?:tells?|told|sees?|saw|seen)\b(?! ?=)"), "say 'predict'"),
    (re.compile(r"\banew\b"), "say 'again'"),
    (re.compile(r"\blikewise\b"), "say what is the same"),
    (re.compile(r"\bsurer\b|\bevener\b"), "say 'safer', 'more even'"),
    (re.compile(r"\bfaster than life\b|\btimes life\b"), "say 'real speed'"),
    (re.compile(r"\bhand work\b"), "say 'manual work'"),
    (re.compile(r"\bin a (?:process|thread|folder|file) of (?:its|their) own\b"), "say 'separate'"),
    (re.compile(r"\bheld (?:against|to) (?:the|a|each|every)\b"), "say 'compared with'"),
    (re.compile(r"\ball the same\b"), "say 'nevertheless'"),
    (re.compile(r"\b(?:times|castings|cases) of (?:ten|twenty)\b"), "say 'out of ten'"),
    (re.compile(r"\bas (?:the|its|their|our) \w+ ha(?:s|ve) (?:it|them)\b"), "say 'as in'"),
    (re.compile(r"\bcomes? out (?:\w+er|less|more)\b"), "say 'is'"),
    (
        re.compile(r"\bby (?:how|so) much (?:the|a|it|each|every)\b"),
        "say 'the amount', 'the factor'",
    ),
)
SCRIPTS = ("web/panel/**/*.js", "web/shop_page/*.js")


@dataclass(frozen=True)
class Finding:
    """One sentence to rewrite: its place, and the reason."""

    path: str
    line: int
    why: str
    text: str

    @property
    def folder(self) -> str:
        return self.path.rpartition("/")[0] or "."

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.why}: {self.text[:70]}"


def sentences(text: str) -> Iterator[str]:
    """Sentences of a paragraph. A full stop inside a number or a name ends none.

    An entry of a list of fields ('name: what it is') is a sentence of its own.
    """
    ends = r"(?<=[.!?:;])\s+(?=[A-Z'\"`(])|(?<=[.;])\s+(?=[a-z]\w*(?:, \w+)*(?: \([^)]*\))?: )"
    yield from (s for s in re.split(ends, " ".join(text.split())) if s)


def check(path: str, line: int, text: str, most_words: int) -> Iterator[Finding]:
    """Findings in one paragraph."""
    for sentence in sentences(text):
        count = len(re.findall(r"[A-Za-z][\w'-]*", sentence))
        if count > most_words:
            yield Finding(path, line, f"{count} words, at most {most_words}", sentence)
        for pattern, advice in BANNED:
            if found := pattern.search(sentence):
                yield Finding(path, line, f"'{found[0][:30]}': {advice}", sentence)


def of_code(path: Path) -> Iterator[Finding]:
    """Findings in the docstrings of a module, its classes and its functions."""
    name = path.relative_to(ROOT).as_posix()
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, kinds) or not (said := ast.get_docstring(node)):
            continue
        line = 1 if isinstance(node, ast.Module) else node.lineno
        if opening := OPENING.match(said):
            yield Finding(
                name, line, f"opens with '{opening[0]}': open with a verb or a noun", said
            )
        for paragraph in re.split(r"\n\s*\n|\n\s*[-*|]", said):
            table = re.search(
                r"(?m)^\S+(?: \S+)? {2,}\S|\S {3,}\S", paragraph
            )  # columns, no sentences
            yield from check(name, line, paragraph, 10_000 if table else DOCSTRING_WORDS)


def of_comments(path: Path) -> Iterator[Finding]:
    """Findings in the comments of a module or a script. A block of lines is read as one text."""
    name = path.relative_to(ROOT).as_posix()
    mark = "#" if path.suffix == ".py" else "//"
    block: list[str] = []
    for number, line in enumerate([*path.read_text(encoding="utf-8").splitlines(), ""], 1):
        before, found, text = line.partition(f"{mark} ")
        if found and not before.strip():
            block.append(text)
            continue
        yield from check(name, number - 1, " ".join(block), 10_000)
        block = [text] if found and not re.search(r"['\"`]", before + text) else []


def of_page(path: Path) -> Iterator[Finding]:
    """Findings in a page's paragraphs and lists, outside code, tables and quoted output."""
    name = path.relative_to(ROOT).as_posix()
    text = re.sub(
        r"(?ms)^```.*?^```|^<!--.*?-->", lambda m: "\n" * m[0].count("\n"), path.read_text()
    )
    text = re.sub(r"(?m)^\s*[|#!>].*$", "", text)
    for match in re.finditer(r"(?s)\S.*?(?=\n\s*\n|\n\s*[-*] |\n\s*\d+\. |\Z)", text):
        plain = re.sub(r"\]\([^)]*\)|<[^>]*>|[`*\[\]]", "", match[0])
        line = text.count("\n", 0, match.start()) + 1
        yield from check(name, line, plain, PAGE_WORDS)


def findings() -> list[Finding]:
    """Every finding in the repository's code and pages."""
    found: list[Finding] = []
    for folder in CODE:
        for path in sorted((ROOT / folder).rglob("*.py")):
            found += of_code(path)
            found += of_comments(path)
    for pattern in SCRIPTS:
        for path in sorted(ROOT.glob(pattern)):
            found += [] if "vendor" in path.parts else of_comments(path)
    for pattern in PAGES:
        for path in sorted(ROOT.glob(pattern)):
            found += of_page(path)
    return found


def known() -> Counter[str]:
    """Counts of findings by folder that are not mended yet."""
    counts: Counter[str] = Counter()
    for line in KNOWN.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            count, _, folder = line.partition(" ")
            counts[folder] = int(count)
    return counts


def main() -> int:
    """Print the findings of every folder that has more than its known count; 1 if any has."""
    found, allowed = findings(), known()
    counts = Counter(one.folder for one in found)
    bad = [one for one in found if counts[one.folder] > allowed[one.folder]]
    for one in bad:
        print(one)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
