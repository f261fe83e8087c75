"""A plan's seal: the hash of its content, by which a change that nobody meant is seen.

It guards against a slip in an editor and a damaged file. Whoever changes a plan on purpose seals it
anew (`evenwall seal`), and the gate checks it like any other.
"""

from __future__ import annotations

import hashlib
import json

from evenwall.errors import InputError
from evenwall.model.plan import Plan


def digest(plan: Plan) -> str:
    """Return the SHA-256 of a plan's content: JSON with sorted names, without spaces, as UTF-8.

    Left out is what differs between machines that hold the same plan: the path of the mesh (its
    content has a hash of its own, in `geometry`), the board's port and the broker.
    """
    content = plan.model_dump(mode="json", exclude={"sha256": True, "rig": {"port", "mqtt"}})
    del content["casting"]["mesh"]
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def sealed(plan: Plan) -> Plan:
    """Return the plan with the seal of its content."""
    return plan.model_copy(update={"sha256": digest(plan)})


def untouched(plan: Plan) -> None:
    """Raises InputError where a plan's seal is not that of its content. One without a seal passes:
    what only reads it tells so."""
    if plan.sha256 and plan.sha256 != digest(plan):
        hint = "plan the casting again; or, if the change was meant, run `evenwall seal PLAN.json`"
        limit = "is not the hash of its content: the plan was changed after it was made"
        raise InputError("sha256", plan.sha256[:12], limit, hint=hint)


def has_seal(plan: Plan) -> None:
    """Raises InputError where a plan has no seal, or not that of its content: nobody would see what
    a disk, an editor or a wire changed in it. One of an earlier version is sealed by a person."""
    if not plan.sha256:
        hint = "look through it, then run `evenwall seal PLAN.json`"
        limit = "is required: the plan is of an earlier version, or was written by hand"
        raise InputError("sha256", "missing", limit, hint=hint)
    untouched(plan)
