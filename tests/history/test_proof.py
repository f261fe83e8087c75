"""Proven runs: compared with the scale, stored as lessons for the mould, closed by a hash, repeated
by cure."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from evenwall.cli.runs import prove_run, show_run
from evenwall.errors import InputError, RecordError
from evenwall.history.assessment import assess, stayed_g, troubles
from evenwall.history.comparison import _compared, comparison
from evenwall.history.lessons import MouldMemory, mould_memory, resin_memories
from evenwall.history.proof import assessment, compare, make_proof, replayed, to_look_at
from evenwall.history.recorded import MouldLesson, Recorded
from evenwall.history.spots import spot_spans
from evenwall.history.turned import turned
from evenwall.model import Event, Measured, ProbeSpec, ShapeKnown, Spot
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch
from evenwall.run.gel_monitor import Remembering, resin_note
from evenwall.run.replay import ProvenCoat, Track
from evenwall.simulation.twin import Weather
from evenwall_bridge.clock import run_virtual
from tests.support.castings import UTC, Foresight, cast
from tests.support.virtual_shop import open_shop


def test_the_spin_is_read_back_as_it_was_handed_over(a_record: tuple[Path, str]) -> None:
    """The proven ramps are the plan's, until the coat was safe, and give the counted steps. The
    angle at the end of each coat agrees with the board's own count but for the quarter turn in
    which it came to rest."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    per_turn = run.plan.rig.major.steps_per_turn
    for was, planned, coat in zip(turned(run).coats, run.plan.coats, run.state.coats, strict=True):
        assert coat.steps_counted is not None
        counted = coat.steps_counted[0] / per_turn
        assert float(Track.of(was).turns[-1]) == pytest.approx(counted, abs=0.25)
        assert was.spin_from_s == pytest.approx((coat.spin_from_s or 0) - (coat.parts_met_s or 0))
        assert was.cure.gel_s == coat.gel_coat_s
        assert {ramp.leg for ramp in was.ramps} == {ramp.leg for ramp in planned.ramps}


