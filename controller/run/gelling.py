"""The gel of the coat that turns: events for what is foreseen, and for the gel itself."""

from __future__ import annotations

import re

from evenwall.model import Step
from evenwall.run.moment import Moment


def follow_gel(moment: Moment) -> None:
    state, coat, gel = moment.state, moment.state.coat, moment.seen.gel
    if state.step is not Step.SPIN or coat.parts_met_s is None or coat.gel_called_s is not None:
        return
    # Once for each thing it says, whatever the minutes in it.
    words = re.sub(r"[0-9]+", "", gel.sentence)
    if words and words not in coat.gel_words:
        moment.emit(
            "foreseen",
            sentence=gel.sentence,
            words=words,
            best_s=gel.best_s,
            low_s=gel.low_s,
            high_s=gel.high_s,
        )
    if gel.called_at_s is not None:
        safe_coat_s = gel.safe_to_stop_s or gel.called_at_s
        blind = any(fault.startswith("probe_") for fault in gel.faults)
        moment.emit(
            "gelled",
            gel_coat_s=gel.best_s if gel.best_s is not None else gel.called_at_s,
            how="model" if blind else "probe",
            safe_s=max(moment.now_s, coat.parts_met_s + safe_coat_s),
        )
