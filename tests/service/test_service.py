"""The facade: a stream without gaps, answers that are given once, a stop that never waits."""

from __future__ import annotations

import asyncio
import shutil
import threading
from pathlib import Path
from typing import Any

import pytest

from evenwall.cli.application import SMALL_RIG
from evenwall.cli.main import main
from evenwall.errors import InputError
from evenwall.model import Event, Sample, Step, StreamItem
from evenwall.records import fallback_store as beside
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch
from evenwall.records.trouble import Damaged
from evenwall.run import recording
from evenwall.run.folding import fold_all
from evenwall.run.gate import admit
from evenwall_bridge.clock import Anchor, LoopClock, run_virtual
from tests.faults.light import light
from tests.faults.simulation import plans
from tests.support.orders import command
from tests.support.virtual_shop import SAMPLES, Shop, open_shop


def rows(items: list[StreamItem]) -> list[int]:
    return [item.item_id for item in items if item.kind != "snapshot"]


async def to_the_spin(shop: Shop) -> asyncio.Task[Any]:
    await shop.ask("start", plan=shop.plan)
    work = asyncio.ensure_future(shop.operator().work())
    await shop.until(lambda: shop.step is Step.SPIN)
    return work


async def drop(work: asyncio.Task[Any]) -> None:
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)


@pytest.mark.parametrize("burst", [512, 5])
def test_a_broken_stream_resumes_without_a_gap(burst: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """burst: how far a watcher may lag; with 5 it overflows and must read the journal."""
    monkeypatch.setattr(recording, "_BURST", burst)

    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light) as shop:
            got: list[StreamItem] = []

            async def listen(after_id: int | None, count: int, slow_s: float) -> None:
                stream = shop.service.watch(after_id)
                async for item in stream:
                    got.append(item)
                    await shop.clock.sleep(slow_s)
                    if len(got) >= count:
                        break
                await stream.aclose()  # type: ignore[attr-defined]

            first = asyncio.ensure_future(listen(0, 40, 0.0))
            work = await to_the_spin(shop)
            await first
            await shop.clock.sleep(100.0)  # the phone was in a pocket
            await listen(rows(got)[-1], 120, 7.0)
            seen = rows(got)
            kept = await shop.records.items(0)
            ids = [row.event_id if isinstance(row, Event) else row.sample_id for row in kept]
            assert seen == ids[: len(seen)]
            assert any(isinstance(row, Sample) for row in kept[: len(seen)])
            await drop(work)

    run_virtual(scenario())


def test_a_sent_plan_cannot_do_away_with_the_hand_at_the_frame() -> None:
    async def scenario() -> None:
        plan = plans()[0]
        assert plan.rig.confirm_at_rig
        forged = plan.model_copy(
            update={"rig": plan.rig.model_copy(update={"confirm_at_rig": False})}
        )
        async with open_shop(plan, judges=light) as shop:
            await shop.ask("start", plan=forged)
            shop.board.set_guard(True)
            await shop.until(lambda: shop.service.snapshot().frame.guard_closed)
            answer = await shop.service.command(command("next", "from-a-phone"))
            assert not answer.accepted
            assert "at the frame" in answer.sentence
            assert shop.service.snapshot().step is Step.PREPARE

    run_virtual(scenario())


def test_a_plan_for_another_frame_is_refused_or_counted_by_this_one() -> None:
    """Refused if this frame may not turn that way; otherwise this frame's gearing counts."""
    here = plans()[0].rig
    geared = here.major.model_copy(update={"gear_ratio": 2.0 * here.major.gear_ratio})
    plan = plans()[0].model_copy(
        update={"rig": here.model_copy(update={"name": "Elsewhere", "major": geared})}
    )
    assert admit(plan, here).rig.major == here.major
    for limit, said in (
        ({"rate_limit_rpm": 2.0}, r"speed is .* rpm: must be at most 2 rpm on this rig; it was "),
        ({"accel_limit_rpm_s": 0.1}, r"acceleration is .* rpm/s: must be at most 0.1 rpm/s"),
    ):
        with pytest.raises(InputError, match=said):
            admit(plan, here.model_copy(update=limit))


