"""Write the wiring drawings, the pin tables and the sizing page from the rig files.

    .venv/bin/python -m hardware.wiring.draw          write them
A test compares the repository's files with the output of this module.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from evenwall.devices.gpio import bus_lines
from evenwall.model import AxisSpec, RigSpec, read_toml
from evenwall.numerics.loads import Body, counterweights, peak_torques
from evenwall.numerics.spin import Profile
from evenwall.units import G_M_S2

HARDWARE = Path(__file__).resolve().parents[1]
RIGS = ("small", "great")

# Line number of the Pi's chip to hole of its 40-pin header.
HEADER = {
    2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19,
    11: 23, 12: 32, 13: 33, 14: 8, 15: 10, 16: 36, 17: 11, 18: 12, 19: 35,
    20: 38, 21: 40, 22: 15, 23: 16, 24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip
PI_WIRE = {
    "next_button": "push button, normally open, to ground",
    "foot_pedal": "foot switch, normally open, to ground",
    "stop_button": "stop button's second contact, normally closed, to ground",
    "light_green": "green lamp, through a transistor",
    "light_amber": "amber lamp, through a transistor",
    "light_red": "red lamp, through a transistor",
    "buzzer": "buzzer, through a transistor",
    "gel_rod_servo": "signal of the gel rod's servo, through 1 kohm",
    "gel_rod_far": "switch of the gel rod, to ground",
}

BUS_WIRE = {
    "one-wire": "data of the one-wire probes, with 4.7 kohm to 3.3 V",
    "I2C data": "SDA of the infrared probe",
    "I2C clock": "SCL of the infrared probe",
    "SPI select 0": "CS of the thermocouple's chip",
    "SPI select 1": "CS of the Pt100's chip",
    "SPI in": "SDO of the probe's chip",
    "SPI out": "SDI of the probe's chip",
    "SPI clock": "CLK of the probe's chip",
}


def rig(name: str) -> RigSpec:
    return RigSpec.model_validate(read_toml(HARDWARE / "rigs" / f"{name}.toml"))


def board_pins() -> list[dict[str, Any]]:
    text = (HARDWARE / "firmware" / "pins.toml").read_text(encoding="utf-8")
    return list(tomllib.loads(text)["pin"])


def pi_rows(spec: RigSpec) -> list[tuple[str, str, str]]:
    """Header hole, name and wire of everything on the Pi, in the order of the holes."""
    rows = [(HEADER[line], name, PI_WIRE[name]) for name, line in spec.pins.items()]
    rows += [(HEADER[line], use, BUS_WIRE[use]) for line, use in bus_lines(spec.probes).items()]
    return [(str(hole), name.replace("_", " "), wire) for hole, name, wire in sorted(rows)]


# --- The drawing ---------------------------------------------------------------------------------

INK, PAPER, SHEET = "#17313a", "#fffdf7", "#f6f3ea"
WATCH, POWER, EARTH = "#0b6a6f", "#a4321a", "#3f7a2a"
ROW, PAD, GAP = 22, 12, 16
X_PIN, W_PIN, X_PART, W_PART, X_POWER, W_POWER = 24, 240, 382, 380, 868, 328


@dataclass
class Sheet:
    """SVG, written directly: boxes of rows, and wires between rows."""

    width: int
    height: int
    parts: list[str]

    def text(self, x: float, y: float, words: str, *, bold: bool = False, size: int = 13) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}"{weight}>{escape(words)}</text>'
        )

    def box(
        self, x: float, y: float, width: float, title: str, rows: list[str], colour: str = INK
    ) -> list[float]:
        """Draws a box and returns the height of each row's middle, the title's first."""
        height = box_height(len(rows))
        self.parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="5" '
            f'fill="{PAPER}" stroke="{colour}" stroke-width="1.5"/>'
        )
        self.text(x + PAD, y + ROW, title, bold=True, size=14)
        middles = [y + ROW - 5]
        for number, row in enumerate(rows, 1):
            self.text(x + PAD, y + ROW * (number + 1), row, size=12)
            middles.append(y + ROW * (number + 1) - 5)
        return middles

    def wire(
        self,
        path: str,
        colour: str = INK,
        *,
        thick: bool = False,
        wide: bool = False,
        dash: str = "",
    ) -> None:
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        width = 12 if wide else 3.5 if thick else 1.4
        self.parts.append(
            f'<path d="{path}" fill="none" stroke="{colour}" '
            f'stroke-width="{width:g}" stroke-linejoin="round"{dashes}/>'
        )

    def dot(self, x: float, y: float, colour: str) -> None:
        self.parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="3.5" fill="{colour}"/>')

    def svg(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" '
            f'width="{self.width}" height="{self.height}" font-family="DejaVu Sans, sans-serif" '
            f'fill="{INK}">'
        )
        back = f'<rect width="100%" height="100%" fill="{SHEET}"/>'
        return "\n".join((head, back, *self.parts, "</svg>", ""))


def box_height(rows: int) -> int:
    return PAD + ROW * (rows + 1)


# The parts, from top to bottom, and the pins that a wire leads to; ENABLE is one pin, two wires.
PI_PARTS = {
    "Probes": ("I2C data", "I2C clock", "one-wire", "SPI"),
    "Buttons": ("next button", "foot pedal", "stop button"),
    "Lamps and buzzer": ("light green", "light amber", "light red", "buzzer"),
}
BOARD_PARTS = {
    "USB serial converter": ("serial_in", "serial_out"),
    "Index switches": ("index_major", "index_minor"),
    "Major motor driver": ("step_major", "dir_major", "drivers_enable", "driver_ok_major"),
    "Minor motor driver": ("step_minor", "dir_minor", "drivers_enable", "driver_ok_minor"),
    "Guard switch": ("guard",),
}
WATCHED = ("guard", "driver_ok_major", "driver_ok_minor", "drivers_enable", "stop button")
CHAIN = (
    ("Mains switch, lockable", "residual-current protection before it"),
    ("Motor supply", "by sizing.md, fused before and behind"),
    ("Two contactors in line", "forced contacts, read back by the stop circuit"),
)


def wired(
    sheet: Sheet, title: str, pins: list[tuple[str, str, str]], top: float, parts: dict[str, Any]
) -> tuple[dict[str, float], float]:
    """Draw one controller's pins with its parts beside it and a wire for each; return the tops of
    the parts and the end.

    pins: key, text in the box, text at the other end of the wire.
    """
    heights = sheet.box(X_PIN, top, W_PIN, title, [shown for _, shown, _ in pins])
    pin_y = {key: y for (key, _, _), y in zip(pins, heights[1:], strict=True)}
    wires = {key: wire for key, _, wire in pins}
    tops, y, ends = {}, top, []
    for part, keys in parts.items():
        here = [key for key in pin_y if any(key.startswith(k) for k in keys)]
        if not here:
            continue
        tops[part] = y
        rows = sheet.box(X_PART, y, W_PART, part, [wires[key] for key in here])
        ends += [(key, at) for key, at in zip(here, rows[1:], strict=True)]
        y += box_height(len(here)) + GAP
    lane = (X_PART - X_PIN - W_PIN - 24) / len(ends)
    first: dict[str, float] = {}
    # Lower pins turn off further left: wires that run down side by side then never cross.
    for number, (key, at) in enumerate(sorted(ends, key=lambda end: pin_y[end[0]])):
        x = first.setdefault(key, X_PART - 12 - lane * (number + 1))
        colour = WATCH if key in WATCHED else INK
        sheet.wire(f"M{X_PIN + W_PIN} {pin_y[key]:g} H{x:g} V{at:g} H{X_PART}", colour)
        if sum(other == key for other, _ in ends) > 1:
            sheet.dot(x, min(a for k, a in ends if k == key), colour)
    return tops, max(y - GAP, top + box_height(len(pins)))


def drawing(name: str) -> str:
    """Draw one sheet: pins on the left, parts in the middle, motor power on the right."""
    spec = rig(name)
    sheet = Sheet(1260, 0, [])
    legend(sheet, spec.name)
    tops, end = pins_and_parts(sheet, spec)
    contactors = power_chain(sheet)
    motors(sheet, spec, tops, contactors)
    guard = tops["Guard switch"]
    stop_circuit(sheet, guard, contactors)
    bottom = guard + box_height(2) + GAP
    leads = [tops[f"{axis} motor driver"] + ROW * 3 - 5 for axis in ("Major", "Minor")]
    earth(sheet, [84 + ROW, 84 + box_height(1) + 34 + ROW, *leads], bottom)
    sheet.height = round(max(end, bottom + box_height(1))) + 24
    return sheet.svg()


def legend(sheet: Sheet, name: str) -> None:
    """Draw the title and the legend of the lines."""
    sheet.text(24, 36, f"{name}: wiring", bold=True, size=20)
    sheet.text(474, 36, "Mains and stop circuit: only by someone licensed.", bold=True)
    for x, colour, thick, dash, words in (
        (24, INK, False, "", "signal"),
        (128, WATCH, False, "", "a broken wire reads as open, fault or off"),
        (474, POWER, True, "", "motor power"),
        (628, POWER, False, "6 4", "stop circuit: wiring alone, no program"),
        (930, EARTH, False, "12 3 3 3", "protective earth"),
    ):
        sheet.wire(f"M{x} 58 h28", colour, thick=thick, dash=dash)
        sheet.text(x + 36, 62, words, size=12)


def pins_and_parts(sheet: Sheet, spec: RigSpec) -> tuple[dict[str, float], float]:
    """Draw the computer's and the board's pins, wired to their parts.

    Returns the top of each of the board's parts, and the end of the last one.
    """
    pi = [(what, f"{hole}  {what}", wire) for hole, what, wire in pi_rows(spec)]
    pins = [
        (p["name"], f"{chip_name(p)}  {p['name'].replace('_', ' ')}", short(p["wire_to"]))
        for p in board_pins()
    ]
    _, end = wired(sheet, "Raspberry Pi, header hole", pi, 84, PI_PARTS)
    top = end + 44
    pi_end = 84 + box_height(len(pi))
    sheet.wire(f"M60 {pi_end} V{top:g}")
    sheet.text(70, top - 14, "USB: data, and 5 V for the board", size=12)
    return wired(sheet, "ATmega328P, chip's pin", pins, top, BOARD_PARTS)


def power_chain(sheet: Sheet) -> float:
    """Draw motor power from the mains to the contactors; returns where these end."""
    y, centre = 84.0, X_POWER + W_POWER / 2
    for number, (title, words) in enumerate(CHAIN):
        if number:
            sheet.wire(f"M{centre:g} {y - 34:g} V{y:g}", POWER, thick=True)
        sheet.box(X_POWER, y, W_POWER, title, [words], POWER)
        y += box_height(1) + 34
    return y - 34


def motors(sheet: Sheet, spec: RigSpec, tops: dict[str, float], contactors: float) -> None:
    """Draw motor power from the contactors to the drivers, and from them to the motors."""
    centre = X_POWER + W_POWER / 2
    bus = (X_PART + W_PART + X_POWER) / 2
    minor = tops["Minor motor driver"] + ROW - 5
    sheet.wire(
        f"M{centre:g} {contactors:g} V{contactors + 22:g} H{bus:g} V{minor:g}", POWER, thick=True
    )
    for axis in ("major", "minor"):
        part: AxisSpec = getattr(spec, axis)
        at = tops[f"{axis.capitalize()} motor driver"]
        sheet.wire(f"M{bus:g} {at + ROW - 5:g} H{X_PART + W_PART}", POWER, thick=True)
        lead = at + ROW * 3 - 5
        sheet.wire(f"M{bus - 9:g} {lead:g} h18", SHEET, wide=True)  # passes over
        sheet.wire(f"M{X_PART + W_PART} {lead:g} H{X_POWER}", POWER, thick=True)
        sheet.box(
            X_POWER,
            lead - box_height(1) / 2,
            W_POWER,
            f"{axis.capitalize()} motor",
            [f"{part.motor_holding_torque_Nm:g} N m holding, {part.gear_ratio:g}:1 to the axis"],
        )


def stop_circuit(sheet: Sheet, guard: float, contactors: float) -> None:
    """Draw the stop circuit beside the guard switch, up to the contactors."""
    sheet.box(
        X_POWER,
        guard,
        W_POWER,
        "Stop circuit",
        ["stop buttons and guard, two channels", "each, into a stop relay; reset by hand"],
        POWER,
    )
    sheet.wire(f"M{X_PART + W_PART} {guard + 36:g} H{X_POWER}", POWER, dash="6 4")
    sheet.text(X_PART + W_PART + 8, guard + 30, "second contact", size=11)
    up = f"M{X_POWER + W_POWER} {guard + 30:g} h12 V{contactors - box_height(1) / 2:g} h-12"
    sheet.wire(up, POWER, dash="6 4")


def earth(sheet: Sheet, heights: list[float], bottom: float) -> None:
    """Draw protective earth from the mains down to each part that has it, the frame last."""
    right, line, dash = X_POWER + W_POWER, X_POWER + W_POWER + 32, "12 3 3 3"
    words = ["bonded to protective earth, every metal part"]
    at = sheet.box(X_POWER, bottom, W_POWER, "Frame, ring and housings", words, EARTH)[1]
    sheet.wire(f"M{line} {heights[0]:g} V{at:g}", EARTH, dash=dash)
    for height in (*heights, at):
        sheet.wire(f"M{right + 3} {height:g} H{line - 3}", SHEET, wide=True)  # passes over
        sheet.wire(f"M{right} {height:g} H{line}", EARTH)
        sheet.dot(line, height, EARTH)


def short(words: str) -> str:
    return words.split(",")[0].split(" if ")[0]


# --- The pin tables ------------------------------------------------------------------------------


def chip_name(pin: dict[str, Any]) -> str:
    """Return a pin's name in the chip's data sheet, such as PD2."""
    return f"P{pin['port']}{pin['bit']}"


def pin_tables() -> str:
    lines = [
        "# Pins",
        "",
        "Written by `python -m hardware.wiring.draw` from `firmware/pins.toml` and `rigs/*.toml`.",
        "",
        "## The board (ATmega328P)",
        "",
        "Named as in the chip's data sheet; small boards print the last column's names.",
        "",
        "| pin | of the 28-pin DIP | name | direction | wire to | meaning | printed |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| {chip_name(p)} | {p['package_pin']} | {p['name']} | {p['direction']}"
        f"{', pull-up' if p.get('pull_up') else ''} | {p['wire_to']} | {p['meaning']} "
        f"| {p['label']} |"
        for p in board_pins()
    ]
    for name in RIGS:
        spec = rig(name)
        lines += ["", f"## The Pi of the {spec.name.lower()}", ""]
        lines += ["| header hole | name | wire |", "| --- | --- | --- |"]
        lines += [f"| {hole} | {what} | {wire} |" for hole, what, wire in pi_rows(spec)]
    return "\n".join(lines) + "\n"


# --- Sizing --------------------------------------------------------------------------------------

OFF_CENTRE_m = 0.010  # imbalance left after balancing by hand
PUDDLE_kg = 0.15
DRIVE_EFFICIENCY = 0.85  # one toothed belt and bearings; common practice, no source
# For a usual motor of this size, from memory; read your own motor's sheet.
MOTORS = {"small": (23, 2.8, 0.9), "great": (34, 5.0, 0.6)}  # frame size, A per phase, ohm
SUPPLY_V = {"small": 36.0, "great": 48.0}
FUSES_A = (1.0, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0)  # values of IEC 60127


def heaviest(spec: RigSpec) -> Body:
    """Return the heaviest uniform round mould that the frame can take, slightly off centre."""
    radius_m = 0.7 * spec.mould_radius_limit_mm * 1e-3
    mass = spec.payload_limit_kg
    # Thin spherical skin about its middle: 2/3 m r^2; moved off centre by Steiner, m d^2.
    middle = 2.0 / 3.0 * mass * radius_m**2
    offset = np.array([OFF_CENTRE_m / math.sqrt(2), 0.0, OFF_CENTRE_m / math.sqrt(2)])
    steiner = mass * (OFF_CENTRE_m**2 * np.eye(3) - np.outer(offset, offset))
    return Body(mass, offset, middle * np.eye(3) + steiner)


def to_full_speed(spec: RigSpec) -> Profile:
    """Return a profile in which both axes reach the rate limit as fast as the rig file allows, turn
    for a minute, and stop."""
    omega = spec.rate_limit_rpm * 2 * math.pi / 60
    ramp_s = spec.rate_limit_rpm / spec.accel_limit_rpm_s
    speeds = np.array([omega, omega, 0.0])
    durations = np.array([ramp_s, 60.0, ramp_s])
    return Profile(durations, speeds, speeds.copy(), ("up", "level", "down"))


@dataclass(frozen=True)
class Sizing:
    inertia_kg_m2: float  # of the heaviest mould and the parts of the frame that turn with it
    speeding_up_Nm: float
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
    alpha = spec.accel_limit_rpm_s * 2 * math.pi / 60
    # The minor axis is the mould's z axis; a round mould has the same inertia about the major axis
    # at every angle.
    of_mould = body.inertia_kg_m2[0, 0], body.inertia_kg_m2[2, 2]
    for number, (name, peak) in enumerate(zip(("major", "minor"), peaks, strict=True)):
        axis: AxisSpec = getattr(spec, name)
        inertia = of_mould[number] + frame[number]
        torque = peak + puddle + axis.friction_torque_Nm
        omega = spec.rate_limit_rpm * 2 * math.pi / 60
        found[name] = Sizing(
            inertia_kg_m2=inertia,
            speeding_up_Nm=inertia * alpha,
            torque_Nm=torque,
            margin=axis.motor_holding_torque_Nm * axis.gear_ratio / torque,
            motor_rpm=spec.rate_limit_rpm * axis.gear_ratio,
            step_rate_kHz=spec.rate_limit_rpm / 60 * axis.steps_per_turn / 1e3,
            power_W=torque * omega / DRIVE_EFFICIENCY,
        )
    return found


def supply(name: str, sizes: dict[str, Sizing]) -> tuple[float, float, float]:
    """Return the power drawn (W), the current at the supply's voltage (A), and the next fuse above
    1.25 times that."""
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
            ("moment of inertia, mould and frame", "inertia_kg_m2", "{:.3f} kg m2"),
            ("torque for that acceleration", "speeding_up_Nm", "{:.3f} N m"),
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
            f"{fuse_A:g} A time-lag, with wire to match. Counterweights that would balance the "
            f"{centre}: {weight_g:.0f} g at {spec.mould_radius_limit_mm:g} mm.\n"
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