def test_the_wall_to_look_at_is_that_of_what_was_turned(a_record: tuple[Path, str]) -> None:
    """Each coat begins at its real time, not at the planned one; a coat under way is as planned.
    The resin thickens at the pace that was found: at the gel, the film has gelled too."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    plan, said = to_look_at(run)
    assert said == "From the recorded weights and turning."
    for now, was, planned in zip(plan.coats, turned(run).coats, run.plan.coats, strict=True):
        assert now.mix_g == was.part_a_g + was.part_b_g
        assert now.clock.spin_from_s == pytest.approx(was.spin_from_s, abs=1.0)
        assert abs(was.spin_from_s - planned.clock.spin_from_s) > 5.0
        assert now.clock.gel_expected_s == pytest.approx(was.cure.gel_s, rel=0.01)
        assert now.viscosity[-1][0] == pytest.approx(was.cure.gel_s, rel=0.02)
        assert abs(was.gel_ratio - 1.0) > 0.03
    begun = next(n for n, e in enumerate(run.events) if e.kind == "turning_began")
    early = Recorded(run.run_id, run.plan_json, run.events[: begun + 1], run.samples)
    assert to_look_at(early) == (run.plan, "As planned.")


def test_a_proof_holds_the_casting_against_its_plan(a_proven_record: tuple[Path, str]) -> None:
    journal = Journal(a_proven_record[0])
    run = Recorded.read(journal, a_proven_record[1])
    expected_g = stayed_g(run.plan, run.state)
    assert run.proof is not None
    weight = run.proof.findings[0]
    assert weight.what == "weight"
    assert weight.foreseen == pytest.approx(expected_g)
    assert weight.difference_percent == pytest.approx(100.0 * (280.0 / expected_g - 1.0))
    run.check()
    # The lesson is stored with the mould, shrunk towards the prediction as if by two neutral
    # castings.
    memory = mould_memory(journal, run.plan)
    assert memory.weight_ratio == pytest.approx((280.0 / expected_g) ** (1 / 3))
    with pytest.raises(InputError, match="already proven"):
        prove_run(journal, run.run_id, None, UTC)
    assert "holds" in show_run(journal, run.run_id).text
    journal.close()


@pytest.mark.parametrize(
    "harm",
    [
        "UPDATE samples SET probe_degC = probe_degC + 1 WHERE run_id = ?",
        "DELETE FROM events WHERE run_id = ? AND kind = 'gelled'",
        "UPDATE plans SET plan = replace(plan, '4.5', '4.6') WHERE run_id = ?",
    ],
)
def test_a_proven_run_is_closed_and_a_change_by_force_is_found(
    a_proven_record: tuple[Path, str], harm: str
) -> None:
    path, run_id = a_proven_record
    db = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.IntegrityError, match="proven and closed"):
        db.execute(harm, (run_id,))
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    assert db.execute(harm, (run_id,)).rowcount > 0
    db.close()
    journal = Journal(path)
    run = Recorded.read(journal, run_id)
    with pytest.raises(RecordError, match="changed after it was proven"):
        run.check()
    with pytest.raises(RecordError, match="changed after it was proven"):
        replayed(run, run.plan.rig, 21.0, 21.0)
    assert "does NOT hold" in show_run(journal, run_id).text
    journal.close()


def test_what_cannot_be_proven_says_why(a_record: tuple[Path, str]) -> None:
    path, run_id = a_record
    journal = Journal(path)
    run = Recorded.read(journal, run_id)
    under_way = tuple(event for event in run.events if event.kind != "finished")
    early = Recorded(run_id, run.plan_json, under_way, run.samples)
    with pytest.raises(InputError, match="not ended"):
        assessment(early)
    bare = tuple(event for event in run.events if event.kind != "measured")
    with pytest.raises(InputError, match="weigh or gauge"):
        assessment(Recorded(run_id, run.plan_json, bare, run.samples))
    never = tuple(event for event in run.events if event.kind != "gelled")
    unset = Recorded(run_id, run.plan_json, never, run.samples)
    with pytest.raises(InputError, match="stopped turning before it gelled"):
        make_proof(unset, assessment(unset))
    solid = f"weight_g is 1e\\+06 g: must be at most {run.plan.totals.solid_g:.0f} g: "
    with pytest.raises(InputError, match=solid):  # it could not be put right again
        assessment(run, Measured(weight_g=1e6))
    with pytest.raises(InputError, match="no such run"):
        prove_run(journal, "another", None, UTC)
    journal.close()


def test_the_rim_is_not_the_wall(a_record: tuple[Path, str]) -> None:
    """A rim far thicker than the weight allows gives a lesson for the rim and nothing else. The
    bound is the isoperimetric one: with one flat opening no skin is smaller than the hemisphere."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    plan = run.plan.model_copy(
        update={"wall": run.plan.wall.model_copy(update={"rim_mm": 4.4, "mean_mm": 4.5})}
    )
    expected_g = stayed_g(plan, run.state)
    thick = Measured(weight_g=expected_g, rim_mm=(7.9, 8.1), spots=(Spot(where="foot", wall_mm=4),))
    said, lesson = compare(plan, run.state, thick)
    thin_plan = Recorded(run.run_id, plan.model_dump_json(), run.events, run.samples)
    findings = assess(thin_plan, thick).findings
    mean = next(f for f in findings if f.what.startswith("average wall"))
    assert mean.measured == pytest.approx(mean.foreseen)
    assert lesson.weight_ratio == 1.0
    assert lesson.rim_ratio == 1.5  # the largest lesson of a single casting
    assert "The rim is not the wall" in said[-1]
    said, lesson = compare(plan, run.state, Measured(rim_mm=(8.0,)))
    assert lesson.weight_ratio is None
    assert "weigh the casting" in said[-1]


