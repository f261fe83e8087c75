"""A bad document from outside is refused in one line and does nothing else.

This test sends a few hundred, by seed; `make soak ARGS=gate` sends thousands to every entry.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from tests.faults.documents import ENTRIES, close_panel

MANY = 60


@pytest.fixture(autouse=True, scope="module")
def panel_is_closed() -> Iterator[None]:
    yield
    close_panel()


@pytest.mark.parametrize("entry", ENTRIES)
def test_a_spoilt_document_is_refused_or_sound(entry: str) -> None:
    taken = 0
    for seed in range(MANY):
        try:
            taken += ENTRIES[entry](random.Random(f"{entry}/{seed}"))
        except Exception as error:  # noqa: BLE001  the seed is what finds it again
            pytest.fail(f"{entry}, seed {seed}: {type(error).__name__}: {error}")
    assert taken < MANY, "nothing was spoilt"
