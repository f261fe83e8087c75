"""A plan on paper: steps with large weights, the clock, the wall in pictures, cautions.

HTML by Jinja2 and PDF by fpdf2, both plain Python, so that a Pi needs no system library for them.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path

import jinja2
from fpdf import FPDF
from fpdf.fonts import FontFace
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from controller.errors import InputError
from controller.model import CoatPlan, Plan
from controller.plan.recipe import Recipe, profile, ramps, start_angles
from controller.plantext import clock_words
from controller.wall import WallResult, compute_wall
from controller.wallview import MAP, draw_view, figure_of

_PAGE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string("""\
<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{ title }}</title>
<style>
body { font: 11pt/1.35 Georgia, serif; color: #17313a; background: #f6f3ea;
       max-width: 46em; margin: 1.5em auto; padding: 0 1em }
h1 { font-size: 20pt; margin: 0 } h2 { font-size: 13pt; margin: 1.2em 0 .3em }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; padding: .25em .6em .25em 0; border-bottom: 1px solid #17313a40;
         vertical-align: top }
.weigh { font-size: 17pt; font-weight: bold; white-space: nowrap }
img { max-width: 100% } li { margin: .15em 0 }
@media print { body { background: none; margin: 0; max-width: none } h2 { break-after: avoid } }
</style></head><body>
<h1>{{ title }}</h1>
<p>{{ intro }}</p>
{% for block in blocks %}
<h2>{{ block.title }}</h2>
{% if block.rows %}
<table>
<tr>{% for cell in block.head %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in block.rows %}
<tr>{% for cell in row %}<td{% if block.large == loop.index0 %} class="weigh"{% endif %}>{{ cell }}\
</td>{% endfor %}</tr>
{% endfor %}
</table>
{% endif %}
{% if block.lines %}<ul>{% for line in block.lines %}<li>{{ line }}</li>{% endfor %}</ul>{% endif %}
{% endfor %}
{% for picture in pictures %}<p><img alt="wall thickness" src="data:image/png;base64,{{ picture }}">
</p>{% endfor %}
</body></html>
""")


class Block:
    """A heading with a table, a list, or both. `large`: the column set in large type."""

    def __init__(
        self,
        title: str,
        rows: Sequence[Sequence[str]] = (),
        head: Sequence[str] = (),
        lines: Sequence[str] = (),
        large: int = -1,
    ) -> None:
        self.title, self.rows, self.head = title, rows, head
        self.lines, self.large = lines, large


def write_report(plan: Plan, path: Path, pictures: Sequence[Figure] = ()) -> None:
    """Write the plan as .html or .pdf. Raises InputError for any other ending."""
    images = [_png(figure) for figure in pictures]
    if path.suffix.lower() == ".html":
        path.write_text(_html(plan, images), encoding="utf-8")
    elif path.suffix.lower() == ".pdf":
        _pdf(plan, images, path)
    else:
        raise InputError("--report", path.name, "must end in .html or .pdf")


def pictures_of(plan: Plan, mesh_mm: float | None = None, threads: int = 1) -> list[Figure]:
    """The planned wall, and beside the best 4:1 if the plan knows it. None without a film."""
    if plan.wall.min_mm is None:
        return []
    wall = compute_wall(plan, mesh_mm, threads=threads)
    found = [figure_of(wall, f"{plan.casting.name}: the planned wall")]
    plain = baseline_of(plan)
    if plain is not None:
        found.append(side_by_side(compute_wall(plain, mesh_mm, threads=threads), wall))
    return found


def baseline_of(plan: Plan) -> Plan | None:
    """The same coats turned alike, at the speed-tuned 4:1 that the search compared with."""
    plain = plan.details.get("search", {}).get("baseline_recipe")
    if plain is None:
        return None
    recipe = Recipe(**plain)
    towards_z = 1.0 if plan.geometry.opening.direction[2] >= 0 else -1.0
    coats = tuple(
        coat.model_copy(
            update={
                "ramps": ramps(profile(recipe, coat.clock, plan.rig, towards_z)),
                "start_deg": start_angles(recipe),
            }
        )
        for coat in plan.coats
    )
    return plan.model_copy(update={"coats": coats})


def side_by_side(plain: WallResult, planned: WallResult) -> Figure:
    """Baseline and plan in one scale: two views each."""
    figure = Figure(figsize=(10, 4.6), layout="constrained")
    grid = figure.add_gridspec(1, 5, width_ratios=[1, 1, 1, 1, 0.06])
    mean = planned.statistics.mean * 1e3
    scale = Normalize(vmin=0.5 * mean, vmax=1.25 * mean)
    sides = (("4:1, speed tuned, the same each time", plain), ("coats planned together", planned))
    for k, (words, wall) in enumerate(sides):
        for view, (elevation, azimuth) in enumerate(((12, -90), (-50, -60))):
            axes = figure.add_subplot(grid[0, 2 * k + view], projection="3d")
            draw_view(axes, wall, elevation, azimuth, scale)
            if view == 0:
                s = wall.statistics
                axes.set_title(
                    f"{words}\nthinnest patch {s.min * 1e3:.2f} mm, rim {s.rim * 1e3:.2f} mm "
                    f"of {s.mean * 1e3:.2f} mm",
                    fontsize=9,
                    loc="left",
                )
    figure.colorbar(
        ScalarMappable(scale, MAP),
        cax=figure.add_subplot(grid[0, 4]),
        label="wall, mm",
        extend="both",
    )
    return figure


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=110)
    return out.getvalue()


def _intro(plan: Plan) -> str:
    wall, totals = plan.wall, plan.totals
    words = (
        f"{plan.casting.resin.name}, {wall.mean_mm:.1f} mm in {len(plan.coats)} coats; "
        f"{totals.hollow_g:.0f} g hollow against {totals.solid_g:.0f} g solid; demould "
        f"{totals.demould_from_min / 60:.1f} h after the first mix."
    )
    if wall.min_mm is None:
        return f"{words} {wall.note}"
    error = "" if wall.mesh_error_mm is None else f" +- {wall.mesh_error_mm:.2f}"
    words += f" Thinnest patch {wall.min_mm:.2f}{error} mm"
    if wall.worst_case_min_mm is not None:
        words += f" ({wall.worst_case_min_mm:.2f} mm on a bad day)"
    return f"{words}, rim {wall.rim_mm or wall.mean_mm:.2f} mm. {wall.note}"


def _steps(coat: CoatPlan) -> list[str]:
    c = coat.clock
    return [
        str(coat.coat),
        f"A {coat.part_a_g:.1f} g + B {coat.part_b_g:.1f} g",
        f"pour by {clock_words(c.pour_by_s)}; turn from {clock_words(c.spin_from_s)} "
        f"to {clock_words(c.spin_until_s)}; gel about {clock_words(c.gel_expected_s)}",
        f"{clock_words(c.next_pour_from_s)} to {clock_words(c.next_pour_until_s)}",
    ]


def _blocks(plan: Plan) -> list[Block]:
    load, shop = plan.details.get("load", {}), plan.details.get("shop", {})
    search = plan.details.get("search", {})
    blocks = [
        Block(
            "Coats (min:s from the moment the parts meet)",
            [_steps(coat) for coat in plan.coats],
            ("coat", "weigh", "clock", "next pour"),
            large=1,
        )
    ]
    buy = shop.get("shopping", {})
    ready = [", ".join(f"{_words(name)} {value:g}" for name, value in buy.items())]
    if plan.totals.cost is not None:
        ready.append(f"Cost of the resin: {plan.totals.cost:.2f} {plan.casting.resin.currency}")
    blocks.append(Block("Have ready", lines=ready))
    lines = [
        f"{name} axis: torque {load[name]['torque_Nm']:g} N m, motor margin "
        f"{load[name]['motor_margin']:g}"
        for name in ("major", "minor")
        if name in load
    ] + [
        f"For balance on the {weight['for_axis']} axis: {weight['mass_g']} g at "
        f"{weight['arm_mm']} mm towards {weight['towards']}"
        for weight in load.get("counterweights", [])
    ]
    if lines:
        blocks.append(Block("On the frame", lines=lines))
    colder = shop.get("five_K_colder")
    if isinstance(colder, dict):
        text = (
            f"Gel {colder['gel_later_min']:g} min later, next pour from "
            f"{colder['next_pour_from_min']:g} min, demould after "
            f"{colder['demould_from_min']:g} min."
        )
        blocks.append(Block("In a shop 5 degC colder", lines=[text]))
    if search.get("gain_over_baseline") is not None:
        text = (
            f"The thinnest patch is {search['gain_over_baseline']:.2f} times that of the best 4:1 "
            f"repeated; {search['films']} recipes were computed."
        )
        blocks.append(Block("Why so", lines=[text]))
    blocks.append(Block("Mind", lines=[*plan.cautions, *plan.notes]))
    return blocks


def _words(name: str) -> str:
    for suffix in ("_g", "_ml"):
        if name.endswith(suffix):
            return f"{name.removesuffix(suffix).replace('_', ' ')} ({suffix[1:]})"
    return name.replace("_", " ")


def _html(plan: Plan, images: Sequence[bytes]) -> str:
    return _PAGE.render(
        title=plan.casting.name,
        intro=_intro(plan),
        blocks=_blocks(plan),
        pictures=[base64.b64encode(image).decode("ascii") for image in images],
    )


def _latin(text: str) -> str:
    """The PDF's built-in fonts know Latin-1 only; anything else is shown as '?'."""
    return text.encode("latin-1", "replace").decode("latin-1")


