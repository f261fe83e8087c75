"""The phone page while the demo plans."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from evenwall.cli import demo
from evenwall.cli.application import Application
from evenwall.model import read_casting, read_rig
from evenwall.planning import make_plan

ROOT = Path(__file__).resolve().parents[2]
GLOBE = ROOT / "controller" / "samples" / "lantern-globe.toml"


@pytest.mark.parametrize("in_time", [True, False])
def test_the_page_says_that_the_demo_is_planning(
    monkeypatch: pytest.MonkeyPatch, in_time: bool
) -> None:
    """Otherwise it would ask the person to choose a casting, while one is about to start. If the
    search has found no wall in its time, the first answer is cast, which has one."""
    spec = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
    made = make_plan(read_casting(GLOBE), spec, time_budget_s=0.0)
    walled = made.model_copy(update={"wall": made.wall.model_copy(update={"min_mm": 3.9})})
    found, rough = (walled, made) if in_time else (made, walled)
    shown: dict[str, str | None] = {}
    seen: list[str | None] = []
    asked_for: list[str] = []

    def in_worker(_module: str, function: str, *_: object, **__: object) -> object:
        seen.extend(shown.values())
        asked_for.append(function)
        return found if function == "make_plan" else rough

    async def start(*_: object, **__: object) -> None:
        seen.extend(shown.values())

    monkeypatch.setattr(demo, "in_worker", in_worker)
    monkeypatch.setattr(demo, "start", start)
    service = SimpleNamespace(
        snapshot=lambda: SimpleNamespace(run_id=None, step=None), notice=shown.__setitem__
    )
    house = cast(Application, SimpleNamespace(service=service, setup=SimpleNamespace(spec=spec)))
    asked: Any = SimpleNamespace(casting=GLOBE, setup=SimpleNamespace(seed=0))
    said: list[str] = []
    plan = asyncio.run(demo._plan(house, asked, said.append, lambda *_: None))
    assert plan is walled
    assert asked_for == ["make_plan"] + ["first_plan"] * (not in_time)
    assert ("the search found no wall in 20 s" in said[0]) == (not in_time)
    assert set(seen) == {
        "Lantern globe is being planned. This takes up to 20 s; then the casting starts by itself.",
        None,
    }
    assert seen[-1] is None
