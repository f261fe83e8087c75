"""Thousands of whole castings in virtual time, by seed; see simulation.py."""

from __future__ import annotations

import math
import os
from multiprocessing import get_context

import pytest

from evenwall_bridge.clock import SystemClock
from tests.faults.simulation import KINDS, Story, live, plans, replay_command, settle, table

# The requested number; by default a thousand, or as many as a busy machine does in the time.
ASKED = os.environ.get("EVENWALL_CASTINGS")
CASTINGS = int(ASKED or 1000)
LONGEST_S = math.inf if ASKED else 150.0
LEAST = min(CASTINGS, 40)
# The monitor states one call in a hundred more than 5 % early; for a thousand or more calls this is
# the limit of a fair count (the 99.9 % point of the binomial at n = 1000).
EARLY_SHARE = 0.022


@pytest.mark.slow
@pytest.mark.timeout(14_400)
def test_castings_by_seed() -> None:
    plans()  # made once, before the workers are forked
    clock = SystemClock()
    outcomes = []
    with get_context("fork").Pool(os.cpu_count(), settle) as pool:
        for outcome in pool.imap(live, range(CASTINGS)):
            outcomes.append(outcome)
            if clock.now_s() > LONGEST_S and len(outcomes) >= LEAST:
                break
    print(table(outcomes))
    broken = [o for o in outcomes if o.broken]
    assert not broken, "\n".join(
        f"{replay_command(o.seed)}  # {o.kinds}: {o.broken[0]}" for o in broken
    )
    called = [ratio for o in outcomes for ratio in o.called]
    assert sum(ratio < 0.95 for ratio in called) <= EARLY_SHARE * len(called)


def test_a_seed_tells_the_same_story_twice() -> None:
    stories: list[list[str]] = []
    for _ in range(2):
        lines: list[str] = []
        outcome = live(1, lines.append)
        stories.append([*lines, repr(outcome.lost), repr(outcome.called)])
    assert stories[0] == stories[1]
    assert "crash_often" in Story.of(1).kinds


def test_every_kind_of_trouble_comes_up() -> None:
    met = {kind for seed in range(1000) for kind in Story.of(seed).kinds}
    assert met == set(KINDS)
