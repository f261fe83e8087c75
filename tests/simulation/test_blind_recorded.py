"""The blind world casts a recorded run again from the motion of its frame."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from evenwall.errors import RecordError
from evenwall.geometry.mould import load_cavity
from evenwall.history.assessment import stayed_g
from evenwall.history.recorded import Recorded
from evenwall.history.spots import PLACES
from evenwall.history.turned import stretches
from evenwall.model import orders, read_order
from evenwall.records.journal import Journal
from evenwall.simulation.blind.draws import draw, plain
from evenwall.simulation.blind.gauging import Measured, Reading
from evenwall.simulation.blind.recorded import _batches, _laid, cast_recorded, measures, turning_of
from evenwall.simulation.blind.world import BlindWorld, planned_turning

COARSE_MM = 14.0  # spacing, mm: a few hundred cells


@pytest.fixture
def run(a_record: tuple[Path, str]) -> Recorded:
    journal = Journal(a_record[0])
    try:
        return Recorded.read(journal, a_record[1])
    finally:
        journal.close()


def test_the_mould_turns_as_the_board_did(run: Recorded) -> None:
    """While it turns, as the plan's ramps say, from when it really began; at the stop, as far as
    the board counted; then it stands with the opening down, as the last row says."""
    for coat, planned, made in zip(run.state.coats, run.plan.coats, stretches(run), strict=True):
        met_s, from_s = coat.parts_met_s or 0.0, coat.spin_from_s or 0.0
        rows = [row for row in run.samples if row.coat == coat.coat and row.at_s >= from_s]
        turning = turning_of(run.state, coat, made, rows)
        wanted = planned_turning(planned, from_s - met_s - planned.clock.spin_from_s)
        for after_s in (2.0, 100.0, 300.0):
            t = from_s - met_s + after_s
            for name in ("major_rad", "minor_rad"):
                angle, expected = (
                    np.interp(t, one.time_s, getattr(one, name)) for one in (turning, wanted)
                )
                # Straight lines between knots 0.25 s apart, at up to 2 rad/s, not the same knots.
                assert angle == pytest.approx(expected, abs=0.02)
        assert coat.steps_counted is not None
        stopped = turning.major_rad[-3]
        counted = coat.steps_counted[0] / run.plan.rig.major.steps_per_turn
        assert stopped - turning.major_rad[0] == pytest.approx(math.tau * counted)
        stands = (turning.major_rad[-1], turning.minor_rad[-1])
        for angle, deg in zip(stands, (rows[-1].major_deg, rows[-1].minor_deg), strict=True):
            assert math.remainder(angle - math.radians(deg), math.tau) == pytest.approx(0, abs=1e-9)


def test_a_recorded_run_is_cast_and_measured(run: Recorded) -> None:
    """Its coats gel when they really did, and what was poured is on the wall and the lid."""
    gels_s = np.array([coat.gel_coat_s or 0.0 for coat in run.state.coats])
    cavity = load_cavity(run.plan.casting)
    world = BlindWorld(run.plan, cavity, spacing_mm=COARSE_MM)
    luck = plain(len(gels_s))
    laid = _laid(run, luck)
    batches = _batches(world, luck, laid, gels_s)
    found = world.gels_s([dataclasses.replace(luck, batch=tuple(batches))], [laid])
    # Factors are read off a line between thirteen, where all coats are as fast: how far another
    # pace of the coat before warms the wall is left out, 3 % of the gel here.
    assert found[0] == pytest.approx(gels_s, rel=0.04)

    told = cast_recorded(run, gels_s, seed=3, spacing_mm=COARSE_MM)
    order = read_order("measure", told)
    assert isinstance(order, orders.Measure)
    # Poured grams are off by up to 5 % a coat, weights by half a gram; the lid's share by 2 %.
    assert order.weight_g == pytest.approx(stayed_g(run.plan, run.state), rel=0.05)
    walls = [*order.rim_mm, *(spot.wall_mm for spot in order.spots)]
    assert len(walls) == 12
    assert 0.5 * run.plan.wall.mean_mm < float(np.median(walls)) < 1.5 * run.plan.wall.mean_mm
    assert cast_recorded(run, gels_s, seed=3, spacing_mm=COARSE_MM) == told
    assert draw(3, 3).batch != tuple(batches)  # the run's gels rule, not the seed's


def test_readings_get_the_names_of_their_places(run: Recorded) -> None:
    cavity = load_cavity(run.plan.casting)
    up = np.asarray(cavity.opening.direction)
    height = cavity.vertices_mm @ up
    low, tall = float(height.min()), float(np.ptp(height))

    def at(share: float) -> Reading:
        x, y, z = (low + share * tall) * up
        return Reading(round(share * tall), 90, (x, y, z), 4.0)

    shares = [0.05, 0.3, 0.5, 0.8, 1.0]
    told = measures(Measured(300.0, 20.0, tuple(at(share) for share in shares)), cavity)
    assert told["rim_mm"] == [4.0]
    names = [spot["where"] for spot in told["spots"]]
    assert names == ["bottom", f"{0.3 * tall:.0f} mm up, 90 degrees round", "side", "shoulder"]
    assert {"bottom", "side", "shoulder"} <= set(PLACES)


def test_a_run_that_is_not_whole_is_not_cast(run: Recorded) -> None:
    with pytest.raises(RecordError, match="2 of 3 coats were poured"):
        cast_recorded(run, [900.0, 900.0], seed=0)
    rows = [row for row in run.events if row.kind != "turning_began"]
    halved = Recorded(run.run_id, run.plan_json, tuple(rows), run.samples)
    with pytest.raises(RecordError, match="coat 1 was not turned"):
        cast_recorded(halved, [900.0] * 3, seed=0, spacing_mm=COARSE_MM)
