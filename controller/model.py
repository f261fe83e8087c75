"""The trade's nouns, in people's units: what files, screens, records and the wire carry.

Everything here is frozen. TOML comes in, JSON goes out; names carry their units. The numerics see
none of this: plan.py, run.py and twin.py turn these into SI arrays.
"""

from __future__ import annotations

import difflib
import enum
import itertools
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from evenwall.bounded import read_json, read_table
from evenwall.errors import InputError, naming

# Every number that enters has a range, and none is far from what the trade can meet: a figure of
# 1e300 is finite, and still stops whoever computes with it. The limits are wide on purpose; what
# fits one rig or one casting is checked where that is known.
Positive = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
NonNegative = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Finite = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
RoomTemp_degC = Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)]  # as cure.py knows it
Vector3 = tuple[Finite, Finite, Finite]  # mm, or a direction of any length
LONGEST_S = 30 * 86_400.0  # of one coat, or of a profile: a demould of 14 days, and some
Span_s = Annotated[float, Field(gt=0, le=LONGEST_S, allow_inf_nan=False)]
Moment_s = Annotated[float, Field(ge=0, le=LONGEST_S, allow_inf_nan=False)]
Grams = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]
LeftGrams = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
Thickness_mm = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
Wall_mm = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]
Angle_deg = Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)]
FASTEST_RPM = 60.0  # of any rig; a plan made for a faster one is told so by the rig it meets
Rate_rpm = Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Words = Annotated[str, Field(max_length=4000)]  # a sentence, or a few
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
MOST_COATS = 24


class Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Typed(Frozen):
    """What a person writes by hand: a number is a number there, not a text nor true or false."""

    model_config = ConfigDict(strict=True)


# --- The resin -----------------------------------------------------------------------------------


class Sheet(Typed):
    """What a resin's technical sheet says. The limits are those within which cure.py holds."""

    pot_life_min: Annotated[float, Field(gt=0.5, le=24 * 60)]
    pot_life_mass_g: Annotated[float, Field(ge=5, le=5000)] = 100.0
    pot_life_temp_degC: RoomTemp_degC = 23.0
    mixed_viscosity_mPa_s: Annotated[float, Field(ge=20, le=50_000)]
    mix_ratio_b_per_100a: Annotated[float, Field(ge=0.5, le=5000)]
    mixed_density_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)]
    peak_exotherm_degC: Annotated[float, Field(gt=0, le=300)] | None = None
    demould_min: Annotated[float, Field(gt=0, le=14 * 24 * 60)] | None = None
    snap: bool = False


class Resin(Frozen):
    name: Name
    sheet: Sheet
    price_per_kg: NonNegative | None = None
    currency: Annotated[str, Field(max_length=8)] = ""
    max_section_mm: Thickness_mm | None = None
    density_a_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)] | None = None
    density_b_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)] | None = None


# --- The casting ---------------------------------------------------------------------------------


class Opening(Frozen):
    """Where the mould is open. Without a centre, the mesh's largest boundary loop. `state` is while
    it turns: capped, or left open so that what runs over is lost."""

    centre_mm: Vector3 | None = None
    direction: Vector3 | None = None
    state: Literal["open", "capped"] = "capped"


class Mount(Frozen):
    """How the mesh sits on the frame."""

    minor_axis: Vector3 = (0.0, 0.0, 1.0)
    centre_mm: Vector3 | None = None  # where the two axes cross; absent: the mesh's centroid


class Mould(Typed):
    wall_mm: Annotated[float, Field(ge=1, le=100)] = 12.0
    material: Annotated[str, Field(max_length=80)] = "silicone rubber"
    mass_kg: Annotated[float, Field(gt=0, le=1000)] | None = None
    temp_degC: RoomTemp_degC | None = None


class Shop(Typed):
    temp_degC: RoomTemp_degC = 21.0
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None


class Casting(Frozen):
    """A casting file with its resin read in. `file` is where it stood; paths are relative to it."""

    name: Name
    mesh: Path
    mesh_units: Literal["mm", "cm", "m", "inch"] = "mm"
    resin: Resin
    wall_mm: Annotated[float, Field(gt=0.2, le=50, strict=True)]
    coats: Annotated[int, Field(ge=1, le=12)] | None = None
    opening: Opening = Opening()
    mount: Mount = Mount()
    mould: Mould = Mould()
    shop: Shop = Shop()


