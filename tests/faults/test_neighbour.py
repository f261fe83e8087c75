"""A hostile neighbour while a coat turns: `tests.soak.soak_neighbour`, for a few seconds.

The soak test checks the promised figures (20 ms at p99.9, 250 ms for a stop). Here the machine may
be busy with other tests, so the loop's own work is checked at p99. Every stop is answered, the
quickest of five within the promised time and ten times what this machine delays a nap without any
neighbour: a press takes some ten turns of three processes.
"""

from __future__ import annotations

import asyncio
import os
import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count, islice

import numpy as np
import pytest

from evenwall_web import connections
from tests.soak import soak_neighbour as soak

WAITED = 0.25  # share of the time taken by others that may be made up for in one nap


def own_ms(found: soak.Measured) -> float:
    """The tail of the loop's own work in a nap. Where other processes kept ours waiting, what came
    meanwhile is done at once afterwards: that is the machine's lateness and not the loop's."""
    own, late = np.array(found.own_ms), np.array(found.late_ms)
    return float(np.percentile(own - WAITED * (late - own), 99))


def bears(attacked: soak.Measured) -> None:
    """Check that the frame turned, that its board was fed, and that the loop was not held up."""
    assert attacked.turned
    assert attacked.hungry == 0
    assert own_ms(attacked) < soak.LOOP_ms


def test_a_neighbour_neither_starves_the_board_nor_holds_up_a_stop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(soak, "STOPS", 5)
    calm, attacked = asyncio.run(soak.measure(4.0, 0.5))
    bears(attacked)
    assert attacked.stopped
    for kind in ("kept", "fresh"):
        assert len(attacked.stop_ms[kind]) == 5
        assert min(attacked.stop_ms[kind]) < soak.STOP_ms + 10 * np.percentile(calm.late_ms, 99)


def test_a_neighbour_over_tls_does_not_starve_the_board(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its handshakes keep a busy machine's two other processes too long for presses to be timed
    here: the soak does that, and the next test with a smaller crowd."""
    monkeypatch.setattr(soak, "STOPS", 0)
    _, attacked = asyncio.run(soak.measure(4.0, 0.5, "https"))
    bears(attacked)


def test_stops_over_tls_are_answered_in_time_beside_a_smaller_crowd(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A tenth of the soak's connections, and a flood of each kind. Of five presses of each kind the
    second best counts, for the same reason as above: here it takes 10 to 30 ms."""
    monkeypatch.setattr(soak, "STOPS", 5)
    calm, attacked = asyncio.run(soak.measure(2.0, 0.5, "https", share=0.1))
    bears(attacked)
    assert attacked.stopped
    for kind in ("kept", "fresh"):
        assert len(attacked.stop_ms[kind]) == 5
        quick_ms = sorted(attacked.stop_ms[kind])[1]
        assert quick_ms < soak.STOP_ms + 10 * np.percentile(calm.late_ms, 99)


@contextmanager
def few_descriptors(spare: int) -> Iterator[Callable[[], None]]:
    """Yield a function; once called, this process can open only `spare` more files and sockets."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)

    def limit() -> None:
        there = {int(name) for name in os.listdir("/proc/self/fd")}
        free = (number for number in count() if number not in there)
        most = next(islice(free, spare, None))  # the kernel gives numbers below this one alone
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))

    try:
        yield limit
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


class Full(frozenset[int]):
    """Errors of a process that may open nothing more; counts how often one was met."""

    met = 0

    def __contains__(self, error: object) -> bool:
        Full.met += 1
        return super().__contains__(error)


def test_too_few_descriptors_over_tls_keep_no_stop_from_its_answer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Four descriptors are left when the crowd comes, and again when the phone does: the kernel
    refuses nearly every connection. The loop keeps running, the frame turns until the stop, and
    every press is answered."""
    usual = resource.getrlimit(resource.RLIMIT_NOFILE)
    run = soak._run
    monkeypatch.setattr(soak, "STOPS", 3)
    monkeypatch.setattr(connections, "FULL", Full(connections.FULL))
    with few_descriptors(4) as limit:

        async def run_beside(*words: str) -> asyncio.subprocess.Process:
            resource.setrlimit(resource.RLIMIT_NOFILE, usual)  # the pipes to the other process
            made = await run(*words)
            limit()
            return made

        monkeypatch.setattr(soak, "_run", run_beside)
        _, attacked = asyncio.run(soak.measure(2.0, 0.5, "https", share=0.1))
    bears(attacked)
    assert attacked.stopped
    assert {kind: len(times) for kind, times in attacked.stop_ms.items()} == {"kept": 3, "fresh": 3}
    assert Full.met > 10
