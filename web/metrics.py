"""`/healthz` and `/metrics`: state of the controller for a monitoring system.

Metrics are text in the OpenMetrics 1.0 format: a gauge per figure of the snapshot, with its unit at
the end of its name. They hold the same data as the panel, so the same access rule applies.
"""

from __future__ import annotations

from collections.abc import Iterator

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response

from evenwall.model import Snapshot, Step
from evenwall_web.desk import AtDesk, Watcher

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

routes = APIRouter()
Labels = dict[str, str]
Family = tuple[str, str, str, list[tuple[Labels, float | None]]]  # name, unit, help, points


@routes.get("/healthz", include_in_schema=False)
async def healthz(desk: AtDesk) -> JSONResponse:
    """Tell whether the controller works, and nothing else: anybody may ask.

    503 while the record cannot be written or the rig is silent, which are 'act now' alerts.
    """
    urgent = any(alert.severity == "act_now" for alert in desk.service.snapshot().alerts)
    return JSONResponse({"status": "fail" if urgent else "pass"}, 503 if urgent else 200)


@routes.get("/metrics", include_in_schema=False)
async def metrics(desk: AtDesk, _: Watcher) -> Response:
    """Return the snapshot's figures as OpenMetrics."""
    return Response(open_metrics(desk.service.snapshot()), media_type=MEDIA_TYPE)


def open_metrics(now: Snapshot) -> str:
    """Return the text of the metrics. An unknown figure has no line."""
    lines: list[str] = []
    for name, unit, text, points in _families(now):
        known = [(labels, value) for labels, value in points if value is not None]
        if not known:
            continue
        full = f"evenwall_{name}" + (f"_{unit}" if unit else "")
        lines.append(f"# TYPE {full} gauge")
        if unit:
            lines.append(f"# UNIT {full} {unit}")
        lines.append(f"# HELP {full} {text}")
        lines += [f"{full}{_labelled(labels)} {value:.10g}" for labels, value in known]
    return "\n".join([*lines, "# EOF", ""])


def _families(now: Snapshot) -> Iterator[Family]:
    about = {"rig": now.rig, "simulated": str(now.simulated).lower()}
    yield "rig", "", "The rig that this controller turns.", [(about, 1.0)]
    steps: list[tuple[Labels, float | None]] = [
        ({"step": step.value}, float(step is now.step)) for step in Step
    ]
    yield "step", "", "1 for the step shown on the sheet.", steps
    yield "coat", "", "Number of the coat under way, 0 before the first.", [({}, float(now.coat))]
    temperatures = {"resin": now.probe_degC, "room": now.room_degC, "mould": now.mould_degC}
    yield (
        *("temperature", "celsius", "Temperature at a probe."),
        [({"probe": name}, value) for name, value in temperatures.items()],
    )
    axes = {"major": now.frame.major, "minor": now.frame.minor}
    yield (
        *("axis_rate", "rpm", "Turns per minute of an axis, as the board counts them."),
        [({"axis": name}, axis.rate_rpm) for name, axis in axes.items()],
    )
    yield (
        *("axis_turned", "turns", "Turns of an axis since the board was started."),
        [({"axis": name}, axis.turns) for name, axis in axes.items()],
    )
    guard = float(now.frame.guard_closed)
    yield "guard_closed", "", "1 while the guard is closed.", [({}, guard)]
    gel = now.gel
    bounds = {"low": gel.low_s, "best": gel.best_s, "high": gel.high_s}
    yield (
        *("gel_time", "seconds", "Estimated gel time of the coat, from mixing."),
        [({"bound": name}, value) for name, value in bounds.items()],
    )
    gelled: list[tuple[Labels, float | None]] = [({}, gel.probability_gelled)]
    yield (
        "gelled_probability",
        "ratio",
        "Probability that the coat has gelled.",
        gelled,
    )
    counts: list[tuple[Labels, float | None]] = [
        ({"severity": level}, float(sum(alert.severity == level for alert in now.alerts)))
        for level in ("note", "caution", "act_now")
    ]
    yield "alerts", "", "Active alerts.", counts
    yield (
        "journal_last",
        "",
        "Number of the newest row of the record.",
        [({}, float(now.last_event_id))],
    )


def _labelled(labels: Labels) -> str:
    """Return the labels in braces, escaped (OpenMetrics 1.0, ABNF of escaped-string)."""
    if not labels:
        return ""
    escaped = (
        (name, value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n"))
        for name, value in labels.items()
    )
    return "{" + ",".join(f'{name}="{value}"' for name, value in escaped) + "}"
