"""Scores of the gel estimate on simulated batches whose truth is known.

Errors in per cent of the coat's true gel time. Seeds below 1000 were used for calibration: report
from 1000 on.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from operator import itemgetter

import numpy as np

from controller import cupsim, gel


@dataclass(frozen=True)
class Score:
    """Of one trace; times over the true gel time. `looks`: (best, low, high) at shares of it."""

    world: str
    family: str
    placement: str
    fault: str | None
    looks: dict[float, tuple[float, float, float]]
    called: float | None
    at_call: float | None
    faults: tuple[gel.GelFault, ...]
    fault_s: float
    pot_life_s: float
    update_ms: tuple[float, float]  # of those that refit: median, greatest


LOOKS = (0.25, 0.5, 0.75, 1.0)


def run(trace: cupsim.Trace, memory: bool = False) -> Score:
    case = replace(trace.case, earlier=trace.earlier) if memory else trace.case
    state = gel.begin(case)
    touches = list(trace.touches) if memory else []
    truth_s = trace.coat_gel_s
    looks: dict[float, tuple[float, float, float]] = {}
    spent = []
    at_call = None
    estimate = None
    for time_s, probe_K, air_K in trace.rows:
        events: list[gel.Row | gel.Touch] = [
            gel.Row(
                float(time_s),
                float(probe_K) if np.isfinite(probe_K) else None,
                float(air_K) if np.isfinite(air_K) else None,
            )
        ]
        while touches and touches[0].time_s <= time_s:
            events.append(touches.pop(0))
        for event in events:
            began = time.process_time()
            state, estimate = gel.step(state, event)
            if state.fitted_s == time_s:
                spent.append(time.process_time() - began)
        for look in LOOKS:
            if look not in looks and time_s >= look * truth_s:
                looks[look] = tuple(
                    v / truth_s for v in (estimate.best_s, estimate.low_s, estimate.high_s)
                )
        if at_call is None and estimate.called_s is not None:
            at_call = estimate.best_s / truth_s
    called = estimate.called_s
    return Score(
        trace.world,
        trace.family,
        trace.case.placement,
        trace.fault,
        looks,
        None if called is None else called / truth_s,
        at_call,
        estimate.faults,
        trace.fault_s,
        trace.case.sheet.pot_life_s,
        (1e3 * float(np.median(spent)), 1e3 * float(np.max(spent))),
    )


def steepest_s(trace: cupsim.Trace) -> float:
    """When the probe rises fastest, over a minute: a maker's guess at the gel."""
    time_s, probe_K = trace.rows[:, 0], trace.rows[:, 1]
    good = np.isfinite(probe_K) & (time_s > (trace.case.probe_in_s or 0.0) + 60.0)
    time_s, probe_K = time_s[good], probe_K[good]
    grid_s = np.arange(time_s[0], time_s[-1], 10.0)
    smooth = np.interp(grid_s, time_s, np.convolve(probe_K, np.ones(5) / 5.0, "same"))
    rise = smooth[8:-2] - smooth[2:-8]
    return float(grid_s[5:-5][np.argmax(rise)])


def line(name: str, scores: list[Score]) -> str:
    def err(values: list[float]) -> str:
        off = 100 * np.abs(np.array(values) - 1.0)
        return f"{np.median(off):5.1f}/{np.quantile(off, 0.9):5.1f}" if len(off) else "    -"

    half, late = ([s.looks[k] for s in scores if k in s.looks] for k in (0.5, 0.75))
    inside = [low <= 1.0 <= high for _, low, high in half + late]
    width = [high - low for _, low, high in late]
    called = np.array([s.called for s in scores if s.called is not None])
    bias = np.median([best - 1.0 for best, _, _ in late])
    return (
        f"{name:34s} n {len(scores):3d}  half {err([b for b, _, _ in half])}  "
        f"3/4 {err([b for b, _, _ in late])} bias {100 * bias:+5.1f}  "
        f"call {err([s.at_call for s in scores if s.at_call is not None])}  "
        f"covers {100 * np.mean(inside):3.0f} %  width {100 * np.median(width):3.0f} %  "
        f"early {100 * np.mean(called < 0.95) if len(called) else 0:3.1f} %  "
        f"delay {100 * (np.median(called) - 1.0) if len(called) else 99:3.0f} %  "
        f"missed {sum(s.called is None for s in scores)}"
    )


def table(scores: list[Score]) -> None:
    print(line("all", scores))
    for key in ("world", "placement", "family"):
        for value in sorted({getattr(s, key) for s in scores}):
            print(line(f"{key} {value}", [s for s in scores if getattr(s, key) == value]))
    for placement in ("cup", "coat"):
        for family in ("rigid", "elastomer", "snap"):
            own = [s for s in scores if s.placement == placement and s.family == family]
            if own:
                print(line(f"{placement}, {family}", own))
    if scores:
        late = sorted(
            ((abs(s.looks[0.75][0] - 1.0), s) for s in scores if 0.75 in s.looks), key=itemgetter(0)
        )
        for name, (off, s) in (("best", late[0]), ("worst", late[-1])):
            print(f"{name} at 3/4: {100 * off:.1f} % ({s.world}, {s.placement}, {s.family})")
        alarms = [s for s in scores if s.faults]
        kinds = sorted(fault.kind for s in alarms for fault in s.faults)
        print(f"false alarms {len(alarms)} of {len(scores)} {kinds}")
        print(
            f"update mean {np.mean([s.update_ms[0] for s in scores]):.2f} ms, "
            f"greatest {max(s.update_ms[1] for s in scores):.0f} ms"
        )


def fault_table(scores: list[Score]) -> None:
    for fault in cupsim.FAULTS:
        own = [s for s in scores if s.fault == fault]
        if not own:
            continue
        named = [s for s in own if any(f.kind == fault for f in s.faults)]
        late = [next(f.at_s for f in s.faults if f.kind == fault) - s.fault_s for s in named]
        pots = [t / s.pot_life_s for t, s in zip(late, named, strict=True)]
        others = sorted({f.kind for s in own for f in s.faults if f.kind != fault})
        print(
            f"{fault:15s} named {len(named)}/{len(own)}  after {np.median(late or [0]):.0f} s, "
            f"at most {max(late or [0]):.0f} s ({max(pots or [0]):.2f} pot lives)  "
            f"also {others}  called {sum(s.called is not None for s in own)}"
        )
