"""The guide as a folder of static pages, from the same Markdown that the panel serves.

`python -m evenwall_web.site FOLDER` (or `make site`) writes it. Every link is relative, so that the
folder can be read from a disk or from any web server, below any path.
"""

from __future__ import annotations

import posixpath
import re
import shutil
import sys
from pathlib import Path
from urllib.parse import urldefrag

from evenwall_web.reading import (
    BESIDE,
    DECISIONS,
    HERE,
    PAGES,
    body_of,
    place,
    places,
    sheet_in,
    title_of,
)

PANEL = HERE / "panel"
_AWAY = re.compile(r"^(?:[a-z][a-z0-9+.-]*:|#|/)", re.IGNORECASE)
_LINK = re.compile(r'(?<=href=")([^"]+)(?=")')
_LOOK = ("icon.svg", "vendor/bitter.woff2")  # what every page loads


def _as_html(name: str) -> str:
    return name.removesuffix(".md") + ".html"


def _relinked(link: str, page: str, pages: set[str]) -> str:
    """Return the link for the static page. Raises ValueError if its page does not exist."""
    where, fragment = urldefrag(link)
    if _AWAY.match(link) or not where.endswith(".md"):
        return link
    target = posixpath.normpath(posixpath.join(posixpath.dirname(page), where))
    if target not in pages:
        raise ValueError(f"{page} links to {link}, which is no page of the guide")
    return _as_html(where) + (f"#{fragment}" if fragment else "")


def write_site(folder: Path) -> list[Path]:
    """Write every page, picture and file of the guide below a folder, and a list of contents.

    Returns the files written. Raises ValueError for a broken link, OSError if the folder cannot be
    written.
    """
    pages = [name for name in PAGES if place(name).is_file()]
    known = {name: place(name) for name in pages} | places(DECISIONS)
    template = sheet_in(PANEL)
    css = (PANEL / "panel.css").read_text(encoding="utf-8")
    written = []

    def write(name: str, title: str, body: str, listed: list[tuple[str, str]]) -> None:
        root = "../" * name.count("/")
        text = template.render(
            css=css.replace("/panel/", root + "look/"),
            title=title,
            body=body,
            pages=listed,
            look=f"{root}look/",
            contents=f"{root}index.html",
            live=False,
        )
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
        written.append(target)

    titles = {}
    for name, file in known.items():
        text = file.read_text(encoding="utf-8")
        titles[name] = title_of(text)

        def relinked(found: re.Match[str], page: str = name) -> str:
            return _relinked(found[1], page, set(known))

        body = _LINK.sub(relinked, body_of(text))
        write(_as_html(name), titles[name], body, [])
    write("index.html", "The guide", "", [(_as_html(name), titles[name]) for name in pages])
    beside = {name: file for glob in BESIDE for name, file in places(glob).items()}
    for name, file in {**beside, **{f"look/{look}": PANEL / look for look in _LOOK}}.items():
        target = folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        written.append(Path(shutil.copyfile(file, target)))
    return written


def main(argv: list[str]) -> int:
    """Write the site into the folder named; a folder that is not empty is refused."""
    if len(argv) != 1:
        print("usage: python -m evenwall_web.site FOLDER", file=sys.stderr)
        return 2
    folder = Path(argv[0])
    if folder.is_dir() and any(folder.iterdir()) and not (folder / "index.html").is_file():
        print(f"{folder} contains other files: choose an empty folder", file=sys.stderr)
        return 2
    print(f"{len(write_site(folder))} files under {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
