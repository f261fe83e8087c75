"""Memory of a resin: its batches, as plain data that the records store.

Two kinds of knowledge, kept apart. A touched batch (`gel.EarlierBatch`) says when cup and coat
gelled under known conditions. A learned resin (`gel.Learned`) is what the probe's whole trace said
of rate, start, activation energy, heat, orders, gel conversion and induction, as a Gaussian.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from evenwall.errors import RecordError
from evenwall.numerics import gel

VERSION = 3
# Before version 3 what a trace taught stood on a narrower belief in the resin and another centre of
# it: its touched batches are kept, that is not.
_READ = (1, 2, VERSION)
_OF_THE_MIX = {"no_reaction", "slow_reaction", "fast_reaction", "off_ratio"}
KEEP = 8  # batches; resins age, and old batches say less


@dataclass(frozen=True, slots=True)
class ResinMemory:
    """Batches of one resin, oldest first."""

    batches: tuple[gel.EarlierBatch, ...] = ()
    learned: gel.Learned | None = None


def case_with(memory: ResinMemory, case: gel.Case) -> gel.Case:
    """The case, sharpened by what the resin has taught."""
    return replace(case, earlier=memory.batches, learned=memory.learned)


def lesson(state: gel.GelState) -> gel.EarlierBatch | None:
    """Return what the touches of a batch teach; None without one, or where the mix was at fault."""
    kinds = set(gel.holding(gel.faults(state)))
    return None if kinds & _OF_THE_MIX else gel.touched_batch(state)


def with_batch(memory: ResinMemory, batch: gel.EarlierBatch | None) -> ResinMemory:
    """The memory and one touched batch more; the same memory for None."""
    return memory if batch is None else replace(memory, batches=(*memory.batches, batch)[-KEEP:])


def after(memory: ResinMemory, state: gel.GelState) -> ResinMemory:
    """The memory once a batch is done: its touches, or else what its trace said. A mix at fault
    teaches nothing; where the probe was at fault only touches count.
    """
    batch = lesson(state)
    if batch is not None:
        # A touched batch is fitted anew each time, so its trace must not be counted a second time.
        return with_batch(memory, batch)
    if any(kind != "cold_room" for kind in gel.holding(gel.faults(state))):
        return memory
    return replace(memory, learned=gel.learn(state))


def to_data(memory: ResinMemory) -> dict[str, Any]:
    """Plain JSON data."""
    learned = memory.learned
    return {
        "kind": "evenwall/resin-memory",
        "version": VERSION,
        "batches": [asdict(batch) for batch in memory.batches],
        "learned": None
        if learned is None
        else {"rows": np.asarray(learned.rows).tolist(), "off": np.asarray(learned.off).tolist()},
    }


def from_data(data: dict[str, Any]) -> ResinMemory:
    """Raises RecordError for data of another kind or version."""
    if data.get("kind") != "evenwall/resin-memory" or data.get("version") not in _READ:
        raise RecordError(f"a resin's memory must be evenwall/resin-memory version {VERSION}")
    try:
        batches = tuple(gel.EarlierBatch(**batch) for batch in data["batches"])
        learned = data["learned"]
        if learned is None or data["version"] < VERSION:
            return ResinMemory(batches)
        rows, off = (np.array(learned[name], dtype=float) for name in ("rows", "off"))
        return ResinMemory(batches, gel.Learned(rows, off))
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(f"a resin's memory cannot be read: {error}") from None
