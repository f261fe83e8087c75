"""Report of a run: weights, cure, turning, faults and the finished casting."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenwall.history.comparison import comparison
from evenwall.history.recorded import Recorded
from evenwall.model import Comparison, Event, Finding, Sample
from evenwall.palette import BAND, COATS, FAINT, INK, PEN
from evenwall.planning.in_words import clock_words, moment_words
from evenwall.reports.printed import (
    Block,
    Heading,
    Listed,
    Picture,
    Table,
    Words,
    figure,
    write,
)
from evenwall.run import user_messages as plain
from evenwall.run.alerts import SEVERITY
from evenwall.run.events import (
    AlertRaised,
    BoardRefused,
    CastingMeasured,
    Halted,
    MixedAgain,
    Noted,
    hidden,
)
from evenwall.run.replay import Floats
from evenwall.run.view import gravity_in_mould, record_line
from evenwall.units import SHOWN, System

_POINTS = 600  # points of a curve
_UNSHOWN = {"queued", "rejoined", "alert", "alert_over", "stepped", "asked", "proven"}
_SHOWN_GELS = 2.0  # length of a coat's curve, in times of the latest gel that the plan expected


def write_report(
    run: Recorded,
    path: Path,
    *,
    proven: Recorded | None = None,
    pictures: Sequence[Path] = (),
    photos: Sequence[tuple[str, str]] = (),
    units: System = "metric",
) -> None:
    """Write the report as .html or .pdf.

    proven: the run used for comparison. photos: file and caption of each photograph of the record.
    Raises InputError for a file that cannot be written or read, RecordError for a proven run that
    was changed.
    """
    run.check()
    title = f"{run.plan.casting.name}, run {run.run_id}"
    blocks = [*summary(run), *coats(run), *curves(run, units), *down(run)]
    blocks += [*outcome(run), *photographs(photos), *troubles(run), *notes(run)]
    if proven is not None:
        proven.check()
        blocks += against(run, proven)
    blocks += [Picture(picture, picture.stem.replace("-", " ")) for picture in pictures]
    blocks += [Heading("Cautions"), Listed(plain.CAUTIONS), *record(run)]
    write(path, title, blocks, units)


def number(value: float | None, unit: str = "", digits: int = 1) -> str:
    """Return a figure for a table; a dash if it is unknown."""
    return "-" if value is None else f"{value:.{digits}f} {unit}".rstrip()


def pair(values: tuple[int, int] | None) -> str:
    return "-" if values is None else f"{values[0]} / {values[1]}"


def ended_words(run: Recorded) -> str:
    state = run.state
    if state.reason:
        return f"Abandoned: {state.reason}."
    return "Finished." if state.over else f"Not finished. Current step: {plain.DUE[state.step]}"


def summary(run: Recorded) -> list[Block]:
    first, casting = run.events[0], run.plan.casting
    blocks: list[Block] = []
    if run.state.simulated:
        blocks.append(Words("Simulated: no resin was poured and no frame turned.", strong=True))
    blocks.append(
        Words(
            f"{casting.resin.name}, {casting.wall_mm:g} mm wall in {len(run.plan.coats)} coats, on "
            f"{run.rig_name}. Started "
            f"{moment_words(first.utc)}. {ended_words(run)}"
        )
    )
    if run.state.replay_of:
        blocks.append(Words(f"Run {run.state.replay_of} again, by cure."))
    if run.proof is not None:
        blocks.append(Words(f"Proven. SHA-256 of its content: {run.proof.sha256}"))
    return blocks


COAT_COLUMNS = (
    *("coat", "A planned", "A weighed", "B planned", "B weighed"),
    *("gel planned", "gel found", "by", "steps expected", "steps counted", "stood still"),
)


def coat_rows(run: Recorded) -> tuple[tuple[str, ...], ...]:
    rows = []
    for planned, coat in zip(run.plan.coats, run.state.coats, strict=True):
        gel_s = coat.gel_coat_s
        rows.append(
            (
                str(coat.coat),
                number(planned.part_a_g, "g"),
                number(coat.part_a_g, "g"),
                number(planned.part_b_g, "g"),
                number(coat.part_b_g, "g"),
                clock_words(planned.clock.gel_expected_s),
                "-" if gel_s is None else clock_words(gel_s),
                coat.gel_how or "-",
                pair(coat.steps_expected),
                pair(coat.steps_counted),
                f"{coat.stood_s:.0f} s",
            )
        )
    return tuple(rows)


def coats(run: Recorded) -> list[Block]:
    blocks: list[Block] = [Heading("The coats"), Table(COAT_COLUMNS, coat_rows(run))]
    changes = [
        f"Coat {coat.coat}, from {clock_words(change.from_profile_s)} of its turning: "
        f"{plain.changed_words(change)}"
        for coat in run.state.coats
        for change in coat.changes
    ]
    return [*blocks, Heading("Changed spins"), Listed(tuple(changes))] if changes else blocks


def _thin(samples: Sequence[Sample]) -> list[Sample]:
    return list(samples[:: max(1, len(samples) // _POINTS)])


def _of_coat(run: Recorded, coat: int) -> list[Sample]:
    return [s for s in run.samples if s.coat == coat and s.coat_time_s is not None]


def _column(samples: Sequence[Sample], field: str) -> Floats:
    """Return values, with nan for unknown ones."""
    values = [getattr(sample, field) for sample in samples]
    return np.array([np.nan if value is None else value for value in values])


def curves(run: Recorded, units: System = "metric") -> list[Block]:
    """Draw each coat's temperatures with the planned and the found gel, and the speeds below."""
    unit = SHOWN[units]["degC"]
    blocks: list[Block] = []
    for planned, coat in zip(run.plan.coats, run.state.coats, strict=True):
        until_s = _SHOWN_GELS * max(planned.clock.gel_high_s, coat.gel_coat_s or 0.0)
        samples = _thin([s for s in _of_coat(run, coat.coat) if (s.coat_time_s or 0.0) < until_s])
        if len(samples) < 2:
            continue
        time_min = _column(samples, "coat_time_s") / 60.0
        drawn = figure(height_in=4.2)
        heat, speed = drawn.subplots(2, sharex=True, height_ratios=(2, 1))
        for field, label, colour, style in (
            ("probe_degC", "cup", PEN, "-"),
            ("room_degC", "room", FAINT, ":"),
            ("mould_degC", "mould", FAINT, "--"),
        ):
            values = _column(samples, field)
            if np.isfinite(values).any():
                heat.plot(time_min, unit.of(values), style, color=colour, label=label, lw=1.4)
        clock = planned.clock
        heat.axvspan(clock.gel_low_s / 60, clock.gel_high_s / 60, color=BAND, alpha=0.6)
        if coat.gel_coat_s is not None:
            heat.axvline(coat.gel_coat_s / 60.0, color=INK, label="gel found")
        heat.set_ylabel(unit.symbol)
        heat.legend(frameon=False, fontsize="small")
        speed.plot(time_min, _column(samples, "major_rpm"), color=PEN, lw=1.0, label="major")
        minor_rpm = _column(samples, "minor_rpm")
        speed.plot(time_min, minor_rpm, "--", color=COATS[2], lw=1.0, label="minor")
        speed.set_ylabel("rpm")
        speed.set_xlabel("minutes since the parts met")
        speed.legend(frameon=False, fontsize="small")
        caption = f"Coat {coat.coat}. Shaded: gel time expected by the plan."
        blocks.append(Picture(drawn, caption))
    return [Heading("How it cured and turned"), *blocks] if blocks else []


