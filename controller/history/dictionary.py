"""Meaning and unit of every column of an exported run, written beside the tables.

`datapackage.json` is a Data Package with Table Schemas (Data Package 2.0 and Table Schema 2.0,
https://datapackage.org). Parquet columns carry the same unit and description as field metadata.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["number", "integer", "string", "datetime", "object"]


@dataclass(frozen=True)
class Column:
    """One column: its name in the files, its name in the record, kind, unit and meaning."""

    name: str
    kind: Kind
    unit: str
    meaning: str
    required: bool = False
    recorded_as: str | None = None  # None: the same name

    @property
    def field(self) -> str:
        """Return the name of the field that the record keeps."""
        return self.recorded_as or self.name


# A separate column in UTC, since all other times of the record are by the rig's own clock.
UTC = Column("utc", "datetime", "", "The same moment in UTC, by the computer's civil clock.")

EVENTS = (
    Column("at_s", "number", "s", "Time on the rig's clock, which never jumps.", required=True),
    UTC,
    Column("kind", "string", "", "The event's kind.", required=True),
    Column("data_json", "object", "", "What the event carries, as JSON; units end the names."),
)

SAMPLES = (
    Column("at_s", "number", "s", "Time on the rig's clock, which never jumps.", required=True),
    UTC,
    Column("coat", "integer", "", "Number of the coat, from 1.", required=True),
    Column(
        "time_s",
        "number",
        "s",
        "Time since the coat's two parts met.",
        recorded_as="coat_time_s",
    ),
    Column("probe_degC", "number", "degC", "Temperature of the probe in the witness cup."),
    Column("room_degC", "number", "degC", "Temperature of the air in the room."),
    Column("mould_degC", "number", "degC", "Temperature of the mould's outside."),
    Column("major_rpm", "number", "rpm", "Rate of the major axis."),
    Column("minor_rpm", "number", "rpm", "Rate of the minor axis."),
    Column("major_deg", "number", "deg", "Angle of the major axis; at 0 the minor is upright."),
    Column("minor_deg", "number", "deg", "Angle of the minor axis."),
    Column("gel_best_s", "number", "s", "Best estimate of the coat's gel, on the scale of time_s."),
    Column("gel_low_s", "number", "s", "The coat gels later than this with a chance of 95 %."),
    Column("gel_high_s", "number", "s", "The coat gels sooner than this with a chance of 95 %."),
)


def _described(column: Column) -> dict[str, Any]:
    kind = column.kind
    field: dict[str, Any] = {"name": column.name, "type": kind, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    if column.required:
        field["constraints"] = {"required": True}
    return field


def package(run_id: str, title: str, formats: tuple[str, ...]) -> dict[str, Any]:
    """Return the Data Package of an exported run that has its tables in these formats."""
    tables = {"events": EVENTS, "samples": SAMPLES}
    resources = [
        {
            "name": f"{name}-{kind}" if len(formats) > 1 else name,
            "type": "table",
            "path": f"{name}.{kind}",
            "format": kind,
            "mediatype": "text/csv" if kind == "csv" else "application/vnd.apache.parquet",
            **({"encoding": "utf-8"} if kind == "csv" else {}),
            "schema": {
                "fields": [_described(column) for column in columns],
                "missingValues": [""],
            },
        }
        for name, columns in tables.items()
        for kind in formats
    ]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        # The standard allows lower-case letters, digits, '.', '_', '-' and '/' in names.
        "name": re.sub(r"[^a-z0-9._-]+", "-", f"run-{run_id}".lower()),
        "title": title,
        "description": "One casting. An empty cell stands for what is not known.",
        "resources": resources,
    }
