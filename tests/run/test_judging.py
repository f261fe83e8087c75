"""What the judge of a mix knows: the coats before it, and that it was weighed amiss."""

import pytest

from controller.model import ProbeSpec, Step
from controller.run.alerts import mix_refused
from controller.run.judging import Estimator, EstimatorApart, Remembering
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
