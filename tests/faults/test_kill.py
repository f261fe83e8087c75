"""kill -9 of a controller, on the pty board through pyserial, at seeded moments.

The frame never stops, the record reads back whole, the casting ends as if nothing had happened.
`make soak` kills two hundred times. The processes are forked from one that has imported what they
need, so that their time goes into castings.
"""

from __future__ import annotations

import contextlib
import pickle
import random
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

import pytest

from evenwall.model import Event, Step
from evenwall.records.journal import Journal
from evenwall.run.folding import fold_all
from evenwall_bridge.clock import Anchor, SystemClock
from evenwall_bridge.contract import LinkLost
from evenwall_bridge.sim_board import PtyBoard
from tests.faults import victim
from tests.faults.simulation import plans

KILLS = 6
# Multiples of real speed, in turn: at the lower one a restart is finished before the board's queue
# is empty; at the higher one the board has to keep its last speed until a controller connects
# again.
SPEEDS = (10.0, 30.0)
# This share of the kills falls in the first START_S of a process; the others come within AT_WORK_S
# of the moment at which it begins its work.
IN_START, START_S, AT_WORK_S = 0.2, 0.4, 4.0
UP_S = 120.0  # allowed until a process is at work, beside twenty other jobs
LONGEST_S = 240.0  # allowed for the rest of a casting after its last kill
LOOK_S = 0.1
# Time for which the step count may seem constant: one look and one delay of the scheduler, in the
# board's time.
BLINK_S = 20.0

FORKS = get_context("forkserver")
FORKS.set_forkserver_preload([victim.__name__, __name__])


def machine_s() -> float:
    """Return the machine's own count of seconds, as in anchors."""
    return SystemClock().anchor().machine_s


@dataclass
class Found:
    """Outcome of castings whose controller was killed."""

    kills: Counter[Step] = field(default_factory=Counter)  # by the step of the casting
    castings: int = 0
    coats: int = 0
    exact: int = 0  # coats in which each motor made every predicted step
    looks: int = 0  # readings of the step count while the frame had to turn
    stood_s: float = 0.0  # longest time in which those readings were equal, in the board's time
    up_s: list[float] = field(default_factory=list)  # from a kill until the next process is at work

    def __iadd__(self, other: Found) -> Found:
        self.kills += other.kills
        self.castings += other.castings
        self.coats += other.coats
        self.exact += other.exact
        self.looks += other.looks
        self.stood_s = max(self.stood_s, other.stood_s)
        self.up_s += other.up_s
        return self


def start(folder: Path, speed: float, seed: int) -> tuple[ForkServerProcess, Connection]:
    hears, says = FORKS.Pipe(duplex=False)
    process = FORKS.Process(target=victim.main, args=(folder, speed, seed, says))
    process.start()
    says.close()
    return process, hears


def until_up(hears: Connection) -> None:
    """Raises EOFError when it died before it was at work."""
    assert hears.poll(UP_S), f"not at work after {UP_S:g} s"
    hears.recv()


def step_now(folder: Path) -> Step:
    """Return the step of the casting, by its record."""
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
    """Counts the board's step edges independently of the controller."""

    def __init__(self, folder: Path, speed: float) -> None:
        super().__init__(daemon=True)
        self.speed = speed
        self.folder, self.rows = folder, list[tuple[float, tuple[int, int]]]()
        self.over = threading.Event()

    def run(self) -> None:
        while not (self.folder / "board" / "pins").exists():
            if self.over.wait(LOOK_S):
                return
        self.over.wait(2 * LOOK_S)
        board = PtyBoard(self.speed, self.folder / "board", detached=True)
        with contextlib.suppress(LinkLost):
            while not self.over.wait(LOOK_S):
                self.rows.append((machine_s(), board.steps()))
        board.leave()


@contextlib.contextmanager
def watching(folder: Path, speed: float) -> Iterator[Watch]:
    watch = Watch(folder, speed)
    watch.start()
    try:
        yield watch
    finally:
        watch.over.set()
        watch.join()