def down(run: Recorded) -> list[Block]:
    """Draw the path of gravity's direction in the mould while the frame turned, unrolled round
    the minor axis."""
    turning = [s for s in run.samples if abs(s.major_rpm) + abs(s.minor_rpm) > 0.1]
    if len(turning) < 2:
        return []
    seen = np.array([gravity_in_mould(s.major_deg, s.minor_deg) for s in turning])
    round_deg = np.degrees(np.arctan2(seen[:, 1], seen[:, 0]))
    height = seen[:, 2]  # equal areas of the sphere are equal areas here (Lambert 1772)
    drawn = figure(height_in=2.8)
    axes = drawn.subplots()
    bins = [np.linspace(-180.0, 180.0, 49), np.linspace(-1.0, 1.0, 25)]
    axes.hist2d(round_deg, height, bins=bins, cmap="bone_r")
    axes.set_xlabel("degrees round the minor axis")
    axes.set_ylabel("along the axis")
    return [Picture(drawn, "Direction of gravity in the mould; darker is longer.")]


def findings_table(findings: Sequence[Finding]) -> Table:
    rows = tuple(
        (
            one.what,
            number(one.foreseen, one.unit, 2),
            number(one.measured, one.unit, 2),
            number(one.difference_percent, "%"),
            one.sentence,
        )
        for one in findings
    )
    return Table(("measured", "predicted", "found", "difference", ""), rows)


