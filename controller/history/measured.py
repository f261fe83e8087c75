"""Measured castings of a mould and a resin: what their walls say, read once and kept as notes."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from evenwall.errors import EvenwallError
from evenwall.history.laid import as_laid
from evenwall.history.recorded import Recorded
from evenwall.history.spots import PLACES
from evenwall.model import Measured, Plan, Resin
from evenwall.planning.wall_rows import NEWEST, Found, Gauged, WallSaid
from evenwall.records.journal import Journal

WALL_NOTES = "wall-said:"  # before the run's name
log = logging.getLogger(__name__)

ReadWall = Callable[[Plan, Found, str], WallSaid]


@dataclass(frozen=True)
class Unread:
    """A measured casting whose wall nobody has read yet."""

    run_id: str
    laid: Plan
    found: Found


def in_resin(journal: Journal, run_ids: list[str], resin: Resin) -> list[str]:
    """Return the newest of these runs that were cast in this resin, oldest first."""
    known = set(journal.run_ids())
    found: list[str] = []
    for run_id in reversed(run_ids):
        if len(found) == NEWEST:
            break
        if run_id in known:
            cast_in = journal.plan(run_id).casting.resin
            if (cast_in.name, cast_in.sheet) == (resin.name, resin.sheet):
                found.append(run_id)
    return found[::-1]


def said_by(
    journal: Journal, run_id: str, fresh: Mapping[str, str] | None = None
) -> WallSaid | None:
    """Return what a casting's wall said, or None if it was not read yet. fresh: notes that are not
    in the journal."""
    name = f"{WALL_NOTES}{run_id}"
    kept = (fresh or {}).get(name) or journal.note(name)
    if kept is None:
        return None
    try:
        return WallSaid.model_validate_json(kept)
    except ValueError:
        return None  # from another version: it is read again


def unread(journal: Journal, run_ids: list[str], resin: Resin) -> list[Unread]:
    """Return the castings whose walls are still to be read, as they were laid and measured. A run
    without a whole wall is left out. Raises RecordError."""
    found = []
    for run_id in in_resin(journal, run_ids, resin):
        if said_by(journal, run_id) is None:
            run = Recorded.read(journal, run_id)
            laid, lost = as_laid(run)
            proof = run.proof
            if proof is not None and not lost:
                gels_s = tuple(coat.gel_coat_s for coat in run.state.coats)
                found.append(Unread(run_id, laid, found_by(proof.measured, gels_s)))
    return found


def found_by(measured: Measured, gels_s: tuple[float | None, ...] = ()) -> Found:
    """Return a maker's measures for the planner; a spot at an unknown place says nothing."""
    gauged = []
    for spot in measured.spots:
        if spot.up_mm is not None and spot.round_deg is not None:
            gauged.append(Gauged(spot.wall_mm, point=(spot.up_mm, spot.round_deg)))
        elif spot.where in PLACES:
            gauged.append(Gauged(spot.wall_mm, band=PLACES[spot.where]))
    return Found(measured.weight_g, measured.lid_g, measured.rim_mm, tuple(gauged), gels_s)


def read_all(some: list[Unread], work: ReadWall) -> dict[str, str]:
    """Read these walls; return them as notes of the journal, name to text.

    work: `planning.measured_wall.read_wall`. A wall that cannot be computed is kept as one that
    says nothing, so that it is not tried again.
    """
    notes = {}
    for one in some:
        try:
            said = work(one.laid, one.found, one.run_id)
        except EvenwallError as error:
            log.warning("nothing is learnt from the wall of run %s: %s", one.run_id, error)
            mean_mm = one.laid.wall.mean_mm
            said = WallSaid(run_id=one.run_id, mean_mm=mean_mm, local=0.0, reach_m=1.0, rows=())
        notes[f"{WALL_NOTES}{one.run_id}"] = said.model_dump_json()
    return notes
