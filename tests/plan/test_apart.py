"""A process of its own: the same plan, its progress, its refusals, and an end when it is closed."""

from __future__ import annotations

import os
from pathlib import Path
from threading import Thread

import pytest

from controller.errors import EvenwallError, PlanError
from controller.model import Casting, Plan, RigSpec, read_casting, read_rig
from controller.plan import make_plan
from controller.plan.apart import Apart

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")


def test_the_same_plan_from_another_process() -> None:
    told: list[tuple[float, str]] = []
    here = make_plan(GLOBE, RIG, time_budget_s=0.0)
    there = Apart()(make_plan)(
        GLOBE, RIG, time_budget_s=0.0, progress=lambda part, words: told.append((part, words))
    )
    assert there == here
    assert told[0] == (0.0, "reading the mould")
    assert told[-1] == (1.0, "done")


def test_a_refusal_comes_back_as_itself() -> None:
    thick = GLOBE.model_copy(update={"wall_mm": 36.0})
    with pytest.raises(PlanError, match="would close") as caught:
        Apart()(make_plan)(thick, RIG, time_budget_s=0.0)
    assert caught.value.exit_code == 2


def dies(casting: Casting, rig: RigSpec, *, progress: object) -> Plan:
    os._exit(7)


def waits(casting: Casting, rig: RigSpec, *, progress: object) -> Plan:
    os.read(os.pipe()[0], 1)  # for ever
    raise AssertionError


def test_a_process_that_dies_or_is_closed_is_told() -> None:
    with pytest.raises(EvenwallError, match="exit code 7"):
        Apart()(dies)(GLOBE, RIG)
    apart = Apart()
    ended: list[str] = []

    def work() -> None:
        try:
            apart(waits)(GLOBE, RIG)
        except EvenwallError as error:
            ended.append(str(error))

    thread = Thread(target=work)
    thread.start()
    while not apart.children:
        pass
    apart.close()
    thread.join(20.0)
    assert "ended without a plan" in ended[0]
