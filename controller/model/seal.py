"""A plan's seal: the hash of its content, which shows a change by accident.

It guards against a slip in an editor and a damaged file. A person who changes a plan on purpose
seals it again (`evenwall seal`), and the gate checks it like any other.
"""

from __future__ import annotations

import hashlib
import json

from evenwall.errors import InputError
from evenwall.model.plan import Plan


def digest(plan: Plan) -> str:
    """Return the SHA-256 of a plan's content: JSON with sorted names, without spaces, as UTF-8.

    It leaves out the fields that differ between machines with the same plan: the path of the mesh
    (its content has a hash of its own, in `geometry`), the board's port and the broker. It also
    leaves out whether the rig may change a spin.
    """
    own = {"port", "mqtt", "spin_changes"}
    content = plan.model_dump(mode="json", exclude={"sha256": True, "rig": own})
    del content["casting"]["mesh"]
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def sealed(plan: Plan) -> Plan:
    """Return the plan with the seal of its content."""
    return plan.model_copy(update={"sha256": digest(plan)})


def untouched(plan: Plan) -> None:
    """Raise InputError if a plan's seal is not that of its content. A plan without a seal passes:
    commands that only read it report that."""
    if plan.sha256 and plan.sha256 != digest(plan):
        hint = (
            "plan the casting again; or, if the change was intended, run `evenwall seal PLAN.json`"
        )
        limit = "does not match the content: the plan was changed after it was made"
        raise InputError("sha256", plan.sha256[:12], limit, hint=hint)


def has_seal(plan: Plan) -> None:
    """Raise InputError if a plan has no seal, or not that of its content: a change by a disk, an
    editor or a network would go unnoticed. A person seals a plan of an earlier version."""
    if not plan.sha256:
        hint = "check it, then run `evenwall seal PLAN.json`"
        limit = "is required: the plan is of an earlier version, or was written by hand"
        raise InputError("sha256", "missing", limit, hint=hint)
    untouched(plan)