# --- The rig -------------------------------------------------------------------------------------


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
    address: Annotated[str, Field(max_length=200)] = ""  # one-wire id, SPI device, I2C address or MQTT topic
    role: Literal["resin", "room", "mould"] = "resin"


class MqttSpec(Frozen):
    """Where a rig tells what it does. Commands over MQTT are off unless named here, and none that
    could start rotation can be named."""

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    version: Literal["5", "3.1.1"] = "5"
    rig_id: Annotated[str, Field(pattern=r"^[a-z0-9-]{0,40}$")] = ""  # empty: from the rig's name
    username: Annotated[str, Field(max_length=200)] = ""
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None  # empty: the system's own certificates
    period_s: Annotated[float, Field(ge=0.05, le=60)] = 1.0
    keepalive_s: Annotated[int, Field(ge=1, le=300)] = 15
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10.0
    commands: tuple[Literal["stop_turning", "pause", "weigh", "note", "measure"], ...] = ()
    secret_file: Path | None = None  # signs commands


class ScaleSpec(Frozen):
    """A scale that sends what it shows, over a serial port of the controller's."""

    port: Annotated[str, Field(max_length=200)] = ""  # "/dev/serial/by-id/..."; a simulated rig has a simulated scale
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    unit: Literal["g", "kg", "oz"] = "g"  # of lines that name none


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
    probes: Annotated[tuple[ProbeSpec, ...], Field(max_length=12)] = (ProbeSpec(),)
    # GPIO line numbers on the Pi (BCM)
    pins: Annotated[
        dict[Annotated[str, Field(max_length=40)], Annotated[int, Field(ge=0, le=63)]],
        Field(max_length=40),
    ] = Field(default_factory=dict)
    mqtt: MqttSpec | None = None
    scale: ScaleSpec | None = None  # absent: weights are typed


# --- The plan ------------------------------------------------------------------------------------


class Ramp(Frozen):
    """Both speeds go linearly, in `duration_s`, from where they are to these."""

    leg: Annotated[str, Field(max_length=40)]
    duration_s: Span_s
    major_rpm: Rate_rpm
    minor_rpm: Rate_rpm


class CoatClock(Frozen):
    """Seconds from the moment the coat's two parts meet.

    pour_from_s: until then the mix stands in its cup; 0, it is poured as soon as it is degassed.
    turn_by_s: who begins to turn later finds the wall clearly thinner at its thinnest; None in
    plans of before this was told.
    """

    pour_from_s: Moment_s = 0.0
    pour_by_s: Span_s
    spin_from_s: Moment_s
    turn_by_s: Span_s | None = None
    gel_expected_s: Span_s
    gel_low_s: Span_s
    gel_high_s: Span_s
    spin_until_s: Span_s
    next_pour_from_s: Span_s
    next_pour_until_s: Span_s


class StartAngles(Frozen):
    major: Angle_deg = 0.0
    minor: Angle_deg = 0.0


Pascal_s = Annotated[float, Field(ge=-1e12, le=1e12, allow_inf_nan=False)]
WITNESS_G = 30.0  # less in the cup hardly warms a probe (common practice, no source)


class CoatPlan(Frozen):
    coat: Annotated[int, Field(ge=1, le=MOST_COATS)]
    mean_mm: Thickness_mm
    mix_g: Grams
    part_a_g: Grams
    part_b_g: Grams
    cup_left_g: LeftGrams
    spill_g: LeftGrams
    clock: CoatClock
    start_deg: StartAngles = StartAngles()
    ramps: Annotated[tuple[Ramp, ...], Field(max_length=20_000)]
    # (time_s of the coat's clock, Pa s)
    viscosity: Annotated[tuple[tuple[Moment_s, Pascal_s], ...], Field(max_length=5000)] = ()
    opening_state: Literal["open", "capped"] = "open"

    @property
    def witness_g(self) -> float:
        """What stands in the cup with the probe after the pour; an older plan may not count it."""
        return max(self.cup_left_g, WITNESS_G)


class OpeningFound(Frozen):
    centre_mm: Vector3
    direction: Vector3
    area_cm2: NonNegative


class Geometry(Frozen):
    area_cm2: Positive
    solid_volume_cm3: Positive
    opening: OpeningFound
    mesh_sha256: Hash


