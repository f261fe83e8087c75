"""Shared by every room's tests."""

from __future__ import annotations

import pytest
from hypothesis import settings

# A busy machine is slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Browser tests come last: playwright keeps an event loop running in its thread to the end,
    beside which no other test could run one of its own."""
    items.sort(key=lambda item: "tests/browser/" in item.nodeid)
