"""One whole casting, run once in virtual time and kept as a record on disk for many tests."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from evenwall.cli.runs import prove_run
from evenwall.model import CoatPlan, Measured, Plan, ProbeSpec, Spot, Step
from evenwall.records.journal import Journal
from evenwall.run.observation import GelReading, GelRow
from evenwall.simulation.twin import Twin, Weather
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import open_shop

UTC = "2026-01-05T18:00:00+00:00"


class Foresight:
    """A gel monitor that knows the gel time from the twin and calls the coat then. It replaces the
    estimator, which is slow."""

    twin: Twin

    def __call__(
        self, plan: Plan, coat: CoatPlan, probe: ProbeSpec, poured_coat_s: float
    ) -> Foresight:
        return self

    def feed(self, rows: Sequence[GelRow]) -> GelReading:
        gel_s = self.twin.coat_gel_s
        coat_time_s = rows[-1][0] if rows else 0.0
        if coat_time_s < gel_s:
            return GelReading(best_s=gel_s)
        return GelReading(best_s=gel_s, safe_to_stop_s=gel_s + 60.0, called_at_s=coat_time_s)

    def forget(self) -> None:
        return None

    def touched(self, what: str, coat_time_s: float) -> GelReading:
        return GelReading(best_s=self.twin.coat_gel_s)

    def end(self) -> None:
        return None


def cast(record: Path, plan: Plan | None = None, temp_degC: float = 21.0, seed: int = 4) -> str:
    """A whole casting into a record; its run id."""

    async def scenario() -> str:
        judge = Foresight()
        weather = Weather(mean_degC=temp_degC, swing_degC=0.0)
        async with open_shop(plan, seed=seed, record=record, judges=judge, weather=weather) as shop:
            judge.twin = shop.twin
            answer = await shop.ask("start", plan=shop.plan)
            assert answer.accepted, answer.sentence
            last = await shop.operator().work()
            assert last.step is Step.DONE
            assert last.run_id is not None
            return last.run_id

    return run_virtual(scenario())


@pytest.fixture(scope="session")
def _cast_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    record = tmp_path_factory.mktemp("casting") / "record.sqlite"
    return record, cast(record)


@pytest.fixture
def a_record(_cast_once: tuple[Path, str], tmp_path: Path) -> tuple[Path, str]:
    """A fresh copy of the record, and the run in it."""
    record, run_id = _cast_once
    copy = tmp_path / "record.sqlite"
    shutil.copy(record, copy)
    return copy, run_id


@pytest.fixture(scope="session")
def _proven_once(
    _cast_once: tuple[Path, str], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, str]:
    record, run_id = _cast_once
    proven = tmp_path_factory.mktemp("proven") / "record.sqlite"
    shutil.copy(record, proven)
    journal = Journal(proven)
    spots = (Spot(where="foot", wall_mm=4.2),)
    told = prove_run(journal, run_id, Measured(weight_g=280.0, rim_mm=(4.7, 4.9), spots=spots), UTC)
    journal.close()
    assert told.data["hash_holds"] is True
    return proven, run_id


@pytest.fixture
def a_proven_record(_proven_once: tuple[Path, str], tmp_path: Path) -> tuple[Path, str]:
    """A fresh copy of the record with its run proven: 280 g, rim 4.7 and 4.9 mm, foot 4.2 mm."""
    record, run_id = _proven_once
    copy = tmp_path / "proven.sqlite"
    shutil.copy(record, copy)
    return copy, run_id
