"""The run, as screens, telemetry and the record show it."""

from __future__ import annotations

import enum
from typing import Any, Literal

from pydantic import Field

from evenwall.model.bounds import Frozen, Vector3
from evenwall.model.plan import Ramp, WallSummary


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
    """A button of the panel: the command that it sends, and its words."""

    command: str
    label: str
    data: dict[str, Any] = Field(default_factory=dict)  # sent with the command: {"what": "cup"}
    enabled: bool = True
    why_not: str = ""
    hold_s: float = 0.0  # time to press and hold, so that nobody presses it by accident
    at_frame: bool = False  # only the button at the frame does this: no button on a screen


class FrameButton(Frozen):
    """The button at the frame now: the effects of a short and a long press, and its light."""

    light: Literal["off", "ready", "turning", "asking", "moves_next", "act_now"]
    short: str = ""  # empty: a short press is refused now
    long: str = ""


class Countdown(Frozen):
    """The countdown to show now: time left to act, or time to wait."""

    kind: Literal["act", "wait"]
    label: str
    until_s: float  # on the rig's clock, as `Snapshot.now_s`


class GelView(Frozen):
    """The gel estimate for the coat, on the coat's own clock (s since its parts met)."""

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
    heard_s: float | None = None  # time of the board's last message, on the rig's clock
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
    fate: str = "open"  # open, sound, changed or lost: see `evenwall.run.fate`
    laid_mm: float | None = None  # mean wall that the coat adds, by its weights; 0 if it is lost
    done: bool = False


class Alert(Frozen):
    kind: str
    sentence: str  # the cause and the action
    severity: Literal["note", "caution", "act_now"]
    since_s: float


class ReplayView(Frozen):
    """A replayed coat compared with the proven one, now."""

    run_id: str
    leg: str
    cure_percent: float  # equivalent age, in per cent of that at gel
    proven_time_s: float  # time at which the proven coat had the same cure, on its own clock
    pace: float  # proven seconds per second of today
    lag_s: float  # how far the frame is behind the cure; negative: ahead
    path_percent: float  # of the proven coat's flow path, from the start of the spin to the gel
    gel_proven_s: float
    gel_expected_s: float
    sentence: str


class RatioLimits(Frozen):
    """Limits on the ratio of B to A, in per cent of the planned ratio."""

    warn_percent: float
    refuse_percent: float


class WeighingView(Frozen):
    """The weighing guided by the scale: the portion that is due, and the grams to go."""

    phase: Literal["cup", "tare", "pour", "taken", "done"]
    part: Literal["A", "B"] | None = None
    target_g: float = 0.0
    net_g: float = 0.0  # mass poured of this portion; once it is taken, of the whole part
    to_go_g: float = 0.0  # below 0: too much was poured
    over: bool = False
    sentence: str = ""


class ScaleView(Frozen):
    """The scale's reading now, or the reason why there is none."""

    mass_g: float | None = None
    steady: bool = False
    problem: str = ""
    weighing: WeighingView | None = None  # while parts are weighed


class Compared(Frozen):
    """One figure of two runs, for a coat or (None) for the whole casting."""

    coat: int | None
    what: str
    unit: str
    proven: float
    this_run: float
    difference: float
    difference_unit: str  # % of the proven figure, K, or its own unit where that figure is zero


class ComparedCoat(Frozen):
    """Turns of the major axis over the flow path still to come. Where the curves of two runs
    coincide, the film flowed in the same way. Rows of (path left in % of the proven coat's,
    turns)."""

    coat: int
    proven: tuple[tuple[float, float], ...]
    this_run: tuple[tuple[float, float], ...]


class Comparison(Frozen):
    """Comparison of two runs, by the figures that decide the wall."""

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
    kind: str = ""  # the event's kind


class Spoken(Frozen):
    """A spoken sentence, with a number so that a page speaks it once."""

    number: int
    moment: str  # instruction, ahead, countdown, weighing, answer or alert
    text: str


class CoatUnderWay(Frozen):
    """The coat that waits in the mould or turns; its times are in s on its own clock.

    gel_s: low, expected and high. begins_s: when it will begin to turn, if it does not yet. at_s:
    the present moment, on the rig's clock.
    """

    coat: int
    gel_s: tuple[float, float, float]
    begins_s: float | None
    at_s: float


