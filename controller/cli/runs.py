"""Answers of `evenwall runs`, as plain data and in words. This module prints nothing itself."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenwall.errors import InputError, RecordError
from evenwall.history.comparison import compared
from evenwall.history.export import Format, export_run, import_run, read_export
from evenwall.history.lessons import lessons
from evenwall.history.photos import FOLDER as PHOTOS
from evenwall.history.photos import captioned, copy_photos
from evenwall.history.proof import assessment, make_proof, proven, to_look_at
from evenwall.history.recorded import Recorded
from evenwall.history.spots import spot_spans
from evenwall.model import Assessment, Event, Measured, parse
from evenwall.planning.in_words import moment_words
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch
from evenwall.reports.run_report import (
    COAT_COLUMNS,
    coat_rows,
    compared_rows,
    ended_words,
    fault_lines,
    findings_table,
    note_lines,
    write_report,
)
from evenwall.run.events import Proven
from evenwall.run.user_messages import DUE
from evenwall.units import System, in_units


@dataclass(frozen=True)
class Told:
    """Answer for a program (data) and for a person (words)."""

    data: Any
    text: str


def measured(
    weight_g: float | None,
    rim_mm: Sequence[float],
    spots: Sequence[str],
    lid_g: float | None = None,
) -> Measured | None:
    """Read measures from a command line; a spot is PLACE=MM. Raises InputError if invalid."""
    data: dict[str, Any] = {"rim_mm": list(rim_mm), "spots": []}
    if weight_g is not None:
        data["weight_g"] = weight_g
    if lid_g is not None:
        data["lid_g"] = lid_g
    for spot in spots:
        where, _, wall = spot.rpartition("=")
        data["spots"].append({"where": where, "wall_mm": wall})
    found = parse(Measured, data, "command line")
    return None if found == Measured() else found


def runs_table(record: Sequence[Journal]) -> Told:
    """Table of all runs, newest first. record: as returned by `records.standing`."""
    rows, data = [], []
    holding = {run_id: journal for journal in reversed(record) for run_id in journal.run_ids()}
    order = dict.fromkeys(run_id for journal in record for run_id in journal.run_ids())
    for run_id in order:
        journal = holding[run_id]
        run = Recorded(run_id, journal.plan_json(run_id), tuple(journal.events(run_id)), ())
        state = run.state
        done = sum(coat.done for coat in state.coats)
        word = state.step.value + (", proven" if run.proof is not None else "")
        word += ", simulated" if state.simulated else ""
        started = run.events[0].utc[:16].replace("T", " ")
        rows.append((run_id, started, run.plan.casting.name, f"{done}/{len(state.coats)}", word))
        data.append(
            {
                "run_id": run_id,
                "started_utc": run.events[0].utc,
                "casting": run.plan.casting.name,
                "resin": run.plan.casting.resin.name,
                "coats_done": done,
                "coats": len(state.coats),
                "step": state.step.value,
                "simulated": state.simulated,
                "proven": run.proof is not None,
                "replay_of": state.replay_of,
            }
        )
    if not rows:
        return Told([], "No runs yet.")
    return Told(data, columns(("run", "started (UTC)", "casting", "coats", "state"), rows))


def columns(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Table for a terminal."""
    table = [tuple(head), *(tuple(row) for row in rows)]
    widths = [max(len(row[place]) for row in table) for place in range(len(head))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in table]
    return "\n".join(line.rstrip() for line in lines)


