"""Online estimate of a coat's gel time, from one probe, a resin's sheet and a person's touch.

Temperature shows the reaction, never the gel itself. A probe shows how far and how fast this batch
reacts; the conversion at which the resin gels comes from the sheet, from earlier batches and from a
person's touch. So the estimate is a band, and 'safe to stop' is a separate figure from 'best'.

Call `begin(case)`, then `step(state, event)` for each Row or Touch; both are pure. The estimate is
a maximum a posteriori fit (Levenberg-Marquardt, one iteration per refit, warm start) of some twenty
parameters to the whole history so far, with the sheet's figures as heavy-tailed
pseudo-measurements. Several hypotheses are fitted side by side and mixed by their evidence
(Laplace's approximation; MacKay 2003, Information Theory, Inference, and Learning Algorithms, ch.
27). A batch that does not react is found by comparison with many resins drawn from the sheet
(inert.py). SI throughout: kelvin, seconds, metres.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

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
    TouchWindow,
    What,
)

if TYPE_CHECKING:
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
    "TouchWindow",
    "What",
    "begin",
    "faults",
    "holding",
    "learn",
    "step",
    "taken_back",
    "touched_batch",
]


def __getattr__(name: str) -> Any:
    """Load the estimator at its first use (PEP 562).

    It loads 40 MB of SciPy, which the process that turns the frame does not need.
    """
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.estimate"), name)
    globals()[name] = found
    return found