class WallSummary(Frozen):
    """Predicted wall. Keys beyond the mean are null until the film has been computed for them."""

    target_mm: Thickness_mm
    mean_mm: Thickness_mm
    min_mm: Wall_mm | None = None
    min_point_mm: Wall_mm | None = None
    p05_mm: Wall_mm | None = None
    p95_mm: Wall_mm | None = None
    rim_mm: Wall_mm | None = None
    rim_min_mm: Wall_mm | None = None
    cv: NonNegative | None = None
    mesh_mm: Wall_mm | None = None
    mesh_error_mm: Wall_mm | None = None
    worst_case_min_mm: Wall_mm | None = None
    bound_min_mm: Wall_mm | None = None
    note: Words = ""


class Totals(Frozen):
    resin_g: Positive
    hollow_g: Positive
    solid_g: Positive
    saved_fraction: Annotated[float, Field(ge=-1000, le=1)]
    cost: NonNegative | None = None
    elapsed_min: Positive
    demould_from_min: Positive


Sentences = Annotated[tuple[Words, ...], Field(max_length=200)]


class Plan(Frozen):
    """PLAN.json. Outside checks read it, so names change only on purpose; extra keys may come."""

    kind: Literal["evenwall/plan"] = "evenwall/plan"
    version: Literal[1] = 1
    casting: Casting
    rig: RigSpec
    seed: Annotated[int, Field(ge=-(2**63), lt=2**64)] = 0
    geometry: Geometry
    coats: Annotated[tuple[CoatPlan, ...], Field(max_length=MOST_COATS)]
    wall: WallSummary
    totals: Totals
    cautions: Sentences
    notes: Sentences = ()
    limits: Sentences = ()  # which place of the wall falls short, and why
    details: dict[str, Any] = Field(
        default_factory=dict
    )  # load, search, clarity, shop: see plan.py


# --- The run, as screens and telemetry see it -----------------------------------------------------


class Step(enum.StrEnum):
    """The steps of the trade, in order; coats repeat WEIGH to REST."""

    IDLE = "idle"  # no run
    PREPARE = "prepare"  # cautions, gloves, release, rig check
    WEIGH = "weigh"
    MIX = "mix"
    DEGAS = "degas"
    POUR = "pour"
    CLOSE_UP = "close_up"  # clamp the mould, close the guard, confirm at the rig
    SPIN = "spin"
    PARK = "park"
    REST = "rest"
    CURE = "cure"
    DEMOULD = "demould"
    MEASURE = "measure"
    DONE = "done"
    ABANDONED = "abandoned"


class Button(Frozen):
    """What the panel may offer: the command it sends and the words on it."""

    command: str
    label: str
    data: dict[str, Any] = Field(default_factory=dict)  # goes with the command: {"what": "cup"}
    enabled: bool = True
    why_not: str = ""


class Countdown(Frozen):
    label: str
    until_s: float  # on the rig's clock, as `Snapshot.now_s`


class GelView(Frozen):
    """The estimate for the coat, on the coat's own clock (s since its parts met)."""

    best_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None
    safe_to_stop_s: float | None = None
    called_at_s: float | None = None
    probability_gelled: float = 0.0
    sentence: str = ""
    faults: tuple[str, ...] = ()
    predicted: tuple[tuple[float, float, float], ...] = ()  # (time_s, low_degC, high_degC)


class AxisView(Frozen):
    rate_rpm: float = 0.0
    angle_deg: float = 0.0
    steps: int = 0
    turns: float = 0.0


class FrameView(Frozen):
    mode: str = "disabled"
    guard_closed: bool = False
    faults: tuple[str, ...] = ()
    paused: bool = False
    heard_s: float | None = None  # when the board was last heard, on the rig's clock
    major: AxisView = AxisView()
    minor: AxisView = AxisView()
    down: Vector3 = (0.0, 0.0, -1.0)  # gravity's direction in the mould frame


class CoatView(Frozen):
    coat: int
    planned_mm: float
    planned_mix_g: float
    planned_part_a_g: float
    planned_part_b_g: float
    part_a_g: float | None = None  # as weighed
    part_b_g: float | None = None
    parts_met_s: float | None = None
    poured_s: float | None = None
    gel_planned_s: float
    gel_detected_s: float | None = None  # coat clock
    steps_expected: tuple[int, int] | None = None
    steps_counted: tuple[int, int] | None = None
    done: bool = False


