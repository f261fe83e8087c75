"""Fixtures and settings that all tests share."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

# Threads of linear algebra that wait for each other take the processor from the other tests. Set
# before numpy is imported; the commands that tests run inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

pytest_plugins = ["tests.support.castings"]

# On a busy machine tests are slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")


# These use the whole machine, or measure times that a person would notice.
ALONE = (
    "tests/browser/test_idle.py",
    "tests/browser/test_speed.py",
    "tests/faults/test_castings.py",
    "tests/faults/test_kill.py",
    "tests/faults/test_neighbour.py",
)

# A worker takes a whole file, because its tests share fixtures. These files take longest: if one
# began last, it would keep one core busy while the others wait.
LONGEST = (
    "tests/docs/test_docs.py",
    "tests/planning/test_search.py",
    "tests/contract/test_rig.py",
    "tests/numerics/test_gel_batches.py",
    "tests/cli/test_demo_killed.py",
    "tests/install/test_wheel.py",
    "tests/firmware/test_chip.py",
    "tests/history/test_proof.py",
    "tests/install/test_service.py",
    "tests/browser/test_real.py",
    "tests/browser/test_walk.py",
    "tests/browser/test_access.py",
    "tests/browser/test_library.py",
    "tests/browser/test_workflow.py",
)


def place(item: pytest.Item) -> tuple[bool, int]:
    """Return the rank of a test: browser tests come last, and the longest of each kind first."""
    file = item.nodeid.split("::")[0]
    rank = LONGEST.index(file) if file in LONGEST else len(LONGEST)
    return file.startswith("tests/browser/"), rank


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """`make test` runs the tests without a browser on all cores and then, one after another, those
    in a browser and those that are marked alone.

    Playwright keeps an event loop running in its thread until the end, so no other test in the
    process could then run a loop."""
    for item in items:
        if item.nodeid.startswith(ALONE):
            item.add_marker("alone")
        if item.nodeid.startswith("tests/browser/"):
            item.add_marker("browser")
    items.sort(key=place)
