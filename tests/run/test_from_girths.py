"""The demo's second casting, from eight girths alone to the end of its run."""

from __future__ import annotations

from pathlib import Path

import pytest

from evenwall.geometry.mould import load_cavity
from evenwall.geometry.shapes.build import build
from evenwall.geometry.shapes.measures import read_measures
from evenwall.model import Step, read_casting
from evenwall.planning import make_plan
from evenwall.run.replanning import laid
from evenwall_bridge.clock import run_virtual
from tests.support.virtual_shop import SAMPLES, open_shop, sample_rig


@pytest.mark.slow
def test_casting_begun_from_girths_alone_is_cast_to_its_end(tmp_path: Path) -> None:
    """There is no mesh file: it is made here from the girths, then planned and cast."""
    shape = build(read_measures(SAMPLES / "bell-shade.shape.toml"), tmp_path)
    mesh = tmp_path / "bell-shade.ply"
    shape.mesh().export(mesh)
    casting = read_casting(SAMPLES / "bell-shade.toml").model_copy(update={"mesh": mesh})
    assert load_cavity(casting).area_cm2 == pytest.approx(shape.area_cm2, rel=1e-3)
    plan = make_plan(casting, sample_rig(), time_budget_s=0.0)
    assert any("girths at 8 heights" in note for note in plan.notes)

    async def scenario() -> None:
        async with open_shop(plan, seed=5) as shop:
            await shop.ask("start", plan=plan)
            last = await shop.operator().work()
            assert last.step is Step.DONE
            assert [coat.done for coat in last.coats] == [True] * len(plan.coats)
            for coat in last.coats:
                assert coat.steps_counted == coat.steps_expected
            state = shop.supervisor.state
            assert state is not None
            # The resin on the wall is the weighed resin less the assumed losses in cups and cap.
            done = laid(state)
            laid_g = sum(
                (coat.mix_g - coat.cup_left_g - coat.spill_g) * planned.wall_share
                for coat, planned in zip(done, plan.coats, strict=True)
            )
            density = casting.resin.sheet.cured_density_g_cm3
            mean_mm = laid_g / density / plan.geometry.area_cm2 * 10.0
            # The operator's weighings are off by 0.5 % (one sigma) of a mix, six of them.
            assert mean_mm == pytest.approx(casting.wall_mm, rel=0.03)

    run_virtual(scenario())