def show_run(journal: Journal, run_id: str) -> Told:
    """Show one run: coats, weights, gels, steps, faults, notes. Raises InputError, RecordError."""
    run = Recorded.read(journal, run_id)
    state = run.state
    kind = "simulated, " if state.simulated else ""
    lines = [
        f"{run.plan.casting.name} in {run.plan.casting.resin.name}, run {run_id} ({kind}"
        f"{run.rig_name})",
        f"started {moment_words(run.events[0].utc)}; {ended_words(run)}",
        "",
        columns(COAT_COLUMNS, coat_rows(run)),
    ]
    lines += _listed(run, "Faults", fault_lines(run))
    lines += _listed(run, "Notes", note_lines(run))
    hash_holds: bool | None = None
    if run.proof is not None:
        hash_holds = run.sha256() == run.proof.sha256
        word = "holds" if hash_holds else "does NOT hold: the record was changed"
        table = findings_table(run.proof.findings)
        lines += ["", f"Proven; its hash {run.proof.sha256[:12]}... {word}."]
        lines += [columns(table.columns, table.rows), *run.proof.sentences]
        if run.proof.reason:
            lines.append(f"Proven against its plan, because: {run.proof.reason}")
        for title, found in (("Went wrong", run.proof.troubles), ("Not known", run.proof.missing)):
            if found:
                lines += ["", f"{title}:", *(f"  {one.sentence}" for one in found)]
    data = {
        "run_id": run_id,
        "casting": run.plan.casting.name,
        "resin": run.plan.casting.resin.name,
        "simulated": state.simulated,
        "step": state.step.value,
        "due": DUE[state.step],
        "replay_of": state.replay_of,
        "coats": [
            {
                "coat": coat.coat,
                "planned_part_a_g": planned.part_a_g,
                "planned_part_b_g": planned.part_b_g,
                "part_a_g": coat.part_a_g,
                "part_b_g": coat.part_b_g,
                "gel_planned_s": planned.clock.gel_expected_s,
                "gel_detected_s": coat.gel_coat_s,
                "gel_how": coat.gel_how,
                "steps_expected": coat.steps_expected,
                "steps_counted": coat.steps_counted,
                "stood_s": coat.stood_s,
                "done": coat.done,
            }
            for planned, coat in zip(run.plan.coats, state.coats, strict=True)
        ],
        "faults": [{"at_s": e.at_s, "kind": e.kind, "text": t} for e, t in fault_lines(run)],
        "notes": [{"at_s": e.at_s, "text": text} for e, text in note_lines(run)],
        "measured": dict(state.measured),
        "proof": None if run.proof is None else run.proof.model_dump(mode="json", exclude={"spin"}),
        "hash_holds": hash_holds,
    }
    return Told(data, "\n".join(lines))


def _listed(run: Recorded, title: str, lines: list[tuple[Event, str]]) -> list[str]:
    start_s = run.events[0].at_s
    shown = [f"  {(event.at_s - start_s) / 60:7.1f} min  {text}" for event, text in lines]
    return ["", f"{title}:", *(shown or ["  none"])]


def photo_folder(journal: Journal) -> Path | None:
    """Return the folder of photographs beside a record; None for a record in memory."""
    return None if journal.path is None else journal.path.parent / PHOTOS


def report_run(
    journal: Journal,
    run_id: str,
    path: Path,
    pictures: Sequence[Path] = (),
    against: str = "",
    units: System = "metric",
) -> Told:
    """Write a report. A replay is compared with its proven run, or with the run in `against`."""
    run = Recorded.read(journal, run_id)
    other = against or run.state.replay_of
    proven = None
    if other and (against or other in journal.run_ids()):
        proven = Recorded.read(journal, other)
    folder = photo_folder(journal)
    photos = [] if folder is None else captioned(run, folder)
    write_report(run, path, proven=proven, pictures=pictures, photos=photos, units=units)
    return Told({"report": str(path)}, f"Report written to {path}.")


def compare_runs(journal: Journal, run_id: str, against: str = "") -> Told:
    """Compare a run with another, figure by figure; see `compare.compared`."""
    found = compared(journal, run_id, against)
    title = f"Run {run_id} against run {found.proven_run_id}. {found.sentence}"
    head = ("coat", "what", "proven", "this run", "difference")
    return Told(found.model_dump(mode="json"), f"{title}\n\n{columns(head, compared_rows(found))}")


