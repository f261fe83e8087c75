"""`evenwall gel TRACE --case CASE`: read a logged exotherm row by row, without look-ahead."""

from __future__ import annotations

import csv
import gzip
import io
import math
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, Field
from pydantic_core import PydanticCustomError

from evenwall.errors import InputError, OutsideValidity
from evenwall.model import Frozen, Positive, RoomTemp_degC, Sheet, Typed, parse, read_toml
from evenwall.numerics import cure, gel
from evenwall.planning.batch import cure_sheet
from evenwall.planning.in_words import clock_words
from evenwall.units import degC, kelvin, kilograms, metres

SAID_EVERY_S = 10.0
HOT_ROOM_K = kelvin(45.0)  # no resin is poured above this; 70 degF or 294 K read as degC are higher
COLUMNS = ("time_s", "probe_degC", "ambient_degC")


def _listed(material: str) -> str:
    try:
        cure.wall_material(material)
    except OutsideValidity as error:
        raise PydanticCustomError("material", "{limit}", {"limit": error.limit}) from None
    return material


WallMaterial = Annotated[str, AfterValidator(_listed)]
Cup_g = Annotated[float, Field(ge=5, le=5000)]  # validity range of the cup's heat balance


class TouchEntry(Typed):
    what: Literal["cup", "coat"]
    at_s: Positive


class EarlierEntry(Typed):
    ambient_degC: RoomTemp_degC
    poured_at_s: Annotated[float, Field(ge=0)]
    cup_mass_g: Cup_g | None = None
    coat_mm: Annotated[float, Field(ge=0.1, le=20)] = 1.3
    wall_mm: Annotated[float, Field(ge=1, le=100)] = 12.0
    wall_material: WallMaterial = "silicone rubber"
    mould_temp_degC: RoomTemp_degC | None = None
    cup_touch_s: Positive | None = None
    coat_touch_s: Positive | None = None


class CaseEntry(Typed):
    placement: Literal["cup", "coat"]
    probe: Literal["digital_1wire", "thermocouple_k", "infrared"]
    cup_mass_g: Cup_g | None = None
    coat_mm: Annotated[float, Field(ge=0.1, le=20)] = 1.3
    wall_mm: Annotated[float, Field(ge=1, le=100)] = 12.0
    wall_material: WallMaterial = "silicone rubber"
    mould_temp_degC: RoomTemp_degC | None = None
    poured_at_s: Annotated[float, Field(ge=0)]
    probe_in_at_s: Annotated[float, Field(ge=0)] | None = None


class CaseFile(Frozen):
    """CASE.toml: facts that the user knows."""

    sheet: Sheet
    case: CaseEntry
    touch: tuple[TouchEntry, ...] = ()
    earlier_batch: tuple[EarlierEntry, ...] = ()


@dataclass(frozen=True)
class Reading:
    """Result of a whole trace: the output document, and the data of the plot."""

    output: dict[str, Any]
    rows: tuple[gel.Row, ...]
    last: gel.GelEstimate
    placement: gel.What


def _kelvin(temp_degC: float | None) -> float | None:
    return None if temp_degC is None else kelvin(temp_degC)


def si_case(file: CaseFile) -> gel.Case:
    """Case in SI units."""
    case, sheet = file.case, cure_sheet(file.sheet)
    earlier = tuple(
        gel.EarlierBatch(
            ambient_K=kelvin(batch.ambient_degC),
            pour_s=batch.poured_at_s,
            cup_mass_kg=kilograms(batch.cup_mass_g or file.sheet.pot_life_mass_g),
            coat_m=metres(batch.coat_mm),
            wall_m=metres(batch.wall_mm),
            wall_material=batch.wall_material,
            mould_K=_kelvin(batch.mould_temp_degC),
            cup_gel_s=batch.cup_touch_s,
            coat_gel_s=batch.coat_touch_s,
        )
        for batch in file.earlier_batch
        if batch.cup_touch_s is not None or batch.coat_touch_s is not None
    )
    return gel.Case(
        sheet=sheet,
        placement=case.placement,
        probe=case.probe,
        coat_m=metres(case.coat_mm),
        wall_m=metres(case.wall_mm),
        wall_material=case.wall_material,
        pour_s=case.poured_at_s,
        cup_mass_kg=None if case.cup_mass_g is None else kilograms(case.cup_mass_g),
        mould_K=_kelvin(case.mould_temp_degC),
        probe_in_s=case.probe_in_at_s,
        in_air_before=case.probe_in_at_s is not None,
        earlier=earlier,
    )


def _cell(text: str | None, name: str, path: Path, line: int) -> float | None:
    if text is None or not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        where = f"{path}:{line}"
        raise InputError(name, text, "must be a number or empty", file=where) from None
    return value if math.isfinite(value) else None


LONGEST_LINE = 10_000  # characters: a row has three numbers, and perhaps other columns


def _lines(text: io.TextIOWrapper, path: Path) -> Iterator[str]:
    """Yield lines, each cut to the longest possible row: a file may have no line breaks."""
    while line := text.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise InputError(
                "line", "longer", f"must be under {LONGEST_LINE} characters", file=str(path)
            )
        yield line