def _pdf(plan: Plan, images: Sequence[bytes], path: Path) -> None:
    page = FPDF(format="A4")
    page.set_title(_latin(plan.casting.name))
    page.set_margins(16, 14)
    page.set_auto_page_break(auto=True, margin=12)
    page.add_page()
    page.set_font("Helvetica", "B", 18)
    page.multi_cell(0, 8, _latin(plan.casting.name), new_x="LMARGIN", new_y="NEXT")
    page.set_font("Helvetica", size=10)
    page.multi_cell(0, 4.6, _latin(_intro(plan)), new_x="LMARGIN", new_y="NEXT")
    large = FontFace(emphasis="BOLD", size_pt=15)
    for block in _blocks(plan):
        page.ln(2)
        page.set_font("Helvetica", "B", 12)
        page.cell(0, 6, _latin(block.title), new_x="LMARGIN", new_y="NEXT")
        page.set_font("Helvetica", size=9)
        if block.rows:
            with page.table(col_widths=(6, 40, 50, 20), line_height=5) as table:
                for row in [block.head, *block.rows]:
                    cells = table.row()
                    for k, cell in enumerate(row):
                        style = large if k == block.large and row is not block.head else None
                        cells.cell(_latin(cell), style=style)
        for line in block.lines:
            page.multi_cell(0, 4.1, _latin(f"- {line}"), new_x="LMARGIN", new_y="NEXT")
    for image in images:
        page.add_page(orientation="landscape")
        page.image(io.BytesIO(image), w=page.epw, h=page.eph, keep_aspect_ratio=True)
    page.output(str(path))