class Alert(Frozen):
    kind: str
    sentence: str  # what it is and what to do
    severity: Literal["note", "caution", "act_now"]
    since_s: float


class ReplayView(Frozen):
    """How a replayed coat stands to the proven one, now."""

    run_id: str
    leg: str
    cure_percent: float  # of the equivalent age at gel
    proven_time_s: float  # when the proven coat was as far, on its own clock
    pace: float  # proven seconds per second of today
    lag_s: float  # how far the frame is behind the cure; negative: ahead
    path_percent: float  # of the proven coat's flow path, from the start of the spin to the gel
    gel_proven_s: float
    gel_expected_s: float
    sentence: str


class ScaleView(Frozen):
    """What the scale shows now, or why it shows nothing."""

    mass_g: float | None = None
    steady: bool = False
    problem: str = ""


class Compared(Frozen):
    """One figure of two runs; of a coat, or of the whole casting (None)."""

    coat: int | None
    what: str
    unit: str
    proven: float
    this_run: float
    difference: float
    difference_unit: Literal["%", "K"]


class ComparedCoat(Frozen):
    """Turns of the major axis over the flow path still to come: where two runs lie on each other,
    the film went the same way. Rows of (path left in % of the proven coat's, turns)."""

    coat: int
    proven: tuple[tuple[float, float], ...]
    this_run: tuple[tuple[float, float], ...]


class Comparison(Frozen):
    """A run against another: what decides a wall, figure by figure."""

    run_id: str
    proven_run_id: str
    figures: tuple[Compared, ...]
    coats: tuple[ComparedCoat, ...]
    sentence: str


class RecordLine(Frozen):
    event_id: int
    at_s: float
    utc: str
    text: str


class Snapshot(Frozen):
    """All that a screen needs to draw itself from nothing."""

    now_s: float
    utc: str
    simulated: bool
    speed: float = 1.0
    rig: str
    run_id: str | None = None
    started_s: float | None = None  # when that run began, on the rig's clock as now_s
    casting: str = ""
    resin: str = ""
    step: Step = Step.IDLE
    step_id: str = ""  # changes with every step; a command names it, so a late press does nothing
    coat: int = 0
    coats: tuple[CoatView, ...] = ()
    sentence: str = "Choose a casting."
    why: str = ""
    countdown: Countdown | None = None
    next_button: Button | None = None
    buttons: tuple[Button, ...] = ()  # what else may be done now (pause, touches, note ...)
    frame: FrameView = FrameView()
    probe_degC: float | None = None
    room_degC: float | None = None
    mould_degC: float | None = None
    peak_limit_degC: float | None = None
    gel: GelView = GelView()
    wall: WallSummary | None = None
    replay: ReplayView | None = None
    scale: ScaleView | None = None  # None: this rig has none, weights are typed
    alerts: tuple[Alert, ...] = ()
    record: tuple[RecordLine, ...] = ()
    last_event_id: int = 0
    checklist: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


class Event(Frozen):
    """One row of the journal: what happened. `data` holds plain JSON values, names with units."""

    event_id: int
    run_id: str
    at_s: float
    utc: str
    kind: str
    data: dict[str, Any] = Field(default_factory=dict)


class Command(Frozen):
    """What a person (panel, terminal, hardware button) asks. Idempotent by `key`."""

    name: str  # start, next, stop_turning, pause, resume, touch, weigh, note, measure, abandon ...
    key: str
    step_id: str | None = None  # refused when the run has moved on
    who: str = "console"
    data: dict[str, Any] = Field(default_factory=dict)


class Answer(Frozen):
    """What became of a command."""

    accepted: bool
    sentence: str
    event_id: int | None = None
    repeated: bool = False  # the key was seen before: the first answer is given again


class Sample(Frozen):
    """One row of the run's curve, once a second or so."""

    sample_id: int
    at_s: float
    coat: int
    coat_time_s: float | None = None  # since the coat's parts met
    probe_degC: float | None = None
    room_degC: float | None = None
    mould_degC: float | None = None
    major_rpm: float = 0.0
    minor_rpm: float = 0.0
    major_deg: float = 0.0
    minor_deg: float = 0.0
    gel_best_s: float | None = None
    gel_low_s: float | None = None
    gel_high_s: float | None = None


