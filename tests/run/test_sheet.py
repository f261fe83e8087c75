"""Requests of the job sheet appear where they matter, and once."""

from __future__ import annotations

import asyncio
from typing import Any, cast

from evenwall.devices.interfaces import Press, Reading
from evenwall.model import Event, Step
from evenwall.planning.advice import STANDING
from evenwall.run import user_messages as plain
from evenwall.run.events import Gelled
from evenwall.run.observation import Observation
from evenwall.run.schedule import next_from_s
from evenwall.run.view import buttons, countdown, record_line, sentence, snapshot
from evenwall.service.facade import Service
from evenwall.simulation.scripted_operator import Operator
from evenwall_bridge.clock import ManualClock
from tests.run.bench import Bench, as_row
from tests.support.virtual_shop import lantern_plan


def seen(bench: Bench) -> Observation:
    return Observation(rig=bench.rig, **bench.kept)


def labels(bench: Bench) -> list[str]:
    return [button.label for button in buttons(bench.state, bench.now_s)[1]]


def shown(bench: Bench) -> Any:
    more: dict[str, Any] = {"simulated": True, "speed": 1.0, "rig_name": "z", "record": ()}
    return snapshot(bench.state, bench.now_s, "", seen(bench), last_event_id=0, **more)


def gelled() -> Bench:
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(40.0)
    return bench


def test_the_first_sheet_says_where_to_press_when_the_list_is_done() -> None:
    bench = Bench().until(Step.PREPARE)
    assert sentence(bench.state, bench.now_s, seen(bench))[1] == plain.TO_BEGIN
    rig = lantern_plan().rig.model_copy(update={"confirm_at_rig": False})
    bare = Bench(lantern_plan().model_copy(update={"rig": rig})).until(Step.PREPARE)
    assert sentence(bare.state, bare.now_s, seen(bare))[1] == ""


def test_a_mix_that_is_gone_is_not_to_be_poured() -> None:
    """When late, the sheet still says how much stays in the cup. Past the pot life it speaks of a
    pour only for a person who has already poured, and no time counts on."""
    bench = Bench().until(Step.POUR)
    clock, met_s = bench.state.coat_plan.clock, bench.state.coat.parts_met_s
    assert met_s is not None
    for time_s, alert, why in (
        (clock.pour_by_s, "late_pour", "in the cup, and put the probe"),
        (clock.gel_low_s, "mix_gone", plain.POURED_ALREADY),
    ):
        bench.wait(met_s + time_s + 2.0 - bench.now_s)
        told = sentence(bench.state, bench.now_s, seen(bench))
        assert told[0] == plain.ALERTS[alert]
        assert why in told[1]
        counts = countdown(bench.state, bench.now_s, seen(bench)) is not None
        assert counts == (alert == "late_pour")


def test_nothing_counts_down_to_a_stop_while_the_frame_stands() -> None:
    bench = Bench().until(Step.SPIN)
    told = countdown(bench.state, bench.now_s, seen(bench))
    assert told is not None
    assert told.label == "until it is safe to stop"
    bench.ask("pause")
    assert countdown(bench.state, bench.now_s, seen(bench)) is None


def test_the_record_says_what_was_measured() -> None:
    data = {"weight_g": 274.5, "rim_mm": [4.1, 4.25], "spots": [{"where": "side", "wall_mm": 4.6}]}
    event = Event(event_id=1, run_id="r", at_s=0.0, utc="", kind="measured", data=data)
    said = "Measured: 274.5 g, rim 4.1 mm, rim 4.25 mm, side 4.6 mm."
    assert record_line(event).text == said
    spots = [{"where": "6 mm up, 152 degrees round", "wall_mm": 4.3}, data["spots"][0]]
    event = event.model_copy(update={"data": {"weight_g": 274.5, "spots": spots}})
    said = "Measured: 274.5 g; 6 mm up, 152 degrees round: 4.3 mm; side 4.6 mm."
    assert record_line(event).text == said


def test_the_pour_says_how_much_stays_in_the_cup() -> None:
    """Resin in the cup does not reach the wall: 'some' would leave the thickness to chance."""
    bench = Bench().until(Step.POUR)
    left_g = bench.state.coat_plan.cup_left_g
    assert f"Leave {left_g:.0f} g in the cup" in sentence(bench.state, bench.now_s, seen(bench))[1]


def test_the_vacuum_is_spoken_of_where_it_is_drawn() -> None:
    bench = Bench().until(Step.DEGAS)
    assert plain.VACUUM in sentence(bench.state, bench.now_s, seen(bench))[1]
    bench.until(Step.POUR)
    assert plain.VACUUM not in sentence(bench.state, bench.now_s, seen(bench))[1]