def outcome(run: Recorded) -> list[Block]:
    """Return the comparison of casting and plan if the run is proven, otherwise the measures."""
    proof = run.proof
    if proof is None:
        if not run.state.measured:
            return []
        told = CastingMeasured(**run.state.measured).line()
        return [Heading("The casting"), Words(f"Not yet proven. {told}")]
    said: list[Block] = [Words(text) for text in proof.sentences]
    if proof.reason:
        said.append(Words(f"Proven against its plan, because: {proof.reason}", strong=True))
    for title, listed in (("Went wrong", proof.troubles), ("Not known", proof.missing)):
        if listed:
            said += [Heading(title), Listed(tuple(one.sentence for one in listed))]
    return [Heading("The casting against its plan"), findings_table(proof.findings), *said]


def photographs(photos: Sequence[tuple[str, str]]) -> list[Block]:
    """Return the photographs of the record; for a missing one, only its caption."""
    shown: list[Block] = [
        Picture(Path(file), caption) if file else Words(caption) for file, caption in photos
    ]
    return [Heading("Photographs"), *shown] if shown else []


def fault_lines(run: Recorded) -> list[tuple[Event, str]]:
    """Return the faults, oldest first, in words."""
    found = []
    calm = {"guard_open", *(kind for kind, severity in SEVERITY.items() if severity == "note")}
    for row, event in run.happened:
        # An open guard is also told of while a person closes up; one that stopped the frame halted.
        told = isinstance(event, AlertRaised) and event.alert not in calm
        if told or isinstance(event, Halted | BoardRefused | MixedAgain):
            found.append((row, event.line()))
    return found


def _time_of(run: Recorded, event: Event) -> str:
    return clock_words(event.at_s - run.events[0].at_s)


def troubles(run: Recorded) -> list[Block]:
    lines = fault_lines(run)
    if not lines:
        return [Heading("Faults"), Words("None.")]
    rows = tuple((_time_of(run, event), text) for event, text in lines)
    return [Heading("Faults"), Table(("time", "what"), rows)]


def note_lines(run: Recorded) -> list[tuple[Event, str]]:
    return [(row, event.text) for row, event in run.happened if isinstance(event, Noted)]


def notes(run: Recorded) -> list[Block]:
    lines = note_lines(run)
    if not lines:
        return []
    rows = tuple((_time_of(run, event), text) for event, text in lines)
    return [Heading("Notes"), Table(("time", "note"), rows)]


def record(run: Recorded) -> list[Block]:
    rows = tuple(
        (_time_of(run, event), record_line(event).text)
        for event in run.events
        if event.kind not in _UNSHOWN and not hidden(event)
    )
    return [Heading("As recorded"), Table(("time", "what"), rows)]


# --- Against the proven run -----------------------------------------------------------------------


COMPARED = ("coat", "", "proven", "this run", "difference")


def compared_rows(found: Comparison) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            "" if one.coat is None else str(one.coat),
            one.what,
            number(one.proven, one.unit),
            number(one.this_run, one.unit),
            f"{one.difference:+.1f} {one.difference_unit}",
        )
        for one in found.figures
    )


def against(run: Recorded, proven: Recorded) -> list[Block]:
    """Return the comparison: figures, and a plot of the turns over the flow path still to come, in
    which an exact replay lies on its proven run."""
    found = comparison(run, proven)
    drawn = figure(height_in=3.2)
    axes = drawn.subplots()
    for coat, colour in zip(found.coats, COATS * 4, strict=False):
        for rows, style in ((coat.proven, "--"), (coat.this_run, "-")):
            label = f"coat {coat.coat}" if style == "-" else None
            axes.plot(*zip(*rows, strict=True), style, color=colour, lw=1.2, label=label)
    axes.invert_xaxis()
    axes.set_xlabel("flow path remaining, %")
    axes.set_ylabel("turns of the major axis")
    axes.legend(frameon=False, fontsize="small")
    return [
        Heading(f"Against run {proven.run_id}"),
        Words(found.sentence),
        Table(COMPARED, compared_rows(found)),
        Picture(drawn, "Turns against cure; dashed: the proven run."),
    ]
