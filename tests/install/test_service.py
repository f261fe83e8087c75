"""The service as a manager runs it: the unit's own command under a stand-in for systemd."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from urllib.request import urlopen

import pytest

from tests.telemetry.brokers import free_port

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "hardware" / "install" / "evenwall.service"


class Service:
    """`systemctl` of the stand-in, on the unit with this checkout in the place of /opt."""

    def __init__(self, folder: Path) -> None:
        self.run, self.port = folder / "run", free_port()
        text = UNIT.read_text()
        for line, instead in {
            r"ExecStart=\S+ (.*) --rig \S+ --data \S+ --host \S+ --port \d+": (
                rf"ExecStart={sys.executable} -m evenwall.cli.main \1 --data {folder}/data "
                rf"--port {self.port}"
            ),
            r"WorkingDirectory=.*": f"WorkingDirectory={ROOT}",
            r"(User|Group)=.*\n": "",
            r"Environment=.*": f"Environment=HOME={folder} PYTHONUNBUFFERED=1",
            # Short, so that the test is.
            r"WatchdogSec=15": "WatchdogSec=6",
            r"TimeoutStopSec=20": "TimeoutStopSec=5",
            r"RestartSec=1": "RestartSec=0.1",
        }.items():
            text, count = re.subn(line, instead, text)
            assert count, line
        self.unit = folder / "evenwall.service"
        self.unit.write_text(text)

    def ctl(self, word: str) -> subprocess.CompletedProcess[str]:
        there = {"STAND_IN_UNIT": str(self.unit), "STAND_IN_RUN": str(self.run)}
        return subprocess.run(
            [sys.executable, Path(__file__).parent / "stand_in.py", word],
            env=os.environ | there,
            capture_output=True,
            text=True,
        )

    @property
    def pid(self) -> int:
        return int((self.run / "service.pid").read_text())

    def said(self) -> str:
        return (self.run / "manager.log").read_text()


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    service = Service(tmp_path)
    yield service
    service.ctl("stop")


def until(condition: Callable[[], bool], what: str) -> None:
    for _ in range(2400):
        if condition():
            return
        Event().wait(0.05)
    raise AssertionError(f"not within 120 s: {what}")


def test_ready_watched_and_started_again(service: Service) -> None:
    answer = service.ctl("start")
    assert answer.returncode == 0, answer.stderr
    # Ready means ready: the panel answers at once.
    assert urlopen(f"http://127.0.0.1:{service.port}/").status == 200
    assert "READY=1 STATUS=http://127.0.0.1:" in service.said()
    until(lambda: service.said().count("WATCHDOG=1") >= 2, "two words to the watchdog")
    hung = service.pid
    os.kill(hung, signal.SIGSTOP)
    until(lambda: "no word from it: aborted" in service.said(), "the watchdog bites")
    until(lambda: service.said().count("READY=1") >= 2, "it is back")
    assert service.pid != hung
    assert urlopen(f"http://127.0.0.1:{service.port}/").status == 200
    service.ctl("stop")
    assert service.said().endswith("stopped with 0\n")


def test_a_service_that_cannot_start_fails_the_start(service: Service) -> None:
    service.unit.write_text(service.unit.read_text().replace(" serve ", " serves "))
    answer = service.ctl("start")
    assert answer.returncode == 1
    assert "invalid choice" in answer.stderr
