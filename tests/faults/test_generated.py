"""Plans and journals made by hypothesis: a plan is refused or valid, and a journal opens.

`tests.faults.documents` and `tests.faults.folders` draw from lists of known faults. Here any JSON
value may be in any place, and a failing case is reduced until it is readable.
"""

from __future__ import annotations

import copy
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenwall.errors import InputError
from evenwall.model import Plan, parse
from evenwall.model.seal import sealed
from evenwall.run.gate import admit
from tests.faults.documents import good_plan, one_line
from tests.faults.folders import come_up, good_folder
from tests.support.hostile import places
from tests.support.virtual_shop import sample_rig

LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=40)
    | st.sampled_from((2**53, -0.0, 1e308, 5e-324))
)
ANY = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=8,
)
# The same cases every time: new findings belong to the soak test, not to an unrelated change.
steady = settings(derandomize=True)


def put(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    """Return a copy with another value in this place."""
    if not path:
        return value
    changed = copy.deepcopy(document)
    holder = changed
    for part in path[:-1]:
        holder = holder[part]
    holder[path[-1]] = value
    return changed


@settings(steady, max_examples=300)
@given(st.lists(st.tuples(st.sampled_from(places(good_plan())), ANY), min_size=1, max_size=2))
def test_a_plan_with_any_value_in_any_place_is_refused_or_sound(
    changes: list[tuple[tuple[Any, ...], Any]],
) -> None:
    plan: Any = good_plan()
    for path, value in changes:
        if path == () or path in places(plan):  # the first change may have taken the place away
            plan = put(plan, path, value)
    try:
        found = admit(parse(Plan, plan, "plan"), sample_rig())
    except InputError as error:
        one_line(error)
        return
    text = sealed(found).model_dump_json()
    assert Plan.model_validate_json(text) == sealed(found)
    json.dumps(json.loads(text), allow_nan=False)


COLUMNS = ("at_s", "utc", "kind", "data", "run_id")
CHANGES = st.one_of(
    st.tuples(st.just("drop"), st.none(), st.none()),
    st.tuples(st.just("set"), st.sampled_from(COLUMNS), LEAVES.filter(lambda one: one is not None)),
    st.tuples(st.just("data"), st.integers(0, 9), ANY),
    st.tuples(st.just("swap"), st.sampled_from(COLUMNS), st.integers(1, 30)),
)


def change(db: sqlite3.Connection, number: int, what: str, where: Any, value: Any) -> None:
    """Change one row of the journal, as a bad card or a wrong hand does."""
    rows = [row for (row,) in db.execute("SELECT event_id FROM events ORDER BY event_id")]
    row = rows[number % len(rows)]
    if what == "drop":
        db.execute("DELETE FROM events WHERE event_id = ?", (row,))
        return
    if what == "swap":
        other = rows[(number + value) % len(rows)]
        both = f"SELECT {where} FROM events WHERE event_id = ?"
        (mine,), (theirs,) = (db.execute(both, (one,)).fetchone() for one in (row, other))
        for one, content in ((row, theirs), (other, mine)):
            db.execute(f"UPDATE events SET {where} = ? WHERE event_id = ?", (content, one))
        return
    if what == "data":
        text = db.execute("SELECT data FROM events WHERE event_id = ?", (row,)).fetchone()[0]
        try:
            found = json.loads(text)
        except (TypeError, ValueError):
            return  # an earlier change took it
        path = places(found)[where % len(places(found))]
        where, value = "data", json.dumps(put(found, path, value))
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        value = str(value)
    db.execute(f"UPDATE events SET {where} = ? WHERE event_id = ?", (value, row))


@pytest.fixture(scope="module", autouse=True)
def run_folders() -> Any:
    """Keep the fallback of the record away from this machine's own."""
    with TemporaryDirectory() as scratch, pytest.MonkeyPatch.context() as patch:
        for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
            patch.setenv(name, scratch)
        yield


@settings(steady, max_examples=20)
@given(st.lists(st.tuples(st.integers(0, 10**6), CHANGES), min_size=1, max_size=4))
def test_a_journal_with_any_value_in_any_row_opens(
    changes: list[tuple[int, tuple[str, Any, Any]]],
) -> None:
    with TemporaryDirectory() as scratch:
        folder = Path(shutil.copytree(good_folder(), Path(scratch) / "data"))
        with closing(sqlite3.connect(folder / "record.sqlite")) as db:
            for number, one in changes:
                try:
                    change(db, number, *one)
                except (sqlite3.IntegrityError, UnicodeEncodeError):
                    continue  # SQLite itself does not keep it
            db.commit()
        assert come_up(folder)
