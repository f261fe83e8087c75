"""A plan's seal survives every reader and writer, and is broken by a change of any figure."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from evenwall.cli.main import main
from evenwall.errors import InputError
from evenwall.model import Plan, parse, read_plan
from evenwall.model.seal import digest, sealed, untouched
from evenwall.run.gate import admit
from evenwall_bridge.clock import run_virtual
from tests.faults.light import light
from tests.support.virtual_shop import lantern_plan, open_shop, sample_rig


def test_a_plan_is_sealed_as_it_is_made_and_reads_back_sealed() -> None:
    plan = lantern_plan()
    assert len(plan.sha256) == 64
    untouched(parse(Plan, json.loads(plan.model_dump_json()), "plan"))
    admitted = admit(plan, sample_rig(), sent=True)
    untouched(admitted)


def test_where_the_mesh_lies_and_where_the_board_is_are_not_in_it() -> None:
    plan = lantern_plan()
    casting = plan.casting.model_copy(update={"mesh": Path("elsewhere/globe.stl")})
    rig = plan.rig.model_copy(update={"port": "/dev/ttyACM3"})
    assert digest(plan.model_copy(update={"casting": casting, "rig": rig})) == plan.sha256


@pytest.mark.parametrize(
    ("way", "value"),
    [
        (("coats", 0, "ramps", 1, "major_rpm"), 3.25),
        (("coats", 0, "part_a_g"), 80.0),
        (("coats", 0, "clock", "gel_expected_s"), 700.0),
        (("casting", "resin", "sheet", "pot_life_min"), 9.5),
        (("cautions",), []),
        (("wall", "min_mm"), 4.4),
    ],
)
def test_a_figure_changed_by_hand_is_told_with_what_to_do(
    way: tuple[str | int, ...], value: object
) -> None:
    document = json.loads(lantern_plan().model_dump_json())
    *path, last = way
    holder = document
    for part in path:
        holder = holder[part]
    assert holder[last] != value
    holder[last] = value
    with pytest.raises(InputError, match=r"changed after it was made; .*evenwall seal"):
        admit(parse(Plan, document, "plan"), sample_rig(), sent=True)


def test_the_network_hears_it_too_and_nothing_is_written() -> None:
    document = json.loads(lantern_plan().model_dump_json())
    document["coats"][0]["cup_left_g"] += 0.5

    async def scenario() -> None:
        async with open_shop(judges=light) as shop:
            answer = await shop.ask("start", plan=document)
            assert not answer.accepted
            assert "changed after it was made" in answer.sentence
            assert await shop.service.runs() == []
            document["sha256"] = ""  # as an earlier version wrote it, or a hand
            answer = await shop.ask("start", plan=document)
            assert not answer.accepted
            assert "evenwall seal" in answer.sentence
            assert await shop.service.runs() == []
            again = sealed(parse(Plan, document, "plan")).model_dump(mode="json")
            assert (await shop.ask("start", plan=again)).accepted

    run_virtual(scenario())


def test_the_command_seals_what_was_meant_and_refuses_what_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "plan.json"
    document = json.loads(lantern_plan().model_dump_json())
    document["coats"][0]["cup_left_g"] += 0.5
    file.write_text(json.dumps(document))
    with pytest.raises(InputError):
        untouched(read_plan(file))
    assert main(["seal", str(file)]) == 0
    untouched(read_plan(file))
    assert main(["seal", str(file)]) == 0
    assert "already has a valid seal" in capsys.readouterr().out
    document["coats"][0]["ramps"] = []
    file.write_text(json.dumps(document))
    assert main(["seal", str(file)]) == 2
    assert json.loads(file.read_text()) == document


def test_a_figure_that_the_disk_changed_is_told_and_the_casting_goes_on(tmp_path: Path) -> None:
    record = tmp_path / "record.sqlite"

    async def begun() -> None:
        async with open_shop(record=record, judges=light) as shop:
            task = asyncio.create_task(shop.operator().work())
            await shop.ask("start", plan=shop.plan)
            await shop.until(lambda: shop.supervisor.state.turning is not None)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    run_virtual(begun())
    with closing(sqlite3.connect(record)) as db:
        text = db.execute("SELECT plan FROM plans").fetchone()[0]
        weight = lantern_plan().coats[1].part_a_g
        assert str(weight) in text
        db.execute("UPDATE plans SET plan = ?", (text.replace(str(weight), str(weight + 1), 1),))
        db.commit()

    async def again() -> None:
        async with open_shop(record=record, judges=light) as shop:
            assert shop.supervisor.state is not None
            said = " ".join(shop.supervisor.notices.values())
            assert "its content does not match its seal" in said

    run_virtual(again())


def test_what_is_sealed_is_the_content_and_not_the_seal() -> None:
    plan = lantern_plan()
    assert sealed(sealed(plan)) == sealed(plan) == plan
    assert digest(plan.model_copy(update={"seed": plan.seed + 1})) != plan.sha256


@pytest.mark.parametrize("seal", ["", "0" * 64])
def test_what_only_reads_a_plan_looks_at_its_seal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seal: str
) -> None:
    """Before the film is computed, a missing seal is reported and a wrong one refused."""
    file = tmp_path / "plan.json"
    document = json.loads(lantern_plan().model_dump_json())
    document["sha256"] = seal
    document["casting"]["mesh"] = "gone.stl"  # so that nothing is computed
    file.write_text(json.dumps(document))
    assert main(["wall", str(file)]) == 2
    said = capsys.readouterr().err
    assert ("changed after it was made" in said) is bool(seal)
    assert ("The plan has no seal" in said) is not bool(seal)


def test_a_plan_without_a_seal_does_not_spin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "plan.json"
    file.write_text(lantern_plan().model_copy(update={"sha256": ""}).model_dump_json())
    assert main(["spin", str(file), "--data", str(tmp_path / "data")]) == 2
    assert "evenwall seal" in capsys.readouterr().err
    assert not (tmp_path / "data").exists()
