"""A plan on paper: steps with large weights, the clock, the wall in pictures, cautions.

HTML by Jinja2 and PDF by fpdf2, both plain Python, so that a Pi needs no system library for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from evenwall.model import CoatPlan, Plan
from evenwall.planning.batch import MIX_S
from evenwall.planning.in_words import begin_words, clock_words, odds_words, pour_words
from evenwall.planning.wall import WallResult, compute_wall
from evenwall.reports.printed import Block, Heading, Listed, Picture, Table, Words, write
from evenwall.reports.wall_view import colour_bar, draw_view, figure_of, scale_of
from evenwall.units import System, shown


def write_report(
    plan: Plan, path: Path, pictures: Sequence[Picture] = (), units: System = "metric"
) -> None:
    """Write the plan as .html or .pdf. Raises InputError for any other ending."""
    write(path, plan.casting.name, [Words(_intro(plan)), *_blocks(plan), *pictures], units)


def pictures_of(
    plan: Plan, mesh_mm: float | None = None, threads: int = 1, units: System = "metric"
) -> list[Picture]:
    """Pictures of the planned wall, compared with the best 4:1 if known. None without a film."""
    if plan.wall.min_mm is None:
        return []
    wall = compute_wall(plan, mesh_mm, threads=threads)
    alone = figure_of(wall, f"{plan.casting.name}: the planned wall", units)
    said = "The planned wall"
    if wall.mesh_mm > (plan.wall.mesh_mm or 0.0):
        said += ", drawn on a coarser mesh than that of the figures on the first page"
    elif plan.wall.mesh_error_mm is None:
        said += ", computed again on two meshes: more accurate than the figures on the first page"
    found = [Picture(alone, said, raster=True)]
    plain = baseline_of(plan)
    if plain is not None:
        both = side_by_side(compute_wall(plain, mesh_mm, threads=threads), wall, units)
        found.append(Picture(both, "Compared with the best 4:1 ratio", raster=True))
    return found


def baseline_of(plan: Plan) -> Plan | None:
    """The same coats turned alike, at the speed-tuned 4:1 that the search compared with."""
    search = plan.details.get("search", {})
    one = search.get("baseline_coat")
    plain = search.get("baseline_coats") or (one and [one] * len(plan.coats))
    if not plain:
        return None
    coats = [
        CoatPlan.model_validate({**coat.model_dump(), **differs})
        for coat, differs in zip(plan.coats, plain, strict=False)
    ]
    return plan.model_copy(update={"coats": tuple(coats)})


def side_by_side(plain: WallResult, planned: WallResult, units: System = "metric") -> Figure:
    """Baseline and plan in one scale: two views each."""
    figure = Figure(figsize=(10, 3.1), layout="constrained")
    grid = figure.add_gridspec(1, 5, width_ratios=[1, 1, 1, 1, 0.06])
    scale = scale_of(planned.target_mm)
    sides = (("best 4:1, the same spin for every coat", plain), ("coats planned together", planned))
    for k, (words, wall) in enumerate(sides):
        for view, (elevation, azimuth) in enumerate(((12, -90), (-50, -60))):
            axes = figure.add_subplot(grid[0, 2 * k + view], projection="3d")
            draw_view(axes, wall, elevation, azimuth, scale)
            if view == 0:
                s = wall.statistics
                said = shown(
                    f"thinnest patch {s.min * 1e3:.2f} mm, rim {s.rim * 1e3:.2f} mm "
                    f"of {s.mean * 1e3:.2f} mm",
                    units,
                )
                axes.set_title(f"{words}\n{said}", fontsize=9, loc="left")
    colour_bar(figure, figure.add_subplot(grid[0, 4]), scale, units)
    return figure


def _intro(plan: Plan) -> str:
    wall, totals = plan.wall, plan.totals
    words = (
        f"{plan.casting.resin.name}, {wall.mean_mm:.1f} mm wall in {len(plan.coats)} coats; "
        f"{totals.hollow_g:.0f} g hollow against {totals.solid_g:.0f} g solid; demould "
        f"{totals.demould_from_min / 60:.1f} h after the first mix."
    )
    if wall.min_mm is None:
        return f"{words} {wall.note}"
    error = "" if wall.error_mm is None else f" +- {wall.error_mm:.2f}"
    words += f" Thinnest patch {wall.min_mm:.2f}{error} mm"
    if wall.worst_case_min_mm is not None:
        words += f" ({wall.worst_case_min_mm:.2f} mm on a bad day)"
    odds = plan.details.get("odds")
    said = f" {odds_words(odds)}" if odds else ""
    return f"{words}, rim {wall.rim_mm or wall.mean_mm:.2f} mm.{said} {wall.note}"


def _every_coat(coat: CoatPlan) -> tuple[str, ...]:
    over = "" if coat.opening_state == "capped" else " over the drip tray"
    cap = "Cap the mouth, close" if coat.opening_state == "capped" else "Close"
    return (
        "Gloves, goggles, respirator, moving air. Weigh both parts into the cup, to 1 % of each.",
        f"Mix for {MIX_S:.0f} s, along wall and floor too. Degas until the mix rises and falls, "
        f"then for about 90 s more if the time to pour allows.",
        f"Pour within its time{over}; leave {coat.cup_left_g:.0f} g in the cup, with the probe in "
        f"it. "
        f"{cap} the guard, start the frame.",
        "Turn until the panel says that it is safe to stop (without a panel, until the time "
        "above). Then park the mould opening-down. Touch the cup with a stick and report when it "
        "gels. Touch the rim only when the frame stands still.",
        "Spread the rest of the mix thinly outdoors. Pour the next coat within its time.",
    )


def _row(coat: CoatPlan) -> tuple[str, ...]:
    c = coat.clock
    stands = "let it stand, " if c.pour_from_s else ""
    begin = f"{begin_words(c)}, " if begin_words(c) else ""
    return (
        str(coat.coat),
        f"A {coat.part_a_g:.1f} g + B {coat.part_b_g:.1f} g",
        f"{stands}pour {pour_words(c)}, close up, {begin}turn until {clock_words(c.spin_until_s)}; "
        f"gel about {clock_words(c.gel_expected_s)}",
        f"{clock_words(c.next_pour_from_s)} to {clock_words(c.next_pour_until_s)}",
    )


def _blocks(plan: Plan) -> list[Block]:
    load, shop = plan.details.get("load", {}), plan.details.get("shop", {})
    search = plan.details.get("search", {})
    blocks: list[Block] = [
        Heading("Coats (min:s from the moment the parts meet)"),
        Table(
            ("coat", "weigh", "clock", "next pour"),
            tuple(_row(coat) for coat in plan.coats),
            large=1,
        ),
        Heading("Every coat"),
        Listed(_every_coat(plan.coats[-1])),
    ]
    ready = _ready(plan, shop.get("shopping", {}))
    if ready:
        blocks += [Heading("Have ready"), Listed(ready)]
    # Safety is on the page of the steps; explanations may continue on the next.
    blocks += [Heading("Mind"), Listed((*plan.cautions, *plan.notes))]
    known = [_planned_for(plan), *_frame(load), *_shop(shop, plan.details.get("clarity", {}))]
    blocks += [Heading("The frame and the shop"), Listed(tuple(known))]
    why = [*_why(search), *plan.limits]
    if why:
        blocks += [Heading("Reasons and limits"), Listed(tuple(why))]
    return blocks


def _planned_for(plan: Plan) -> str:
    """Return the day for which the times on the page are valid; on another day they differ."""
    shop, mould = plan.casting.shop, plan.casting.mould
    damp = "" if shop.humidity_percent is None else f", {shop.humidity_percent:.0f} % humidity"
    warm = shop.temp_degC if mould.temp_degC is None else mould.temp_degC
    return (
        f"Planned for a shop of {shop.temp_degC:.1f} degC{damp}, the mould at {warm:.1f} degC, "
        f"on {plan.rig.name}."
    )


def _frame(load: dict[str, Any]) -> list[str]:
    torques = [
        f"{load[name]['torque_Nm']:g} N m on the {name} axis, and the motor has "
        f"{load[name]['motor_margin']:.0f} times as much"
        for name in ("major", "minor")
        if name in load
    ]
    said = ["Turning takes at most " + "; ".join(torques) + "."] if torques else []
    return said + [
        f"For balance on the {weight['for_axis']} axis: {weight['mass_g']} g at "
        f"{weight['arm_mm']} mm from the crossing of the axes, towards "
        + ", ".join(f"{x} {part:+g}" for x, part in zip("xyz", weight["towards"], strict=True))
        + " of the mould."
        for weight in load.get("counterweights", [])
    ]


def _shop(shop: dict[str, Any], clarity: dict[str, float]) -> list[str]:
    said = []
    colder = shop.get("five_K_colder")
    if isinstance(colder, dict):
        said.append(
            f"In a shop 5 K colder: gel {colder['gel_later_min']:.0f} min later, next pour from "
            f"{colder['next_pour_from_min']:.0f} min, demould "
            f"{colder['demould_from_min'] / 60:.1f} h after the first mix."
        )
    elif colder:
        said.append(f"In a shop 5 K colder no plan works: {colder}.")
    bubble = clarity.get("smallest_escaping_bubble_mm")
    if bubble is not None:
        said.append(
            f"Bubbles smaller than {bubble:.2g} mm cannot rise out of a coat before it gels."
        )
    return said


def _why(search: dict[str, Any]) -> list[str]:
    if not search.get("films"):
        return []
    gain = search["gain_over_baseline"]
    text = (
        "The best 4:1 ratio for every coat would leave bare places"
        if gain is None
        else f"The thinnest patch is {gain:.2f} times that of the best 4:1 ratio for every coat"
    )
    return [f"{text}; {search['films']} recipes were computed."]


def _ready(plan: Plan, buy: dict[str, float]) -> tuple[str, ...]:
    """Return the shopping list in words."""
    if not buy:
        return ()
    parts = [
        f"{part.upper()} {buy[f'part_{part}_g']:.0f} g"
        + (f" ({buy[f'part_{part}_ml']:.0f} ml)" if f"part_{part}_ml" in buy else "")
        for part in "ab"
    ]
    said = [
        f"Resin {' and '.join(parts)}, including a little spare; about {buy['waste_g']:.0f} g of "
        "it stays in the cups or runs over",
        f"{buy['cups']:.0f} mixing cups and {buy['gloves_pairs']:.0f} pairs of gloves; a "
        f"{buy['degas_cup_ml']:.0f} ml cup for degassing, because the mix rises",
    ]
    if plan.totals.cost is not None:
        said.append(
            f"The resin costs {plan.totals.cost:.2f} {plan.casting.resin.currency}".rstrip()
        )
    return tuple(said)
