"""Check of every part of a rig in turn, with advice in plain words for each.

Nothing turns unless `may_turn`. Then each axis turns alone and slowly, for a turn and a quarter.
"""

from __future__ import annotations

import enum
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass

import aiomqtt

from evenwall.devices.gpio import BUTTONS, LIGHTS, GpioInputs, check_pins
from evenwall.devices.interfaces import Inputs, Light, Outputs, Probe
from evenwall.errors import InputError
from evenwall.model import Frozen, ProbeSpec, RigSpec
from evenwall.telemetry.broker import Connection
from evenwall.telemetry.messages import rig_id
from evenwall_bridge.contract import (
    AxisState,
    BridgeError,
    Clock,
    Fault,
    Garbled,
    LinkLost,
    Mode,
    Ramp,
    Rig,
    RigState,
    Scale,
    VersionMismatch,
)

TURN_RATE_RPM = 2.0
TURNS = 1.25
ROWS_WATCHED_S = 3.0
GUARD_WAIT_S = 30.0
ROOM_degC = (-10.0, 60.0)


class Found(enum.StrEnum):
    GOOD = "good"
    BAD = "bad"
    NOT_TRIED = "not tried"


class Finding(Frozen):
    part: str
    found: Found
    said: str
    remedy: str = ""

    def line(self) -> str:
        mark = {Found.GOOD: "ok  ", Found.BAD: "BAD ", Found.NOT_TRIED: "-   "}[self.found]
        return f"{mark}{self.part}: {self.said}" + (f" {self.remedy}" if self.remedy else "")


def good(part: str, said: str) -> Finding:
    return Finding(part=part, found=Found.GOOD, said=said)


def bad(part: str, said: str, remedy: str) -> Finding:
    return Finding(part=part, found=Found.BAD, said=said, remedy=remedy)


def not_tried(part: str, said: str, remedy: str = "") -> Finding:
    return Finding(part=part, found=Found.NOT_TRIED, said=said, remedy=remedy)


_DRIVER = "Check its supply, its current setting, its cooling and the wire of its fault output."
_SLIP = "Check belt, set screws, balance and index magnet."
_FAULTS = {
    Fault.DRIVER_MAJOR: ("major driver", "reports a fault.", _DRIVER),
    Fault.DRIVER_MINOR: ("minor driver", "reports a fault.", _DRIVER),
    Fault.SLIP_MAJOR: ("major axis", "slipped.", _SLIP),
    Fault.SLIP_MINOR: ("minor axis", "slipped.", _SLIP),
    Fault.BROWN_OUT: (
        "board supply",
        "its supply voltage sagged and it restarted.",
        "Give the board its own supply.",
    ),
    Fault.WATCHDOG: (
        "board",
        "its program hung and was restarted.",
        "Note what it was doing, and report it.",
    ),
    Fault.HOST_SILENT: (
        "link",
        "the controller was silent for longer than the granted time, and the board stopped the "
        "frame.",
        "Look up the reason in the log: journalctl -u evenwall.",
    ),
}


@dataclass(frozen=True, slots=True)
class Bench:
    """Parts to check. person: asks somebody at the rig a yes-or-no question."""

    spec: RigSpec
    rig: Rig
    clock: Clock
    probes: Mapping[str, tuple[ProbeSpec, Probe]]
    inputs: Inputs
    outputs: Outputs
    person: Callable[[str], Awaitable[bool]] | None = None
    may_turn: bool = False
    scale: Scale | None = None


async def check(bench: Bench) -> AsyncIterator[Finding]:
    """Yield findings as they are made. A fault that a check can find is never raised."""
    yield _pins(bench.spec)
    for probe in bench.probes.values():
        yield await _probe(*probe)
    async for finding in _hands(bench):
        yield finding
    yield await _scale(bench)
    yield await _broker(bench.spec)
    link = await _link(bench)
    for finding in link:
        yield finding
    if link[0].found is not Found.GOOD:
        yield not_tried("guard, drivers, motors, index", "the board does not answer.")
        return
    yield await _rows(bench)
    for finding in _state(bench.rig.state):
        yield finding
    yield await _guard(bench)
    async for finding in _motors(bench):
        yield finding


def _pins(spec: RigSpec) -> Finding:
    try:
        check_pins(spec.pins, spec.probes)
    except InputError as error:
        return bad("rig file", f"{error}.", "Correct [pins] in the rig file.")
    count = len(spec.pins)
    return good("rig file", f"{count} pins named, none twice." if count else "no pins named.")


