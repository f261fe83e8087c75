"""Health and metrics: the text format, who may read it, and that figures match the snapshot."""

from __future__ import annotations

import re

from evenwall.model import Alert, FrameView, GelView, Snapshot, Step
from evenwall_web.metrics import MEDIA_TYPE, open_metrics
from tests.web.test_people import Desk, at_desk

# OpenMetrics 1.0, section 'ABNF': a sample is a name, labels and a number.
SAMPLE = re.compile(
    r'[a-z_]+(\{[a-z_]+="(?:[^"\\\n]|\\[\\"n])*"(,[a-z_]+="(?:[^"\\\n]|\\[\\"n])*")*\})? '
    r"-?[0-9.]+(e[+-]?[0-9]+)?"
)


def snapshot(**more: object) -> Snapshot:
    told = {"now_s": 10.0, "utc": "2026-01-05T09:00:00+00:00", "simulated": True, "rig": "r"}
    return Snapshot(**{**told, **more})  # type: ignore[arg-type]


def test_every_line_is_openmetrics() -> None:
    text = open_metrics(snapshot(rig='a "rig"\\\nof two lines', probe_degC=21.5))
    assert text.endswith("\n# EOF\n")
    families: list[str] = []
    for line in text.splitlines()[:-1]:
        if line.startswith("# TYPE "):
            families.append(line.split()[2])
        elif line.startswith("# UNIT "):  # the unit is the name's last word
            _, _, name, unit = line.split()
            assert name.endswith(f"_{unit}")
        elif not line.startswith("# HELP "):
            assert SAMPLE.fullmatch(line), line
            assert line.startswith(families[-1])
    assert len(families) == len(set(families))  # the lines of a family are adjacent
    assert 'rig="a \\"rig\\"\\\\\\nof two lines"' in text


def test_figures_are_the_snapshots_and_what_is_not_known_is_left_out() -> None:
    text = open_metrics(
        snapshot(
            step=Step.IDLE,
            probe_degC=41.25,
            gel=GelView(best_s=900.0, low_s=850.0, probability_gelled=0.25),
            frame=FrameView(guard_closed=True),
            alerts=(Alert(kind="k", sentence="s", severity="caution", since_s=0.0),),
        )
    )
    assert 'evenwall_temperature_celsius{probe="resin"} 41.25\n' in text
    assert 'probe="room"' not in text
    assert 'evenwall_gel_time_seconds{bound="best"} 900\n' in text
    assert 'bound="high"' not in text
    assert "evenwall_guard_closed 1\n" in text
    assert 'evenwall_alerts{severity="caution"} 1\n' in text
    assert "evenwall_gelled_probability_ratio 0.25\n" in text
    steps = [line for line in text.splitlines() if line.startswith("evenwall_step{")]
    assert len(steps) == len(Step)
    assert sum(line.endswith(" 1") for line in steps) == 1


@at_desk
async def test_health_is_open_and_metrics_are_read_like_the_panel(desk: Desk) -> None:
    stranger = desk.client("192.168.7.66")
    health = await stranger.get("/healthz")
    assert (health.status_code, health.json()) == (200, {"status": "pass"})
    assert (await stranger.get("/metrics")).status_code == 401
    watcher = await desk.paired("watch")
    told = await watcher.get("/metrics")
    assert told.status_code == 200
    assert told.headers["content-type"] == MEDIA_TYPE
    assert told.text.endswith("# EOF\n")
