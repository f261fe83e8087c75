"""The registry of a run's events, and records of earlier versions."""

from __future__ import annotations

import ast
import gzip
import json
import re
from functools import cache
from pathlib import Path

import pytest

from evenwall.errors import InputError
from evenwall.model import Event, Plan, Step
from evenwall.run.events import Foreseen, Started, Unknown, hidden, read
from evenwall.run.events.base import KINDS, RunEvent
from evenwall.run.folding import fold_all, taken_up
from evenwall.run.user_messages import ALERTS, DUE, HALTED
from evenwall.run.view import record_line
from tests.run.bench import Bench, as_row

ROOT = Path(__file__).resolve().parents[2]


def row(kind: str, **data: object) -> Event:
    return Event(event_id=7, run_id="r", at_s=3.0, utc="", kind=kind, data=data)


@cache
def earlier() -> tuple[Plan, tuple[Event, ...]]:
    """Plan and rows of a casting, as the version before typed events wrote them."""
    kept = json.loads(
        gzip.decompress((Path(__file__).parent / "earlier_record.json.gz").read_bytes())
    )
    rows = tuple(Event.model_validate(one) for one in kept["events"])
    return Plan.model_validate(kept["plan"]), rows


def test_an_earlier_record_is_read() -> None:
    plan, rows = earlier()
    state = fold_all("r", plan, rows)
    assert state.step is Step.DONE
    assert all(coat.done and coat.steps_expected == coat.steps_counted for coat in state.coats)
    lines = [record_line(one).text for one in rows if not hidden(one)]
    assert len(lines) == 34
    assert not [line for line in lines if "cannot be read" in line]
    assert taken_up("r", plan, rows) == (state, {})


def test_an_event_is_written_as_the_earlier_version_wrote_it() -> None:
    """Proofs hash the rows: an event read and written again must be the same JSON."""
    _, rows = earlier()
    for one in rows:
        single = one.kind == "measured"  # a single rim was written without its list
        again = read(one).data()
        assert single or again == one.data, one.kind


def test_what_was_foreseen_earlier_is_not_told_twice() -> None:
    said = row("foreseen", sentence="It gels in 5 min.", words="It gels in  min.", best_s=900.0)
    state = read(said).fold(Bench().state, 1.0)
    assert state.coat.gel_says == ("It gels in  min.",)


def test_every_event_of_a_casting_survives_its_row() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(40.0)
    assert bench.state.step is Step.REST
    for event in bench.events:
        assert read(as_row(event, 0.0)) == event


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_row_without_its_payload_is_refused_by_name(kind: str) -> None:
    needed = [name for name, field in KINDS[kind].model_fields.items() if field.is_required()]
    if needed:
        with pytest.raises(InputError, match=needed[0]):
            read(row(kind))
        assert "cannot be read" in record_line(row(kind)).text
    else:
        assert read(row(kind)).kind == kind


def test_a_kind_of_a_later_version_changes_nothing_and_says_its_sentence() -> None:
    later = row("lamp_changed", sentence="A new lamp.")
    assert isinstance(read(later), Unknown)
    state = Bench().state
    assert read(later).fold(state, 9.0) is state
    assert record_line(later).text == "A new lamp."
    assert record_line(row("lamp_changed")).text == "lamp changed"


def test_two_events_cannot_share_a_kind() -> None:
    with pytest.raises(TypeError, match="'started' is Started's already"):
        type("Again", (RunEvent,), {"kind": Started.kind, "__module__": __name__})


def test_every_word_of_an_event_has_its_sentence() -> None:
    """A missing sentence would appear as a row that cannot be read."""
    for alert in ALERTS:
        assert record_line(row("alert", alert=alert)).text == ALERTS[alert]
    for why in HALTED:
        assert why in record_line(row("halted", why=why)).text
    for step in DUE:
        assert record_line(row("stepped", step=step.value, coat=1)).text.startswith("Coat 1: ")


def test_payloads_are_read_as_fields() -> None:
    """No code reads a row's data by name; only the event's class does."""
    found = set()
    for path in sorted((ROOT / "controller").rglob("*.py")):
        name = path.relative_to(ROOT).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Subscript | ast.Call):
                continue
            into = node.value if isinstance(node, ast.Subscript) else node.func
            if re.fullmatch(r"(event|row|first|one|e)\.data(\.get)?", ast.unparse(into)):
                looks = isinstance(node, ast.Subscript) or ast.unparse(into).endswith("get")
                found |= {name} if looks else set()
    assert not found


def test_a_foreseen_gel_is_one_line() -> None:
    event = Foreseen(sentence="The coat gels soon.", says="gels_soon", best_s=900.0)
    assert record_line(as_row(event, 1.0)).text == "The coat gels soon."
