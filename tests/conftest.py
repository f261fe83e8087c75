"""Shared by every room's tests."""

from __future__ import annotations

import pytest
from hypothesis import settings

# A busy machine is slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")


# These fill the machine by themselves, or measure time as a person would feel it.
ALONE = ("tests/browser/", "tests/faults/test_castings.py", "tests/faults/test_kill.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """`make test` runs what is not marked alone on all cores, then the rest one after another.

    Browser tests come last: playwright keeps an event loop running in its thread to the end,
    beside which no other test could run one of its own."""
    for item in items:
        if item.nodeid.startswith(ALONE):
            item.add_marker("alone")
    items.sort(key=lambda item: "tests/browser/" in item.nodeid)
