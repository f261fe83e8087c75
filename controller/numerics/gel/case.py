"""Input and output of the gel estimate. SI; times from the moment the parts met."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenwall.numerics.cure import FloatArray, Sheet

What = Literal["cup", "coat"]
Kind = Literal["ordinary", "delayed", "second order"]  # of the law of cure
Probe = Literal["digital_1wire", "thermocouple_k", "infrared"]
FaultKind = Literal[
    "no_reaction",
    "slow_reaction",
    "fast_reaction",
    "off_ratio",
    "cold_room",
    "probe_stuck",
    "probe_lost",
    "probe_noisy",
    "probe_out",
]


@dataclass(frozen=True, slots=True)
class EarlierBatch:
    """The same resin on another day: its conditions and when a person found it gelled.

    wall_warmer_K: as in `Case`.
    """

    ambient_K: float
    pour_s: float
    cup_mass_kg: float
    coat_m: float
    wall_m: float
    wall_material: str = "silicone rubber"
    mould_K: float | None = None
    wall_warmer_K: float = 0.0
    cup_gel_s: float | None = None
    coat_gel_s: float | None = None


@dataclass(frozen=True, slots=True)
class Learned:
    """Knowledge of a resin from earlier traces: `rows` @ x + `off` is N(0, 1), where x are the
    resin's scaled parameters in the order of parameters.py. rows (10, 10), off (10,).
    """

    rows: FloatArray
    off: FloatArray


@dataclass(frozen=True, slots=True)
class Case:
    """Facts that the user knows before the first reading.

    in_air_before: the probe lay in the room's air until it went in; used if it had come to rest.
    wall_warmer_K: temperature of the wall below this coat over the mould's own temperature, due to
    the heat of the coats below it.
    """

    sheet: Sheet
    placement: What
    probe: Probe
    coat_m: float
    wall_m: float
    wall_material: str
    pour_s: float
    cup_mass_kg: float | None = None
    mould_K: float | None = None
    wall_warmer_K: float = 0.0
    probe_in_s: float | None = None
    in_air_before: bool = False
    earlier: tuple[EarlierBatch, ...] = ()
    learned: Learned | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One reading, at a time from the moment the two parts met. None means no reading."""

    time_s: float
    probe_K: float | None
    ambient_K: float | None


@dataclass(frozen=True, slots=True)
class Touch:
    """A person's finding that the cup or the coat has gelled."""

    what: What
    time_s: float


@dataclass(frozen=True, slots=True)
class TouchWindow:
    """The most informative touch and its time, in s from when the parts met."""

    what: What
    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class GelFault:
    """A fault, and the time since which it is known. A wrong ratio is caught by weighing, not here.

    over_s: when it was withdrawn, because it was a mistake or is past; None while it holds.
    """

    kind: FaultKind
    at_s: float
    over_s: float | None = None


@dataclass(frozen=True, slots=True)
class GelEstimate:
    """Estimate for the coat, even if the probe is in the cup. Times count from when the parts met.

    best_s with a 90 % band low_s..high_s; safe_to_stop_s: by the estimate, one to five coats in a
    hundred gel more than 5 % later; probability_gelled: that the coat has gelled by now; called_s:
    when it was first safe to call it gelled, None until then; faults: all that were ever reported,
    in order; says: the content of the sentence, as codes without figures; curve: the probe as
    fitted and predicted, rows of (time_s, K, half its 90 % band in K); touch: the requested touch,
    None once a coat of this resin was touched.
    """

    at_s: float
    best_s: float
    low_s: float
    high_s: float
    safe_to_stop_s: float
    probability_gelled: float
    called_s: float | None
    peak_K: float | None
    faults: tuple[GelFault, ...]
    says: tuple[str, ...]
    sentence: str
    curve: FloatArray
    touch: TouchWindow | None = None