def one_casting(folder: Path, seed: int, kills: int) -> Found:
    """Run a casting with that many kills, or fewer if it ends before."""
    draw = random.Random(f"kill/{seed}")
    speed, plan = SPEEDS[seed % 2], plans()[seed // 2 % 2]
    (folder / "plan.pickle").write_bytes(pickle.dumps(plan))
    found = Found(castings=1)
    killed_s = None
    with watching(folder, speed) as watch:
        while True:
            process, hears = start(folder, speed, seed)
            to_die = found.kills.total() < kills
            if to_die and draw.random() < IN_START:
                process.join(draw.uniform(0.0, START_S))
            else:
                until_up(hears)
                if killed_s is not None:
                    found.up_s.append(machine_s() - killed_s)
                process.join(draw.uniform(0.0, AT_WORK_S) if to_die else LONGEST_S)
            hears.close()
            if process.exitcode is not None:
                assert process.exitcode == 0
                break
            assert to_die, f"the casting does not end: it stands at {step_now(folder)}"
            killed_s = machine_s()
            process.kill()
            process.join()
            found.kills[step_now(folder)] += 1
    check(folder, watch, found)
    return found


def check(folder: Path, watch: Watch, found: Found) -> None:
    journal = Journal(folder / "record.sqlite")
    (run_id,) = journal.run_ids()
    events, plan, anchor = journal.events(run_id), journal.plan(run_id), journal.anchor()
    ((verdict,),) = journal.db.execute("PRAGMA integrity_check").fetchall()
    assert verdict == "ok"
    state = fold_all(run_id, plan, events)
    assert state.step is Step.DONE
    assert all(coat.done and not coat.gave_up for coat in state.coats)
    assert not any(event.kind == "mixed_again" for event in events)
    steps = [(e.data["coat"], e.data["step"]) for e in events if e.kind == "stepped"]
    assert len(steps) == len(set(steps)), f"a step was repeated: {steps}"
    coats = len(plan.coats)
    for kind in ("parts_met", "poured", "gelled", "turning_began", "turning_ended", "coat_done"):
        assert sum(event.kind == kind for event in events) == coats, kind
    assert sum(event.kind == "finished" for event in events) == 1
    for line in (folder / "heard").read_text(encoding="utf-8").splitlines():
        key, event_id, sentence = line.split("\t")
        if event_id == "None":
            continue  # answers that said 'not yet in the record'
        event = journal.event_of_key(key)
        assert event is not None, f"acknowledged and lost: {key}"
        assert (str(event.event_id), event.data["sentence"]) == (event_id, sentence)
    journal.close()
    found.coats = coats
    for coat in state.coats:
        assert coat.steps_counted == coat.steps_expected
        found.exact += coat.steps_expected is not None
    assert anchor is not None
    never_stood(events, anchor, watch, found)


def never_stood(events: list[Event], anchor: Anchor, watch: Watch, found: Found) -> None:
    """Between the start of a coat's turning and its last ramp the count of steps always moved."""
    began = [e.at_s + 10.0 for e in events if e.kind == "turning_began"]
    ended = [e.at_s for e in events if e.kind == "queued" and e.data["ending"]]
    for from_s, until_s in zip(began, ended, strict=True):
        turned = [
            (anchor.at_s + (machine_s - anchor.machine_s) * watch.speed, steps)
            for machine_s, steps in watch.rows
        ]
        turned = [row for row in turned if from_s <= row[0] <= until_s]
        assert len(turned) > 30
        moved_s, last = turned[0]
        for at_s, steps in turned[1:]:
            if steps != last:
                moved_s, last = at_s, steps
            found.stood_s = max(found.stood_s, at_s - moved_s)
        found.looks += len(turned)
    assert found.stood_s < BLINK_S, f"the frame stood for {found.stood_s:.0f} s"


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_killed_at_seeded_moments(tmp_path: Path) -> None:
    assert one_casting(tmp_path, 1, KILLS).kills.total() == KILLS