def test_a_measured_shape_widens_what_a_spot_is_held_against(a_record: tuple[Path, str]) -> None:
    """A spot 0.5 mm over the span is outside it; where the skin is known to 20 %, it is not."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    wall = run.plan.wall.model_copy(update={"p05_mm": 3.0, "p95_mm": 4.0})
    spot = Measured(weight_g=300.0, spots=(Spot(where="foot", wall_mm=4.6),))
    for shape, words in ((None, "outside"), (ShapeKnown(area_error_percent=20.0), "within")):
        casting = run.plan.casting.model_copy(update={"shape": shape})
        plan = run.plan.model_copy(update={"wall": wall, "casting": casting})
        shaped = Recorded(run.run_id, plan.model_dump_json(), run.events, run.samples)
        findings = assess(shaped, spot).findings
        assert words in findings[-1].sentence
        mean = next(f for f in findings if f.what.startswith("average wall"))
        assert ("from the measures of the shape" in mean.sentence) == (shape is not None)


def test_lessons_add_up_and_one_run_counts_once() -> None:
    """The mean of n equal logs, shrunk to 1 by two neutral castings: r^(n/(n+2))."""
    memory = MouldMemory()
    for number in range(3):
        memory = memory.after(MouldLesson(run_id=f"r{number}", weight_ratio=0.9))
    assert memory.weight_ratio == pytest.approx(0.9 ** (3 / 5))
    assert memory.rim_ratio == 1.0
    assert memory.after(MouldLesson(run_id="r2", weight_ratio=1.2)).lessons[-1].weight_ratio == 1.2
    assert len(memory.after(MouldLesson(run_id="r2")).lessons) == 3


def test_a_halt_is_part_of_what_was_proven(a_record: tuple[Path, str]) -> None:
    """A guard is open for 20 s half way: the proven spin slows to rest there, waits and goes on."""
    path, run_id = a_record
    journal = Journal(path)
    run = Recorded.read(journal, run_id)
    began = next(e for e in run.events if e.kind == "turning_began")
    place = next(
        k for k, e in enumerate(run.events) if e.kind == "queued" and e.at_s > began.at_s + 200.0
    )
    at_s = run.events[place].at_s + 1.0
    profile_s = run.events[place].data["profile_s"]

    def made(kind: str, when_s: float, **data: object) -> Event:
        return began.model_copy(update={"kind": kind, "at_s": when_s, "data": data})

    halt = (
        made("halted", at_s, why="guard"),
        made("turning_began", at_s + 20.0, base_steps=[0, 0], profile_s=profile_s, exact=False),
        made("queued", at_s + 20.0, ramps=[[3.0, 8.0, 2.0]], profile_s=profile_s, ending=False),
    )
    events = (*run.events[: place + 1], *halt, *run.events[place + 1 :])
    was = turned(Recorded(run_id, run.plan_json, events, run.samples)).coats[0]
    journal.close()
    standing = [r for r in was.ramps if r.major_rpm == 0.0 and r.duration_s > 10.0]
    assert len(standing) == 1
    assert standing[0].duration_s == pytest.approx(20.0, abs=4.0)  # less the ramp to rest


def test_a_proven_run_again_in_a_cold_shop(
    a_proven_record: tuple[Path, str], tmp_path: Path
) -> None:
    """A whole casting in the twin at 15 degC, with the board, the supervisor and the ramps handed
    over in pieces. The frame passes the same turns from the spreading's end to the gel within 2 %,
    in half as long again."""
    path, run_id = a_proven_record
    journal = Journal(path)
    was = Recorded.read(journal, run_id)
    plan = replayed(was, was.plan.rig, 15.0, 15.0)
    journal.close()
    record = tmp_path / "again.sqlite"
    again_id = cast(record, plan, 15.0)
    journal = Journal(record)
    again = Recorded.read(journal, again_id)
    journal.close()
    for old, new in zip(turned(was).coats, turned(again).coats, strict=True):
        assert new.cure.gel_s > 1.3 * old.cure.gel_s
        track = Track.of(old)
        left_1_Pa = float(track.left_1_Pa[track.spread_ends])
        turns = [_turns(coat, left_1_Pa) for coat in (old, new)]
        assert turns[1] == pytest.approx(turns[0], rel=0.02)
    assert comparison(again, was).sentence.startswith("The film flowed the same way")
    for coat in again.state.coats:
        assert coat.steps_expected == coat.steps_counted
    assert json.loads(again.plan_json)["details"]["replay"]["run_id"] == run_id


def test_a_figure_that_was_zero_is_compared_in_its_own_unit() -> None:
    """There is no percentage of zero: here, a pour in the second in which the parts met."""
    found = _compared(1, "poured", "s", 0.0, 12.0)
    assert (found.difference, found.difference_unit) == (12.0, "s")


def _turns(coat: ProvenCoat, left_1_Pa: float) -> float:
    """Return the turns from the moment at which `left_1_Pa` of the path is left until the gel. (The
    legs of a recorded spin are named by its plan's clock: where the gel comes early, a replay has
    spread the resin before its leg of that name ends.)"""
    track, path = Track.of(coat), coat.cure.path()
    ends_s = np.array([float(path.time_at_left(left_1_Pa)), path.gel_s]) - coat.spin_from_s
    began, ended = np.interp(ends_s, track.profile_s, track.turns)
    return float(ended - began)


def test_notes_of_the_journal_are_kept(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "record.sqlite")
    assert journal.note("mould:x") is None
    for text in ("one", "two"):
        journal.write(Batch(notes={"mould:x": text}))
        assert journal.note("mould:x") == text
    journal.close()


def test_a_proof_teaches_the_resin_what_its_traces_said(a_proven_record: tuple[Path, str]) -> None:
    """The twin's three batches differ from the sheet by some ten per cent either way: after them
    the memory is more certain than the sheet, and the judgement of the next casting uses it."""
    journal = Journal(a_proven_record[0])
    run = Recorded.read(journal, a_proven_record[1])
    memories = resin_memories(journal)
    journal.close()
    memory = memories[resin_note(run.plan)]
    assert memory.learned is not None or memory.batches
    judge = Remembering(memories)(run.plan, run.plan.coats[0], ProbeSpec(), 285.0)
    plain = Remembering()(run.plan, run.plan.coats[0], ProbeSpec(), 285.0)
    told, untold = (j.feed([(300.0, 22.0, 21.0)]) for j in (judge, plain))
    assert told.low_s is not None
    assert told.high_s is not None
    assert untold.low_s is not None
    assert untold.high_s is not None
    assert told.high_s - told.low_s < untold.high_s - untold.low_s


def test_the_panel_proves_once_and_casts_again(a_record: tuple[Path, str]) -> None:
    """Through the service, as a phone does it: measures with the proof, the key repeated, then a
    start by the run's name, planned for the room as its probe reads it."""
    path, run_id = a_record

    async def scenario() -> None:
        judge = Foresight()
        weather = Weather(mean_degC=18.0, swing_degC=0.0)
        async with open_shop(record=path, judges=judge, weather=weather) as shop:
            judge.twin = shop.twin
            shop.service._walls._work = lambda plan: {}
            await shop.until(lambda: shop.service.snapshot().room_degC is not None)
            asked = {"run_id": run_id, "weight_g": 290.0, "rim_mm": [4.6, 4.8]}
            question = await shop.ask("prove", key="first-the-question", **asked)
            assert not question.accepted
            assert question.confirm
            assert "cannot be changed afterwards" in question.sentence
            asked["confirmed"] = True
            first = await shop.ask("prove", key="once-and-again", **asked)
            assert first.accepted, first.sentence
            again = await shop.ask("prove", key="once-and-again", **asked)
            assert again.repeated
            assert again.event_id == first.event_id
            refused = await shop.ask("prove", key="another-key", **asked)
            assert not refused.accepted
            assert "already proven" in refused.sentence
            assert (await shop.service.run(run_id)).proven
            started = await shop.ask("start", run_id=run_id)
            assert started.accepted, started.sentence
            now = shop.service.snapshot()
            plan = await shop.service.run_plan(now.run_id or "")
            assert plan.details["replay"]["run_id"] == run_id
            assert plan.casting.shop.temp_degC == pytest.approx(18.0, abs=1.0)
            card = await shop.service.run(now.run_id or "")
            assert card.replay_of == run_id
            # One figure on the page: the plan's differs if somebody was late.
            assert now.wall is not None
            assert (now.wall.min_mm, now.wall.rim_mm) == (None, None)
            assert "like the proven run" in now.wall.note
            mesh = await shop.service.wall_mesh(now.run_id or "")
            assert mesh == {"note": "Turned like the proven run.", "as_turned": False}
            proven = await shop.service.wall_mesh(run_id)
            told = "From the recorded weights and turning."
            assert proven == {"note": told, "as_turned": True}
            await shop.ask("abandon", reason="only to see it start")

    run_virtual(scenario())