async def _probe(spec: ProbeSpec, probe: Probe) -> Finding:
    part = f"{spec.role} probe ({spec.kind.replace('_', ' ')} {spec.address})".replace(" )", ")")
    readings = [await probe.read() for _ in range(3)]
    faults = [reading.fault for reading in readings if reading.fault]
    temps_degC = [r.temp_degC for r in readings if r.temp_degC is not None]
    if not temps_degC:
        said = _PROBE_SAID.get(faults[0], faults[0])
        return bad(part, f"no reading in three: {said}.", _PROBE_REMEDIES[spec.kind])
    if faults:
        return bad(part, f"{len(faults)} of three readings failed.", _PROBE_REMEDIES[spec.kind])
    low_degC, high_degC = ROOM_degC
    if not low_degC <= temps_degC[-1] <= high_degC:
        return bad(
            part,
            f"reads {temps_degC[-1]:.1f} degC, which no workshop has.",
            "Is it in something hot, or wired the wrong way round?",
        )
    return good(part, f"reads {temps_degC[-1]:.1f} degC.")


_PROBE_SAID = {
    "probe_lost": "nothing answers",
    "probe_noisy": "its data is damaged",
    "probe_stuck": "it keeps sending the same value",
    "probe_out": "its reading is outside the range of its kind",
}
_PROBE_REMEDIES = {
    "digital_1wire": "Check the plug, the 4.7 kohm pull-up, 'dtoverlay=w1-gpio' in config.txt.",
    "thermocouple_k": "Check the plug, its polarity, and that SPI is on (raspi-config).",
    "pt100": "Check the three wires, the 430 ohm reference, and that SPI is on (raspi-config).",
    "infrared": "Check the four wires and that I2C is on (raspi-config).",
    "mqtt": "Is its battery charged, does it publish on this topic, is the broker up?",
}


async def _hands(bench: Bench) -> AsyncIterator[Finding]:
    pins = bench.spec.pins
    if "stop_button" in pins and isinstance(bench.inputs, GpioInputs):
        yield (
            bad(
                "stop button",
                "its contact is open.",
                "Release the button; if it is released, its wire is cut or the contact is not "
                "the normally closed one.",
            )
            if bench.inputs.held("stop_button")
            else good("stop button", "its contact is closed.")
        )
    if bench.person is None:
        if pins:
            yield not_tried("buttons, lamps, buzzer", "nobody is here to press and to look.")
        return
    for name in BUTTONS:
        if name in pins:
            part = name.replace("_", " ")
            bench.inputs.presses()
            await bench.person(f"Press the {part} once, then answer yes.")
            presses = bench.inputs.presses()
            if presses == (BUTTONS[name],):
                yield good(part, "one press was read as one press.")
            else:
                yield bad(
                    part,
                    f"one press was read as {len(presses)}.",
                    "Check its wire to the pin and to ground.",
                )
    shown = {"light_green": Light.READY, "light_amber": Light.TURNING, "light_red": Light.ACT_NOW}
    for name in LIGHTS:
        if name in pins:
            bench.outputs.show(shown[name])
            yield await _seen(bench, name, f"Is the {name[6:]} lamp lit, and no other?")
    bench.outputs.show(Light.OFF)
    if "buzzer" in pins:
        bench.outputs.sound(2)
        yield await _seen(bench, "buzzer", "Did the buzzer sound twice?")


async def _seen(bench: Bench, name: str, question: str) -> Finding:
    part = name.replace("_", " ")
    if bench.person is not None and await bench.person(question):
        return good(part, "seen.")
    return bad(part, "not as it should be.", "Check its wire, its supply and the rig file's pin.")


async def _scale(bench: Bench) -> Finding:
    if bench.spec.scale is None:
        return not_tried("scale", "none named in the rig file; weights are typed.")
    if bench.scale is None:
        return not_tried("scale", "simulated, as the rig is.")
    try:
        await bench.scale.open()
        weight = await bench.scale.read()
    except LinkLost as error:
        return bad("scale", f"{error}.".removeprefix("scale: "), _SCALE_LOST)
    except Garbled as error:
        return bad("scale", f"{error}.".removeprefix("scale: "), _SCALE_GARBLED)
    finally:
        await bench.scale.close()
    return good(
        "scale", f"shows {weight.mass_g:.1f} g, {'steady' if weight.steady else 'not yet steady'}."
    )


_SCALE_LOST = (
    "Check its plug, that it is on and set to send by itself, the port under [scale] in the rig "
    "file (ls /dev/serial/by-id), and that you are in the group dialout."
)
_SCALE_GARBLED = (
    "Set baud, data_bits, parity and unit under [scale] as in its manual; do not "
    "weigh with it until then."
)


