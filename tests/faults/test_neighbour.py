"""A hostile neighbour beside a turning coat: `tests.soak.soak_neighbour`, for a few seconds.

The soak holds the promised figures (20 ms at p99.9, 250 ms for a stop). Here the machine may be
busy with other tests, so the tail of the loop's own work is held at p99, and the stop's median.
"""

from __future__ import annotations

import asyncio
from statistics import median

import numpy as np
import pytest

from tests.soak import soak_neighbour as soak


def test_a_neighbour_neither_starves_the_board_nor_holds_up_a_stop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(soak, "STOPS", 5)
    _, attacked = asyncio.run(soak.measure(4.0, 0.5))
    assert attacked.turned
    assert attacked.hungry == 0
    assert attacked.stopped
    assert np.percentile(attacked.own_ms, 99) < soak.LOOP_ms
    assert len(attacked.stop_ms) == 5
    assert median(attacked.stop_ms) < soak.STOP_ms
