"""The gel estimate on traces whose truth is known, and what it must never do."""

from dataclasses import replace

import numpy as np
import pytest

from controller import cure, gel
from controller.units import kelvin

SHEET = cure.Sheet(840.0, 0.1, kelvin(23.0), 0.3, 0.5, 1080.0, peak_K=kelvin(96.0))
AIR_K, MOULD_K = kelvin(20.0), kelvin(17.0)


def own_trace(placement: gel.What, end_s: float) -> tuple[gel.Case, list[gel.Row], float]:
    """A noise-free trace of the estimator's own model, a fifth faster than its sheet."""
    kin = cure.kinetics_from_sheet(SHEET)
    kin = replace(kin, rate_1_s=1.2 * kin.rate_1_s)
    cup = cure.cup_history(kin, 0.114, AIR_K, AIR_K, end_s)
    coat = cure.coat_history(
        kin, 1.3e-3, 15e-3, "silicone rubber", AIR_K, MOULD_K, 150.0, 0.114, duration_s=end_s
    )
    seen = cup if placement == "cup" else coat
    case = gel.Case(
        SHEET, placement, "digital_1wire", 1.3e-3, 15e-3, "silicone rubber", 150.0, 0.114,
        mould_K=MOULD_K, probe_in_s=200.0,
    )  # fmt: skip
    time_s = np.arange(0.0, end_s, 10.0)
    temp_K = np.where(time_s < 210.0, AIR_K, np.interp(time_s - 20.0, seen.time_s, seen.temp_K))
    rows = [gel.Row(float(t), float(v), AIR_K) for t, v in zip(time_s, temp_K, strict=True)]
    return case, rows, cure.gel_time_s(coat)


@pytest.mark.parametrize("placement", ["cup", "coat"])
def test_its_own_world(placement: gel.What) -> None:
    case, rows, gel_s = own_trace(placement, 3000.0)
    state = gel.begin(case)
    called = []
    for row in rows:
        state, estimate = gel.step(state, row)
        called.append(estimate.called_s)
        assert estimate.low_s < estimate.best_s < estimate.high_s
        if abs(row.time_s - 0.75 * gel_s) < 5.0:
            assert estimate.best_s == pytest.approx(gel_s, rel=0.15)
            assert estimate.low_s < gel_s < estimate.high_s
    assert called[-1] is not None
    assert called[-1] > 0.95 * gel_s


def test_a_fingertip_settles_it() -> None:
    case, rows, gel_s = own_trace("cup", 2000.0)
    state = gel.begin(case)
    for row in rows:
        state, before = gel.step(state, row)
    state, after = gel.step(state, gel.Touch("coat", gel_s * 1.02))
    assert after.high_s - after.low_s < 0.5 * (before.high_s - before.low_s)
    assert after.best_s == pytest.approx(gel_s, rel=0.04)
