"""Blind casting of a recorded run: the weight and the gauge readings that its maker would get."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from evenwall.errors import RecordError
from evenwall.geometry.mould import Cavity, load_cavity
from evenwall.history.assessment import mixed_g, poured_g
from evenwall.history.recorded import Recorded
from evenwall.history.spots import PLACES
from evenwall.history.turned import Stretch, ramps_of, stretches
from evenwall.model import Sample
from evenwall.run.state import Coat, RunState
from evenwall.simulation.blind.draws import Draw, draw
from evenwall.simulation.blind.flow import Turning
from evenwall.simulation.blind.gauging import Measured, Reading
from evenwall.simulation.blind.world import BlindWorld, Laid, ramped

Floats = npt.NDArray[np.float64]

SPACING_MM = 8.0  # the thinnest patch is 0.01 of the mean above that on 6 mm (the lantern globe)
STANDS_S = 7200.0  # shortest time for which the frame stands still after a coat's last row
STOPS_S, PARKS_S = 4.0, 10.0  # time that slowing down and parking take
RIM_MM = 8.0  # from the opening: the reach of callipers over a rim
TRIED = np.exp(np.linspace(-0.9, 0.9, 13))  # factors on the rate, tried for a gel


def cast_recorded(
    run: Recorded, gels_s: Sequence[float], seed: int, spacing_mm: float = SPACING_MM
) -> dict[str, Any]:
    """Cast a run as its frame turned, and return the maker's measurements in the form of the order
    `measure`.

    gels_s: when each coat really gelled, s after its parts met. The batches of the blind world gel
    at these times; its heat, its resin's flow, the poured grams and the frame's faults come from
    the seed. Raises RecordError for a run whose coats were not all turned, and as BlindWorld.
    """
    plan = run.plan
    if len(gels_s) != len(plan.coats):
        raise RecordError(f"run {run.run_id}: {len(gels_s)} of {len(plan.coats)} coats were poured")
    cavity = load_cavity(plan.casting)
    world = BlindWorld(plan, cavity, spacing_mm=spacing_mm)
    luck = draw(seed, len(plan.coats))
    laid = _laid(run, luck)
    gels = np.array([min(gel, 1e9) for gel in gels_s])
    luck = replace(luck, batch=tuple(_batches(world, luck, laid, gels)))
    measured, _ = world.cast([luck], [laid])[0]
    return measures(measured, cavity)


def measures(measured: Measured, cavity: Cavity) -> dict[str, Any]:
    """Return weight, rim and spots in the form of the order `measure`; a spot at a named place has
    that name."""
    up = np.asarray(cavity.opening.direction)
    height = cavity.vertices_mm @ up
    low, tall = float(height.min()), float(np.ptp(height))
    rim, spots = [], []
    for reading in measured.readings:
        above = float(np.asarray(reading.at_mm) @ up) - low
        if above > tall - RIM_MM:
            rim.append(reading.gauge_mm)
        else:
            spots.append(
                {
                    "where": _where(reading, above / tall),
                    "wall_mm": reading.gauge_mm,
                    "up_mm": reading.high_mm,
                    "round_deg": reading.side_deg,
                }
            )
    lid = {"lid_g": measured.lid_g} if measured.lid_g > 0.0 else {}
    return {"weight_g": measured.weight_g, **lid, "rim_mm": rim, "spots": spots}


def _where(reading: Reading, share: float) -> str:
    for name, (low, high) in PLACES.items():
        if low <= share <= high:
            return name
    return f"{reading.high_mm:.0f} mm up, {reading.side_deg:.0f} degrees round"


def _laid(run: Recorded, luck: Draw) -> list[Laid]:
    """Return the coats as weighed and turned; the poured grams have the random factors."""
    first_s = run.state.coats[0].parts_met_s
    found = []
    made = stretches(run)
    for c, coat in enumerate(run.state.coats):
        met_s, poured_s, from_s = coat.parts_met_s, coat.poured_s, coat.spin_from_s
        if first_s is None or met_s is None or poured_s is None or from_s is None or not made[c]:
            raise RecordError(f"run {run.run_id}: coat {coat.coat} was not turned")
        rows = [row for row in run.samples if row.coat == coat.coat and row.at_s >= from_s]
        planned = run.plan.coats[c]
        found.append(
            Laid(
                met_s - first_s,
                poured_s - met_s,
                max(poured_s, from_s) - met_s,
                turning_of(run.state, coat, made[c], rows),
                mixed_g(coat, planned),
                poured_g(coat, planned) * luck.pour[c],
            )
        )
    return found


def turning_of(
    state: RunState, coat: Coat, made: Sequence[Stretch], rows: Sequence[Sample]
) -> Turning:
    """Return the frame's angles while a coat was on the wall; times are s after its parts met.

    made: its stretches of turning. The frame stops at the board's step counts, unless it was halted
    before. Then it goes by the short way to its position in the last of the coat's rows and stays
    there.
    """
    plan = state.plan
    start = plan.coats[coat.coat - 1].start_deg
    ramps = ramps_of(state, coat.coat - 1, list(made))
    turned = ramped(ramps, (start.major, start.minor))
    time_s = made[0].from_s - (coat.parts_met_s or 0.0) + turned.time_s
    angles = []
    for axis, angle in enumerate((turned.major_rad, turned.minor_rad)):
        per_turn = (plan.rig.major, plan.rig.minor)[axis].steps_per_turn
        stopped = angle[-1]
        if coat.steps_counted is not None and len(made) == 1:
            stopped = angle[0] + math.tau * coat.steps_counted[axis] / per_turn
        parked = math.radians((rows[-1].major_deg, rows[-1].minor_deg)[axis]) if rows else stopped
        parked = stopped + math.remainder(parked - stopped, math.tau)
        angles.append(np.append(angle, [stopped, parked, parked]))
    time_s = np.append(time_s, time_s[-1] + np.cumsum([STOPS_S, PARKS_S, STANDS_S]))
    return Turning(time_s, angles[0], angles[1])


def _batches(world: BlindWorld, luck: Draw, laid: Sequence[Laid], gels_s: Floats) -> list[float]:
    """Return the factor on each coat's rate with which it gels when it did.

    Several castings, each faster than the one before, are computed at once; within one, all coats
    have the same factor. The gel times found in this way are right to 3 or 4 %. A coat that never
    gelled gets the slowest factor.
    """
    lucks = [replace(luck, batch=(float(one),) * len(laid)) for one in TRIED]
    found = world.gels_s(lucks, [laid] * len(lucks))
    batches = []
    for c, gel_s in enumerate(gels_s):
        gelled = np.isfinite(found[:, c])
        rising = found[gelled, c][::-1]
        logs = np.log(TRIED[gelled])[::-1]
        batches.append(math.exp(float(np.interp(gel_s, rising, logs))) if gelled.any() else 1.0)
    return batches
