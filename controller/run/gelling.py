"""Gel of the turning coat: events for new forecasts and for the gel itself."""

from __future__ import annotations

from evenwall.model import Step
from evenwall.run.events import Foreseen, Gelled
from evenwall.run.moment import Moment

# With one of these faults the estimate uses the data sheet, not the probe.
PROBE_FAULTS = frozenset({"probe_stuck", "probe_lost", "probe_noisy", "probe_out"})


def follow_gel(moment: Moment) -> None:
    """Record each new statement of the estimate once, and the gel when it is declared."""
    state, coat, gel = moment.state, moment.state.coat, moment.seen.gel
    if state.step is not Step.SPIN or coat.parts_met_s is None or coat.gel_called_s is not None:
        return
    if gel.says and gel.says not in coat.gel_says:
        moment.emit(
            Foreseen(
                sentence=gel.sentence,
                says=gel.says,
                best_s=gel.best_s,
                low_s=gel.low_s,
                high_s=gel.high_s,
            )
        )
    if gel.called_at_s is not None:
        safe_coat_s = gel.safe_to_stop_s or gel.called_at_s
        moment.emit(
            Gelled(
                gel_coat_s=gel.best_s if gel.best_s is not None else gel.called_at_s,
                how="model" if PROBE_FAULTS.intersection(gel.faults) else "probe",
                safe_s=max(moment.now_s, coat.parts_met_s + safe_coat_s),
            )
        )
