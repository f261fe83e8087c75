"""Comparison of a casting with its plan, before and while its run is proven.

Each figure has a span within which it agrees with the plan, from the plan's own error and the
gauge's. Figures outside it, and faults that change a coat from the planned one, are objections to
the proof. A person may prove the run nevertheless, with a reason that stays in the record.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping

from evenwall.history.recorded import Recorded
from evenwall.model import (
    Assessment,
    CoatPlan,
    Finding,
    Measured,
    Missing,
    MissingKind,
    Plan,
    Spot,
    Step,
    Trouble,
)
from evenwall.planning.batch import turn_by_s
from evenwall.planning.in_words import clock_words
from evenwall.planning.shape_error import relative_error
from evenwall.run.alerts import SEVERITY, WEIGHT_REFUSE
from evenwall.run.events import AlertRaised, BoardRefused, Halted
from evenwall.run.fate import Fate, fate
from evenwall.run.state import Coat, RunState
from evenwall.run.user_messages import TROUBLES
from evenwall.units import percent

SCALE_G = 1.0  # a kitchen scale and a little flash: a smaller difference does not count
GAUGE_MM = 0.2  # callipers on a cured rim: a smaller difference does not count
FLASH = (
    0.02  # share of the casting: flash, and resin on plug and stick (common practice, no source)
)
# Errors, as shares of the planned rest in a cup that nobody weighed back, and of a mix whose
# weights nobody wrote down (common practice, no source).
CUP_DOUBT = 0.5
UNWEIGHED = 0.05
# A gauge reads more than the film's volume per area: inside a bowl h/R more, 6 % at 4.5 mm and
# 80 mm.
CURVED = 0.06
# Factor on the mean wall: beyond it a spot contradicts even a plan whose wall was not computed.
UNCOMPUTED = 2.0

SpotSpans = Mapping[str, tuple[float, float, float]]  # place: (thinnest, mean, thickest) in mm

ADVICE: dict[MissingKind, str] = {
    "weight": "The casting was not weighed. Its weight shows how much resin stayed in the mould.",
    "rim": "The rim was not gauged.",
    "spots": "No spot of the wall was gauged, so the real wall is unknown.",
    "coat_weights": "The weights of some coats were not recorded.",
    "cup_weighed_back": "The rest in the cups was not weighed, so the expected weight of the "
    "casting is uncertain by that amount.",
    "wall": "The plan's wall was not computed, so only its average can be compared with the gauge.",
    "places": "The places of the spots could not be computed, so they are compared with the whole "
    "wall.",
}


def stayed_g(plan: Plan, state: RunState) -> float:
    """Grams that should be in the mould: as weighed, less what cups, lid and rim take."""
    total = 0.0
    for coat, planned in zip(state.coats, plan.coats, strict=True):
        spill_g = planned.spill_g if coat.spill_g is None else coat.spill_g
        total += (poured_g(coat, planned) - spill_g) * planned.wall_share
    return total


def mixed_g(coat: Coat, planned: CoatPlan) -> float:
    """Return the grams mixed for a coat: as weighed, or else as planned."""
    if coat.part_a_g is None or coat.part_b_g is None:
        return planned.mix_g
    return coat.part_a_g + coat.part_b_g


def poured_g(coat: Coat, planned: CoatPlan) -> float:
    """Return the grams poured: the mix without what stayed in the cup."""
    left_g = planned.cup_left_g if coat.cup_left_g is None else coat.cup_left_g
    return mixed_g(coat, planned) - left_g


def stayed_error_g(plan: Plan, state: RunState) -> float:
    """Error of `stayed_g` in a sound run, in g."""
    doubt_g = SCALE_G * math.sqrt(2.0 * len(plan.coats) + 1.0) + FLASH * stayed_g(plan, state)
    for coat, planned in zip(state.coats, plan.coats, strict=True):
        doubt_g += CUP_DOUBT * planned.cup_left_g if coat.cup_left_g is None else 0.0
        doubt_g += planned.spill_g if coat.spill_g is None else 0.0
        doubt_g += 0.0 if _weighed(coat) else UNWEIGHED * planned.mix_g
    return doubt_g


def _weighed(coat: Coat) -> bool:
    return coat.part_a_g is not None and coat.part_b_g is not None


def assess(run: Recorded, measured: Measured, spots: SpotSpans | None = None) -> Assessment:
    """Compare the measurements and the record with the plan.

    spots: the wall computed at named places. With None, each spot is compared with the predicted
    span of nine tenths of the wall.
    """
    plan, state = run.plan, run.state
    findings: list[Finding] = []
    if measured.weight_g is not None:
        findings += _weight(plan, state, measured.weight_g)
    if measured.rim_mm:
        findings.append(_rim(plan, measured.rim_mm))
    findings += [_spot(plan, spot, (spots or {}).get(spot.where)) for spot in measured.spots]
    wrong = troubles(run)
    against = [one.sentence for one in findings if one.contradicts]
    return Assessment(
        run_id=run.run_id,
        measured=measured,
        findings=tuple(findings),
        troubles=tuple(wrong),
        missing=tuple(_missing(plan, state, measured, spots)),
        sentences=(),
        against=(*against, *(one.sentence for one in wrong if one.grave)),
    )


# --- Figures --------------------------------------------------------------------------------------


def _held(finding: Finding) -> Finding:
    """Return the finding with a verdict: inside or outside the span that agrees with the plan."""
    low, high = finding.low, finding.high
    if low is None or high is None:
        return finding
    inside = low <= finding.measured <= high
    digits = 0 if finding.unit == "g" else 1
    span = f"{low:.{digits}f} to {high:.{digits}f} {finding.unit}"
    said = f"within the {span} that agree with the plan"
    if not inside:
        said = f"{finding.what}: {finding.measured:.{digits}f} {finding.unit} is outside the "
        said += f"{span} that agree with the plan."
    return finding.model_copy(update={"contradicts": not inside, "sentence": said})


def _weight(plan: Plan, state: RunState, weight_g: float) -> list[Finding]:
    foreseen_g, error_g = stayed_g(plan, state), stayed_error_g(plan, state)
    mm_per_g = 10.0 / plan.casting.resin.sheet.cured_density_g_cm3 / plan.geometry.area_cm2
    weight = Finding(
        what="weight",
        unit="g",
        foreseen=foreseen_g,
        measured=weight_g,
        low=foreseen_g - error_g,
        high=foreseen_g + error_g,
    )
    average = Finding(
        what="average wall, from the weight",
        unit="mm",
        foreseen=foreseen_g * mm_per_g,
        measured=weight_g * mm_per_g,
        sentence=_area_words(plan, weight_g * mm_per_g),
    )
    return [_held(weight), average]


def _area_words(plan: Plan, mean_mm: float) -> str:
    """Return the words for the error of a mean that comes from a weight and a measured skin."""
    shape = relative_error(plan.casting)
    return (
        ""
        if shape is None
        else f"known to +- {shape * mean_mm:.2f} mm, from the measures of the shape"
    )


def _gauge_mm(plan: Plan) -> float:
    return math.hypot(plan.wall.error_mm or 0.0, GAUGE_MM)


def _rim(plan: Plan, rim_mm: tuple[float, ...]) -> Finding:
    """Return the finding on the rim's mean, which may be as far above the computed mean as the
    thinnest place is below it."""
    foreseen, thinnest = plan.wall.rim_mm, plan.wall.rim_min_mm
    found = Finding(what="rim", unit="mm", foreseen=foreseen, measured=sum(rim_mm) / len(rim_mm))
    if foreseen is None:
        return _beyond(plan, found)
    spread, error_mm = foreseen - (foreseen if thinnest is None else thinnest), _gauge_mm(plan)
    high = (foreseen + spread) * (1.0 + CURVED) + error_mm
    return _held(found.model_copy(update={"low": foreseen - spread - error_mm, "high": high}))


def _beyond(plan: Plan, found: Finding) -> Finding:
    """Return the finding for a wall that was not computed: only a figure far beyond the average
    contradicts the plan."""
    mean_mm = plan.wall.mean_mm
    span = {"low": mean_mm / UNCOMPUTED - GAUGE_MM, "high": mean_mm * UNCOMPUTED + GAUGE_MM}
    return _held(found.model_copy(update=span))


def _spot(plan: Plan, spot: Spot, place: tuple[float, float, float] | None) -> Finding:
    """Compare a spot with the wall computed there, or with the span of nine tenths of the wall."""
    foreseen, low, high = None, plan.wall.p05_mm, plan.wall.p95_mm
    if place is not None:
        low, foreseen, high = place
    found = Finding(what=spot.where, unit="mm", foreseen=foreseen, measured=spot.wall_mm)
    if low is None or high is None:
        return _beyond(plan, found)
    error_mm = _gauge_mm(plan)
    shape = relative_error(plan.casting) or 0.0  # error of the wall from the mould's measurements
    span = {
        "low": max(0.0, low * (1.0 - shape) - error_mm),
        "high": high * (1.0 + shape + CURVED) + error_mm,
    }
    return _held(found.model_copy(update=span))


def _missing(
    plan: Plan, state: RunState, measured: Measured, spots: SpotSpans | None
) -> list[Missing]:
    lacks: dict[MissingKind, bool] = {
        "weight": measured.weight_g is None,
        "rim": not measured.rim_mm,
        "spots": not measured.spots,
        "coat_weights": not all(_weighed(coat) for coat in state.coats),
        "cup_weighed_back": any(coat.cup_left_g is None for coat in state.coats),
        "wall": plan.wall.min_mm is None,
        "places": bool(measured.spots) and plan.wall.min_mm is not None and spots is None,
    }
    return [Missing(kind=kind, sentence=ADVICE[kind]) for kind, lack in lacks.items() if lack]


# --- Troubles -------------------------------------------------------------------------------------


def troubles(run: Recorded) -> list[Trouble]:
    """List the problems of a run: those of each coat, then the faults; the most serious first."""
    found: list[Trouble] = []
    for planned, coat in zip(run.plan.coats, run.state.coats, strict=True):
        found += _of_coat(planned, coat)
    raised = (AlertRaised.of(row).alert for row in run.events if row.kind == AlertRaised.kind)
    alerts = Counter(kind for kind in raised if SEVERITY.get(kind) != "note")
    # While a person closes up, an open guard is no trouble, although the page reminds of it.
    halts = [Halted.of(row).why for row in run.events if row.kind == Halted.kind]
    alerts["guard_open"] = halts.count("guard")
    found += [
        Trouble(kind=kind, times=times, sentence=_times(TROUBLES[kind], times))
        for kind, times in sorted(alerts.items())
        if kind in TROUBLES and times
    ]
    refused = sum(row.kind == BoardRefused.kind for row in run.events)
    if refused:
        said = _times("The board refused an order", refused)
        found.append(Trouble(kind="failed", times=refused, sentence=said))
    if run.state.step is Step.ABANDONED:
        said = f"The casting was given up: {run.state.reason}."
        found.append(Trouble(kind="abandoned", grave=True, sentence=said))
    return sorted(found, key=lambda trouble: not trouble.grave)


def _times(said: str, times: int) -> str:
    return f"{said}." if times == 1 else f"{said}, {times} times."


def _of_coat(planned: CoatPlan, coat: Coat) -> list[Trouble]:
    """List the differences of a coat from the planned one, and its oddities."""
    found: list[Trouble] = []

    def add(kind: str, sentence: str, *, grave: bool = True) -> None:
        found.append(Trouble(kind=kind, coat=coat.coat, grave=grave, sentence=sentence))

    end = fate(planned, coat)
    if end is Fate.LOST:
        add("lost", f"Coat {coat.coat} was poured or turned when it had gelled or nearly gelled. "
            f"It is not part of the wall.")  # fmt: skip
    met_s, from_s = coat.parts_met_s, coat.spin_from_s
    if met_s is not None and from_s is not None and from_s - met_s > turn_by_s(planned.clock):
        late = clock_words(from_s - met_s - turn_by_s(planned.clock))
        add("begun_late", f"Coat {coat.coat} began to turn {late} too late.")
    if coat.stood_s > 0.0 and end is Fate.CHANGED:
        add("stood", f"Coat {coat.coat} stood still for {clock_words(coat.stood_s)} while liquid.")
    mixed_g = (coat.part_a_g or planned.part_a_g) + (coat.part_b_g or planned.part_b_g)
    ratio = (coat.part_b_g or planned.part_b_g) / (coat.part_a_g or planned.part_a_g)
    off = max(
        abs(mixed_g / planned.mix_g - 1.0),
        abs(ratio * planned.part_a_g / planned.part_b_g - 1.0),
    )
    if off > WEIGHT_REFUSE:
        add("weights_off", f"Coat {coat.coat} was weighed {percent(off)} off the plan.")
    gel_s, clock = coat.gel_coat_s, planned.clock
    if gel_s is not None and not clock.gel_low_s <= gel_s <= clock.gel_high_s:
        said = (
            f"Coat {coat.coat} gelled at {clock_words(gel_s)}, planned between "
            f"{clock_words(clock.gel_low_s)} and {clock_words(clock.gel_high_s)}."
        )
        add("gel_off", said, grave=False)
    if coat.steps_expected is not None and coat.steps_expected != coat.steps_counted:
        said = f"The board counted fewer or more steps than commanded in coat {coat.coat}."
        add("steps_differ", said, grave=False)
    if coat.mixed_again:
        said = _times(f"Coat {coat.coat} was mixed again", coat.mixed_again)
        add("mixed_again", said, grave=False)
    return found
