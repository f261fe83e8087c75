"""The list of runs is read from summaries: a start folds no run that has ended."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evenwall.model import Event, RunCard, Step
from evenwall.records.journal import Journal
from evenwall.records.records import Records
from evenwall.records.rows import Batch
from evenwall.run.events import Noted
from evenwall.service import run_list
from evenwall.service.run_list import NOTES, RunList
from tests.support.many_runs import fill


@pytest.fixture
def folded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the runs that were folded, in order."""
    names: list[str] = []
    real = run_list.card_of

    def counting(run_id: str, *more: Any) -> RunCard:
        names.append(run_id)
        return real(run_id, *more)

    monkeypatch.setattr(run_list, "card_of", counting)
    return names


def listed(path: Path) -> list[RunCard]:
    """The list as a fresh process gives it."""

    async def scenario() -> list[RunCard]:
        records = Records(path)
        runs = RunList(cast(Any, SimpleNamespace(records=records, state=None)))
        cards = await runs.cards()
        assert await runs.cards() == cards
        await records.close()
        return cards

    return asyncio.run(scenario())


def test_a_second_start_folds_nothing(tmp_path: Path, folded: list[str]) -> None:
    path = tmp_path / "record.sqlite"
    fill(path, 5)
    first = listed(path)
    assert len(first) == len(folded) == 5
    assert {card.step for card in first} == {Step.DONE}
    assert [card.run_id for card in first] == sorted((c.run_id for c in first), reverse=True)
    assert listed(path) == first
    assert len(folded) == 5


def test_a_run_with_a_newer_row_is_folded_again(tmp_path: Path, folded: list[str]) -> None:
    path = tmp_path / "record.sqlite"
    fill(path, 3)
    cards = listed(path)
    folded.clear()
    journal, batch = Journal(path), Batch()
    name = cards[1].run_id
    number = journal.last_id() + 1
    data = Noted(text="The rim was sanded.").data()
    row = Event(event_id=number, run_id=name, at_s=9e3, utc="2027", kind=Noted.kind, data=data)
    batch.events.append((row, None))
    journal.write(batch)
    journal.close()
    again = listed(path)
    assert folded == [name]
    assert again[1].ended_utc == "2027"


def test_a_summary_that_cannot_be_read_is_made_anew(tmp_path: Path, folded: list[str]) -> None:
    path = tmp_path / "record.sqlite"
    fill(path, 2)
    first = listed(path)
    folded.clear()
    journal = Journal(path)
    journal.write(Batch(notes={f"{NOTES}{first[0].run_id}": '{"newest_id": "spoilt"}'}))
    journal.close()
    assert listed(path) == first
    assert folded == [first[0].run_id]


def test_a_run_under_way_is_not_kept(tmp_path: Path, folded: list[str]) -> None:
    path = tmp_path / "record.sqlite"
    fill(path, 1)
    journal = Journal(path)
    journal.db.execute("DELETE FROM events WHERE kind = 'finished'")
    journal.db.commit()
    journal.close()
    assert listed(path)[0].ended_utc is None
    listed(path)
    assert len(folded) == 2
