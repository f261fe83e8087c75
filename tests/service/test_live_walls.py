"""Prediction of the wall for the coat under way: the times of its computation, and the sheet's
sentence."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from evenwall.errors import InputError
from evenwall.model import CoatUnderWay, LiveWall, Plan, Step
from evenwall.model.seal import sealed
from evenwall.run.live import has_live_wall, live_view
from evenwall.service.live_walls import LEAST_PAUSE_S, NOTICE
from evenwall_bridge.clock import run_virtual
from tests.run.bench import Bench
from tests.support.castings import Foresight
from tests.support.virtual_shop import Shop, lantern_plan, open_shop


def with_wall() -> Plan:
    plan = lantern_plan()
    wall = plan.wall.model_copy(update={"min_mm": 4.1})
    return sealed(plan.model_copy(update={"wall": wall}))


class Foreseeing:
    """Replaces the film: remembers the requests and answers by a rule."""

    def __init__(self, fails: bool = False) -> None:
        self.asked: list[tuple[Plan, tuple[int, ...], CoatUnderWay]] = []
        self.fails = fails

    def __call__(
        self, planned: Plan, laid: Plan, lost: tuple[int, ...], now: CoatUnderWay
    ) -> LiveWall:
        self.asked.append((laid, lost, now))
        if self.fails:
            raise InputError("mesh", "globe", "cannot be read")
        return LiveWall(
            coat=now.coat,
            at_s=now.at_s,
            gel_s=now.gel_s[1],
            finished_mm=3.94,
            low_mm=3.8,
            high_mm=4.0,
            planned_mm=4.1,
            half_minute_mm=None if now.begins_s is None else 0.12,
        )


async def casting(shop: Shop, look: Callable[[], None]) -> None:
    """Make the whole casting, and read the sheet every two seconds."""
    assert (await shop.ask("start", plan=shop.plan)).accepted
    working = asyncio.get_running_loop().create_task(shop.operator().work())
    while not working.done():
        look()
        await shop.clock.sleep(2.0)
    await working


def test_a_coat_that_waits_and_a_coat_that_turns_have_their_walls(tmp_path: Path) -> None:
    work = Foreseeing()
    said: dict[Step, set[str]] = {}

    async def scenario() -> None:
        judge = Foresight()
        record = tmp_path / "record.sqlite"
        async with open_shop(record=record, judges=judge, plan=with_wall(), live_wall=work) as shop:
            judge.twin = shop.twin
            await casting(shop, lambda: note(shop))
            shown = shop.service.snapshot()
            assert shown.step is Step.DONE
            assert shown.live_wall is None

    def note(shop: Shop) -> None:
        shown = shop.service.snapshot()
        if shown.live_wall is not None:
            said.setdefault(shown.step, set()).add(shown.live_wall.sentence)

    run_virtual(scenario())
    assert set(said) == {Step.CLOSE_UP, Step.SPIN}
    standing = (
        "If turning begins now, the finished wall is 3.9 mm at its thinnest (3.8 to 4.0 mm, "
        "depending on the gel), with the later coats as planned. Another half minute of waiting "
        "takes 0.1 mm from it."
    )
    turning = (
        "If it goes on like this, the finished wall is 3.9 mm at its thinnest (3.8 to 4.0 mm, "
        "depending on the gel). The plan promised 4.1 mm."
    )
    assert standing in said[Step.CLOSE_UP]
    assert turning in said[Step.SPIN]  # of the last coat
    standing_at = [now.begins_s for _, _, now in work.asked if now.begins_s is not None]
    assert standing_at
    for coat in (1, 2, 3):
        seen = [now for _, _, now in work.asked if now.coat == coat and now.begins_s is None]
        assert seen
        gels = [now.gel_s[1] for now in seen]
        assert all(abs(b / a - 1.0) > 0.0 for a, b in itertools.pairwise(gels))
        times = [now.at_s for now in seen]
        assert all(b - a >= LEAST_PAUSE_S for a, b in itertools.pairwise(times))


def test_a_wall_that_cannot_be_computed_is_told_and_the_casting_goes_on(tmp_path: Path) -> None:
    work = Foreseeing(fails=True)
    told: set[str] = set()

    async def scenario() -> None:
        judge = Foresight()
        record = tmp_path / "record.sqlite"
        async with open_shop(record=record, judges=judge, plan=with_wall(), live_wall=work) as shop:
            judge.twin = shop.twin
            await casting(shop, lambda: told.update(notices(shop)))
            assert shop.service.snapshot().step is Step.DONE
            assert not notices(shop)  # it goes with the coat

    def notices(shop: Shop) -> list[str]:
        return [one.sentence for one in shop.service.snapshot().alerts if one.kind == NOTICE]

    run_virtual(scenario())
    assert told == {"The wall that this coat leaves is not known: mesh is globe: cannot be read."}


def test_a_span_within_a_tenth_of_a_millimetre_is_not_told() -> None:
    bench = Bench(plan=with_wall()).until(Step.CLOSE_UP)
    live = LiveWall(
        coat=1, at_s=0.0, gel_s=900.0, finished_mm=4.02, low_mm=3.98, high_mm=4.04, planned_mm=4.1,
        half_minute_mm=0.01,
    )  # fmt: skip
    told = live_view(bench.state, live)
    assert told is not None
    assert told.sentence == (
        "If turning begins now, the finished wall is 4.0 mm at its thinnest, with the later coats "
        "as planned. Another half minute of waiting takes nothing from it."
    )


def test_a_replay_or_a_standing_frame_has_none() -> None:
    """A replay does not turn as its plan does; a separate line shows how it keeps pace."""
    bench = Bench(plan=with_wall()).until(Step.CLOSE_UP)
    assert has_live_wall(bench.state)
    assert not has_live_wall(replace(bench.state, replay_of="another"))
    assert not has_live_wall(replace(bench.state, halted="guard"))