class StreamItem(Frozen):
    """What the service's watchers get; `item_id` resumes a broken stream without a gap.

    Samples and events carry the journal's ids; a snapshot carries the newest id it includes.
    """

    item_id: int
    kind: Literal["snapshot", "sample", "event"]
    data: dict[str, Any]


class CastingCard(Frozen):
    """A casting file in the library."""

    casting_id: str
    name: str
    resin: str
    wall_mm: float


class ResinCard(Frozen):
    """A resin sheet in the library."""

    resin_id: str
    name: str


class PlanJob(Frozen):
    """A plan in the making, or made."""

    job_id: str
    casting_id: str
    fraction: float = 0.0
    sentence: str = ""
    done: bool = False
    error: str | None = None
    plan: Plan | None = None


class RunCard(Frozen):
    """A run in the record's list."""

    run_id: str
    casting: str
    resin: str
    started_utc: str
    ended_utc: str | None = None
    step: Step
    coats_done: int
    coats: int
    simulated: bool
    proven: bool = False
    rig: str = ""
    replay_of: str | None = None


class Spot(Frozen):
    """A place on the casting and how thick it is there."""

    where: Annotated[str, Field(min_length=1, max_length=80)]
    wall_mm: Annotated[float, Field(gt=0, le=100)]


def _one_or_many(value: object) -> object:
    """A single reading is a list of one."""
    return (value,) if isinstance(value, int | float) else value


class Measured(Frozen):
    """The casting as measured. Nothing is required, but the weight says most."""

    weight_g: Positive | None = None
    rim_mm: Annotated[
        tuple[Wall_mm, ...], BeforeValidator(_one_or_many), Field(max_length=100)
    ] = ()
    spots: Annotated[tuple[Spot, ...], Field(max_length=100)] = ()


# --- Reading files -------------------------------------------------------------------------------

M = TypeVar("M", bound=BaseModel)


def _limit(error: dict[str, Any]) -> str:
    if error["type"] == "tuple_type":
        return "must be a list"
    ctx = error.get("ctx") or {}
    signs = {"gt": ">", "ge": ">=", "lt": "<", "le": "<="}
    bounds = [f"must be {sign} {ctx[key]}" for key, sign in signs.items() if key in ctx]
    return " and ".join(bounds) or str(error["msg"]).lower()


def unit_of(field: str) -> str:
    """The unit a field's name carries ("wall_mm" -> "mm"), or nothing."""
    for suffix, unit in _UNITS:
        if field.endswith(suffix):
            return unit
    return ""


_UNITS = (
    ("_mPa_s", "mPa s"),
    ("_g_cm3", "g/cm3"),
    ("_kg_m2", "kg m2"),
    ("_rpm_s", "rpm/s"),
    ("_b_per_100a", "g of B per 100 g of A"),
    ("_per_kg", "per kg"),
    ("_percent", "%"),
    ("_degC", "degC"),
    ("_rpm", "rpm"),
    ("_min", "min"),
    ("_deg", "deg"),
    ("_Nm", "N m"),
    ("_cm2", "cm2"),
    ("_cm3", "cm3"),
    ("_mm", "mm"),
    ("_kg", "kg"),
    ("_g", "g"),
    ("_s", "s"),
)


