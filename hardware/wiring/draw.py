"""Writes the wiring drawings, the pin tables and the sizing page from the rig files.

    .venv/bin/python -m hardware.wiring.draw          write them
A test holds what is in the repository against what this would write.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from controller.gpio import bus_lines
from controller.load import Body, counterweights, peak_torques
from controller.model import AxisSpec, RigSpec, read_toml
from controller.spin import Profile
from controller.units import G_M_S2

HARDWARE = Path(__file__).resolve().parents[1]
RIGS = ("small", "great")

# Line number of the Pi's chip to hole of its 40-pin header.
HEADER = {
    2: 3,
    3: 5,
    4: 7,
    5: 29,
    6: 31,
    7: 26,
    8: 24,
    9: 21,
    10: 19,
    11: 23,
    12: 32,
    13: 33,
    14: 8,
    15: 10,
    16: 36,
    17: 11,
    18: 12,
    19: 35,
    20: 38,
    21: 40,
    22: 15,
    23: 16,
    24: 18,
    25: 22,
    26: 37,
    27: 13,
}
PI_WIRE = {
    "next_button": "push button, normally open, to ground",
    "foot_pedal": "foot switch, normally open, to ground",
    "stop_button": "stop button's second contact, normally closed, to ground",
    "light_green": "green lamp, through a transistor",
    "light_amber": "amber lamp, through a transistor",
    "light_red": "red lamp, through a transistor",
    "buzzer": "buzzer, through a transistor",
}


def rig(name: str) -> RigSpec:
    return RigSpec.model_validate(read_toml(HARDWARE / "rigs" / f"{name}.toml"))


def board_pins() -> list[dict[str, Any]]:
    text = (HARDWARE / "firmware" / "pins.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text)["pin"])


def pi_rows(spec: RigSpec) -> list[tuple[str, str, str]]:
    """Header hole, name and wire of everything on the Pi, in the order of the holes."""
    rows = [(HEADER[line], name, PI_WIRE[name]) for name, line in spec.pins.items()]
    rows += [(HEADER[line], use, "probe") for line, use in bus_lines(spec.probes).items()]
    return [(str(hole), name.replace("_", " "), wire) for hole, name, wire in sorted(rows)]


# --- The drawing ---------------------------------------------------------------------------------

INK, PAPER, SIGNAL = "#17313a", "#f6f3ea", "#a4321a"
ROW, PAD = 22, 12


@dataclass
class Sheet:
    """SVG by hand: boxes of rows, lines between rows."""

    width: int
    height: int
    parts: list[str]

    def text(self, x: float, y: float, words: str, *, bold: bool = False, size: int = 13) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}"{weight}>{escape(words)}</text>'
        )

    def box(self, x: float, y: float, width: float, title: str, rows: list[str]) -> list[float]:
        """Draws a box and returns the height of each row's middle."""
        height = PAD + ROW * (len(rows) + 1)
        self.parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" '
            f'fill="{PAPER}" stroke="{INK}" stroke-width="1.5"/>'
        )
        self.text(x + PAD, y + ROW, title, bold=True, size=14)
        middles = []
        for number, row in enumerate(rows, 1):
            self.text(x + PAD, y + ROW * (number + 1), row)
            middles.append(y + ROW * (number + 1) - 5)
        return middles

    def line(self, x1: float, y1: float, x2: float, y2: float, *, power: bool = False) -> None:
        colour, width = (SIGNAL, 3) if power else (INK, 1.2)
        self.parts.append(
            f'<path d="M{x1:g} {y1:g} H{(x1 + x2) / 2:g} V{y2:g} H{x2:g}" fill="none" '
            f'stroke="{colour}" stroke-width="{width}"/>'
        )

    def svg(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
            f'width="{self.width}" height="{self.height}" font-family="DejaVu Sans, sans-serif" '
            f'fill="{INK}">'
        )
        back = f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        return "\n".join((head, back, *self.parts, "</svg>", ""))


POWER = (
    ("Mains switch, lockable", "residual-current protection before it"),
    ("Motor supply", "by sizing.md, fused before and behind"),
    ("Two contactors in line", "forced contacts, read back by the stop circuit"),
    ("Both motor drivers", "no power once a contactor has opened"),
)
STOP = ("Stop circuit", "buttons and guard, two channels, reset by hand")
X_POWER, W_POWER, GAP = 800, 356, 34