def test_a_coat_that_is_not_poured_cannot_be_found_gelled() -> None:
    bench = Bench().until(Step.MIX)
    assert not {"Cup has gelled", "Coat has gelled"} & set(labels(bench))
    bench.until(Step.CLOSE_UP)
    assert "Coat has gelled" in labels(bench)
    assert "Cup has gelled" not in labels(bench)  # no cup of this resin gels so soon
    bench.until(Step.SPIN, coat_time_s=bench.state.coat_plan.clock.pour_by_s)
    assert "Cup has gelled" in labels(bench)


def test_each_caution_stands_once_the_castings_own_first() -> None:
    plan = lantern_plan().model_copy(update={"cautions": ("Cap the opening.", *STANDING)})
    assert shown(Bench(plan).until(Step.PREPARE)).cautions == ("Cap the opening.", *STANDING)
    bare = lantern_plan().model_copy(update={"cautions": ()})
    assert shown(Bench(bare).until(Step.PREPARE)).cautions == STANDING


def test_a_rest_that_is_over_counts_what_is_left_for_the_pour() -> None:
    bench = gelled()
    assert bench.state.step is Step.REST
    from_s, met_s = next_from_s(bench.state), bench.state.coat.parts_met_s
    assert from_s is not None
    assert met_s is not None
    count = countdown(bench.state, bench.now_s, seen(bench))
    assert count is not None
    assert (count.label, count.until_s) == ("until the next coat", from_s)
    bench.wait(from_s - bench.now_s, look_s=30.0)
    count = countdown(bench.state, bench.now_s, seen(bench))
    assert count is not None
    assert count.label == "left for the next pour"  # 'left': past it, the panel counts on in red
    assert count.until_s == met_s + bench.plan.coats[0].clock.next_pour_until_s


def test_a_cure_that_is_over_counts_nothing_and_asks_for_the_cup() -> None:
    bench = Bench(lantern_plan())
    for _ in bench.plan.coats:
        bench.until(Step.SPIN)
        # Its own gel: the third gels after 611 s, on a wall that the others warm.
        bench.until(Step.SPIN, coat_time_s=bench.state.coat_plan.clock.gel_expected_s)
        bench.ask("touch", what="coat")
        bench.wait(40.0)
        from_s = next_from_s(bench.state)
        assert from_s is not None
        bench.wait(from_s - bench.now_s, look_s=30.0)
        if bench.state.step is Step.REST:
            bench.press()
            bench.wait(3.0)
    assert bench.state.step is Step.CURE
    assert countdown(bench.state, bench.now_s, seen(bench)) is None
    assert sentence(bench.state, bench.now_s, seen(bench)) == (
        "The mould may be opened.",
        plain.HARD,
    )


def test_the_gel_is_told_on_a_clock() -> None:
    """The gel is given in minutes and seconds, like every other time on the sheet."""
    event = Gelled(gel_coat_s=1350.0, how="touch", safe_s=1400.0)
    said = "The coat gelled 22:30 after its parts met, according to the touch."
    assert record_line(as_row(event, 0.0)).text == said


def test_the_operator_does_not_press_for_a_step_that_is_over() -> None:
    """His press at the frame may show a moment later; a second one would be refused."""
    bench = Bench().until(Step.CLOSE_UP)
    before = shown(bench)
    bench.press()
    bench.wait(3.0)
    after = shown(bench)
    assert after.step is Step.SPIN

    class Late:
        """Shows the previous state, and the present one only after the person has acted."""

        spec = bench.plan.rig
        told = iter((before,))

        def snapshot(self) -> Any:
            return next(self.told, after)

    class NoWait(ManualClock):
        async def sleep(self, duration_s: float) -> None:
            await self.advance(duration_s)

    pressed: list[Press] = []
    service = Late()
    operator = Operator(cast(Service, service), NoWait(), pressed.append, lambda _: None)
    asyncio.run(operator._one(service.snapshot()))
    assert pressed == []


def test_the_cause_of_a_lost_probe_stands_on_the_page() -> None:
    why = "only zeros: the one-wire line is shorted to ground"
    shorted = Observation(probe=Reading(0.0, None, "probe_lost", why), room=Reading(0.0, 21.0))
    shown = snapshot(
        None,
        0.0,
        "",
        shorted,
        simulated=True,
        speed=1.0,
        rig_name="rig",
        record=(),
        last_event_id=0,
    )
    assert [(alert.kind, alert.sentence) for alert in shown.alerts] == [
        ("probe_resin", f"The resin probe gives no reading: {why}.")
    ]
