"""Comparison of two runs: the figures that decide a wall, and the turns over the cure."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from evenwall.errors import InputError
from evenwall.history.recorded import Recorded
from evenwall.history.turned import turned_coats
from evenwall.model import Compared, ComparedCoat, Comparison
from evenwall.records.journal import Journal
from evenwall.run.replay import ProvenCoat, Track

# While the resin spreads, the film loses the memory of its start, and a replay adds or leaves out
# turns there, by the day's cure. The flow path after the proven coat's spreading decides the wall.
PATH, TURNS = "flow path, once spread", "turns, once spread"
CURVE_POINTS = 200
# Largest difference in the flow path, and in the turns over it, with which the film counts as
# having flowed in the same way. Replays in the film solver stay within it
# (tests/run/test_replay.py).
ALIKE_PERCENT = 3.0


def compared(journal: Journal, run_id: str, against: str = "") -> Comparison:
    """Compare run `run_id` with another; by default a replay with the run that it repeats.
    Raises InputError when there is no other, and as `comparison`."""
    run = Recorded.read(journal, run_id)
    other = against or run.state.replay_of
    if not other:
        raise InputError(
            "RUN", run_id, "is not a replay", hint="also name the run to compare it with"
        )
    return comparison(run, Recorded.read(journal, other))


def comparison(run: Recorded, proven: Recorded) -> Comparison:
    """Compare every coat that both runs turned until it gelled. `proven` need not be proven, but if
    it is, it must be unchanged. Raises InputError when no coat can be compared, RecordError when a
    proven run was changed."""
    proven.check()
    then = turned_coats(proven)
    if proven.proof is not None:
        then = {coat.coat: coat for coat in proven.proof.spin.coats}
    now = turned_coats(run)
    both = [(then[number], now[number]) for number in sorted(then.keys() & now.keys())]
    if not both:
        said = f"has no coat that turned until it gelled, as one of {proven.run_id} did"
        raise InputError("RUN", run.run_id, said)
    figures = [figure for pair in both for figure in _figures(*pair)]
    figures += _of_casting(run, proven)
    return Comparison(
        run_id=run.run_id,
        proven_run_id=proven.run_id,
        figures=tuple(figures),
        coats=tuple(_curves(*pair) for pair in both),
        sentence=_sentence(figures),
    )


def _figures(was: ProvenCoat, now: ProvenCoat) -> Iterator[Compared]:
    old, new = Track.of(was), Track.of(now)
    spread_1_Pa = float(old.left_1_Pa[old.spread_ends])
    begun = min(spread_1_Pa, float(new.left_1_Pa[0]))
    turns = [
        _turns_to_gel(coat, track, left)
        for coat, track, left in ((was, old, spread_1_Pa), (now, new, begun))
    ]
    for what, unit, before, after in (
        ("mixed", "g", was.part_a_g + was.part_b_g, now.part_a_g + now.part_b_g),
        ("room", "degC", was.cure.mean_degC, now.cure.mean_degC),
        ("poured", "s", was.poured_s, now.poured_s),
        ("spin from", "s", was.spin_from_s, now.spin_from_s),
        ("gel", "s", was.cure.gel_s, now.cure.gel_s),
        ("flow path, spin to gel", "1/Pa", float(old.left_1_Pa[0]), float(new.left_1_Pa[0])),
        (PATH, "1/Pa", spread_1_Pa, begun),
        (TURNS, "", turns[0], turns[1]),
    ):
        yield _compared(was.coat, what, unit, before, after)


def _turns_to_gel(coat: ProvenCoat, track: Track, left_1_Pa: float) -> float:
    """Turns of the major axis to the gel, from when `left_1_Pa` of the flow path is left."""
    at_s = float(track.path.time_at_left(left_1_Pa))
    moments = np.array([at_s, track.path.gel_s]) - coat.spin_from_s
    begins, ends = np.interp(moments, track.profile_s, track.turns)
    return float(ends - begins)


def _compared(coat: int | None, what: str, unit: str, before: float, after: float) -> Compared:
    off = "K" if unit == "degC" else "%" if before else unit  # no share of nothing
    difference = 100.0 * (after / before - 1.0) if off == "%" else after - before
    return Compared(
        coat=coat,
        what=what,
        unit=unit,
        proven=before,
        this_run=after,
        difference=difference,
        difference_unit=off,
    )


def _of_casting(run: Recorded, proven: Recorded) -> Iterator[Compared]:
    """Compare the measurements of both castings."""
    for name, what, unit in (("weight_g", "casting weighs", "g"), ("rim_mm", "rim", "mm")):
        before, after = (_mean(one.state.measured.get(name)) for one in (proven, run))
        if before is not None and after is not None:
            yield _compared(None, what, unit, before, after)


def _mean(measured: object) -> float | None:
    values = measured if isinstance(measured, list | tuple) else [measured]
    known = [float(value) for value in values if isinstance(value, int | float) and value > 0]
    return sum(known) / len(known) if known else None


def _curves(was: ProvenCoat, now: ProvenCoat) -> ComparedCoat:
    old, new = Track.of(was), Track.of(now)
    whole = float(old.left_1_Pa[0])

    def rows(track: Track) -> tuple[tuple[float, float], ...]:
        liquid = np.flatnonzero(track.left_1_Pa > 0.0)
        kept = liquid[:: max(1, len(liquid) // CURVE_POINTS)]
        return tuple(
            (100.0 * float(track.left_1_Pa[k]) / whole, float(track.turns[k])) for k in kept
        )

    return ComparedCoat(coat=was.coat, proven=rows(old), this_run=rows(new))


def _sentence(figures: list[Compared]) -> str:
    off = [figure for figure in figures if figure.what in (PATH, TURNS)]
    worst = max(off, key=lambda figure: abs(figure.difference))
    said = f"coat {worst.coat}: {worst.what} {worst.difference:+.1f} %"
    if abs(worst.difference) <= ALIKE_PERCENT:
        return f"The film flowed the same way, within {ALIKE_PERCENT:g} % (largest: {said})."
    return f"The film did not flow the same way ({said})."
