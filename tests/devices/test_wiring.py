"""The drawings, tables and sizing in hardware/ are what the rig files say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from evenwall.devices.gpio import check_pins
from hardware.wiring.draw import (
    HEADER,
    RIGS,
    OFF_CENTRE_m,
    PUDDLE_kg,
    board_pins,
    drawing,
    heaviest,
    pages,
    rig,
    sizing,
    supply,
)


@pytest.mark.parametrize("path", pages(), ids=lambda path: path.name)
def test_pages_are_up_to_date(path: Path) -> None:
    """Write them again with `python -m hardware.wiring.draw`."""
    assert path.read_text(encoding="utf-8") == pages()[path]


@pytest.mark.parametrize("name", RIGS)
def test_drawings_show_every_pin(name: str) -> None:
    path = next(p for p in pages() if p.name == f"{name}.svg")
    shown = " ".join(etree.parse(path).getroot().itertext())
    for pin in board_pins():
        assert f"P{pin['port']}{pin['bit']}  {pin['name'].replace('_', ' ')}" in shown
    for pin_name in rig(name).pins:
        assert pin_name.replace("_", " ") in shown


@pytest.mark.parametrize("name", RIGS)
def test_drawings_show_protective_earth_and_who_may_wire(name: str) -> None:
    """IEC 60204-1 asks for a bond of every exposed conductive part."""
    text = drawing(name)
    assert "only by someone licensed" in text
    assert "bonded to protective earth" in text


@pytest.mark.parametrize("name", RIGS)
def test_rig_files_use_each_pin_once(name: str) -> None:
    check_pins(rig(name).pins, rig(name).probes)


def test_header() -> None:
    """26 lines on the 40 holes; the other 14 are power and ground (12) and the two ID holes."""
    assert sorted(HEADER) == list(range(2, 28))
    power = {1, 2, 4, 6, 9, 14, 17, 20, 25, 30, 34, 39, 27, 28}
    assert set(HEADER.values()) | power == set(range(1, 41))
    assert not set(HEADER.values()) & power


@pytest.mark.parametrize("name", RIGS)
def test_sizing_by_hand(name: str) -> None:
    """The major axis at speed: gravity's lever, the puddle and friction, by a pocket calculator.

    Speeding up adds at most (2/3 m r^2 + m d^2 + frame) alpha; both axes together add gyroscopic
    terms of order m d^2 omega^2, under 1 % here.
    """
    spec = rig(name)
    m, r = spec.payload_limit_kg, spec.mould_radius_limit_mm / 1e3
    gravity = m * 9.80665 * OFF_CENTRE_m
    puddle = PUDDLE_kg * 9.80665 * r
    still = gravity + puddle + spec.major.friction_torque_Nm
    alpha = spec.accel_limit_rpm_s * 2 * np.pi / 60
    inertia = 2 / 3 * m * (0.7 * r) ** 2 + m * OFF_CENTRE_m**2 + spec.frame_inertia_major_kg_m2
    found = sizing(spec)["major"]
    assert still <= found.torque_Nm <= still + 1.01 * inertia * alpha
    assert found.inertia_kg_m2 == pytest.approx(inertia, rel=0.02)  # off centre is spread over two
    assert found.speeding_up_Nm == pytest.approx(inertia * alpha, rel=0.02)
    have = spec.major.motor_holding_torque_Nm * spec.major.gear_ratio
    assert found.margin == pytest.approx(have / found.torque_Nm)
    assert found.margin > spec.torque_margin


@pytest.mark.parametrize("name", RIGS)
def test_supply_and_fuse(name: str) -> None:
    watts, amperes, fuse_A = supply(name, sizing(rig(name)))
    assert amperes * 1.25 <= fuse_A < amperes * 3
    assert watts < 100


def test_heaviest_body_is_possible() -> None:
    """Principal moments of a real body obey the triangle inequality."""
    for name in RIGS:
        a, b, c = np.linalg.eigvalsh(heaviest(rig(name)).inertia_kg_m2)
        assert 0 < a <= b <= c <= a + b
