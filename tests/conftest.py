"""Fixtures and settings that all tests share."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

# Threads of linear algebra that wait for each other take the processor from the other tests. Set
# before numpy is imported; the commands that tests run inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

pytest_plugins = ["tests.support.castings"]

# On a busy machine tests are slow, not wrong.
settings.register_profile("house", deadline=None, print_blob=True)
settings.load_profile("house")


@pytest.fixture(scope="session", autouse=True)
def walls_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Compute each mesh of a mould and each film of a plan once for all workers.

    Both take seconds and follow from their arguments alone. Tests of remeshing and of the film
    itself call them directly, and so compute them each time."""
    from evenwall.geometry.film_mesh import remesh
    from evenwall.numerics import film
    from tests.support.known_films import FilmsOnce, Shared

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "walls"
    folder.mkdir(exist_ok=True)
    known = Shared(remesh, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("evenwall.geometry.film_mesh.remesh", known)
        patch.setattr("evenwall.planning.walls.remesh", known)
        patch.setattr("evenwall.planning.wall.film", FilmsOnce(Shared(film.coats, folder)))
        yield


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
    "tests/numerics/test_gel.py",
    "tests/cli/test_demo_killed.py",
    "tests/install/test_wheel.py",
    "tests/numerics/test_film_coats.py",
    "tests/simulation/test_blind_recorded.py",
    "tests/planning/test_search.py",
    "tests/planning/test_wall_as_laid.py",
    "tests/geometry/test_remeshing.py",
    "tests/reports/test_plan_report.py",
    "tests/planning/test_live_wall.py",
    "tests/contract/test_rig.py",
    "tests/numerics/test_gel_batches.py",
    "tests/firmware/test_chip.py",
    "tests/history/test_proof.py",
    "tests/install/test_service.py",
    "tests/browser/test_real.py",
    "tests/browser/test_library.py",
    "tests/browser/test_access.py",
    "tests/browser/test_three_coats.py",
    "tests/browser/test_walk.py",
    "tests/browser/test_line.py",
    "tests/browser/test_workflow.py",
)


def place(item: pytest.Item) -> tuple[bool, int]:
    """Return the rank of a test: browser tests come last, and the longest of each kind first."""
    file = item.nodeid.split("::")[0]
    rank = LONGEST.index(file) if file in LONGEST else len(LONGEST)
    return file.startswith("tests/browser/"), rank


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark tests by their file, and put them in order.

    `make test` has three parts: tests without a browser, on all cores; tests in a browser; and the
    tests marked `alone`. The last two run one after another. A browser test belongs to the second
    part unless it measures a time or the processor's load.

    Browser tests have processes of their own: Playwright keeps an event loop running in its thread
    until the end, so no other test in the process could then run a loop."""
    for item in items:
        if item.nodeid.startswith(ALONE):
            item.add_marker("alone")
        if item.nodeid.startswith("tests/browser/"):
            item.add_marker("browser")
    items.sort(key=place)
