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


def test_the_page_says_that_the_demo_is_planning(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise it would ask the person to choose a casting, while one is about to start."""
    spec = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
    made = make_plan(read_casting(GLOBE), spec, time_budget_s=0.0)
    shown: dict[str, str | None] = {}
    seen: list[str | None] = []

    def in_worker(*_: object, **__: object) -> object:
        seen.extend(shown.values())
        return made

    async def start(*_: object, **__: object) -> None:
        seen.extend(shown.values())

    monkeypatch.setattr(demo, "in_worker", in_worker)
    monkeypatch.setattr(demo, "start", start)
    service = SimpleNamespace(
        snapshot=lambda: SimpleNamespace(run_id=None, step=None), notice=shown.__setitem__
    )
    house = cast(Application, SimpleNamespace(service=service, setup=SimpleNamespace(spec=spec)))
    asked: Any = SimpleNamespace(casting=GLOBE, setup=SimpleNamespace(seed=0))
    plan = asyncio.run(demo._plan(house, asked, lambda _: None, lambda *_: None))
    assert plan is made
    assert seen == [
        "Lantern globe is being planned. This takes up to 20 s; then the casting starts by itself.",
        None,
    ]