def test_a_plan_without_a_coat_or_a_ramp_is_not_begun() -> None:
    """It used to be recorded, and then no controller could start with that record again."""
    good = plans()[0]
    still = good.coats[0].model_copy(update={"ramps": ()})
    for coats, said in (
        ((), "coats is 0: needs at least one coat"),
        ((still,), r"coats\[1\].ramps is 0: needs at least one ramp"),
    ):
        with pytest.raises(InputError, match=said):
            admit(good.model_copy(update={"coats": coats}), good.rig)


def test_a_plan_too_fast_for_the_frame_is_bad_input_to_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, data = tmp_path / "plan.json", tmp_path / "data"
    file.write_text(plans()[0].model_dump_json(), encoding="utf-8")
    rig = SMALL_RIG.read_text(encoding="utf-8")
    slow = tmp_path / "slow.toml"
    slow.write_text(rig.replace("rate_limit_rpm = 20.0", "rate_limit_rpm = 2.0"), encoding="utf-8")
    assert main(["spin", str(file), "--rig", str(slow), "--data", str(data)]) == 2
    assert f"evenwall: {file}: the plan's speed is " in capsys.readouterr().err
    assert not data.exists()


def test_a_key_pressed_again_after_a_restart_gets_the_first_answer() -> None:
    async def scenario() -> None:
        journal = LastingJournal(None)
        async with open_shop(plans()[0], judges=light, record=journal) as shop:
            await shop.ask("start", key="begin", plan=shop.plan)
            note = command("note", "n1", text="a hair in the mould")
            first = await shop.service.command(note)
        async with open_shop(plans()[0], judges=light, record=journal, board=shop.board) as shop:
            again = await shop.service.command(note)
            assert again == first.model_copy(update={"repeated": True})
            noted = [event for event in journal.events(None) if event.kind == "noted"]
            assert len(noted) == 1

    run_virtual(scenario())


class LastingJournal(Journal):
    def close(self) -> None:
        """The file stays when its process ends."""


def test_a_stop_does_not_wait_for_a_sleeping_disk(tmp_path: Path) -> None:
    release = threading.Event()

    class Sleeping(Journal):
        asleep = False

        def write(self, batch: Batch, anchor: Anchor | None = None) -> None:
            if self.asleep:
                release.wait(20.0)
            super().write(batch, anchor)

    async def scenario() -> None:
        journal = Sleeping(tmp_path / "record.sqlite")
        async with open_shop(plans()[0], judges=light, record=tmp_path / "r.sqlite") as shop:
            shop.records.journal.close()
            shop.records.journal = journal
            work = await to_the_spin(shop)
            await shop.clock.sleep(20.0)
            await drop(work)
            journal.asleep = True
            asked = asyncio.ensure_future(shop.ask("stop_turning"))
            for _ in range(20):  # turns of the loop: no time passes while the disk sleeps
                await asyncio.sleep(0)  # noqa: TID251
            assert shop.supervisor.state is not None
            assert shop.supervisor.state.halted == "stop"
            release.set()
            assert (await asked).accepted
            await shop.clock.sleep(5.0)
            assert shop.rig.state.mode == "disabled"

    run_virtual(scenario())


def test_a_record_damaged_in_mid_run_is_begun_anew_and_whole(tmp_path: Path) -> None:
    async def scenario() -> None:
        path = tmp_path / "record.sqlite"
        async with open_shop(plans()[0], judges=light, record=path) as shop:
            work = await to_the_spin(shop)
            before = shop.records.journal

            def damaged(batch: Batch, anchor: Anchor | None = None) -> None:
                del batch, anchor
                raise Damaged("database disk image is malformed")

            before.write = damaged  # type: ignore[method-assign]
            await shop.clock.sleep(60.0)
            assert shop.records.journal is not before
            assert shop.supervisor.state is not None
            assert shop.supervisor.state.turning is not None, "the spin goes on"
            notices = [a.sentence for a in shop.service.snapshot().alerts if a.kind == "record"]
            assert any("kept as" in sentence for sentence in notices)
            await work
            state = shop.supervisor.state
            events = await shop.service.events(state.run_id)
            assert fold_all(state.run_id, shop.plan, events) == state
            assert (tmp_path / "record.sqlite.damaged-1").exists()

    run_virtual(scenario())