def _late(run: Recorded, by_s: float) -> Recorded:
    """Return the same run with the first coat's turning begun this much later."""
    events = tuple(
        e.model_copy(update={"at_s": e.at_s + by_s}) if e.kind == "turning_began" and first else e
        for e, first in _with_first(run)
    )
    return Recorded(run.run_id, run.plan_json, events, run.samples)


def _with_first(run: Recorded) -> list[tuple[Event, bool]]:
    found, first = [], True
    for event in run.events:
        found.append((event, first))
        first = first and event.kind != "turning_began"
    return found


def test_what_contradicts_the_plan_is_refused_without_a_reason(a_record: tuple[Path, str]) -> None:
    """22.9 mm where 4.5 mm was planned, in a run whose first coat turned two minutes too late: it
    is proven only with a reason, and the reason stays in the record."""
    path, run_id = a_record
    journal = Journal(path)
    run = _late(Recorded.read(journal, run_id), 120.0)
    thick = Measured(weight_g=275.0, spots=(Spot(where="bottom", wall_mm=22.9),))
    found = assessment(run, thick)
    spot = next(f for f in found.findings if f.what == "bottom")
    assert spot.contradicts
    assert spot.high is not None
    assert spot.high < 10.0  # twice the planned mean of 4.5 mm, and the gauge
    kinds = {trouble.kind: trouble for trouble in found.troubles}
    assert kinds["begun_late"].grave
    assert kinds["begun_late"].coat == 1
    assert {missing.kind for missing in found.missing} >= {"wall", "cup_weighed_back"}
    with pytest.raises(InputError, match=r"reason is missing.*contradicts its plan"):
        make_proof(run, found)
    proof = make_proof(run, found, " A trial of the pool at the bottom. ")
    assert proof.reason == "A trial of the pool at the bottom."
    sound = assessment(Recorded.read(journal, run_id), Measured(weight_g=275.0))
    assert sound.against == ()
    assert make_proof(Recorded.read(journal, run_id), sound, "needless").reason == ""
    with pytest.raises(InputError, match="reason is missing"):
        prove_run(journal, run_id, thick, UTC)
    told = prove_run(journal, run_id, thick, UTC, "A trial.")
    assert "because: A trial." in told.text
    assert told.data["proof"]["reason"] == "A trial."
    journal.close()


