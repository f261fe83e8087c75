"""One state for every phone: the rig keeps ticks and drafts, and the frame waits for the list."""

from __future__ import annotations

from pathlib import Path

from evenwall.devices.interfaces import Press
from evenwall.history.habits import close_up_taken_s
from evenwall.model import Event, Step
from evenwall.planning.batch import CLOSE_UP_S
from evenwall.records.journal import Journal
from evenwall.run.events import Started
from evenwall.run.folding import begin
from evenwall.run.schedule import close_up_s
from evenwall.run.user_messages import CHECKLIST
from tests.run.bench import Bench
from tests.run.test_sheet import shown
from tests.support.virtual_shop import lantern_plan


def test_the_frames_button_waits_for_the_list() -> None:
    """A short press is refused with a reason; the list is done once it is ticked line by line or
    the button is held."""
    bench = Bench()
    bench.look()
    bench.look(presses=(Press.NEXT,))
    assert bench.state.step is Step.PREPARE
    refused = [event for event in bench.events if event.kind == "refused"]
    assert "of the list are still to tick" in refused[-1].line()
    for index in range(len(CHECKLIST)):
        assert bench.ask("tick", index=index, done=True).accepted
    assert shown(bench).ticked == tuple(range(len(CHECKLIST)))
    assert bench.ask("tick", index=1, done=False).accepted
    bench.look(presses=(Press.NEXT,))
    assert bench.state.step is Step.PREPARE
    assert shown(bench).next_button.enabled is False
    assert shown(bench).frame_button.long == "The list is done"
    bench.look(presses=(Press.LONG,))
    assert bench.state.step is Step.PREPARE  # said, and nothing moved
    bench.look(presses=(Press.NEXT,))
    assert bench.state.step is Step.WEIGH
    assert not bench.ask("tick", index=0).accepted


def test_what_is_typed_stands_on_every_phone_until_it_is_sent() -> None:
    bench = Bench().until(Step.WEIGH)
    coat = bench.state.coat_plan
    assert bench.ask("draft", field="part-a", value="63.7").accepted
    assert bench.ask("draft", field="note-text", value="a draught").accepted
    assert shown(bench).drafts == {"part-a": "63.7", "note-text": "a draught"}
    bench.ask("weigh", part_a_g=coat.part_a_g, part_b_g=coat.part_b_g)
    assert shown(bench).drafts == {"note-text": "a draught"}
    bench.until(Step.MIX)
    assert shown(bench).drafts == {"note-text": "a draught"}  # a note is of no step
    assert bench.ask("draft", field="note-text", value="").accepted
    assert shown(bench).drafts == {}
    for number in range(30):
        bench.ask("draft", field=f"f{number}", value="x")
    assert len(shown(bench).drafts) == 20  # what a phone may make the rig keep is bounded


def test_refused_weights_leave_no_button_that_looks_due() -> None:
    bench = Bench().until(Step.WEIGH)
    coat = bench.state.coat_plan
    bench.wait(3.0)
    bench.ask("weigh", part_a_g=coat.part_a_g, part_b_g=1.3 * coat.part_b_g)
    bench.look()
    assert shown(bench).next_button.enabled is False
    bench.ask("answer", question="weights_off", value="go_on")
    bench.look()
    assert shown(bench).next_button.enabled is True


def test_closing_up_takes_what_it_took_in_earlier_castings(
    a_record: tuple[Path, str],
) -> None:
    """The record's own coats, from the pour to the turning; it stands in the run's first row."""
    journal = Journal(a_record[0])
    taken_s = close_up_taken_s(journal)
    rows: list[Event] = list(journal.events(a_record[1]))
    journal.close()
    moments = [row.at_s for row in rows if row.kind in ("poured", "turning_began")]
    gaps = sorted(then - before for before, then in zip(moments[::2], moments[1::2], strict=True))
    assert taken_s == gaps[1]
    started = Started(simulated=True, close_up_s=taken_s)
    state = begin("r", lantern_plan(), 0.0, started)
    assert close_up_s(state) == taken_s
    assert close_up_s(begin("r", lantern_plan(), 0.0, Started(simulated=True))) == CLOSE_UP_S