async def _broker(spec: RigSpec) -> Finding:
    if spec.mqtt is None:
        return not_tried("broker", "none named in the rig file; the rig does not need one.")
    where = f"{spec.mqtt.host}:{spec.mqtt.port}"
    try:
        async with Connection(spec.mqtt, f"evenwall-{rig_id(spec)}-check").client():
            pass
    except (aiomqtt.MqttError, InputError) as error:
        return bad("broker", f"{where}: {error}.", "Castings run without it; check [mqtt].")
    local = spec.mqtt.host in ("127.0.0.1", "::1", "localhost")
    if spec.mqtt.username and not spec.mqtt.tls and not local:
        return bad(
            "broker",
            f"{where} gets the password over an unencrypted connection.",
            "Set tls and ca_file in [mqtt].",
        )
    return good("broker", f"{where} answers.")


async def _link(bench: Bench) -> list[Finding]:
    spec, rig = bench.spec, bench.rig
    where = spec.port or spec.backend
    try:
        await rig.open()
    except VersionMismatch as error:
        return [bad("link", f"{error}.", "make firmware, then flash: see hardware/board.md.")]
    except LinkLost as error:
        return [
            bad(
                "link",
                f"the board at {where} does not answer ({error}).",
                "Check its plug and supply, the port in the rig file (ls /dev/serial/by-id), and "
                "that you are in the group dialout.",
            )
        ]
    except BridgeError as error:
        return [bad("link", f"{error}.", "Correct the limits in the rig file.")]
    info = rig.info
    findings = [good("link", f"firmware {info.firmware}, protocol {info.protocol}, at {where}.")]
    if info.simulated != (spec.backend == "simulated"):
        findings.append(
            bad(
                "backend",
                f"the rig file says {spec.backend}, the board is "
                f"{'simulated' if info.simulated else 'real'}.",
                "Set backend in the rig file.",
            )
        )
    wanted = spec.major.steps_per_turn, spec.minor.steps_per_turn
    known = info.steps_per_turn_major, info.steps_per_turn_minor
    if wanted != known:
        findings.append(
            bad(
                "gearing",
                f"a turn is {wanted[0]} (major) and {wanted[1]} (minor) steps in the rig file, "
                f"but {known[0]} and {known[1]} on the board.",
                "Restart the controller so that it sends the values to the board again.",
            )
        )
    return findings


async def _rows(bench: Bench) -> Finding:
    """Read state rows for three seconds, to check the line's noise and the board's row rate."""
    start_s, count = bench.clock.now_s(), 0
    bad_before = bench.rig.state.frames_bad
    async for state in bench.rig.states():
        count += 1
        if state.at_s - start_s >= ROWS_WATCHED_S:
            break
    spoilt = bench.rig.state.frames_bad - bad_before
    if spoilt:
        return bad(
            "line",
            f"{spoilt} spoilt frames in {ROWS_WATCHED_S:.0f} s.",
            "Use a shorter, shielded USB cable, away from the motor leads.",
        )
    return good("line", f"{count} rows in {ROWS_WATCHED_S:.0f} s, none spoilt.")


def _state(state: RigState) -> list[Finding]:
    findings = [
        bad(part, said, remedy)
        for fault, (part, said, remedy) in _FAULTS.items()
        if fault in state.faults
    ]
    if not findings:
        findings.append(good("board", "no fault is latched."))
    if state.steps_late:
        findings.append(
            bad(
                "board",
                f"{state.steps_late} steps came late.",
                "Lower rate_limit_rpm in the rig file.",
            )
        )
    return findings


async def _guard(bench: Bench) -> Finding:
    if bench.person is None:
        shown = "closed" if bench.rig.state.guard_closed else "open"
        return not_tried("guard", f"it reads {shown}; nobody is here to move it.")
    for closed, word in ((False, "Open"), (True, "Close")):
        await bench.person(f"{word} the guard, then answer yes.")
        if not await _until(bench, lambda state, want=closed: state.guard_closed is want):  # type: ignore[misc]
            shown = "closed" if bench.rig.state.guard_closed else "open"
            return bad(
                "guard",
                f"it still reads {shown}.",
                "Check the switch, its two wires to the board, and that it is the normally closed "
                "contact. Do not turn the frame until this is right.",
            )
    return good("guard", "open reads open, closed reads closed.")


async def _until(bench: Bench, met: Callable[[RigState], bool]) -> bool:
    """Whether the board reaches a state within the guard's waiting time."""
    start_s = bench.clock.now_s()
    async for state in bench.rig.states():
        if met(state):
            return True
        if state.at_s - start_s > GUARD_WAIT_S:
            return False
    return False


