"""Shared by every room's tests."""

from __future__ import annotations

import pytest
from hypothesis import settings

pytest_plugins = ["tests.support.castings"]

# A busy machine is slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")


# These fill the machine by themselves, or measure time as a person would feel it.
ALONE = (
    "tests/browser/",
    "tests/faults/test_castings.py",
    "tests/faults/test_kill.py",
    "tests/faults/test_neighbour.py",
)

# A worker takes a whole file (what its tests share is made once). These take longest: begun last,
# one of them would keep one core busy and the others waiting.
LONGEST = (
    "tests/docs/test_docs.py",
    "tests/planning/test_search.py",
    "tests/contract/test_rig.py",
    "tests/numerics/test_gel_batches.py",
    "tests/cli/test_demo_killed.py",
    "tests/firmware/test_chip.py",
    "tests/history/test_proof.py",
    "tests/install/test_service.py",
)


def place(item: pytest.Item) -> int:
    """Rank of a test: the longest first, then the others, then those in a browser."""
    file = item.nodeid.split("::")[0]
    if file in LONGEST:
        return LONGEST.index(file)
    return len(LONGEST) + file.startswith("tests/browser/")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """`make test` runs what is not marked alone on all cores, then the rest one after another.

    Browser tests come last: playwright keeps an event loop running in its thread to the end,
    beside which no other test could run one of its own."""
    for item in items:
        if item.nodeid.startswith(ALONE):
            item.add_marker("alone")
    items.sort(key=place)
