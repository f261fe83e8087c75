"""`evenwall seal`: check a plan that was changed on purpose, and seal it again."""

from __future__ import annotations

import argparse
import os

from evenwall.errors import InputError
from evenwall.model import read_plan
from evenwall.model.seal import digest, sealed


def seal(args: argparse.Namespace) -> int:
    """Write the hash of the plan's content into it. A plan that no run could follow is refused."""
    plan = read_plan(args.plan)
    if plan.sha256 == digest(plan):
        print(f"{args.plan} already has a valid seal.")
        return 0
    beside = args.plan.with_name(f".{args.plan.name}.new")
    try:
        with beside.open("w", encoding="utf-8") as file:
            file.write(sealed(plan).model_dump_json(indent=1))
            file.flush()
            os.fsync(file.fileno())
        beside.replace(args.plan)
    except OSError as error:
        raise InputError("file", args.plan, error.strerror or "cannot be written") from None
    print(f"{args.plan} is sealed. `evenwall wall` computes its wall again.")
    return 0
