"""The board's pins, read from their only source, and the C header made from them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from evenwall_bridge.places import HARDWARE

SOURCE = HARDWARE / "firmware" / "pins.toml"


@dataclass(frozen=True, slots=True)
class Pin:
    """One wire of the board. active: the level at which the named function is on."""

    name: str
    port: str
    bit: int
    package_pin: int
    label: str
    direction: str  # "in" or "out", seen from the board
    wire_to: str
    meaning: str
    active: str = ""
    pull_up: bool = False


def load_pins(source: Path = SOURCE) -> tuple[Pin, ...]:
    """All pins in the order of the file. Raises ValueError naming pins that share a place."""
    pins = tuple(Pin(**row) for row in tomllib.loads(source.read_text(encoding="utf-8"))["pin"])
    places: dict[tuple[str, int], str] = {}
    for pin in pins:
        other = places.setdefault((pin.port, pin.bit), pin.name)
        if other != pin.name:
            raise ValueError(f"{source.name}: {pin.name} and {other} share P{pin.port}{pin.bit}")
    return pins


def c_header(pins: tuple[Pin, ...]) -> str:
    """Defines NAME_PORT, NAME_PIN, NAME_DDR and NAME_BIT for each pin."""
    lines = ["/* Made from pins.toml; change that file. */", "#ifndef EVENWALL_PINS_H"]
    lines.append("#define EVENWALL_PINS_H")
    for pin in pins:
        name = pin.name.upper()
        lines += [
            f"#define {name}_PORT PORT{pin.port}",
            f"#define {name}_PIN PIN{pin.port}",
            f"#define {name}_DDR DDR{pin.port}",
            f"#define {name}_BIT {pin.bit}",
        ]
    return "\n".join([*lines, "#endif", ""])
