"""The guide: the repository's own pages, served under `/guide/`.

They are the same Markdown files that are read beside the code, under the same relative paths, so
that their links need no translation. The list of pages is made once, when the panel starts; no
other file of the repository can be fetched.
"""

from __future__ import annotations

import re
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path

from fastapi import APIRouter, HTTPException
from fastapi.responses import FileResponse, HTMLResponse, Response
from jinja2 import Environment, FileSystemLoader, Template
from markdown_it import MarkdownIt
from markdown_it.token import Token

from evenwall_bridge.places import HARDWARE

HERE = Path(__file__).resolve().parent
# Where each top folder of the repository is. In a wheel the pages of the top folder are in `top`.
FOLDERS = {"web": HERE, "hardware": HARDWARE}
TOP = HERE.parent if (HERE.parent / "README.md").is_file() else HERE / "top"
# In the order in which readers need them: what to do, what went wrong, how it is built, how it
# works.
PAGES = (
    "web/guide/first-casting.md",
    "web/guide/measuring.md",
    "web/guide/panel.md",
    "web/guide/calls.md",
    "web/guide/trouble.md",
    "web/guide/abnormal.md",
    "web/guide/how-it-works.md",
    "web/guide/proving.md",
    "web/guide/trace.md",
    "web/guide/promises.md",
    "web/guide/gel.md",
    "hardware/README.md",
    "hardware/building.md",
    "hardware/safety.md",
    "hardware/sizing.md",
    "hardware/board.md",
    "hardware/scale.md",
    "hardware/button.md",
    "hardware/gel_rod.md",
    "hardware/speech.md",
    "hardware/wiring/pins.md",
    "web/guide/install.md",
    "web/guide/shop.md",
    "web/guide/mqtt.md",
    "web/guide/api.md",
    "web/guide/python.md",
    "web/guide/extending.md",
    "web/guide/soak.md",
    "README.md",
    "DEVELOPERS.md",
    "web/guide/decisions/README.md",
    "CHANGELOG.md",
)
# Served, but not in the list of contents: their own README.md lists them.
DECISIONS = "web/guide/decisions/2*.md"
BESIDE = (
    *("web/guide/**/*.png", "web/guide/**/*.svg", "web/guide/*.yaml", "web/guide/*.ipynb"),
    *("hardware/wiring/*.svg", "hardware/rigs/*.toml"),
)
KINDS = {
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".yaml": "text/plain",
    ".toml": "text/plain",
    ".ipynb": "application/x-ipynb+json",
}


def place(name: str) -> Path:
    """Return the file behind a path relative to the repository, in a clone or installed."""
    folder, _, rest = name.partition("/")
    return FOLDERS[folder] / rest if folder in FOLDERS else TOP / name


def places(glob: str) -> dict[str, Path]:
    """Return the files that match a pattern below one top folder, by their relative paths."""
    folder, _, rest = glob.partition("/")
    root = FOLDERS[folder]
    return {f"{folder}/{file.relative_to(root).as_posix()}": file for file in root.glob(rest)}


def slug(heading: str) -> str:
    """The fragment that a link to a heading names: lower-case letters, digits and hyphens."""
    kept = "".join(c for c in heading.lower() if c.isalnum() or c in " -")
    return kept.strip().replace(" ", "-")


def _parser() -> MarkdownIt:
    # Raw HTML stays text: our pages need none, and the panel's policy would bar its scripts.
    return MarkdownIt("commonmark", {"html": False}).enable("table")


def title_of(text: str) -> str:
    """Return the page's first heading."""
    return next((line[2:].strip() for line in text.splitlines() if line.startswith("# ")), "")


def body_of(text: str) -> str:
    """Return the page as HTML: headings have anchors, and a wide table scrolls on its own."""
    parser = _parser()
    # Notes for editors of a page are not for its readers.
    tokens: list[Token] = parser.parse(re.sub(r"(?ms)^<!--.*?-->\n", "", text))
    for opening, inside in pairwise(tokens):
        if opening.type == "heading_open":
            opening.attrSet("id", slug(inside.content))
        elif opening.attrs.pop("style", None) == "text-align:right":
            opening.attrSet("class", "number")  # the panel's policy bars styles written in place
    html = str(parser.renderer.render(tokens, parser.options, {}))
    html = html.replace("<th></th>", "<td></td>")  # an empty corner is no heading
    html = html.replace("<table>", '<div class="scroll" tabindex="0"><table>')
    return html.replace("</table>", "</table></div>").replace("<pre>", '<pre tabindex="0">')


def sheet_in(panel: Path) -> Template:
    """Return the template of a page, for the panel and for the static site.

    Its variables are css, title, body, pages (address and title of each, for the contents), look
    (address of icon and typeface), contents (address of the list of pages) and live (true if the
    panel serves the page).
    """
    loader = FileSystemLoader(panel)
    return Environment(loader=loader, autoescape=True).get_template("guide.html")


def reading(panel: Path, css: str) -> APIRouter:
    """Return the routes of the guide, in the panel's style. Pages that are not installed are not
    offered."""
    draw = partial(sheet_in(panel).render, css=css, look="/panel/", contents="/guide/", live=True)
    pages = [name for name in PAGES if place(name).is_file()]
    decisions = set(places(DECISIONS))
    beside = {name: file for glob in BESIDE for name, file in places(glob).items()}
    router = APIRouter(prefix="/guide", include_in_schema=False)

    @lru_cache(maxsize=len(PAGES) + len(decisions))
    def drawn(name: str) -> str:
        text = place(name).read_text(encoding="utf-8")
        return draw(title=title_of(text), body=body_of(text), pages=())

    @router.get("/")
    async def contents() -> HTMLResponse:
        titles = [
            (f"/guide/{name}", title_of(place(name).read_text(encoding="utf-8"))) for name in pages
        ]
        return HTMLResponse(draw(title="The guide", body="", pages=titles))

    @router.get("/{name:path}")
    async def page(name: str) -> Response:
        if name in pages or name in decisions:
            return HTMLResponse(drawn(name))
        if name in beside:
            return FileResponse(beside[name], media_type=KINDS[beside[name].suffix])
        raise HTTPException(404, f"The guide has no page {name!r}.")

    return router
