"""Pages that a person prints: one list of blocks, as HTML with its pictures inside or as PDF."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import matplotlib
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace
from fpdf.recorder import FPDFRecorder
from matplotlib.figure import Figure

from evenwall.errors import InputError
from evenwall.palette import HAIR, INK, PAPER, SIGNAL
from evenwall.reports import look
from evenwall.units import System, shown

_STYLE = f"""
body {{ font: 16px/1.45 Bitter, Georgia, serif; color: {INK}; background: {PAPER};
  max-width: 46rem; margin: 2rem auto; padding: 0 1rem; }}
h1, h2 {{ font-weight: 600; line-height: 1.2; }}
h2 {{ margin-top: 2rem; border-bottom: 1px solid {INK}; }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
th, td {{ text-align: left; padding: .2rem .6rem .2rem 0; border-bottom: 1px solid {HAIR};
  vertical-align: top; }}
figure {{ margin: 1rem 0; }}
figure svg, figure img {{ max-width: 100%; height: auto; }}
figcaption {{ font-style: italic; }}
.large {{ font-size: 1.5em; font-weight: 600; white-space: nowrap; }}
@media (max-width: 40rem) {{ .large {{ white-space: normal; min-width: 6.5em; }} }}
.strong {{ color: {SIGNAL}; font-weight: 600; }}
@media print {{ body {{ background: none; margin: 0; max-width: none; }}
  figure, tr {{ break-inside: avoid; }} }}
"""


@dataclass(frozen=True, slots=True)
class Heading:
    text: str


@dataclass(frozen=True, slots=True)
class Words:
    """Paragraph. strong: it must not be overlooked."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Table. large: number of a column to be read from a distance; -1 for none."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    large: int = -1


@dataclass(frozen=True, slots=True)
class Listed:
    """A list of short remarks."""

    items: tuple[str, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """A drawn figure, or a JPEG or PNG file. raster: of a figure with too many lines to keep."""

    of: Figure | Path
    caption: str
    raster: bool = False


Block = Heading | Words | Table | Listed | Picture


def figure(width_in: float = 7.0, height_in: float = 3.0) -> Figure:
    """An empty figure in the pages' own look; it belongs to no window and no global state."""
    drawn = Figure(figsize=(width_in, height_in), layout="constrained")
    drawn.patch.set_alpha(0.0)
    return drawn


def write(path: Path, title: str, blocks: Sequence[Block], units: System = "metric") -> None:
    """Write an .html or .pdf file, with its words in these units.

    Raises InputError for another ending, an unreadable picture, or a file that cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in (".html", ".pdf"):
        raise InputError("report", path, "must end in .html or .pdf")
    blocks = [in_units(block, units) for block in blocks]
    try:
        if ending == ".html":
            path.write_text(to_html(title, blocks), encoding="utf-8")
        else:
            path.write_bytes(to_pdf(title, blocks))
    except OSError as error:
        raise InputError("report", path, error.strerror or str(error)) from None


def in_units(block: Block, units: System) -> Block:
    """Return the block with every figure in its words rounded for print, in these units."""
    if isinstance(block, Picture):
        return replace(block, caption=shown(block.caption, units))
    if isinstance(block, Listed):
        return Listed(tuple(shown(item, units) for item in block.items))
    if isinstance(block, Table):
        rows = tuple(tuple(shown(cell, units) for cell in row) for row in block.rows)
        return replace(block, rows=rows)
    return replace(block, text=shown(block.text, units))


def _picture_bytes(of: Figure | Path) -> bytes:
    if isinstance(of, Figure):
        drawn = io.BytesIO()
        of.savefig(drawn, format="png", dpi=150)
        return drawn.getvalue()
    try:
        return of.read_bytes()
    except OSError as error:
        raise InputError("picture", of, error.strerror or "cannot be read") from None


def _text(words: str) -> str:
    return html.escape(words)


def to_html(title: str, blocks: Sequence[Block]) -> str:
    """Return one self-contained HTML page."""
    body = "\n".join(_html(block) for block in blocks)
    return (
        '<!doctype html>\n<html lang="en">\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>{_faces()}{_STYLE}</style>\n"
        f"<h1>{_text(title)}</h1>\n{body}\n</html>\n"
    )


def _faces() -> str:
    """Return the embedded typeface, so that the page needs no other file."""
    faces = ((400, look.REGULAR), (700, look.BOLD))
    return "".join(
        f"@font-face {{ font-family: {look.FAMILY}; font-weight: {weight}; src: url(data:font/ttf;"
        f"base64,{base64.b64encode(file.read_bytes()).decode('ascii')}); }}\n"
        for weight, file in faces
    )


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h2>{_text(block.text)}</h2>"
    if isinstance(block, Words):
        mark = ' class="strong"' if block.strong else ""
        return f"<p{mark}>{_text(block.text)}</p>"
    if isinstance(block, Table):
        head = "".join(f"<th>{_text(name)}</th>" for name in block.columns)
        rows = "".join(
            "<tr>"
            + "".join(_cell(cell, k == block.large) for k, cell in enumerate(row))
            + "</tr>\n"
            for row in block.rows
        )
        return f"<table>\n<tr>{head}</tr>\n{rows}</table>"
    if isinstance(block, Listed):
        return "<ul>" + "".join(f"<li>{_text(item)}</li>" for item in block.items) + "</ul>"
    caption = _text(block.caption)
    if isinstance(block.of, Path) or block.raster:
        png = not isinstance(block.of, Path) or block.of.suffix.lower() == ".png"
        kind = "png" if png else "jpeg"
        data = base64.b64encode(_picture_bytes(block.of)).decode("ascii")
        shown = f'<img alt="{caption}" src="data:image/{kind};base64,{data}">'
    else:
        drawn = io.StringIO()
        block.of.savefig(drawn, format="svg")
        text = drawn.getvalue()
        shown = text[text.index("<svg") :]
    return f"<figure>{shown}<figcaption>{caption}</figcaption></figure>"


def _cell(text: str, large: bool) -> str:
    return f"<td{' class=large' if large else ''}>{_text(text)}</td>"


_SIGNS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"  # for signs that our typeface lacks
_MARGIN_MM = 18.0
_HEADED_MM = 26.0  # room for a heading and the text under it
_MANY_COLUMNS = 6
_LARGE = FontFace(emphasis="BOLD", size_pt=14.0)


def to_pdf(title: str, blocks: Sequence[Block]) -> bytes:
    pdf = FPDF(format="A4")
    pdf.set_title(title)
    pdf.set_margins(_MARGIN_MM, _MARGIN_MM, _MARGIN_MM)
    pdf.set_auto_page_break(True, _MARGIN_MM)
    for style, own, other in (
        ("", look.REGULAR, "DejaVuSans.ttf"),
        ("B", look.BOLD, "DejaVuSans-Bold.ttf"),
    ):
        pdf.add_font("page", style, own)
        pdf.add_font("signs", style, _SIGNS / other)
    pdf.set_fallback_fonts(["signs"])
    pdf.add_page()
    _line(pdf, title, 18.0, "B")
    for block in blocks:
        if isinstance(block, Heading):
            if pdf.will_page_break(_HEADED_MM):
                pdf.add_page()
            pdf.ln(4.0)
            _line(pdf, block.text, 13.0, "B")
        elif isinstance(block, Words):
            _line(pdf, block.text, 9.5, "B" if block.strong else "")
        elif isinstance(block, Table):
            _pdf_table(pdf, block)
        elif isinstance(block, Listed):
            for item in block.items:
                _line(pdf, f"\N{BULLET} {item}", 9.5, "")
        else:
            _pdf_picture(pdf, block)
    return bytes(pdf.output())


def _line(pdf: FPDF | FPDFRecorder, text: str, size_pt: float, style: str) -> None:
    pdf.set_font("page", style, size_pt)
    pdf.multi_cell(0, size_pt * 0.5, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pdf.ln(1.0)


def _pdf_table(pdf: FPDF, block: Table) -> None:
    pdf.set_font("page", "", 8.5)
    with pdf.table(
        headings_style=FontFace(emphasis="BOLD"),
        borders_layout="HORIZONTAL_LINES",
        line_height=5.0,
        text_align="LEFT",
        col_widths=_widths(block),
    ) as table:
        for cells in (block.columns, *block.rows):
            row = table.row()
            for k, cell in enumerate(cells):
                large = k == block.large and cells is not block.columns
                row.cell(cell, style=_LARGE if large else None)
    pdf.ln(2.0)


def _widths(block: Table) -> tuple[int, ...]:
    """Shares of the page by the longest word and, where there is room, the longest cell."""
    longest: list[int] = []
    room = 40 if len(block.columns) <= _MANY_COLUMNS else 0
    for k, cells in enumerate(zip(block.columns, *block.rows, strict=True)):
        words = max((len(word) for cell in cells for word in cell.split()), default=1)
        width = max(words + 2, min(max(map(len, cells)), room))
        longest.append(2 * width if k == block.large else width)
    return tuple(longest)


def _pdf_picture(pdf: FPDF, block: Picture) -> None:
    picture = io.BytesIO(_picture_bytes(block.of))
    with pdf.unbreakable() as together:  # its words stand under it
        together.image(picture, w=pdf.epw)
        _line(together, block.caption, 8.5, "")
