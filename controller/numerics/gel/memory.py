"""Memory of a resin: knowledge from its batches, as plain data that the records store.

There are two separate kinds of knowledge. A touched batch (`gel.EarlierBatch`) gives the gel times
of cup and coat under known conditions. A learned resin (`gel.Learned`) is a Gaussian over rate,
start, activation energy, heat, orders, gel conversion and induction, from the probe's whole trace.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from evenwall.errors import RecordError
from evenwall.numerics import gel

VERSION = 3
# Before version 3 a trace's lesson rested on a narrower prior of the resin with another centre. The
# touched batches of such a memory are kept, its lesson from traces is not.
_READ = (1, 2, VERSION)
_OF_THE_MIX = {"no_reaction", "slow_reaction", "fast_reaction", "off_ratio"}
KEEP = 8  # batches; resins age, so old batches count less


@dataclass(frozen=True, slots=True)
class ResinMemory:
    """Batches of one resin, oldest first."""

    batches: tuple[gel.EarlierBatch, ...] = ()
    learned: gel.Learned | None = None


def case_with(memory: ResinMemory, case: gel.Case) -> gel.Case:
    """Return the case with the resin's memory added."""
    return replace(case, earlier=memory.batches, learned=memory.learned)


def lesson(state: gel.GelState) -> gel.EarlierBatch | None:
    """Return the lesson of a batch's touches; None without one, or where the mix was at fault."""
    kinds = set(gel.holding(gel.faults(state)))
    return None if kinds & _OF_THE_MIX else gel.touched_batch(state)


def with_batch(memory: ResinMemory, batch: gel.EarlierBatch | None) -> ResinMemory:
    """Return the memory with one more touched batch; the same memory for None."""
    return memory if batch is None else replace(memory, batches=(*memory.batches, batch)[-KEEP:])


def after(memory: ResinMemory, state: gel.GelState) -> ResinMemory:
    """Return the memory after a batch: with its touches, or else with the lesson of its trace. A
    mix at fault teaches nothing; where the probe was at fault only touches count.
    """
    batch = lesson(state)
    if batch is not None:
        # A touched batch is fitted again each time, so its trace must not be counted a second time.
        return with_batch(memory, batch)
    if any(kind != "cold_room" for kind in gel.holding(gel.faults(state))):
        return memory
    return replace(memory, learned=gel.learn(state))


def to_data(memory: ResinMemory) -> dict[str, Any]:
    """Return the memory as plain JSON data."""
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
    """Return the memory of JSON data. Raises RecordError for data of another kind or version."""
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