def read_trace(path: Path) -> Iterator[gel.Row]:
    """Yield rows of TRACE.csv or TRACE.csv.gz in turn. Raises InputError naming file and line."""
    try:
        with gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb") as raw:
            text = io.TextIOWrapper(raw, encoding="utf-8-sig", newline="")
            table = csv.DictReader(_lines(text, path))
            missing = [name for name in COLUMNS if name not in (table.fieldnames or ())]
            if missing:
                there = ", ".join(table.fieldnames or ()) or "nothing"
                hint = f"the first line holds {there}; separate the columns with commas"
                raise InputError("column", missing[0], "is missing", file=str(path), hint=hint)
            last_s = -math.inf
            for record in table:
                if any(record.get(None) or ()):  # cells beyond the last named column
                    raise InputError(
                        "row", f"{len(record) - 1 + len(record[None])} cells",
                        f"must be {len(record) - 1}, as the first line has",
                        file=f"{path}:{table.line_num}", hint="decimals are written with a point",
                    )  # fmt: skip
                values = [_cell(record[name], name, path, table.line_num) for name in COLUMNS]
                time_s, probe_degC, ambient_degC = values
                if time_s is None or time_s < last_s:
                    where = f"{path}:{table.line_num}"
                    raise InputError(
                        "time_s", record["time_s"], "must be a number, not below the row before",
                        unit="s", file=where,
                    )  # fmt: skip
                last_s = time_s
                yield gel.Row(time_s, _kelvin(probe_degC), _kelvin(ambient_degC))
    except (OSError, EOFError, UnicodeDecodeError, csv.Error, zlib.error) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError("file", path, f"cannot be read: {why}") from None


def run(trace_path: Path, case_path: Path) -> dict[str, Any]:
    """Return the gel output document. Raises InputError, OutsideValidity, NotConverged."""
    return follow(trace_path, case_path).output


def times_words(last: gel.GelEstimate) -> str:
    """Gel times in words, since the parts met. A mix that does not react has no gel time."""
    if "no_reaction" in gel.holding(last.faults):
        return "Nothing reacts, so there is no time to stop at."
    best, low, high, safe = (
        clock_words(t) for t in (last.best_s, last.low_s, last.high_s, last.safe_to_stop_s)
    )
    said = f"Gel of the coat at {best} after the parts met (90 % band {low} to {high})"
    if last.called_s is None:
        return f"{said}; safe to stop from {safe}."
    return f"{said}; called gelled at {clock_words(last.called_s)}."


def _known(model: type[BaseModel], table: Any, ignored: list[str], path: str = "") -> Any:
    """Return the table without keys that its model lacks.

    Such keys are noted and not refused, so that a case may contain its owner's remarks.
    """
    if isinstance(table, list):
        return [_known(model, entry, ignored, path) for entry in table]
    if not isinstance(table, dict):
        return table
    ignored += [path + key for key in table if key not in model.model_fields]
    kept = {key: value for key, value in table.items() if key in model.model_fields}
    return {
        key: _known(_TABLES[key], value, ignored, f"{key}.") if key in _TABLES else value
        for key, value in kept.items()
    }


_TABLES: dict[str, type[BaseModel]] = {
    "sheet": Sheet,
    "case": CaseEntry,
    "touch": TouchEntry,
    "earlier_batch": EarlierEntry,
}


def follow(trace_path: Path, case_path: Path) -> Reading:
    """Read every row in order, and use each touch from its time on."""
    ignored: list[str] = []
    file = parse(CaseFile, _known(CaseFile, read_toml(case_path), ignored), case_path)
    state = gel.begin(si_case(file))
    touches = sorted(file.touch, key=lambda touch: touch.at_s)
    rows: list[gel.Row] = []
    eta: list[dict[str, float]] = []
    estimate: gel.GelEstimate | None = None
    gel_at_s: float | None = None
    for row in read_trace(trace_path):
        rows.append(row)
        state, estimate = gel.step(state, row)
        while touches and touches[0].at_s <= row.time_s:
            touch = touches.pop(0)
            state, estimate = gel.step(state, gel.Touch(touch.what, touch.at_s))
        if gel_at_s is None and estimate.called_s is not None:
            gel_at_s = estimate.best_s
        if not eta or row.time_s - eta[-1]["at_s"] >= SAID_EVERY_S:
            eta.append(
                {
                    "at_s": row.time_s,
                    "eta_s": estimate.best_s - row.time_s,
                    "low_s": estimate.low_s - row.time_s,
                    "high_s": estimate.high_s - row.time_s,
                }
            )
    if estimate is None:
        raise InputError("file", trace_path, "has no rows")
    doubts = [f"{key} is not known and was left out" for key in ignored]
    rooms = [row.ambient_K for row in rows if row.ambient_K is not None]
    if rooms and sum(room > HOT_ROOM_K for room in rooms) > len(rooms) / 2:
        shown = f"{degC(sorted(rooms)[len(rooms) // 2]):.0f}"
        doubts.append(f"ambient_degC is about {shown}: is the trace in degrees Celsius?")
    output = {
        "gel_at_s": gel_at_s,
        "called_at_s": estimate.called_s,
        "safe_to_stop_at_s": estimate.safe_to_stop_s,
        "eta": eta,
        "faults": [
            {"at_s": fault.at_s, "kind": fault.kind, "over_at_s": fault.over_s}
            for fault in estimate.faults
        ],
        "peak_degC": None if estimate.peak_K is None else round(degC(estimate.peak_K), 2),
        "touch": None if estimate.touch is None else asdict(estimate.touch),
        "notes": [estimate.sentence, *doubts],
    }
    return Reading(output, tuple(rows), estimate, file.case.placement)
