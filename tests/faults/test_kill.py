"""kill -9 of the real process, on the pty board through pyserial, at seeded moments.

The frame never stops, the record reads back whole, the casting ends as if nothing had happened.
`make soak` kills two hundred times.
"""

from __future__ import annotations

import contextlib
import pickle
import random
import signal
import subprocess
import sys
import threading
from collections import Counter
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
KILLS = 4
SPEED = 30.0
IN_START = 0.2  # of the kills fall while the process starts, the others ...
AT_WORK_S = 5.0  # ... up to so long after it has started
LONGEST_S = 240.0
LOOK_S = 0.1
# How long the count of steps may seem to stand: a look and a scheduler's nap, in the board's time.
BLINK_S = 20.0


def machine_s() -> float:
    """The machine's own count of seconds, as anchors have it."""
    return SystemClock().anchor().machine_s


def start(folder: Path, seed: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.faults.victim", str(folder), str(SPEED), str(seed)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
    )


def killed_within(process: subprocess.Popen[bytes], draw: random.Random) -> bool:
    """Kill it at a moment of its start or of its work; False when it had ended by itself."""
    if process.stdout is None:
        raise RuntimeError("the victim cannot be heard")
    if draw.random() < IN_START:
        wait_s = draw.uniform(0.2, 1.5)
    else:
        process.stdout.readline()  # it is up
        wait_s = draw.uniform(0.0, AT_WORK_S)
    try:
        process.wait(wait_s)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
        return True
    return False


def step_now(folder: Path) -> Step:
    """What the casting stood at, as its record has it."""
    if not (folder / "record.sqlite").exists():
        return Step.IDLE
    journal = Journal(folder / "record.sqlite")
    try:
        run_id = journal.unfinished()
        if run_id is None:
            return Step.IDLE
        return fold_all(run_id, journal.plan(run_id), journal.events(run_id)).step
    finally:
        journal.close()


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


def one_casting(folder: Path, seed: int, kills: int) -> Counter[Step]:
    """Run a casting through that many kills; returns how often it was killed in which step."""
    draw = random.Random(f"kill/{seed}")
    (folder / "plan.pickle").write_bytes(pickle.dumps(plans()[0]))
    steps: Counter[Step] = Counter()
    with watching(folder) as watch:
        began_s = machine_s()
        code = -1
        while code != 0:
            assert machine_s() - began_s < LONGEST_S, "the casting does not end"
            with start(folder, seed) as process:
                if steps.total() < kills and killed_within(process, draw):
                    steps[step_now(folder)] += 1
                else:
                    code = process.wait(LONGEST_S)
                    assert code == 0
    check(folder, watch.rows)
    return steps


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
@pytest.mark.timeout(600)
def test_killed_at_seeded_moments(tmp_path: Path) -> None:
    assert one_casting(tmp_path, 0, KILLS).total() == KILLS
