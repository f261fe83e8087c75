"""Impossible wants end in one clear line: the figure that fails and the nearest that would work."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.errors import PlanError
from controller.model import Casting, RigSpec, read_casting, read_rig
from controller.plan import make_plan

ROOT = Path(__file__).resolve().parents[2]
RIG = read_rig(ROOT / "hardware" / "rigs" / "small.toml")
GLOBE = read_casting(ROOT / "controller" / "samples" / "lantern-globe.toml")


def refused(casting: Casting, rig: RigSpec = RIG) -> str:
    with pytest.raises(PlanError) as caught:
        make_plan(casting, rig, time_budget_s=0.0)
    line = str(caught.value)
    assert "\n" not in line
    assert caught.value.exit_code == 2
    return line


def but(casting: Casting, **changes: object) -> Casting:
    return casting.model_copy(update=changes)


def test_wall_thicker_than_the_opening() -> None:
    line = refused(but(GLOBE, wall_mm=36.0))
    assert line == (
        "wall_mm is 36.0 mm: the opening has a radius of 35.0 mm and would close; "
        "a wall of 21.0 mm or less leaves a way for the resin"
    )


def test_pot_life_too_short_to_pour() -> None:
    sheet = GLOBE.resin.sheet.model_copy(update={"pot_life_min": 1.5})
    line = refused(but(GLOBE, resin=GLOBE.resin.model_copy(update={"sheet": sheet})))
    assert "must be poured" in line
    assert "a pot life of about" in line


def test_mould_too_big_for_the_frame() -> None:
    line = refused(GLOBE, RIG.model_copy(update={"mould_radius_limit_mm": 60.0}))
    assert "clears 60 mm" in line
    assert "86" in line


def test_mould_too_heavy() -> None:
    heavy = but(GLOBE, mould=GLOBE.mould.model_copy(update={"mass_kg": 9.0}))
    assert "carries 6 kg" in refused(heavy)


def test_motor_too_weak_names_the_axis() -> None:
    weak = RIG.major.model_copy(update={"motor_holding_torque_Nm": 0.1})
    line = refused(GLOBE, RIG.model_copy(update={"major": weak}))
    assert "motor margin of the major axis" in line
    assert "holding torque would do" in line


def test_no_number_of_coats_satisfies() -> None:
    sheet = GLOBE.resin.sheet.model_copy(update={"mixed_viscosity_mPa_s": 25.0})
    thin = GLOBE.resin.model_copy(update={"sheet": sheet})
    line = refused(but(GLOBE, resin=thin, coats=None, wall_mm=20.0))
    assert "no number of coats" in line
