"""An online estimate of when the coat gels, from one probe, a resin's sheet and a fingertip.

Temperature shows the reaction, never the gel itself: what a probe can tell is how far and how fast
this batch runs; at which conversion the resin gels comes from the sheet, from earlier batches and
from a person's touch. So the estimate is a band, and 'safe to stop' is kept apart from 'best'.

`begin(case)` then `step(state, event)` for each Row or Touch, both pure. Behind it: a maximum a
posteriori fit (Levenberg-Marquardt, one iteration per refit, warm) of some twenty parameters to
the whole history so far, with what the sheet says as heavy-tailed pseudo-measurements; hypotheses
side by side and their mixture by evidence (Laplace's approximation; MacKay 2003, Information
Theory, Inference, and Learning Algorithms, ch. 27). That nothing reacts is named by a crowd of
resins as the sheet has them (inert.py). SI throughout: kelvin, seconds, metres.
"""

from evenwall.numerics.gel.case import (
    Case,
    EarlierBatch,
    FaultKind,
    GelEstimate,
    GelFault,
    Learned,
    Probe,
    Row,
    Touch,
    What,
)
from evenwall.numerics.gel.estimate import (
    GelState,
    begin,
    faults,
    holding,
    learn,
    step,
    taken_back,
    touched_batch,
)

__all__ = [
    "Case",
    "EarlierBatch",
    "FaultKind",
    "GelEstimate",
    "GelFault",
    "GelState",
    "Learned",
    "Probe",
    "Row",
    "Touch",
    "What",
    "begin",
    "faults",
    "holding",
    "learn",
    "step",
    "taken_back",
    "touched_batch",
]