def parse(model: type[M], data: dict[str, Any], file: Path | str) -> M:
    """Validate plain data; the first thing wrong becomes one InputError line."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors()
        first = found[0]
        path = ".".join(str(part) for part in first["loc"])
        leaf = str(first["loc"][-1]) if first["loc"] else ""
        named = [part for part in first["loc"] if isinstance(part, str)]
        if first["type"] == "missing":
            beside = [
                str(other["loc"][-1])
                for other in found
                if other["type"] == "extra_forbidden" and other["loc"][:-1] == first["loc"][:-1]
            ]
            hint = f"{beside[0]}, which stands there, is no field" if beside else ""
            raise InputError(path, "missing", "is required", file=str(file), hint=hint) from None
        if first["type"] == "extra_forbidden":
            like = difflib.get_close_matches(leaf, _fields_beside(model, first["loc"]), 1)
            hint = f"is {like[0]} meant?" if like else ""
            raise InputError(path, "unknown", "no such field", file=str(file), hint=hint) from None
        unit = unit_of(named[-1]) if named else ""
        if isinstance(first["input"], str) and first["type"].startswith(("float_", "int_")):
            limit = f"must be a number of {unit}, without quotes" if unit else "must be a number"
            shown = f'"{first["input"]}"'
            raise InputError(path or "file", shown, limit, file=str(file)) from None
        raise InputError(
            path or "file", first["input"], _limit(dict(first)), unit=unit, file=str(file)
        ) from None


def _fields_beside(model: type[BaseModel], place: tuple[int | str, ...]) -> tuple[str, ...]:
    """The fields of the table that `place` stands in; none where that cannot be told."""
    for part in place[:-1]:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        kinds = () if field is None else (field.annotation, *get_args(field.annotation))
        tables = [k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)]
        if not tables:
            return ()
        model = tables[0]
    return tuple(model.model_fields)


def read_toml(path: Path) -> dict[str, Any]:
    """One TOML table. Raises InputError when it cannot be read or is not TOML."""
    return read_table(path)


def read_resin(path: Path) -> Resin:
    resin = parse(Resin, read_toml(path), path)
    with naming(path):
        agreeing(resin.sheet)
    return resin


def agreeing(sheet: Sheet) -> None:
    """Raises InputError where two figures of a sheet cannot both be right."""
    pot_min, pot_degC = sheet.pot_life_min, sheet.pot_life_temp_degC
    if sheet.demould_min is not None and sheet.demould_min < pot_min:
        limit = f"must be at least the pot life, {pot_min:g} min"
        hint = "are both in minutes?"
        shown = f"{sheet.demould_min:g}"
        raise InputError("sheet.demould_min", shown, limit, unit="min", hint=hint)
    if sheet.peak_exotherm_degC is not None and sheet.peak_exotherm_degC < pot_degC + 1.0:
        limit = f"must be at least 1 K above the {pot_degC:g} degC of the pot life"
        shown = f"{sheet.peak_exotherm_degC:g}"
        raise InputError("sheet.peak_exotherm_degC", shown, limit, unit="degC")


def read_casting(path: Path) -> Casting:
    """A casting file, its resin read in and its mesh path made absolute."""
    data = read_toml(path)
    for key in ("resin", "mesh"):
        if not isinstance(data.get(key), str):
            raise InputError(key, data.get(key, "missing"), "must be a file name", file=str(path))
        if not (path.parent / data[key]).is_file():
            raise InputError(key, data[key], "no such file", file=str(path))
    data["mesh"] = (path.parent / data["mesh"]).resolve()
    data["resin"] = read_resin(path.parent / data["resin"])
    return parse(Casting, data, path)


def read_rig(path: Path) -> RigSpec:
    return parse(RigSpec, read_toml(path), path)


def read_plan(path: Path) -> Plan:
    """A PLAN.json. Raises InputError naming the first thing wrong."""
    data = read_json(path)
    kind = data.get("kind", "missing") if isinstance(data, dict) else "missing"
    if kind != "evenwall/plan":
        raise InputError("kind", kind, "must be evenwall/plan", file=str(path))
    plan = parse(Plan, data, path)
    with naming(path):
        sound(plan)
    return plan


ROUNDING_G = 0.2  # of weights that are told to a tenth of a gram
SUM_SHARE = 0.01  # of a mix, by which its parts may miss it
RATIO_PERCENT = 5.0  # past this no gel is foretold: weighing.REFUSE_PERCENT
SHORTEST_S = 1e-3  # of a ramp: the board's own time is finer, no frame follows it
LEAST_GEL_S = 10.0  # from the parts meeting: nobody pours a resin that gels sooner


def whole(plan: Plan) -> None:
    """Raises InputError where a plan's coats are not what a film can go by."""
    if not plan.coats:
        raise InputError("coats", 0, "needs one coat or more")
    for number, coat in enumerate(plan.coats, 1):
        if coat.coat != number:
            raise InputError(f"coats[{number}].coat", coat.coat, f"must be {number}, in order")
        with naming(within=f"coats[{number}]."):
            _ramps_turn(coat)
            if coat.mix_g <= coat.cup_left_g:
                limit = f"must be above what stays in the cup, {coat.cup_left_g:g}"
                raise InputError("mix_g", f"{coat.mix_g:g}", limit, unit="g")