async def _motors(bench: Bench) -> AsyncIterator[Finding]:
    if not bench.may_turn:
        yield not_tried("motors, index", "turning was not asked for.", "Add --turn.")
        return
    if bench.rig.state.mode is Mode.TURNING:
        yield not_tried(
            "motors, index",
            "the frame is turning; a casting may be in it.",
            "Wait until it has ended.",
        )
        return
    if bench.person is not None and not await bench.person(
        "Empty frame, guard closed, nobody near it? The axes will turn one after the other."
    ):
        yield not_tried("motors, index", "turning was not confirmed.")
        return
    for axis in ("major", "minor"):
        for finding in await _turn(bench, axis):
            yield finding


def turn_ramps(axis: str, rate_rpm: float, turns: float, accel_rpm_s: float) -> list[Ramp]:
    """Ramps from rest to rest for this many turns of one axis; a negative rate turns backwards.

    Acceleration takes 1.5 times as long as the limit allows. A short move is slower, because
    acceleration and deceleration alone would overshoot it.
    """
    fastest_rpm = 0.9 * math.sqrt(turns * 60.0 * accel_rpm_s / 1.5)
    rate_rpm = math.copysign(min(abs(rate_rpm), fastest_rpm), rate_rpm)
    ramp_s = 1.5 * abs(rate_rpm) / accel_rpm_s
    steady_s = turns * 60.0 / abs(rate_rpm) - ramp_s
    legs = ((ramp_s, rate_rpm), (steady_s, rate_rpm), (ramp_s, 0.0))
    return [Ramp(s, r, 0.0) if axis == "major" else Ramp(s, 0.0, r) for s, r in legs]


async def _turn(bench: Bench, axis: str) -> list[Finding]:
    """Turn one axis by a turn and a quarter, from rest to rest, and compare its step count."""
    spec, rig = bench.spec, bench.rig
    rate_rpm = min(TURN_RATE_RPM, spec.rate_limit_rpm)
    turning = turn_ramps(axis, rate_rpm, TURNS, spec.accel_limit_rpm_s)
    total_s = sum(ramp.duration_s for ramp in turning)
    part = f"{axis} axis"

    def seen() -> AxisState:
        return rig.state.major if axis == "major" else rig.state.minor

    try:
        await rig.enable(grant_s=spec.grant_s)
        before = seen().steps
        await rig.queue(turning)
        deadline_s = bench.clock.now_s() + total_s + 5.0
        async for state in rig.states():
            ended = state.ramps_done >= len(turning) and state.mode is Mode.HOLDING
            if ended or state.mode is Mode.DISABLED or state.at_s > deadline_s:
                break
        after, faults = seen(), rig.state.faults
        await rig.stop()
    except BridgeError as error:
        return [bad(part, f"did not turn: {error}.", "Close the guard; see the findings above.")]
    if Fault.GUARD_OPEN in faults:
        return [bad(part, "the guard opened while it turned.", "Close it and check its switch.")]
    steps_per_turn = (spec.major if axis == "major" else spec.minor).steps_per_turn
    counted, wanted = after.steps - before, round(TURNS * steps_per_turn)
    findings = []
    if abs(counted - wanted) > 2:  # each of the three ramps rounds by less than one step
        findings.append(
            bad(
                part,
                f"counted {counted} steps instead of {wanted}.",
                "Make sure that no other program uses the board; flash it again "
                "(hardware/board.md).",
            )
        )
    elif f"slip_{axis}" in {fault.value for fault in faults}:
        findings.append(bad(part, "slipped.", _SLIP))
    else:
        findings.append(good(part, f"{TURNS} turns, {counted} steps, as commanded."))
    findings.append(
        good(f"{axis} index", "met.")
        if after.indexed
        else bad(
            f"{axis} index",
            "not met in a turn and a quarter.",
            "Check the magnet or flag, the gap to its switch, and the wire.",
        )
    )
    if bench.person is not None:
        way = "over the top, towards you" if axis == "major" else "anticlockwise, seen from above"
        if not await bench.person(f"Did the {axis} axis turn {way}?"):
            findings.append(
                bad(f"{axis} direction", "the wrong way round.", "Swap one coil's two wires.")
            )
    return findings


async def checked(bench: Bench, tell: Callable[[str], None]) -> bool:
    """Run the whole check and report line by line; return whether nothing was bad."""
    found = []
    async for finding in check(bench):
        tell(finding.line())
        found.append(finding.found)
    return Found.BAD not in found
