"""kill -9 of the real process, on the pty board through pyserial, at seeded moments.

The frame never stops, the record reads back whole, the casting ends as if nothing had happened.
`EVENWALL_KILLS=200` kills more often (`make soak`).
"""

from __future__ import annotations

import contextlib
import os
import pickle
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.model import Event, Step
from controller.records import Journal
from controller.run.state import fold_all
from firmware_bridge.clock import Anchor, SystemClock
from firmware_bridge.contract import LinkLost
from firmware_bridge.sim_board import PtyBoard
from tests.faults.simulation import plans

ROOT = Path(__file__).resolve().parents[2]
KILLS = int(os.environ.get("EVENWALL_KILLS", "4"))
KILLS_A_CASTING = 5
SPEED = 40.0
LONGEST_S = 240.0
LOOK_S = 0.1
# How long the count of steps may seem to stand: a look and a scheduler's nap, in the board's time.
BLINK_S = 20.0


def machine_s() -> float:
    """The machine's own count of seconds, as anchors have it."""
    return SystemClock().anchor().machine_s


def start(folder: Path, seed: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.faults.victim", str(folder), str(SPEED), str(seed)], cwd=ROOT
    )


class Watch(threading.Thread):
    """Counts the board's step edges beside the controller, whoever lives."""

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self.folder, self.rows = folder, list[tuple[float, tuple[int, int]]]()
        self.over = threading.Event()

    def run(self) -> None:
        while not (self.folder / "board" / "pins").exists():
            if self.over.wait(LOOK_S):
                return
        self.over.wait(2 * LOOK_S)
        board = PtyBoard(SPEED, self.folder / "board", detached=True)
        with contextlib.suppress(LinkLost):
            while not self.over.wait(LOOK_S):
                self.rows.append((machine_s(), board.steps()))
        board.leave()


@contextlib.contextmanager
def watching(folder: Path) -> Iterator[Watch]:
    watch = Watch(folder)
    watch.start()
    try:
        yield watch
    finally:
        watch.over.set()
        watch.join()


def one_casting(folder: Path, seed: int, kills: int) -> int:
    """Run a casting through that many kills; returns how many there were."""
    draw = random.Random(f"kill/{seed}")
    (folder / "plan.pickle").write_bytes(pickle.dumps(plans()[0]))
    killed = 0
    with watching(folder) as watch:
        began_s = machine_s()
        while True:
            assert machine_s() - began_s < LONGEST_S, "the casting does not end"
            process = start(folder, seed)
            try:
                code = process.wait(draw.uniform(1.0, 8.0) if killed < kills else LONGEST_S)
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
                process.wait()
                killed += 1
                continue
            assert code == 0
            break
    check(folder, watch.rows)
    return killed


def check(folder: Path, rows: list[tuple[float, tuple[int, int]]]) -> None:
    journal = Journal(folder / "record.sqlite")
    (run_id,) = journal.run_ids()
    events, plan, anchor = journal.events(run_id), journal.plan(run_id), journal.anchor()
    ((verdict,),) = journal.db.execute("PRAGMA integrity_check").fetchall()
    assert verdict == "ok"
    state = fold_all(run_id, plan, events)
    assert state.step is Step.DONE
    assert all(coat.done and not coat.gave_up for coat in state.coats)
    # A process that was away while the mix passed its pot life has it mixed anew, as it must.
    anew = [place for place, event in enumerate(events) if event.kind == "mixed_again"]
    last_mix = events[anew[-1] :] if anew else events
    steps = [event.data["step"] for event in last_mix if event.kind == "stepped"]
    assert len(steps) == len(set(steps)), f"a step was repeated: {steps}"
    for kind in ("parts_met", "poured", "gelled", "turning_began", "turning_ended", "finished"):
        assert sum(event.kind == kind for event in last_mix) == 1, kind
    for line in (folder / "heard").read_text(encoding="utf-8").splitlines():
        key, event_id, sentence = line.split("\t")
        if event_id == "None":
            continue  # said to be not yet in the record
        event = journal.event_of_key(key)
        assert event is not None, f"acknowledged and lost: {key}"
        assert (str(event.event_id), event.data["sentence"]) == (event_id, sentence)
    journal.close()
    assert anchor is not None
    never_stood(events, anchor, rows)


def never_stood(
    events: list[Event], anchor: Anchor, rows: list[tuple[float, tuple[int, int]]]
) -> None:
    """Between the start of the spin and its last ramp the count of steps always moved."""
    at = {event.kind: event.at_s for event in events}
    from_s = at["turning_began"] + 10.0
    ending = [e for e in events if e.kind == "queued" and e.data["ending"]]
    until_s = ending[0].at_s
    turned = [
        (anchor.at_s + (machine_s - anchor.machine_s) * SPEED, steps) for machine_s, steps in rows
    ]
    turned = [row for row in turned if from_s <= row[0] <= until_s]
    assert len(turned) > 30
    moved_s, last = turned[0]
    for at_s, steps in turned[1:]:
        if steps != last:
            moved_s, last = at_s, steps
        assert at_s - moved_s < BLINK_S, f"the frame stood at {at_s:.0f} s"


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_killed_at_seeded_moments(tmp_path: Path) -> None:
    killed, seed = 0, 0
    while killed < KILLS:
        folder = tmp_path / f"casting-{seed}"
        folder.mkdir()
        killed += one_casting(folder, seed, min(KILLS_A_CASTING, KILLS - killed))
        seed += 1
