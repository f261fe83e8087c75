"""A justified question counts as an answer; a band without the truth, or silence, does not."""

import numpy as np
import pytest

from evenwall.numerics import gel
from evenwall.numerics.cure import Sheet
from tests.worlds.scoring import Logged, Said, verdict

SHEET = Sheet(600.0, 0.1, 296.15, 0.5, 1.0, 1080.0)
GEL_S = 900.0
LOGGED = Logged(
    "one",
    gel.Case(SHEET, "cup", "digital_1wire", 1.3e-3, 12e-3, "silicone rubber", 120.0),
    (),
    GEL_S,
)


def said(high_s: float, asks: gel.What | None, called_s: float | None = None) -> Said:
    """Statements about a batch at 880 s and after its gel; only the first counts for the band."""
    eta = np.array([[880.0, 1000.0, 800.0, high_s], [1200.0, 1300.0, 1250.0, 1500.0]])
    return Said(called_s, None if called_s is None else 1000.0, eta, (), asks)


@pytest.mark.parametrize(
    ("word", "missed", "asked"),
    [
        (said(1300.0, "coat"), False, True),
        (said(890.0, "coat"), True, False),
        (said(1300.0, "cup"), True, False),
        (said(1300.0, None), True, False),
        (said(1300.0, "coat", called_s=1100.0), False, False),
    ],
)
def test_a_question_counts_where_its_band_held(word: Said, missed: bool, asked: bool) -> None:
    found = verdict(LOGGED, word)
    assert (found.missed, found.asked) == (missed, asked)
