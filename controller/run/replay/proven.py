"""Data that a record and a plan keep of a proven spin."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from evenwall.errors import InputError
from evenwall.model import (
    MOST_COATS,
    Frozen,
    Grams,
    Hash,
    Moment_s,
    Plan,
    Ramp,
    StartAngles,
    parse,
)
from evenwall.run.replay.cure_path import CureTable

RunId = Annotated[str, Field(min_length=1, max_length=120)]
DETAIL = "replay"  # a replayed plan keeps its ReplayPlan in `Plan.details` under this name


class ProvenCoat(Frozen):
    """Turning of a coat over its cure, as a replay needs it."""

    coat: Annotated[int, Field(ge=1, le=MOST_COATS)]
    part_a_g: Grams
    part_b_g: Grams
    poured_s: Moment_s
    spin_from_s: Moment_s
    start_deg: StartAngles
    ramps: Annotated[tuple[Ramp, ...], Field(min_length=1, max_length=20_000)]
    # gel time found over that expected from the resin's sheet
    gel_ratio: Annotated[float, Field(ge=0.01, le=100)] = 1.0
    # of the mould itself while the coat cured; None in records of an earlier version: same as the
    # room
    mould_degC: Annotated[float, Field(ge=-50, le=100)] | None = None
    cure: CureTable


class ProvenRun(Frozen):
    """Data kept of a proven run for running it again."""

    run_id: RunId
    sha256: Hash
    coats: Annotated[tuple[ProvenCoat, ...], Field(min_length=1, max_length=MOST_COATS)]


class ReplayCoat(Frozen):
    """A proven coat with the values expected for today when the replay was planned."""

    proven: ProvenCoat
    today: CureTable


class ReplayPlan(Frozen):
    run_id: RunId
    sha256: Hash
    # relative fall of the viscosity per kelvin, at the same conversion
    thinning_1_K: Annotated[float, Field(ge=-1, le=1)]
    coats: Annotated[tuple[ReplayCoat, ...], Field(min_length=1, max_length=MOST_COATS)]


def replay_of(plan: Plan) -> ReplayPlan:
    """Return the data of the proven run in a replayed plan. Raises InputError."""
    detail = parse(ReplayPlan, plan.details[DETAIL], f"plan.details.{DETAIL}")
    if len(detail.coats) != len(plan.coats):
        limit = f"must be one for each coat of the plan, {len(plan.coats)}"
        raise InputError(f"details.{DETAIL}.coats", len(detail.coats), limit)
    return detail