def test_troubles_of_a_run_are_counted_and_the_grave_ones_come_first(
    a_record: tuple[Path, str],
) -> None:
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()
    assert not any(trouble.grave for trouble in troubles(run))
    alert = run.events[-2].model_copy(update={"kind": "alert", "data": {"alert": "slip"}})
    events = (*run.events[:-1], alert, alert, run.events[-1])
    worse = _late(Recorded(run.run_id, run.plan_json, events, run.samples), 60.0)
    found = troubles(worse)
    assert found[0].grave
    slips = next(trouble for trouble in found if trouble.kind == "slip")
    assert (slips.times, slips.sentence) == (2, "An axis lost steps, 2 times.")


def test_a_guard_that_is_open_while_a_person_closes_up_is_no_trouble(
    a_record: tuple[Path, str],
) -> None:
    """Each coat is poured with the guard open, and the page reminds of it; a stop by it counts."""
    journal = Journal(a_record[0])
    run = Recorded.read(journal, a_record[1])
    journal.close()

    def guard(*kinds: tuple[str, dict[str, str]]) -> list[str]:
        rows = [run.events[-2].model_copy(update={"kind": k, "data": d}) for k, d in kinds]
        events = (*run.events[:-1], *rows, run.events[-1])
        found = troubles(Recorded(run.run_id, run.plan_json, events, run.samples))
        return [one.sentence for one in found if one.kind == "guard_open"]

    alert, halt = ("alert", {"alert": "guard_open"}), ("halted", {"why": "guard"})
    assert guard(alert) == []
    assert guard(alert, halt) == ["The guard was opened while the frame turned."]


def test_each_spot_is_held_against_the_wall_where_it_lies() -> None:
    """A tube closed below, 1 mm at its bottom and 5 mm at its mouth, rising with the height."""
    rings, around = 21, 12
    points = [
        (np.cos(a), np.sin(a), z)
        for z in np.linspace(0.0, 10.0, rings)
        for a in np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    ]
    faces = [(len(points), k, (k + 1) % around) for k in range(around)]
    for ring in range(rings - 1):
        for k in range(around):
            a, b = ring * around + k, ring * around + (k + 1) % around
            faces += [(a, b, a + around), (b, b + around, a + around)]
    points.append((0.0, 0.0, 0.0))
    wall = [1.0 + 0.4 * z for _, _, z in points]
    spans = spot_spans({"vertices_mm": points, "faces": faces, "wall_mm": wall})
    assert spans is not None
    # The mean over the band of heights: 0 to 1 (rings at 0, 0.5, 1), 4 to 6 and 7 to 9.
    assert spans["bottom"][1] == pytest.approx(1.2, abs=0.02)
    assert spans["side"][1] == pytest.approx(3.0)
    assert spans["shoulder"][1] == pytest.approx(4.2)
    assert spot_spans({}) is None
