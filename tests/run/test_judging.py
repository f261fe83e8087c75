"""What the judge of a mix knows: the coats before it, and that it was weighed amiss."""

from typing import Any, cast

import pytest

from controller.model import Event, ProbeSpec, Step
from controller.run import plain
from controller.run.alerts import mix_refused
from controller.run.judging import Estimator, EstimatorApart, Remembering, gel_case
from controller.run.seen import GelReading, Seen
from controller.run.view import record_line, sentence
from controller.twin.world import Twin
from firmware_bridge.clock import ManualClock
from tests.run.bench import Bench
from tests.run.shop import lantern_plan

POURED_S = 285.0


@pytest.mark.parametrize("make", [Estimator, EstimatorApart])
def test_the_coat_before_teaches_the_next(make: type[Estimator] | type[EstimatorApart]) -> None:
    """The first coat was found gelled a third later than the sheet has it: the second is expected
    later, and more surely, than by the sheet alone; also when its judge has long ended."""
    plan = lantern_plan()
    first, second = plan.coats[:2]
    judges = Remembering({}, make)
    judge = judges(plan, first, ProbeSpec(), POURED_S)
    alone = judge.feed(300.0, 21.0, 21.0, None)
    assert alone.best_s is not None
    late_s = 1.33 * alone.best_s
    judge.feed(late_s, None, 21.0, None)
    judge.touched("coat", late_s)
    judge.end()
    later = judges(plan, second, ProbeSpec(), POURED_S)
    taught = later.feed(300.0, 21.0, 21.0, None)
    later.end()
    untaught = Remembering()(plan, second, ProbeSpec(), POURED_S).feed(300.0, 21.0, 21.0, None)
    assert taught.best_s is not None
    assert untaught.best_s is not None
    assert taught.low_s is not None
    assert untaught.low_s is not None
    assert taught.high_s is not None
    assert untaught.high_s is not None
    assert taught.best_s > 1.1 * untaught.best_s
    band = (taught.high_s - taught.low_s) / taught.best_s
    assert band < (untaught.high_s - untaught.low_s) / untaught.best_s


@pytest.mark.parametrize(("factor", "refused"), [(1.0, False), (1.04, False), (1.06, True)])
def test_a_mix_far_off_its_ratio_gets_no_judge(factor: float, refused: bool) -> None:
    """Past 5 % no gel is foretold (common practice, no source), also when a person insists."""
    bench = Bench().until(Step.WEIGH)
    bench.wait(3.0)
    coat = bench.state.coat_plan
    bench.ask("weigh", part_a_g=coat.part_a_g, part_b_g=coat.part_b_g * factor)
    if refused:
        assert bench.ask("answer", question="weights_off", value="go_on").accepted
    assert bench.ask("next").accepted
    assert mix_refused(bench.state) is refused


def test_the_record_tells_what_was_foreseen_and_why() -> None:
    """Once for each thing said, not once a minute."""
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    for said in (
        "The coat is expected to gel in 6 to 9 min; safe to stop in 10 min.",
        "The coat is expected to gel in 5 to 8 min; safe to stop in 9 min.",
        "The cup has peaked; the coat is expected to gel in 4 to 6 min; safe to stop in 7 min.",
        "The coat is expected to gel in 3 to 6 min; safe to stop in 7 min.",
    ):
        reading = GelReading(best_s=900.0, low_s=800.0, high_s=1000.0, sentence=said)
        bench.wait(5.0, gel=reading)
    told = [event.data for event in bench.events if event.kind == "foreseen"]
    assert [data["sentence"][:12] for data in told] == ["The coat is ", "The cup has "]
    assert told[1]["low_s"] == 800.0
    line = record_line(
        Event(event_id=9, run_id="r", at_s=1.0, utc="", kind="foreseen", data=dict(told[1]))
    )
    assert "the coat is expected to gel in 4 to 6 min" in line.text


@pytest.mark.parametrize(
    ("kind", "placement", "lay"),
    [
        ("digital_1wire", "cup", True),
        ("thermocouple_k", "cup", True),
        ("infrared", "cup", False),  # looks at whatever stands there
        ("digital_1wire", "coat", False),  # on the mould's wall from the beginning
    ],
)
def test_a_probe_lay_in_the_air_where_a_person_is_asked_to_leave_it_there(
    kind: str, placement: str, lay: bool
) -> None:
    plan = lantern_plan()
    probe = ProbeSpec.model_validate({"kind": kind, "placement": placement})
    assert gel_case(plan, plan.coats[0], probe, POURED_S).in_air_before is lay
    rig = plan.rig.model_copy(update={"probes": (probe,)})
    bench = Bench(plan.model_copy(update={"rig": rig}))
    for step in (Step.MIX, Step.POUR):
        bench.until(step)
        asked = sentence(bench.state, bench.now_s, Seen(rig=bench.rig, **bench.kept))[1]
        asks = plain.PROBE[step].format(cup_left_g=bench.state.coat_plan.cup_left_g)
        assert asked == (asks if placement == "cup" else "")


def test_the_twins_probe_goes_in_at_the_pour() -> None:
    """As the panel asks: until then it reads the air, and the offset that it has there."""
    plan = lantern_plan()
    twin = Twin(ManualClock(0.0), cast(Any, None), plan.rig)
    for at_s, kind in ((0.0, "started"), (10.0, "parts_met"), (200.0, "poured")):
        assert twin.cup_degC(at_s) is None
        twin.follow(Event(event_id=1, run_id="r", at_s=at_s, utc="", kind=kind, data={}), plan)
    assert twin.cup_degC(200.0) is not None