def test_a_casting_file_with_a_slip_in_it_is_told(tmp_path: Path) -> None:
    """It is not in the list, so nobody could request its plan and learn what is wrong."""
    for name in ("lantern-globe.toml", "lantern-globe.stl", "quick-clear.toml", "slow-clear.toml"):
        shutil.copy(SAMPLES / name, tmp_path)
    shutil.copy(SMALL_RIG, tmp_path)  # neither the one nor the other: nobody's business

    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light) as shop:
            shop.service._castings.folder = tmp_path

            async def listed() -> tuple[list[str], list[str], list[str]]:
                cards, sheets = await shop.service.castings(), await shop.service.resins()
                told = [a.sentence for a in shop.service.snapshot().alerts if a.kind == "library"]
                return [c.casting_id for c in cards], [r.resin_id for r in sheets], told

            resins = ["quick-clear", "slow-clear"]
            assert await listed() == (["lantern-globe"], resins, [])
            good = (tmp_path / "lantern-globe.toml").read_text()
            (tmp_path / "lantern-globe.toml").write_text(good.replace("wall_mm", "wall_mn"))
            (tmp_path / "slow-clear.toml").write_text("[sheet]\npot_life_min = -3")
            shop.supervisor.look()
            assert (await listed())[:2] == ([], ["quick-clear"])
            shop.supervisor.look()
            (said,) = (await listed())[2]
            assert "lantern-globe.toml" in said
            assert "slow-clear.toml" in said
            (tmp_path / "lantern-globe.toml").write_text(good)
            (tmp_path / "slow-clear.toml").unlink()
            assert (await listed())[0] == ["lantern-globe"]
            shop.supervisor.look()
            assert (await listed())[2] == []

    run_virtual(scenario())


class Hurrying(LoopClock):
    """A clock that advances a little at every reading, as a real one does: by up to 4 ms."""

    looks = 0

    def now_s(self) -> float:
        self.looks += 1
        return super().now_s() + 1e-3 * (self.looks % 5)


def test_the_journal_holds_the_very_moments_that_the_state_took_in() -> None:
    """A new process folds the journal and must reach the same state as this one."""

    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light, record=LastingJournal(None)) as shop:
            shop.supervisor.clock = Hurrying()
            work = await to_the_spin(shop)
            state = shop.supervisor.state
            assert state is not None
            events = await shop.service.events(state.run_id)
            assert fold_all(state.run_id, shop.plan, events) == shop.supervisor.state
            await drop(work)

    run_virtual(scenario())


@pytest.mark.parametrize("copied", [True, False])
def test_a_disk_gone_read_only_in_mid_run(
    copied: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The spin goes on, the panel says it in one sentence, and the whole casting is in the file
    that it goes on in; where the old one cannot be read any more, too."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    (tmp_path / "run").mkdir()

    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light, record=tmp_path / "r.sqlite") as shop:
            work = await to_the_spin(shop)
            shop.records.journal.db.execute("PRAGMA query_only = 1")
            if not copied:
                monkeypatch.setattr(beside, "PARTS", ("", "-gone"))
                (tmp_path / "r.sqlite-gone").mkdir()  # what cannot be copied
            await shop.clock.sleep(60.0)
            assert shop.supervisor.state is not None
            assert shop.supervisor.state.turning is not None
            told = [a.sentence for a in shop.service.snapshot().alerts if a.kind == "record"]
            assert len(told) == 1
            assert str(tmp_path / "run") in told[0]
            await work
            state = shop.supervisor.state
            events = await shop.service.events(state.run_id)
            assert fold_all(state.run_id, shop.plan, events) == state
            raised = [event.data["alert"] for event in events if event.kind == "alert"]
            assert "record" not in raised, "told by the notice, not a second time as an alert"

    run_virtual(scenario())


def test_no_answer_is_promised_of_a_record_begun_anew_until_the_casting_is_in_it(
    tmp_path: Path,
) -> None:
    async def scenario() -> None:
        async with open_shop(plans()[0], judges=light, record=tmp_path / "r.sqlite") as shop:
            work = await to_the_spin(shop)
            await drop(work)

            def damaged(batch: Batch, anchor: Anchor | None = None) -> None:
                del batch, anchor
                raise Damaged("database disk image is malformed")

            shop.records.journal.write = damaged  # type: ignore[method-assign]
            note = command("note", "n1", text="a hair in the mould")
            assert (await shop.service.command(note)).event_id is None
            note = note.model_copy(update={"key": "n2"})
            assert (await shop.service.command(note)).event_id is not None

    run_virtual(scenario())
