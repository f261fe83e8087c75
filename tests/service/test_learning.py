"""A proven casting is read once, and the next plan of its mould and resin reckons with it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import pytest

from evenwall.history.lessons import unread_of
from evenwall.history.measured import WALL_NOTES, found_by
from evenwall.model import Casting, Measured, Plan, RigSpec, Spot, read_casting
from evenwall.model.details import LearntDetail
from evenwall.planning import make_plan, measured_wall
from evenwall.planning.wall_rows import Found, Gauged, WallSaid
from evenwall.records.journal import Journal
from evenwall.service.facade import Service
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import SAMPLES, open_shop


def plan_now(casting: Casting, spec: RigSpec, *, taught: Any = None, **_: Any) -> Plan:
    """The planner without a search."""
    return make_plan(casting, spec, time_budget_s=0.0, taught=taught)


def test_the_next_plan_reckons_with_a_proven_casting(
    a_proven_record: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The casting weighed 280 g; its rim was 4.8 mm. The plan says what that changed, unless the
    maker sets it aside; the wall is read once."""
    monkeypatch.setattr(measured_wall, "CELLS", 300)
    record, run_id = a_proven_record
    read: list[Found] = []

    def reading(laid: Plan, found: Found, name: str) -> WallSaid:
        read.append(found)
        return measured_wall.read_wall(laid, found, name)

    async def scenario() -> list[Plan]:
        plans = []
        serve = partial(_service, reading)
        async with open_shop(record=record, serve=serve) as shop:
            for lessons in (True, True, False):
                job = await shop.service.start_plan("lantern-globe", {}, lessons=lessons)
                await shop.until(lambda: not shop.service._tasks)
                done = await shop.service.plan_job(job.job_id)
                assert done.plan is not None, done.error
                plans.append(done.plan)
        return plans

    first, second, aside = run_virtual(scenario())
    assert len(read) == 1
    assert (read[0].weight_g, read[0].rim_mm) == (280.0, (4.7, 4.9))
    assert read[0].gauged == (Gauged(4.2, band=(0.0, 0.12)),)
    assert all(gel_s is not None for gel_s in read[0].gels_s)
    learnt = LearntDetail.of(first.details)
    assert learnt.castings == (run_id,)
    assert learnt == LearntDetail.of(second.details)
    assert first.notes[: len(learnt.sentences)] == learnt.sentences
    assert learnt.sentences[0].startswith("From the last measured casting of this mould in this")
    assert learnt.sentences[1].startswith("This plan reckons with ")
    assert not LearntDetail.of(aside.details).castings
    # Weights and clock follow: both factors are in the plan's own figures.
    gels_s = [plan.coats[0].clock.gel_expected_s for plan in (first, aside)]
    assert gels_s[0] / gels_s[1] == pytest.approx(learnt.corrections.gel, rel=0.02)
    assert first.coats[0].viscosity[0][1] / aside.coats[0].viscosity[0][1] == pytest.approx(
        learnt.corrections.viscosity, rel=0.01
    )
    journal = Journal(record)
    assert journal.note(f"{WALL_NOTES}{run_id}") is not None
    assert unread_of(journal, read_casting(SAMPLES / "lantern-globe.toml")) == []
    journal.close()


def _service(reading: Any, supervisor: Any, *_: Any) -> Service:
    return Service(supervisor, SAMPLES, plan_now, read_wall=reading)


def test_a_spot_is_read_at_its_exact_place_or_in_its_band_or_not_at_all() -> None:
    spots = (
        Spot(where="30 mm up", wall_mm=4.0, up_mm=30.0, round_deg=90.0),
        Spot(where="side", wall_mm=4.1),
        Spot(where="near the handle", wall_mm=4.2),
    )
    found = found_by(Measured(lid_g=12.0, spots=spots))
    assert found.gauged == (Gauged(4.0, point=(30.0, 90.0)), Gauged(4.1, band=(0.4, 0.6)))
    assert found.lid_g == 12.0