class LiveWall(Frozen):
    """The finished wall's thinnest patch, in mm, if the coat under way goes on as it is.

    Coats before it are as weighed and turned, later ones as planned. The ends are those of the
    gel's 90 % band. half_minute_mm: how much another half minute of waiting takes from it; None
    while the coat turns.
    """

    coat: int
    at_s: float  # on the rig's clock, the moment that it was computed for
    gel_s: float  # the coat's expected gel that it was computed for, on the coat's clock
    finished_mm: float
    low_mm: float
    high_mm: float
    planned_mm: float
    half_minute_mm: float | None = None
    sentence: str = ""


class SpinChange(Frozen):
    """A change of the rest of a coat's spin, and what it is expected to gain.

    from_profile_s: time of the profile at which the new ramps take over, from the planned speeds
    there. ramps: the profile from then on, as long as the planned rest. going_on_mm, changed_mm:
    the finished wall's thinnest patch with the planned spin and with the change. gain_low_mm: the
    least gain over the gel's band; 0 or more for a change that is offered.
    """

    coat: int
    from_profile_s: float
    ramps: tuple[Ramp, ...]
    why: Literal["gel_early", "gel_late", "began_late", "more_resin", "less_resin", "other"]
    going_on_mm: float
    changed_mm: float
    gain_low_mm: float


class SpinOffer(Frozen):
    """An offered change of the rest of this coat's spin, which a person may take or leave.

    Figures as in `SpinChange`. until_s: when it lapses, on the rig's clock.
    """

    coat: int
    why: Literal["gel_early", "gel_late", "began_late", "more_resin", "less_resin", "other"]
    going_on_mm: float
    changed_mm: float
    gain_low_mm: float
    until_s: float
    sentence: str
    buttons: tuple[Button, ...]


class Snapshot(Frozen):
    """Everything that a screen shows."""

    now_s: float
    utc: str
    simulated: bool
    speed: float = 1.0
    rig: str
    run_id: str | None = None
    started_s: float | None = None  # start of that run, on the rig's clock like now_s
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
    frame_button: FrameButton | None = None  # None: no run is on
    buttons: tuple[Button, ...] = ()  # other commands possible now (pause, touches, note ...)
    frame: FrameView = FrameView()
    probe_degC: float | None = None
    room_degC: float | None = None
    mould_degC: float | None = None
    peak_limit_degC: float | None = None
    gel: GelView = GelView()
    wall: WallSummary | None = None
    live_wall: LiveWall | None = None  # from the pour until the coat has gelled
    spin_offer: SpinOffer | None = None  # while the coat turns
    replay: ReplayView | None = None
    ratio_limits: RatioLimits | None = None  # for the weights, while a run is on
    scale: ScaleView | None = None  # None: this rig has none, weights are typed
    alerts: tuple[Alert, ...] = ()
    record: tuple[RecordLine, ...] = ()
    spoken: tuple[Spoken, ...] = ()  # the newest spoken sentences, oldest first
    last_event_id: int = 0
    checklist: tuple[str, ...] = ()
    ticked: tuple[int, ...] = ()  # lines of the list that are done, from 0
    drafts: dict[str, str] = Field(default_factory=dict)  # text typed and not sent, by field
    cautions: tuple[str, ...] = ()


class Event(Frozen):
    """One row of the journal: an event. `data` holds plain JSON values; names carry their units."""

    event_id: int
    run_id: str
    at_s: float
    utc: str
    kind: str
    data: dict[str, Any] = Field(default_factory=dict)


class Answer(Frozen):
    """The answer to a command."""

    accepted: bool
    sentence: str
    confirm: bool = False  # refused as unlikely; to be sent again with `confirmed: true`
    event_id: int | None = None
    repeated: bool = False  # the key was used before: the first answer is given again


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
    """One item of the service's stream; `item_id` resumes a broken stream without a gap.

    Samples and events carry the journal's ids; a snapshot carries the newest id it includes.
    """

    item_id: int
    kind: Literal["snapshot", "sample", "event"]
    data: dict[str, Any]