def sound(plan: Plan) -> None:
    """Raises InputError where a plan is not what a run can go by: beyond `whole`, times that do
    not rise, weights that are not the mix or not the resin's ratio."""
    whole(plan)
    agreeing(plan.casting.resin.sheet)
    for number, coat in enumerate(plan.coats, 1):
        with naming(within=f"coats[{number}]."):
            _weights_agree(coat, plan.casting.resin.sheet)
            with naming(within="clock."):
                _times_rise(coat.clock)
            _thickens_in_time(coat)
    for before, after in itertools.pairwise(plan.coats):
        gap_s = before.clock.next_pour_from_s - after.clock.spin_from_s
        if gap_s <= 0.0:
            limit = f"must be above the next coat's spin_from_s, {after.clock.spin_from_s:g}"
            shown = f"{before.clock.next_pour_from_s:g}"
            field = f"coats[{before.coat}].clock.next_pour_from_s"
            raise InputError(field, shown, limit, unit="s")


def _ramps_turn(coat: CoatPlan) -> None:
    if not coat.ramps:
        raise InputError("ramps", 0, "needs one ramp or more")
    for number, ramp in enumerate(coat.ramps, 1):
        if ramp.duration_s < SHORTEST_S:
            limit = f"must be at least {SHORTEST_S:g}"
            raise InputError(f"ramps[{number}].duration_s", ramp.duration_s, limit, unit="s")
    if not any(ramp.major_rpm or ramp.minor_rpm for ramp in coat.ramps):
        raise InputError("ramps", "standing", "must turn at least one axis")
    total_s = sum(ramp.duration_s for ramp in coat.ramps)
    if total_s > LONGEST_S:
        limit = f"must last at most {LONGEST_S:g} together"
        raise InputError("ramps", f"{total_s:g}", limit, unit="s")


def _weights_agree(coat: CoatPlan, sheet: Sheet) -> None:
    if coat.mix_g <= coat.cup_left_g + coat.spill_g:
        limit = f"must be below what is poured, {coat.mix_g - coat.cup_left_g:g}"
        raise InputError("spill_g", f"{coat.spill_g:g}", limit, unit="g")
    both_g = coat.part_a_g + coat.part_b_g
    if abs(both_g - coat.mix_g) > SUM_SHARE * coat.mix_g + ROUNDING_G:
        limit = f"must be its two parts together, {both_g:g}"
        raise InputError("mix_g", f"{coat.mix_g:g}", limit, unit="g")
    due_g = coat.part_a_g * sheet.mix_ratio_b_per_100a / 100.0
    if abs(coat.part_b_g - due_g) > RATIO_PERCENT / 100.0 * due_g + ROUNDING_G:
        limit = (
            f"must be within {RATIO_PERCENT:g} % of {due_g:.1f}, by the resin's "
            f"{sheet.mix_ratio_b_per_100a:g} g of B to 100 g of A"
        )
        raise InputError("part_b_g", f"{coat.part_b_g:g}", limit, unit="g")


_RISING = (
    ("pour_from_s", "pour_by_s"),
    ("pour_from_s", "spin_from_s"),
    ("spin_from_s", "turn_by_s"),
    ("spin_from_s", "gel_high_s"),
    ("gel_low_s", "gel_expected_s"),
    ("gel_expected_s", "gel_high_s"),
    ("pour_by_s", "gel_high_s"),
    ("spin_from_s", "spin_until_s"),
    ("next_pour_from_s", "next_pour_until_s"),
    ("gel_low_s", "next_pour_from_s"),
)


def _times_rise(clock: CoatClock) -> None:
    for before, after in _RISING:
        first, second = getattr(clock, before), getattr(clock, after)
        if second is not None and first > second:
            raise InputError(after, f"{second:g}", f"must not be before {before}, {first:g}", unit="s")
    if clock.gel_low_s < LEAST_GEL_S:
        limit = f"must be at least {LEAST_GEL_S:g}"
        raise InputError("gel_low_s", f"{clock.gel_low_s:g}", limit, unit="s")
    if clock.pour_by_s < 1.0:
        raise InputError("pour_by_s", f"{clock.pour_by_s:g}", "must be at least 1", unit="s")


def _thickens_in_time(coat: CoatPlan) -> None:
    for before, after in itertools.pairwise(coat.viscosity):
        if after[0] <= before[0]:
            limit = f"must rise above the row before, {before[0]:g}"
            raise InputError("viscosity time_s", f"{after[0]:g}", limit, unit="s")
