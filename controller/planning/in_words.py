"""Plan in words, for a terminal: the work, the weights, the times, and the wall that they give."""

from __future__ import annotations

from typing import Any

from evenwall.model import CoatClock, CoatPlan, Plan
from evenwall.units import percent


def clock_words(time_s: float) -> str:
    """Return a time in minutes and seconds, like a kitchen timer."""
    minutes, seconds = divmod(round(time_s), 60)
    return f"{minutes}:{seconds:02d}"


def moment_words(utc: str) -> str:
    """Return a recorded moment (ISO 8601, UTC) to the minute, as a person writes it."""
    return f"{utc[:16].replace('T', ' ')} UTC"


def pour_words(clock: CoatClock) -> str:
    """Return when to pour a coat: in time for the wall, while the resin can be poured.

    Where turning must begin before the resin is too thick to pour, the time for the wall comes
    first: a pour at the resin's last moment would be too late for the wall.
    """
    until, start = clock_words(clock.pour_by_s), clock_words(clock.pour_from_s)
    if clock.turn_by_s is not None and clock.turn_by_s < clock.pour_by_s:
        first = f"from {start} on, " if clock.pour_from_s else ""
        begun = clock_words(clock.turn_by_s)
        return f"{first}in time to begin turning by {begun} (pourable until {until})"
    return f"between {start} and {until}" if clock.pour_from_s else f"by {until}"


def begin_words(clock: CoatClock) -> str:
    """Return when turning must begin, or nothing where `pour_words` says it."""
    if clock.turn_by_s is None or clock.turn_by_s < clock.pour_by_s:
        return ""
    return f"begin turning by {clock_words(clock.turn_by_s)}"


def odds_words(odds: dict[str, Any]) -> str:
    """Return a plan's odds (`details.odds`) in one sentence."""
    return (
        f"Nine castings in ten should be at least {odds['nine_in_ten_mm']:.1f} mm at the thinnest, "
        f"and half of them {odds['half_mm']:.1f} mm: this allows for the usual errors of batch, "
        f"viscosity, pour, start, motor and mesh together."
    )


def _coat(coat: CoatPlan) -> list[str]:
    clock, turning = coat.clock, coat.ramps
    begun = f"; {begin_words(clock)}" if begin_words(clock) else ""
    stands = "; until then it stands in its cup" if clock.pour_from_s else ""
    lost = f"on the lid {coat.lid_g:.1f} g" if coat.lid_g else f"runs over {coat.spill_g:.1f} g"
    top = max(max(abs(ramp.major_rpm), abs(ramp.minor_rpm)) for ramp in turning)
    legs = list(dict.fromkeys(ramp.leg for ramp in turning))
    return [
        f"Coat {coat.coat}   {coat.mean_mm:.2f} mm on average",
        f"  weigh      A {coat.part_a_g:.1f} g + B {coat.part_b_g:.1f} g = {coat.mix_g:.1f} g"
        f"   (stays in the cup {coat.cup_left_g:.1f} g, {lost})",
        f"  pour       {pour_words(clock)}, after the parts meet{stands}",
        f"  turn       {', '.join(legs)}; {len(turning)} ramps, up to {top:.1f} rpm;"
        f" opening {coat.opening_state}{begun}",
        f"  gel        expected {clock_words(clock.gel_expected_s)}"
        f" ({clock_words(clock.gel_low_s)} to {clock_words(clock.gel_high_s)})",
        f"  turn until {clock_words(clock.spin_until_s)}, then stand opening-down",
        f"  next pour  {clock_words(clock.next_pour_from_s)} to"
        f" {clock_words(clock.next_pour_until_s)}",
    ]


def describe(plan: Plan) -> str:
    """Return the plan on one screen. Where the film was not computed, it says so and shows no
    figure."""
    geometry, wall, totals, casting = plan.geometry, plan.wall, plan.totals, plan.casting
    lines = [
        f"{casting.name} in {casting.resin.name},"
        f" {casting.wall_mm:g} mm in {len(plan.coats)} coats",
        f"skin {geometry.area_cm2:.0f} cm2, solid {geometry.solid_volume_cm3:.0f} cm3,"
        f" opening {geometry.opening.area_cm2:.1f} cm2",
        "",
    ]
    for coat in plan.coats:
        lines += [*_coat(coat), ""]
    lines.append(f"Wall   mean {wall.mean_mm:.2f} mm (wanted {wall.target_mm:g} mm)")
    if wall.min_mm is not None:
        bar = "" if wall.error_mm is None else f" +- {wall.error_mm:.2f}"
        lines.append(f"  thinnest patch  {wall.min_mm:.2f}{bar} mm")
        for words, value in (
            ("thinnest point ", wall.min_point_mm),
            ("5 % thinner than", wall.p05_mm),
            ("5 % thicker than", wall.p95_mm),
            ("rim            ", wall.rim_mm),
            ("worst case     ", wall.worst_case_min_mm),
            ("no plan exceeds", wall.bound_min_mm),
        ):
            if value is not None:
                lines.append(f"  {words} {value:.2f} mm")
    if wall.note:
        lines.append(f"  {wall.note}")
    if odds := plan.details.get("odds"):
        lines.append(f"  {odds_words(odds)}")
    if plan.limits:
        lines += ["", "What limits it", *(f"- {limit}" for limit in plan.limits)]
    cost = "" if totals.cost is None else f", {totals.cost:.2f} {casting.resin.currency}".rstrip()
    lines += [
        "",
        f"Resin  {totals.resin_g:.0f} g weighed{cost}; the casting holds {totals.hollow_g:.0f} g,"
        f" solid would be {totals.solid_g:.0f} g ({percent(totals.saved_fraction)} saved)",
        f"Time   {totals.elapsed_min:.0f} min in all; open the mould from"
        f" {totals.demould_from_min:.0f} min",
        "",
        *(f"- {note}" for note in plan.notes),
        "",
        "Take care",
        *(f"- {caution}" for caution in plan.cautions),
    ]
    return "\n".join(lines)


def first_words(plan: Plan) -> str:
    """Return a first answer in two lines: coats, grams and cost; the wall with its error."""
    wall, totals, casting = plan.wall, plan.totals, plan.casting
    cost = "" if totals.cost is None else f", {totals.cost:.2f} {casting.resin.currency}".rstrip()
    lines = [
        f"First answer: {len(plan.coats)} coats, {totals.resin_g:.0f} g weighed{cost}, about "
        f"{totals.elapsed_min:.0f} min in all."
    ]
    if wall.min_mm is not None and wall.error_mm is not None:
        lines.append(
            f"Wall {wall.mean_mm:.2f} mm on average; thinnest patch {wall.min_mm:.2f} +- "
            f"{wall.error_mm:.2f} mm with ordinary spins. The search for better ones follows."
        )
    return "\n".join(lines)
