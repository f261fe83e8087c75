"""The guide as static pages: every link leads somewhere inside the folder."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urldefrag, urlsplit

import pytest

from evenwall_web import site
from evenwall_web.reading import PAGES


class Links(HTMLParser):
    """Collect what a page links to and loads, and the fragments that it offers."""

    def __init__(self) -> None:
        super().__init__()
        self.to: list[str] = []
        self.ids: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in ("href", "src") and value is not None:
                self.to.append(value)
            if name == "id" and value is not None:
                self.ids.add(value)


def read(page: Path) -> Links:
    links = Links()
    links.feed(page.read_text(encoding="utf-8"))
    return links


def test_every_link_of_every_page_leads_somewhere(tmp_path: Path) -> None:
    written = site.write_site(tmp_path)
    pages = {page: read(page) for page in written if page.suffix == ".html"}
    assert len(pages) > len(PAGES)  # the decisions and the contents too
    astray = []
    for page, links in pages.items():
        for link in links.to:
            where, fragment = urldefrag(link)
            if urlsplit(link).scheme:
                continue
            target = (page.parent / unquote(where)).resolve() if where else page
            known = pages.get(target)
            if not target.is_file() or (fragment and known and fragment not in known.ids):
                astray.append(f"{page.relative_to(tmp_path)}: {link}")
    assert astray == []


def test_a_page_that_is_not_there_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(site, "PAGES", ("web/guide/trace.md",))
    with pytest.raises(ValueError, match=r"web/guide/trace\.md links to .*\.md"):
        site.write_site(tmp_path)


def test_a_folder_with_something_else_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    assert site.main([str(tmp_path)]) == 2
    assert "choose an empty folder" in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]
    assert site.main([str(tmp_path / "new")]) == 0