def drawing(name: str) -> str:
    """One sheet: signals on the left, motor power on the right."""
    spec, pins = rig(name), board_pins()
    pi = pi_rows(spec)
    sheet = Sheet(1180, 0, [])
    sheet.text(24, 34, f"{spec.name}: wiring", bold=True, size=18)
    sheet.text(24, 56, "Signals thin, motor power thick. The stop circuit needs no program at all.")
    left = sheet.box(24, 80, 260, "Raspberry Pi, header hole", [f"{h}  {n}" for h, n, _ in pi])
    top = 80 + PAD + ROW * (len(pi) + 1) + GAP
    names = [f"{p['label']}  {p['name'].replace('_', ' ')}" for p in pins]
    sheet.line(154, top - GAP, 154, top)
    sheet.text(164, top - GAP / 2 + 5, "USB: data, and 5 V for the board", size=12)
    middle = sheet.box(24, top, 260, "Board (ATmega328P), label", names)
    wires = [wire for _, _, wire in pi] + [short(pin["wire_to"]) for pin in pins]
    for wire, y in zip(wires, [*left, *middle], strict=True):
        sheet.line(284, y, 308, y)
        sheet.text(314, y + 5, wire, size=12)
    bottom = top + PAD + ROW * (len(pins) + 1)

    height = PAD + ROW * 2
    sheet.box(X_POWER, 80, W_POWER, STOP[0], [STOP[1]])
    y = 80.0 + height + GAP
    for number, (title, words) in enumerate(POWER):
        sheet.box(X_POWER, y, W_POWER, title, [words])
        if number:
            sheet.line(X_POWER + W_POWER / 2, y - GAP, X_POWER + W_POWER / 2, y, power=True)
        if number == 2:  # what opens the contactors
            sheet.parts.append(
                f'<path d="M{X_POWER} {80 + height / 2:g} h-16 V{y + height / 2:g} h16" '
                f'fill="none" stroke="{INK}" stroke-width="1.2"/>'
            )
        y += height + GAP
    half = (W_POWER - 12) / 2
    for number, axis in enumerate(("major", "minor")):
        part: AxisSpec = getattr(spec, axis)
        x = X_POWER + number * (half + 12)
        sheet.line(x + half / 2, y - GAP, x + half / 2, y, power=True)
        rows = [f"{part.motor_holding_torque_Nm:g} N m, {part.gear_ratio:g}:1"]
        sheet.box(x, y, half, f"{axis.capitalize()} motor", rows)
    sheet.height = round(max(bottom, y + height)) + 24
    return sheet.svg()


def short(words: str) -> str:
    return words.split(",")[0].split(" if ")[0]


# --- The pin tables ------------------------------------------------------------------------------


def pin_tables() -> str:
    lines = [
        "# Pins",
        "",
        "Written by `python -m hardware.wiring.draw` from `firmware/pins.toml` and `rigs/*.toml`.",
        "",
        "## The board (ATmega328P)",
        "",
        "| label | chip pin | name | direction | wire to | meaning |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {p['label']} | {p['package_pin']} | {p['name']} | {p['direction']}"
        f"{', pull-up' if p.get('pull_up') else ''} | {p['wire_to']} | {p['meaning']} |"
        for p in board_pins()
    ]
    for name in RIGS:
        spec = rig(name)
        lines += ["", f"## The Pi of the {spec.name.lower()}", ""]
        lines += ["| header hole | name | wire |", "| --- | --- | --- |"]
        lines += [f"| {hole} | {what} | {wire} |" for hole, what, wire in pi_rows(spec)]
    return "\n".join(lines) + "\n"


# --- Sizing --------------------------------------------------------------------------------------

OFF_CENTRE_m = 0.010  # what is left after balancing by hand
PUDDLE_kg = 0.15
DRIVE_EFFICIENCY = 0.85  # one toothed belt and bearings; common practice, no source
# Of a usual motor of the size, from memory; read your own motor's sheet.
MOTORS = {"small": (23, 2.8, 0.9), "great": (34, 5.0, 0.6)}  # frame size, A per phase, ohm
SUPPLY_V = {"small": 36.0, "great": 48.0}
FUSES_A = (1.0, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)  # values of IEC 60127


def heaviest(spec: RigSpec) -> Body:
    """The heaviest even round mould the frame takes, not quite in the middle."""
    radius_m = 0.7 * spec.mould_radius_limit_mm * 1e-3
    mass = spec.payload_limit_kg
    # Thin spherical skin about its middle: 2/3 m r^2; moved off centre by Steiner, m d^2.
    middle = 2.0 / 3.0 * mass * radius_m**2
    offset = np.array([OFF_CENTRE_m / math.sqrt(2), 0.0, OFF_CENTRE_m / math.sqrt(2)])
    steiner = mass * (OFF_CENTRE_m**2 * np.eye(3) - np.outer(offset, offset))
    return Body(mass, offset, middle * np.eye(3) + steiner)


def to_full_speed(spec: RigSpec) -> Profile:
    """Both axes to the rate limit as fast as the rig file lets them, then a minute, then back."""
    omega = spec.rate_limit_rpm * 2 * math.pi / 60
    ramp_s = spec.rate_limit_rpm / spec.accel_limit_rpm_s
    speeds = np.array([omega, omega, 0.0])
    durations = np.array([ramp_s, 60.0, ramp_s])
    return Profile(durations, speeds, speeds.copy(), ("up", "level", "down"))


