"""Proof of a run by its measured casting: the prediction is compared with scale and gauge, lessons
are drawn, and the run is closed with the hash of its content.

The rim is not the wall. A gauge reaches only the rim, but the weight over the mould's own area
gives the average thickness, and no rim reading can say more about it. So only the weight teaches
how much resin stays in the mould, and a rim reading teaches only the ratio of the rim to the
average.
"""

from __future__ import annotations

from evenwall.errors import InputError
from evenwall.history.assessment import GAUGE_MM, SCALE_G, SpotSpans, assess, stayed_g
from evenwall.history.lessons import bounded
from evenwall.history.recorded import MouldLesson, Proof, Recorded
from evenwall.history.turned import turned
from evenwall.model import Assessment, Measured, Plan, RigSpec, parse
from evenwall.planning.advice import mean_bound_mm
from evenwall.run.events import Proven
from evenwall.run.replay import plan_as_it_was, plan_today
from evenwall.run.state import RunState


def assessment(
    run: Recorded, measured: Measured | None = None, spots: SpotSpans | None = None
) -> Assessment:
    """Compare a casting with its prediction, before it is proven.

    measured: added to the measurements of the run's own MEASURE step. spots: as in `assess`. Raises
    InputError when the run cannot be proven at all: not ended, not measured or already proven.
    """
    if run.proof is not None:
        raise InputError(f"run {run.run_id}", "already proven", "it can no longer change")
    state = run.state
    if not state.over:
        raise InputError("run", run.run_id, "has not ended yet")
    told = parse(
        Measured,
        {k: v for k, v in state.measured.items() if k in Measured.model_fields},
        f"run {run.run_id}",
    )
    if measured is not None:
        added = measured.model_dump(mode="json", exclude_defaults=True)
        told = parse(Measured, {**told.model_dump(mode="json"), **added}, "measures")
    if told.weight_g is None and not told.rim_mm and not told.spots:
        raise InputError("weight_g", "missing", "weigh or gauge the casting first")
    solid_g = run.plan.totals.solid_g
    if told.weight_g is not None and told.weight_g > solid_g:
        limit = f"must be at most {solid_g:.0f} g: the weight of a solid casting"
        raise InputError("weight_g", f"{told.weight_g:g}", limit, unit="g")
    found = assess(run, told, spots)
    return found.model_copy(update={"sentences": tuple(compare(run.plan, state, told)[0])})


def make_proof(run: Recorded, found: Assessment, reason: str = "") -> Proof:
    """Prove a run by its assessment.

    reason: why the run is proven although it contradicts its plan. Raises InputError if a reason is
    needed and missing, and for a coat that did not turn until it gelled.
    """
    spin = turned(run)
    if found.against and not reason.strip():
        limit = "is needed, because this casting contradicts its plan: " + " ".join(found.against)
        raise InputError("reason", "missing", limit)
    _, lesson = compare(run.plan, run.state, found.measured)
    return Proof(
        measured=found.measured,
        findings=found.findings,
        sentences=found.sentences,
        troubles=found.troubles,
        missing=found.missing,
        reason=reason.strip() if found.against else "",
        lesson=lesson,
        spin=spin,
    )


# --- Predicted and measured
# ------------------------------------------------------------------------


def compare(plan: Plan, state: RunState, measured: Measured) -> tuple[list[str], MouldLesson]:
    """Return the meaning of the measurements, in words, and the lesson for the mould."""
    said: list[str] = []
    density = plan.casting.resin.sheet.cured_density_g_cm3
    area_cm2 = plan.geometry.area_cm2
    expected_g = stayed_g(plan, state)
    mean_mm = expected_g / density / area_cm2 * 10.0
    weight_ratio = rim_ratio = None
    if measured.weight_g is not None:
        mean_mm = measured.weight_g / density / area_cm2 * 10.0
        off_g = measured.weight_g - expected_g
        if abs(off_g) <= SCALE_G:
            weight_ratio = 1.0
        else:
            weight_ratio = bounded(measured.weight_g / expected_g)
            said.append(
                f"{abs(off_g):.0f} g {'more' if off_g > 0 else 'less'} resin stayed in the mould "
                f"than predicted: cups keep some and rims spill some."
            )
    if measured.rim_mm:
        rim = sum(measured.rim_mm) / len(measured.rim_mm)
        foreseen = plan.wall.rim_mm
        if foreseen is not None:
            near = abs(rim - foreseen) <= GAUGE_MM
            rim_ratio = 1.0 if near else bounded(rim / mean_mm / (foreseen / plan.wall.mean_mm))
        said += _rim_sentences(plan, measured.weight_g, rim, mean_mm)
    lesson = MouldLesson(run_id=state.run_id, weight_ratio=weight_ratio, rim_ratio=rim_ratio)
    return said, lesson


def _rim_sentences(plan: Plan, weight_g: float | None, rim_mm: float, mean_mm: float) -> list[str]:
    if weight_g is None:
        return [
            f"The rim is not the wall: weigh the casting. {rim_mm:.1f} mm is the thickness of the "
            f"rim alone."
        ]
    if rim_mm <= mean_mm + GAUGE_MM:
        return []
    most_mm = mean_bound_mm(
        weight_g, plan.totals.solid_g, plan.casting.resin.sheet.cured_density_g_cm3, opening=True
    )
    return [
        f"The rim is not the wall: it reads {rim_mm:.1f} mm, but {weight_g:.0f} g on "
        f"{plan.geometry.area_cm2:.0f} cm2 average {mean_mm:.1f} mm. On any form of this volume "
        f"with one flat opening they could average {most_mm:.1f} mm at most."
    ]


# --- What is written, and run again ---------------------------------------------------------------


def proven(proof: Proof) -> Proven:
    """Return the event that closes a run with its proof."""
    return Proven(
        proof=proof.model_dump(mode="json"),
        sha256=proof.sha256,
        sentence=" ".join(("Proven.", *proof.sentences, *_because(proof))),
    )


def _because(proof: Proof) -> tuple[str, ...]:
    return (f"Proven against its plan, because: {proof.reason}",) if proof.reason else ()


def replayed(run: Recorded, rig: RigSpec, room_degC: float, mould_degC: float) -> Plan:
    """Return today's plan of a recorded run on a rig. Raises RecordError when a proven run was
    changed, InputError when there is nothing to repeat."""
    run.check()
    proof = run.proof
    spin = turned(run) if proof is None else proof.spin
    plan = plan_today(run.plan.model_copy(update={"rig": rig}), spin, room_degC, mould_degC)
    if proof is None:
        said = f"Run {run.run_id} is not proven: its casting was not measured."
        return plan.model_copy(update={"notes": (*plan.notes, said)})
    return plan


def to_look_at(run: Recorded) -> tuple[Plan, str]:
    """Return the plan that gives a run's wall, and its description. Once every coat has gelled
    while turning, this is the plan as weighed and turned, which differs from the original if
    somebody was late."""
    try:
        spin = turned(run) if run.proof is None else run.proof.spin
    except InputError:
        again = run.state.replay_of is not None
        return run.plan, "Turned like the proven run." if again else "As planned."
    return plan_as_it_was(run.plan, spin), "From the recorded weights and turning."
