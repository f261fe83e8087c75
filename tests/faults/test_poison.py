"""Plans that once ended the controller at every start, and a mesh named by its path.

Each is sealed again after its change, as somebody who means harm would do. It is refused in one
line, nothing is written, and the same rig takes the good plan afterwards and lives through a
restart.
"""

from __future__ import annotations

import asyncio
import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from evenwall.errors import EvenwallError, InputError
from evenwall.model import Command, Plan, parse
from evenwall.model.orders import read_order
from evenwall.model.seal import sealed
from evenwall_bridge.clock import run_virtual
from tests.faults.documents import good_plan, one_line
from tests.faults.light import light
from tests.support.virtual_shop import Shop, open_shop
from tests.web.rigged import open_rigged

Spoil = Callable[[dict[str, Any]], None]


def _every(where: str, key: str, value: object) -> Spoil:
    """Set a figure of every coat, or of a table inside every coat."""

    def spoil(plan: dict[str, Any]) -> None:
        for coat in plan["coats"]:
            (coat[where] if where else coat)[key] = value

    return spoil


def _clock(value: float) -> Spoil:
    def spoil(plan: dict[str, Any]) -> None:
        for coat in plan["coats"]:
            coat["clock"] = dict.fromkeys(coat["clock"], value)

    return spoil


def _parts(plan: dict[str, Any]) -> None:
    for coat in plan["coats"]:
        coat["part_a_g"], coat["part_b_g"] = 1e-300, 1e300


def _replay(value: object) -> Spoil:
    return lambda plan: plan["details"].update(replay=value)


def _no_speed(plan: dict[str, Any]) -> None:
    for coat in plan["coats"]:
        for ramp in coat["ramps"]:
            ramp["major_rpm"] = ramp["minor_rpm"] = 0.0


def _long_ramps(plan: dict[str, Any]) -> None:
    for coat in plan["coats"]:
        coat["ramps"][-1]["duration_s"] = 1e300


POISON: dict[str, Spoil] = {
    "a replay without a part": _replay({}),
    "a replay that is a number": _replay(5),
    "clock times of 1e308 s": _clock(1e308),
    "a clock of 1e-9 s": _clock(1e-9),
    "parts of 1e-300 and 1e300 g": _parts,
    "start angles of 1e300": _every("start_deg", "major", 1e300),
    "start angles of 1e17": _every("start_deg", "minor", 1e17),
    "ramps of 1e300 s": _long_ramps,
    "ramps without any speed": _no_speed,
}


async def refusal(shop: Shop, poisoned: dict[str, Any]) -> str:
    """Send a plan as a phone does; return the sentence that refuses it."""
    try:
        resealed = sealed(parse(Plan, {**poisoned, "sha256": ""}, "plan"))
        data = {"plan": json.loads(resealed.model_dump_json())}
        order = read_order("start", data)
        answer = await shop.service.command(Command(key="poison-1", order=order))
    except InputError as error:
        return str(error)
    assert not answer.accepted
    return answer.sentence


@pytest.mark.parametrize("name", POISON)
def test_a_poisoned_plan_is_refused_and_leaves_nothing(name: str, tmp_path: Path) -> None:
    good = good_plan()
    poisoned = copy.deepcopy(good)
    POISON[name](poisoned)
    assert poisoned != good
    record = tmp_path / "record.sqlite"

    async def live() -> None:
        async with open_shop(record=record, judges=light) as shop:
            one_line(EvenwallError(await refusal(shop, poisoned)))
            assert shop.supervisor.state is None
            assert await shop.service.runs() == []
            assert (await shop.ask("start", plan=shop.plan)).accepted
            kept = await shop.ask("note", text="still here")
            assert kept.accepted
        async with open_shop(record=record, judges=light) as shop:
            await shop.clock.sleep(5.0)
            assert shop.supervisor.state is not None
            events = await shop.service.events(shop.supervisor.state.run_id)
            assert kept.event_id in [event.event_id for event in events]

    run_virtual(live())


@pytest.mark.parametrize(
    "path", ["/dev/zero", "/etc/hostname", "../../etc/passwd", "globe.stl", ""]
)
def test_no_request_names_a_mesh(path: str) -> None:
    """The answer does not tell what is there."""

    async def run() -> str:
        async with open_rigged() as rig:
            with pytest.raises(InputError) as told:
                await rig.service.start_plan("globe", {"mesh": path})
            one_line(told.value)
            return str(told.value)

    assert asyncio.run(run()) == (
        "mesh is given: is a file of the library, and no request names a path"
    )
