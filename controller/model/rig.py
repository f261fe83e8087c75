"""The rig file: axes, probes, scale, speech, broker."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import Field

from evenwall.model.bounds import FASTEST_RPM, Frozen, Name
from evenwall.units import System


class AxisSpec(Frozen):
    motor_steps_per_turn: Annotated[int, Field(ge=20, le=10_000)] = 200
    microsteps: Annotated[int, Field(ge=1, le=256)] = 16
    gear_ratio: Annotated[float, Field(ge=0.05, le=1000)]  # motor turns per frame turn
    motor_holding_torque_Nm: Annotated[float, Field(gt=0, le=1000)]
    friction_torque_Nm: Annotated[float, Field(ge=0, le=1000)] = 0.0

    @property
    def steps_per_turn(self) -> int:
        return round(self.motor_steps_per_turn * self.microsteps * self.gear_ratio)


class ProbeSpec(Frozen):
    kind: Literal["digital_1wire", "thermocouple_k", "pt100", "infrared", "mqtt"] = "digital_1wire"
    placement: Literal["cup", "coat"] = "cup"
    # one-wire id, SPI device, I2C address or MQTT topic
    address: Annotated[str, Field(max_length=200)] = ""
    role: Literal["resin", "room", "mould"] = "resin"


class MqttSpec(Frozen):
    """The broker to which a rig reports. Commands over MQTT are off unless named here, and a
    command that could start rotation cannot be named."""

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["5", "3.1.1"] = "5"
    rig_id: Annotated[str, Field(pattern=r"^[a-z0-9-]{0,40}$")] = ""  # empty: from the rig's name
    username: Annotated[str, Field(max_length=200)] = ""
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None  # absent: the system's own certificates
    period_s: Annotated[float, Field(ge=0.05, le=60)] = 1.0
    keepalive_s: Annotated[int, Field(ge=1, le=300)] = 15
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    commands: tuple[Literal["stop_turning", "pause", "weigh", "note", "measure"], ...] = ()
    secret_file: Path | None = None  # signs commands
    self_description: bool = False  # retained topics by the Homie convention, beside our own


class ScaleSpec(Frozen):
    """A scale that sends its readings over a serial port of the controller."""

    # "/dev/serial/by-id/..."; a simulated rig has a simulated scale
    port: Annotated[str, Field(max_length=200)] = ""
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    unit: Literal["g", "kg", "oz"] = "g"  # unit of lines that name no unit


SpokenMoment = Literal["instruction", "ahead", "countdown", "weighing", "answer", "alert"]
SPOKEN_MOMENTS: tuple[SpokenMoment, ...] = get_args(SpokenMoment)


class SpeechSpec(Frozen):
    """Spoken instructions at the rig. In the rig file: the table `[speech]`."""

    backend: Literal["espeak_ng"]  # explicit, never a fallback
    voice: Annotated[str, Field(pattern=r"^[A-Za-z0-9+_-]{1,40}$")] = "en"
    volume_percent: Annotated[int, Field(ge=0, le=100)] = 80
    words_per_min: Annotated[int, Field(ge=80, le=300)] = 150  # common practice, no source
    muted: bool = False
    units: System = "metric"  # units of spoken figures; a page speaks in its phone's units
    moments: tuple[SpokenMoment, ...] = SPOKEN_MOMENTS


class CallsSpec(Frozen):
    """Ways of calling a person besides the phones that asked for it. In the rig file: `[calls]`."""

    # This address gets every call as a POST of plain JSON.
    webhook: Annotated[str, Field(max_length=500, pattern=r"^(https?://\S+)?$")] = ""
    # Push services get this contact, to reach the owner of a rig that misbehaves (RFC 8292).
    contact: Annotated[str, Field(max_length=200, pattern=r"^((mailto:|https://)\S+)?$")] = ""


class GelRodSpec(Frozen):
    """A rod that swings in the witness cup until the gel holds it. In the rig file: `[gel_rod]`."""

    every_s: Annotated[float, Field(ge=2, le=60)] = 5.0  # time from one stroke to the next
    swing_deg: Annotated[float, Field(ge=5, le=60)] = 25.0  # to each side
    # Longest time for the rod to follow in one direction; thick resin is slow without having
    # gelled.
    follows_within_s: Annotated[float, Field(ge=0.5, le=10)] = 5.0


class RigSpec(Frozen):
    """A rig file."""

    name: Name
    backend: Literal["serial", "simulated"] = "simulated"  # explicit, never a fallback
    port: Annotated[str, Field(max_length=200)] = ""
    major: AxisSpec
    minor: AxisSpec
    rate_limit_rpm: Annotated[float, Field(gt=0, le=FASTEST_RPM)] = 20.0
    accel_limit_rpm_s: Annotated[float, Field(gt=0, le=120)] = 4.0
    mould_radius_limit_mm: Annotated[float, Field(gt=0, le=5000)] = 250.0
    payload_limit_kg: Annotated[float, Field(gt=0, le=1000)] = 10.0
    frame_inertia_major_kg_m2: Annotated[float, Field(ge=0, le=1000)] = 0.0
    frame_inertia_minor_kg_m2: Annotated[float, Field(ge=0, le=1000)] = 0.0
    torque_margin: Annotated[float, Field(ge=1, le=100)] = 2.0
    grant_s: Annotated[float, Field(ge=5, le=7200)] = 1800.0
    confirm_at_rig: bool = True  # turning starts only after a hardware button at the rig
    # Whether the rest of a turning coat's spin may change to answer the day: never, once a person
    # takes the change, or by itself.
    spin_changes: Literal["off", "ask", "on"] = "off"
    probes: Annotated[tuple[ProbeSpec, ...], Field(max_length=12)] = (ProbeSpec(),)
    # GPIO line numbers on the Pi (BCM)
    pins: Annotated[
        dict[Annotated[str, Field(max_length=40)], Annotated[int, Field(ge=0, le=63)]],
        Field(max_length=40),
    ] = Field(default_factory=dict)
    mqtt: MqttSpec | None = None
    scale: ScaleSpec | None = None  # absent: weights are typed
    speech: SpeechSpec | None = None  # absent: the rig does not speak
    calls: CallsSpec | None = None  # absent: only phones are called
    gel_rod: GelRodSpec | None = None  # absent: a finger finds the cup's gel