@dataclass(frozen=True)
class Sizing:
    torque_Nm: float  # at the axis, friction included
    margin: float
    motor_rpm: float
    step_rate_kHz: float
    power_W: float


def sizing(spec: RigSpec) -> dict[str, Sizing]:
    body = heaviest(spec)
    frame = spec.frame_inertia_major_kg_m2, spec.frame_inertia_minor_kg_m2
    peaks = peak_torques(body, to_full_speed(spec), frame)
    puddle = PUDDLE_kg * G_M_S2 * spec.mould_radius_limit_mm * 1e-3
    found = {}
    for name, peak in zip(("major", "minor"), peaks, strict=True):
        axis: AxisSpec = getattr(spec, name)
        torque = peak + puddle + axis.friction_torque_Nm
        omega = spec.rate_limit_rpm * 2 * math.pi / 60
        found[name] = Sizing(
            torque_Nm=torque,
            margin=axis.motor_holding_torque_Nm * axis.gear_ratio / torque,
            motor_rpm=spec.rate_limit_rpm * axis.gear_ratio,
            step_rate_kHz=spec.rate_limit_rpm / 60 * axis.steps_per_turn / 1e3,
            power_W=torque * omega / DRIVE_EFFICIENCY,
        )
    return found


def supply(name: str, sizes: dict[str, Sizing]) -> tuple[float, float, float]:
    """Watts drawn, amperes at the supply's voltage, and the next fuse above 1.25 times that."""
    _, current_A, resistance_ohm = MOTORS[name]
    copper_W = 2 * 2 * (current_A / math.sqrt(2)) ** 2 * resistance_ohm
    watts = sum(size.power_W for size in sizes.values()) + copper_W
    amperes = watts / SUPPLY_V[name]
    return watts, amperes, next(fuse for fuse in FUSES_A if fuse >= 1.25 * amperes)


def sizing_page() -> str:
    parts = [(HARDWARE / "wiring" / "sizing_head.md").read_text(encoding="utf-8")]
    for name in RIGS:
        spec, sizes = rig(name), sizing(rig(name))
        watts, amperes, fuse_A = supply(name, sizes)
        body = heaviest(spec)
        weights = counterweights(body, spec.mould_radius_limit_mm * 1e-3)
        size, current_A, resistance_ohm = MOTORS[name]
        parts.append(
            f"\n## {spec.name}\n\n"
            f"{spec.payload_limit_kg:g} kg, {OFF_CENTRE_m * 1e3:g} mm off centre, both axes to "
            f"{spec.rate_limit_rpm:g} rpm in {spec.rate_limit_rpm / spec.accel_limit_rpm_s:g} s, "
            f"{PUDDLE_kg * 1e3:g} g of liquid resin at {spec.mould_radius_limit_mm:g} mm.\n\n"
            "| | major | minor |\n| --- | --- | --- |\n"
        )
        rows = (
            ("greatest torque at the axis, friction included", "torque_Nm", "{:.2f} N m"),
            ("motor's holding torque x ratio, over that", "margin", "{:.1f}"),
            ("motor speed", "motor_rpm", "{:.0f} rpm"),
            ("steps", "step_rate_kHz", "{:.1f} kHz"),
            ("mechanical power", "power_W", "{:.1f} W"),
        )
        for words, field, form in rows:
            values = " | ".join(form.format(getattr(sizes[a], field)) for a in ("major", "minor"))
            parts.append(f"| {words} | {values} |\n")
        weight_g = sum(w.mass_kg for w in weights) * 1e3
        centre = f"{OFF_CENTRE_m * 1e3:g} mm"
        parts.append(
            f"\nThe rig file asks for a margin of {spec.torque_margin:g}. "
            f"Supply: motors of frame size {size} with {current_A:g} A and {resistance_ohm:g} ohm "
            f"a phase draw {watts:.0f} W, {amperes:.1f} A at {SUPPLY_V[name]:g} V; fuse "
            f"{fuse_A:g} A time-lag, wire for it. Counterweights that would take the {centre} "
            f"away: {weight_g:.0f} g at {spec.mould_radius_limit_mm:g} mm.\n"
        )
    return "".join(parts)


def pages() -> dict[Path, str]:
    found = {HARDWARE / "wiring" / f"{name}.svg": drawing(name) for name in RIGS}
    found[HARDWARE / "wiring" / "pins.md"] = pin_tables()
    found[HARDWARE / "sizing.md"] = sizing_page()
    return found


def main() -> None:
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8")
        print(path.relative_to(HARDWARE.parent))


if __name__ == "__main__":
    main()
