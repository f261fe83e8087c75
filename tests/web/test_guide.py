"""The guide as the panel serves it: every page, every link, and nothing else of the repository."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser
from urllib.parse import urljoin, urlsplit

import httpx
import pytest

from evenwall_web.reading import DECISIONS, PAGES, body_of, slug
from evenwall_web.reading import TOP as ROOT
from tests.web.server import PanelServer


class Links(HTMLParser):
    """Links and anchors of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.to: list[str] = []
        self.ids: set[str] = set()
        self.feed(html)

    def handle_starttag(self, _: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in {"href", "src"} and value:
                self.to.append(value)
            if name == "id" and value:
                self.ids.add(value)


@pytest.fixture(scope="module")
def phone() -> Iterator[httpx.Client]:
    with PanelServer() as panel, httpx.Client(base_url=panel.url) as client:
        yield client


def test_every_page_is_there_and_every_link_leads_somewhere(phone: httpx.Client) -> None:
    contents = Links(phone.get("/guide/").raise_for_status().text)
    assert [to for to in contents.to if to.endswith(".md")] == [f"/guide/{name}" for name in PAGES]
    seen: dict[str, Links] = {}
    for name in PAGES:
        seen[f"/guide/{name}"] = Links(phone.get(f"/guide/{name}").raise_for_status().text)
    answers: dict[str, int] = {}  # each place is asked for once
    broken, looked = [], 0
    for path, page in seen.items():
        for to in page.to:
            parts = urlsplit(urljoin(f"{phone.base_url}{path}", to))
            if parts.hostname != "127.0.0.1":
                continue
            looked += 1
            if parts.path not in answers:
                answers[parts.path] = phone.get(parts.path).status_code
            known = seen.get(parts.path)
            if answers[parts.path] != 200 or (
                parts.fragment and known is not None and parts.fragment not in known.ids
            ):
                broken.append((path, to))
    assert broken == []
    assert looked > 100


def test_the_list_holds_every_page_for_people() -> None:
    on_disk = {
        file.relative_to(ROOT).as_posix()
        for folder in ("web/guide", "hardware")
        for file in (ROOT / folder).rglob("*.md")
    }
    # A part of a generated page, and what is read beside the firmware's own source.
    on_disk -= {"hardware/wiring/sizing_head.md", "hardware/firmware/README.md"}
    decisions = {file.relative_to(ROOT).as_posix() for file in ROOT.glob(DECISIONS)}
    assert on_disk - decisions <= set(PAGES)
    listed = (ROOT / "web/guide/decisions/README.md").read_text()
    assert all(f"({name.rpartition('/')[2]})" in listed for name in decisions)


@pytest.mark.parametrize(
    "path",
    [
        "/guide/pyproject.toml",
        "/guide/web/app.py",
        "/guide/..%2f..%2fetc/passwd",
        "/guide/web/guide/../app.py",
        "/guide//etc/passwd",
        "/guide/hardware/install/install.sh",
    ],
)
def test_nothing_else_of_the_repository_is_given(phone: httpx.Client, path: str) -> None:
    assert phone.get(path).status_code == 404


def test_a_page_can_carry_no_script_no_style_and_no_note_to_its_editors() -> None:
    assert "style=" not in body_of("| a | b |\n| --- | ---: |\n| 1 | 2 |\n")
    assert "run this" not in body_of("A line.\n\n<!-- docs: run this -->\n\nAnother.\n")
    assert "<script" not in body_of("# A page\n\n<script>alert(1)</script>\n")
    assert "href" not in body_of("[here](javascript:alert(1))")


@pytest.mark.parametrize(
    ("heading", "fragment"),
    [("Your own casting", "your-own-casting"), ("Who may act, and not", "who-may-act-and-not")],
)
def test_a_heading_can_be_linked_to(heading: str, fragment: str) -> None:
    assert slug(heading) == fragment
    assert f'id="{fragment}"' in body_of(f"## {heading}\n")
