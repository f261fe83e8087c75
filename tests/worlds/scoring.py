"""Score of the gel estimate on logged batches, as a person at the frame would see it.

All errors are in per cent of the coat's true gel time, counted from when the parts met.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenwall.numerics import gel
from evenwall.numerics.cure import FloatArray

EARLY, EARLY_S = 0.05, 30.0  # a call earlier than both of these before the gel loses the coat
PARTS = (0.5, 0.75)  # of the gel time, at which the estimate is looked at


@dataclass(frozen=True)
class Logged:
    """One logged batch with its truth. rows: readings in order; coat_gel_s: None if it never gels.

    touches, earlier: what a person adds to the trace; fault: None for a sound batch.
    """

    name: str
    case: gel.Case
    rows: tuple[gel.Row, ...]
    coat_gel_s: float | None
    fault: str | None = None
    touches: tuple[gel.Touch, ...] = ()
    earlier: tuple[gel.EarlierBatch, ...] = ()


@dataclass(frozen=True)
class Said:
    """Everything the estimate said about one batch. eta: rows of (time_s, best_s, low_s, high_s);
    asks: what it asked to be touched at the end, 'coat' or 'cup', or nothing.
    """

    called_s: float | None
    best_at_call_s: float | None
    eta: FloatArray
    faults: tuple[str, ...]
    asks: gel.What | None = None


def follow(logged: Logged, more: bool) -> Said:
    """Return all that the estimate says. more: with the touches and the earlier batch."""
    case = replace(logged.case, earlier=logged.earlier) if more else logged.case
    state = gel.begin(case)
    touches = sorted(logged.touches, key=lambda touch: touch.time_s) if more else []
    eta: list[tuple[float, float, float, float]] = []
    at_call_s = None
    told = None
    for row in logged.rows:
        state, told = gel.step(state, row)
        while touches and touches[0].time_s <= row.time_s:
            state, told = gel.step(state, touches.pop(0))
        if at_call_s is None and told.called_s is not None:
            at_call_s = told.best_s
        if not eta or row.time_s - eta[-1][0] >= 10.0:
            eta.append((row.time_s, told.best_s, told.low_s, told.high_s))
    if told is None:
        raise ValueError(f"{logged.name} has no rows")
    kinds = tuple(fault.kind for fault in told.faults)
    asks = None if told.touch is None else told.touch.what
    return Said(told.called_s, at_call_s, np.array(eta), kinds, asks)


@dataclass(frozen=True)
class Verdict:
    """Result of one batch. off: at the call; off_at, held_at: by part of the gel time.

    asked: not called by the end of the log, but its newest band before the gel held the truth, and
    the person was asked to touch the coat. If nothing was ever touched, that counts as an answer
    and not as a missed call.
    """

    name: str
    placement: str
    snap: bool
    off: float | None
    early: bool
    missed: bool
    asked: bool
    late: float | None
    alarms: tuple[str, ...]
    off_at: dict[float, float]
    held_at: dict[float, bool]
    width_at: dict[float, float]
    held: tuple[int, int]


def verdict(logged: Logged, said: Said) -> Verdict:
    """Verdict on a sound batch. Raises ValueError where the coat never gels."""
    gel_s = logged.coat_gel_s
    if gel_s is None:
        raise ValueError(f"{logged.name}: its coat never gels")
    eta = said.eta[(said.eta[:, 0] <= gel_s) & np.isfinite(said.eta[:, 1])]
    inside = (eta[:, 2] <= gel_s) & (gel_s <= eta[:, 3])
    off_at, held_at, width_at = {}, {}, {}
    for part in PARTS:
        near = np.flatnonzero(
            (eta[:, 0] >= part * gel_s - max(30.0, 0.12 * gel_s)) & (eta[:, 0] <= part * gel_s)
        )
        if len(near):
            _, best_s, low_s, high_s = eta[near[-1]]
            off_at[part] = float(best_s / gel_s - 1.0)
            held_at[part] = bool(low_s <= gel_s <= high_s)
            width_at[part] = float((high_s - low_s) / gel_s)
    called = said.called_s is not None and said.best_at_call_s is not None
    asked = not called and said.asks == "coat" and bool(inside[-1:].all()) and len(eta) > 0
    return Verdict(
        name=logged.name,
        placement=logged.case.placement,
        snap=logged.case.sheet.snap,
        off=said.best_at_call_s / gel_s - 1.0 if said.best_at_call_s and called else None,
        early=said.called_s is not None and said.called_s < gel_s - max(EARLY_S, EARLY * gel_s),
        missed=not called and not asked,
        asked=asked,
        late=said.called_s / gel_s - 1.0 if said.called_s is not None else None,
        alarms=said.faults,
        off_at=off_at,
        held_at=held_at,
        width_at=width_at,
        held=(int(inside.sum()), len(eta)),
    )


def _spread(values: Sequence[float]) -> str:
    off = 100.0 * np.abs(np.array(values))
    return f"{np.median(off):.1f} / {np.quantile(off, 0.9):.1f}" if len(off) else "-"


def _share(values: Sequence[bool]) -> str:
    return f"{100.0 * np.mean(values):.0f} %" if len(values) else "-"


COLUMNS = (
    "batches", "at the call", "half way", "three quarters", "covered at half",
    "covered at three quarters", "covered all along", "width", "early", "missed", "asked",
    "delay of the call", "false alarms",
)  # fmt: skip


def figures(verdicts: Sequence[Verdict]) -> dict[str, str]:
    """Figures of a group: errors as median / 90th percentile in per cent, counts for the rest."""
    held, looks = (sum(v.held[i] for v in verdicts) for i in (0, 1))
    late = [v.late for v in verdicts if v.late is not None]
    wide = [v.width_at[0.75] for v in verdicts if 0.75 in v.width_at]
    return dict(
        zip(
            COLUMNS,
            (
                str(len(verdicts)),
                _spread([v.off for v in verdicts if v.off is not None]),
                _spread([v.off_at[0.5] for v in verdicts if 0.5 in v.off_at]),
                _spread([v.off_at[0.75] for v in verdicts if 0.75 in v.off_at]),
                _share([v.held_at[0.5] for v in verdicts if 0.5 in v.held_at]),
                _share([v.held_at[0.75] for v in verdicts if 0.75 in v.held_at]),
                f"{100.0 * held / max(looks, 1):.0f} %",
                f"{100.0 * np.median(wide):.0f} %" if wide else "-",
                str(sum(v.early for v in verdicts)),
                str(sum(v.missed for v in verdicts)),
                str(sum(v.asked for v in verdicts)),
                f"{100.0 * np.median(late):+.0f} %" if late else "-",
                str(sum(bool(v.alarms) for v in verdicts)),
            ),
            strict=True,
        )
    )


GROUPS: dict[str, Callable[[Verdict], bool]] = {
    "all": lambda v: True,
    "cup": lambda v: v.placement == "cup",
    "coat": lambda v: v.placement == "coat",
    "delayed": lambda v: v.snap,
}


def table(verdicts: Sequence[Verdict]) -> str:
    """One line of figures for each group that holds a batch."""
    lines = ["", *COLUMNS]
    rows = ["\t".join(lines)]
    for group, keep in GROUPS.items():
        own = [v for v in verdicts if keep(v)]
        if own:
            rows.append("\t".join([group, *figures(own).values()]))
    return "\n".join(rows)
