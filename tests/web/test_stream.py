"""The stream: nothing twice, nothing missing, over a real server on a socket."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.web.server import PanelServer


@pytest.fixture(scope="module")
def panel() -> Iterator[PanelServer]:
    with PanelServer(speed=40) as panel:
        yield panel


def read(url: str, count: int, headers: dict[str, str] | None = None) -> list[dict[str, Any]]:
    """The first `count` events of a stream, beats left out."""
    items: list[dict[str, Any]] = []
    with httpx.stream("GET", url, headers=headers or {}, timeout=20) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in answer.headers
        event: dict[str, Any] = {}
        for line in answer.iter_lines():
            if not line:
                if event.get("event") not in (None, "beat"):
                    items.append(event)
                event = {}
                if len(items) >= count:
                    break
            elif ": " in line and not line.startswith(":"):
                name, value = line.split(": ", 1)
                event[name] = json.loads(value) if name == "data" else value
    return items


def test_a_broken_stream_resumes_without_a_gap(panel: PanelServer) -> None:
    panel.call(panel.rig.turn)
    first = read(f"{panel.url}/api/stream", 12)
    assert first[0]["event"] == "snapshot"
    last = [item for item in first if item["event"] != "snapshot"][-1]["id"]
    # What happens while nobody listens must not be lost.
    panel.call(lambda: panel.rig.pass_s(60.0))
    rest = read(f"{panel.url}/api/stream", 12, {"last-event-id": last})
    ids = [int(item["id"]) for item in first + rest if item["event"] in {"sample", "event"}]
    assert ids == list(range(ids[0], ids[0] + len(ids)))


def test_resuming_by_query_is_the_same(panel: PanelServer) -> None:
    read(f"{panel.url}/api/stream", 3)  # by now something has happened to resume after
    rest = read(f"{panel.url}/api/stream?after=0", 3)
    assert int(rest[0]["id"]) == 1


def test_a_quiet_line_beats(panel: PanelServer) -> None:
    panel.call(panel.rig.watchers.clear)
    with httpx.stream("GET", f"{panel.url}/api/stream", timeout=20) as answer:
        panel.call(lambda: None)
        heard = ""
        for line in answer.iter_lines():
            heard += line + "\n"
            panel.call(panel.rig.watchers.clear)
            if "event: beat" in heard:
                break
    assert "event: snapshot" in heard


def test_a_gone_reader_leaves_no_watcher(panel: PanelServer) -> None:
    panel.call(panel.rig.watchers.clear)
    read(f"{panel.url}/api/stream", 2)
    for _ in range(50):
        read(f"{panel.url}/api/stream", 1)
    for _ in range(40):
        if panel.call(lambda: len(panel.rig.watchers)) == 0:
            break
        httpx.get(f"{panel.url}/api/snapshot")
    assert panel.call(lambda: len(panel.rig.watchers)) <= 1