def export_runs(journal: Journal, run_id: str, folder: Path, formats: Iterable[Format]) -> Told:
    run, photos = Recorded.read(journal, run_id), photo_folder(journal)
    files = export_run(run, folder, formats, photos=photos)
    return Told([str(file) for file in files], "\n".join(f"Written: {file}" for file in files))


def import_runs(journal: Journal, folder: Path) -> Told:
    """Import runs into a record that no controller has open."""
    run, photos = read_export(folder), photo_folder(journal)
    if photos is not None:
        copy_photos(run, folder / PHOTOS, photos)
    import_run(journal, run)
    proven = "" if run.proof is None else " Its proof holds."
    return Told({"run_id": run.run_id}, f"Run {run.run_id} is in the record.{proven}")


def assess_run(journal: Journal, run_id: str, measured: Measured | None) -> Told:
    """Compare the run with its plan, for a person to see before it is proven.

    Each measured spot is compared with the wall at its place, if the plan's wall was computed.
    Raises InputError if the run cannot be proven at all.
    """
    run = Recorded.read(journal, run_id)
    found = assessment(run, measured)
    if found.measured.spots and run.plan.wall.min_mm is not None:
        from evenwall.planning.wall import wall_mesh  # loads the mesher: half a second

        found = assessment(run, measured, spot_spans(wall_mesh(to_look_at(run)[0])))
    return Told(found.model_dump(mode="json"), assessment_words(found))


def assessment_words(found: Assessment) -> str:
    """Return the assessment in words for a terminal."""
    table = findings_table(found.findings)
    lines = [columns(table.columns, table.rows), *found.sentences]
    for title, said in (
        ("Went wrong:", [one.sentence for one in found.troubles]),
        ("Not known:", [one.sentence for one in found.missing]),
        ("Against the plan:", list(found.against)),
    ):
        lines += ["", title, *(f"  {sentence}" for sentence in said or ["nothing"])]
    return "\n".join(lines)


def agree_to_prove(
    journal: Journal,
    run_id: str,
    measured: Measured | None,
    *,
    sure: bool,
    units: System = "metric",
) -> None:
    """Show the run compared with its plan, in these units, and ask once more, unless `sure`.

    Raises InputError if the person does not agree.
    """
    if sure:
        return
    print(in_units(assess_run(journal, run_id, measured).text, units), file=sys.stderr)
    if not sys.stdin.isatty():
        raise InputError(
            "--yes",
            "missing",
            "is needed to prove a run without a terminal; a proof cannot be undone",
        )
    print("Prove this run? It cannot be changed afterwards. Type yes: ", end="", file=sys.stderr)
    try:
        agreed = sys.stdin.readline().strip().lower() == "yes"
    except UnicodeDecodeError:
        agreed = False
    if not agreed:
        raise InputError("the answer", "no", "must be yes: nothing was changed")


def prove_run(
    journal: Journal, run_id: str, measured: Measured | None, utc: str, reason: str = ""
) -> Told:
    """Prove a run in a record that no controller has open.

    measured: measures in addition to those in the record. Raises InputError if the run cannot be
    proven, or not without a reason.
    """
    under_way = journal.unfinished()
    if under_way is not None:
        raise RecordError(f"casting {under_way} is under way: finish or abandon it first")
    run = Recorded.read(journal, run_id)
    found = parse(Assessment, assess_run(journal, run_id, measured).data, "assessment")
    proof = make_proof(run, found, reason)
    event = Event(
        event_id=journal.last_id() + 1,
        run_id=run_id,
        at_s=run.events[-1].at_s,
        utc=utc,
        kind=Proven.kind,
        data=proven(proof).data(),
    )
    batch = Batch(notes=lessons(journal, run, proof))
    batch.events.append((event, None))
    journal.write(batch)
    return show_run(journal, run_id)
