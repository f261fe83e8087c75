"""A resin's memory survives as plain data and makes the estimate of the next batch more precise."""

import json
from dataclasses import replace

import pytest

from evenwall.errors import RecordError
from evenwall.numerics import gel
from evenwall.numerics.gel import memory
from tests.numerics.test_gel import own_trace


@pytest.fixture(scope="module")
def done() -> tuple[gel.Case, gel.GelState, gel.GelEstimate, float]:
    case, rows, gel_s = own_trace("cup", 1700.0)
    state = gel.begin(case)
    for row in rows:
        state, estimate = gel.step(state, row)
    return case, state, estimate, gel_s


def told(case: gel.Case) -> gel.GelEstimate:
    """Before any reading."""
    return gel.step(gel.begin(case), gel.Row(0.0, None, 293.15))[1]


def test_a_trace_teaches(done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float]) -> None:
    """The gel of a resin a fifth faster than its sheet is expected sooner and with less uncertainty
    next time."""
    case, state, _, gel_s = done
    kept = memory.after(memory.ResinMemory(), state)
    assert kept.learned is not None
    assert kept.batches == ()
    before, after = told(case), told(memory.case_with(kept, case))
    assert abs(after.best_s - gel_s) < abs(before.best_s - gel_s)
    assert after.high_s - after.low_s < before.high_s - before.low_s


def test_a_touch_teaches_more(done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float]) -> None:
    case, state, _, gel_s = done
    state, _ = gel.step(state, gel.Touch("coat", gel_s))
    kept = memory.after(memory.ResinMemory(), state)
    assert len(kept.batches) == 1
    assert kept.batches[0].coat_gel_s == gel_s
    before, after = told(case), told(memory.case_with(kept, case))
    assert abs(after.best_s - gel_s) < 0.7 * abs(before.best_s - gel_s)
    assert after.high_s - after.low_s < before.high_s - before.low_s


def test_it_goes_round(done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float]) -> None:
    case, state, _, _ = done
    batch = gel.EarlierBatch(295.0, 85.0, 0.134, 1.6e-3, 13e-3, cup_gel_s=960.0)
    kept = memory.ResinMemory((batch,), gel.learn(state))
    again = memory.from_data(json.loads(json.dumps(memory.to_data(kept))))
    assert again.batches == (batch,)
    assert told(memory.case_with(again, case)).best_s == told(memory.case_with(kept, case)).best_s
    with pytest.raises(RecordError, match="version 3"):
        memory.from_data({"kind": "evenwall/resin-memory", "version": 7})
    with pytest.raises(RecordError, match="cannot be read"):
        memory.from_data({"kind": "evenwall/resin-memory", "version": 1, "batches": [{}]})


@pytest.mark.parametrize("version", [1, 2])
def test_of_an_older_release_the_touches_are_read(
    done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float], version: int
) -> None:
    """The lessons from its traces used another prior and are left out."""
    _, state, _, _ = done
    batch = gel.EarlierBatch(295.0, 85.0, 0.134, 1.6e-3, 13e-3, cup_gel_s=960.0)
    data = memory.to_data(memory.ResinMemory((batch,), gel.learn(state)))
    older = json.loads(json.dumps(data | {"version": version}))
    assert memory.from_data(older) == memory.ResinMemory((batch,))


def test_a_faulty_batch_teaches_nothing(
    done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float],
) -> None:
    _, state, _, _ = done
    spoilt = replace(state, faults=(gel.GelFault("probe_out", 900.0),))
    assert memory.after(memory.ResinMemory(), spoilt) == memory.ResinMemory()


def test_a_fault_taken_back_spoils_nothing(
    done: tuple[gel.Case, gel.GelState, gel.GelEstimate, float],
) -> None:
    _, state, _, _ = done
    late = replace(state, faults=(gel.GelFault("no_reaction", 500.0, over_s=900.0),))
    assert memory.after(memory.ResinMemory(), late).learned is not None
