"""Short forms of earlier plans, kept beside the record: a new search begins with their spins."""

from __future__ import annotations

import contextlib
import hashlib
from typing import Any

from pydantic import ValidationError

from evenwall.model import Plan
from evenwall.planning.earlier import Earlier, earlier_of
from evenwall.service.port import RecordPort

NOTES = "earlier-plan:"  # by mould, resin and coats: a newer plan replaces an older one
MOST = 200  # earlier plans given to a search


class EarlierPlans:
    """Keeps the spins of plans for later searches, and returns them."""

    def __init__(self, records: RecordPort) -> None:
        self._records = records

    def keep(self, plan: Plan) -> None:
        """Keep a plan's spins; a plan made without a search has none to keep."""
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
            with contextlib.suppress(ValidationError):  # from another version
                found.append(Earlier.model_validate_json(text))
        return {"earlier": tuple(found)} if found else {}
