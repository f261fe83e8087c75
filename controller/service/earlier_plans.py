"""Plans made before, kept beside the record in short: a new search begins with their spins."""

from __future__ import annotations

import contextlib
import hashlib
from typing import Any

from pydantic import ValidationError

from evenwall.model import Plan
from evenwall.planning.earlier import Earlier, earlier_of
from evenwall.service.port import RecordPort

NOTES = "earlier-plan:"  # by mould, resin and coats: a newer plan of the same takes its place
MOST = 200  # that a search is given


class EarlierPlans:
    """Keeps what a plan leaves to later searches, and hands it out."""

    def __init__(self, records: RecordPort) -> None:
        self._records = records

    def keep(self, plan: Plan) -> None:
        """Keep a plan's spins; one without a search leaves nothing."""
        found = earlier_of(plan)
        if found is not None:
            which = f"{plan.geometry.mesh_sha256} {plan.casting.resin.name} {found.coats}"
            name = hashlib.sha256(which.encode()).hexdigest()[:24]
            self._records.keep(f"{NOTES}{name}", found.model_dump_json())

    async def arguments(self) -> dict[str, Any]:
        """Return the earlier plans, as arguments of a planner."""
        notes = await self._records.read(lambda journal: journal.notes(NOTES))
        found = []
        for text in list(notes.values())[-MOST:]:
            with contextlib.suppress(ValidationError):  # of another version: planned anew some day
                found.append(Earlier.model_validate_json(text))
        return {"earlier": tuple(found)} if found else {}
