"""Every abnormal case of the trade, one test a row of web/guide/abnormal.md."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from evenwall.devices.interfaces import Press, Reading
from evenwall.errors import InputError
from evenwall.model import Plan, Step, read_order
from evenwall.planning.batch import CLOSE_UP_S, POUR_S
from evenwall.run import user_messages as plain
from evenwall.run.alerts import BOUND_OF_GEL, OLD_LAGS, OLD_S, WAITING_S
from evenwall.run.events import Rejoined
from evenwall.run.observation import GelReading, Hold, Observation, Park, Queue, Stop
from evenwall.run.schedule import WEIGH_S, pour_gap_s
from evenwall.run.view import countdown, sentence, snapshot
from evenwall_bridge.contract import Fault, Mode
from tests.run.bench import Bench
from tests.support.orders import command
from tests.support.virtual_shop import lantern_plan

DOCS = Path(__file__).resolve().parents[2] / "web" / "guide" / "abnormal.md"


def said(bench: Bench) -> str:
    return " ".join(sentence(bench.state, bench.now_s, Observation(rig=bench.rig)))


def test_guard_opened_while_liquid() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.guard(False)
    assert isinstance(bench.told[-1], Stop)
    assert bench.state.halted == "guard"
    assert "standing_liquid" in bench.alerts()
    assert "liquid" in said(bench)
    bench.guard(True)
    bench.wait(60.0)
    assert bench.state.turning is None, "closing the guard alone starts nothing"
    bench.press()
    assert bench.state.turning is not None
    assert isinstance(bench.told[-1], Queue)


def test_guard_opened_while_gelling() -> None:
    gel_low_s = Bench().plan.coats[0].clock.gel_low_s
    bench = Bench().until(Step.SPIN, coat_time_s=0.95 * gel_low_s)
    bench.guard(False)
    assert "standing_gelling" in bench.alerts()


def test_guard_opened_when_gelled() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=900.0)
    bench.look(gel=GelReading(best_s=880.0, called_at_s=900.0, safe_to_stop_s=1000.0))
    bench.guard(False)
    assert "standing_gelled" in bench.alerts()
    bench.guard(True)
    bench.wait(120.0)
    assert bench.state.step is Step.PARK, "nothing is left to turn"
    assert bench.state.halted == "guard"
    bench.press()
    bench.wait(3.0)
    assert bench.state.step is Step.REST


def test_a_press_with_the_guard_open_moves_nothing() -> None:
    bench = Bench().until(Step.CLOSE_UP)
    bench.guard(False)
    before = len(bench.told)
    bench.press()
    assert bench.told[before:] == []
    assert bench.events[-1].kind in ("refused", "alert")


def test_stop_pressed_then_resumed_at_the_frame_only() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=500.0)
    bench.look(presses=(Press.STOP,))
    assert bench.state.halted == "stop"
    answer = bench.ask("resume")
    assert not answer.accepted
    assert answer.sentence == plain.AT_THE_FRAME
    bench.press()
    assert bench.state.turning is not None
    assert bench.state.turning.exact is False
    # It goes on at the coat's present time, not where it stopped.
    expected_s = bench.now_s - (bench.state.coat.spin_from_s or 0.0)
    assert bench.state.turning.profile_s == pytest.approx(expected_s, abs=40.0)


def test_paused_by_hand() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=500.0)
    assert bench.ask("pause").accepted
    assert isinstance(bench.told[-1], Hold)
    bench.wait(70.0)
    bench.press()
    assert "standing_long" in bench.alerts()
    assert bench.state.coat.stood_s == pytest.approx(70.0, abs=2.0)


def test_probe_dies_mid_coat() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(probe=Reading(bench.now_s, None, "probe_lost"))
    assert "probe_lost" in bench.alerts()
    assert bench.state.turning is not None
    wide = GelReading(
        best_s=980.0, called_at_s=1300.0, safe_to_stop_s=1300.0, faults=("probe_lost",)
    )
    bench.wait(1300.0 - (bench.state.coat_time_s(bench.now_s) or 0.0), look_s=10.0)
    bench.look(gel=wide)
    assert bench.state.coat.gel_how == "model"


def test_probe_lies() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(gel=GelReading(faults=("probe_stuck",)))
    assert "probe_stuck" in bench.alerts()
    assert bench.state.turning is not None


def test_what_was_said_not_to_react_and_does() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(gel=GelReading(faults=("no_reaction",)))
    assert "no_reaction" in bench.alerts()
    bench.look(gel=GelReading(faults=("slow_reaction",), taken_back=("no_reaction",)))
    assert {"reacts_after_all", "slow_reaction"} <= bench.alerts()
    assert "no_reaction" not in bench.alerts()


def test_slip() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.rig = replace(bench.rig, faults=frozenset({Fault.SLIP_MINOR}))
    bench.look()
    assert "slip" in bench.alerts()
    assert bench.state.turning is not None


def test_driver_fault() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.wait(5.0)
    bench.rig = replace(
        bench.rig, mode=Mode.DISABLED, queue_s=0.0, faults=frozenset({Fault.DRIVER_MAJOR})
    )
    bench.look()
    assert bench.state.halted == "fault"
    assert {"driver_fault", "standing_liquid"} <= bench.alerts()
    bench.press()
    bench.look(failed="enable: a motor driver reports a fault")
    assert bench.state.halted == "fault", "as long as the driver complains nothing turns"


def test_late_pour() -> None:
    bench = Bench().until(Step.POUR)
    bench.wait(bench.plan.coats[0].clock.pour_by_s + 5.0, look_s=20.0)
    assert "late_pour" in bench.alerts()
    assert bench.ask("next").accepted, "what is poured is poured"


def test_late_start() -> None:
    bench = Bench().until(Step.CLOSE_UP)
    assert "late_start" not in bench.alerts()
    clock, met_s = bench.plan.coats[0].clock, bench.state.coat.parts_met_s or 0.0
    latest_s = clock.turn_by_s or 0.0
    bench.wait(met_s + latest_s - 1.0 - bench.now_s, look_s=20.0)
    assert "late_start" not in bench.alerts()
    bench.wait(2.0)
    assert "late_start" in bench.alerts()
    assert "late_pour" not in bench.alerts(), "it is poured"
    bench.until(Step.SPIN, coat_time_s=latest_s + 60.0)
    assert "late_start" not in bench.alerts()
    assert "begun_late" in bench.alerts()
    soon = Bench().until(Step.SPIN, coat_time_s=latest_s + 60.0)
    assert "begun_late" not in soon.alerts()


def test_pot_life_passed_before_the_pour() -> None:
    bench = Bench().until(Step.POUR)
    bench.wait(bench.plan.coats[0].clock.gel_low_s + 5.0, look_s=20.0)
    assert "mix_gone" in bench.alerts()
    shown = snapshot(
        bench.state, bench.now_s, "", Observation(rig=bench.rig), simulated=True, speed=1.0,
        rig_name="", record=(), last_event_id=0,
    )  # fmt: skip
    assert "Mix anew" in [button.label for button in shown.buttons]
    assert bench.ask("answer", question="mix_again", value="yes").accepted
    assert bench.state.step is Step.WEIGH
    assert bench.state.coat.parts_met_s is None
    assert bench.state.coat.mixed_again == 1
    bench.look()
    assert "mix_gone" not in bench.alerts()


def test_a_late_estimate_is_told() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=500.0)
    words = "The coat is expected to gel in 6 to 9 min; safe to stop in 10 min."
    gel = GelReading(at_s=500.0, best_s=960.0, safe_to_stop_s=1100.0, sentence=words)
    bench.wait(OLD_S, gel=gel)
    assert "estimate_old" not in bench.alerts()
    seen = Observation(gel=gel)
    assert sentence(bench.state, bench.now_s, seen)[1] == words
    assert countdown(bench.state, bench.now_s, seen) is not None
    bench.wait(OLD_LAGS * 9.0, gel=gel, lag_s=9.0)
    assert "estimate_old" not in bench.alerts(), "a fast world sees late"
    bench.wait(1.0, gel=gel, lag_s=9.0)
    assert "estimate_old" in bench.alerts()
    bench.wait(29.0, gel=gel)
    assert "estimate_old" in bench.alerts()
    assert bench.state.turning is not None, "it keeps turning"
    assert sentence(bench.state, bench.now_s, seen)[1] == f"3 min ago: {words}"
    assert countdown(bench.state, bench.now_s, seen) is None, "nobody knows when it is safe to stop"
    bench.wait(5.0, gel=replace(gel, at_s=680.0))
    assert "estimate_old" not in bench.alerts()
    bench.wait(200.0, gel=GelReading())
    assert "estimate_old" not in bench.alerts(), "where nobody judges, a notice says why"


def test_coat_does_not_gel() -> None:
    bench = Bench().until(Step.SPIN)
    limit_s = bench.plan.coats[0].clock.gel_high_s
    bench.wait(1.2 * limit_s, look_s=5.0)
    assert "no_gel" in bench.alerts()
    assert bench.state.turning is not None, "it keeps turning"
    said: set[str] = set()
    for _ in range(int(BOUND_OF_GEL * limit_s / 5.0)):
        bench.wait(5.0, look_s=5.0)
        seen = Observation(rig=bench.rig, **bench.kept)
        if bench.state.step in (Step.PARK, Step.REST):
            said.update(sentence(bench.state, bench.now_s, seen))
    assert said
    assert not [words for words in said if "The coat has gelled" in words]
    assert bench.state.coat.gave_up
    assert bench.state.coat.done


def test_a_finger_finds_the_coat_gelled() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    assert bench.ask("touch", what="coat").accepted
    bench.wait(30.0)
    assert bench.state.coat.gel_how == "touch"
    assert bench.state.step in (Step.PARK, Step.REST)


def test_exotherm_above_the_limit() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(probe=Reading(bench.now_s, 130.0))
    assert "too_hot" in bench.alerts()
    assert "If it smokes, leave it and the room" in said(bench)


def test_board_not_heard() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    told = len(bench.told)
    bench.wait(30.0, rig_lost="silent since 400 s")
    assert "board_lost" in bench.alerts()
    assert bench.state.turning is not None, "it is taken to go on by itself"
    assert bench.told[told:] == []
    bench.rig = replace(bench.rig, coasting=True, queue_s=0.0)
    bench.look(rejoin=True)
    assert "rejoined" in bench.kinds()
    assert isinstance(bench.told[-1], Queue)


def test_a_frame_that_turns_what_no_record_knows() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    assert bench.rig.mode is Mode.TURNING
    shown = snapshot(
        None,
        bench.now_s,
        "",
        Observation(rig=bench.rig),
        simulated=True,
        speed=1.0,
        rig_name="",
        record=(),
        last_event_id=0,
    )
    assert "missing from the record" in shown.sentence
    assert "then stop it" in shown.why


def test_last_orders_lost_on_the_wire() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    turning = bench.state.turning
    assert turning is not None
    bench.rig = replace(bench.rig, ramps_accepted=len(turning.ramps) - 2)
    bench.look(rejoin=True)
    again = bench.state.turning
    assert again is not None
    dropped = sum(ramp[0] for ramp in turning.ramps[-2:])
    assert again.ramps[: len(turning.ramps) - 2] == turning.ramps[:-2]
    # The lost ramps are handed over again, from the same place of the profile.
    rejoined = next(event for event in reversed(bench.events) if isinstance(event, Rejoined))
    assert rejoined.profile_s == pytest.approx(turning.profile_s - dropped)
    assert again.exact


def test_board_was_reset() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.wait(5.0)
    bench.rig = replace(
        bench.rig, mode=Mode.DISABLED, queue_s=0.0, faults=frozenset({Fault.BROWN_OUT})
    )
    bench.look()
    assert bench.state.halted == "fault"
    assert "board_reset" in bench.alerts()


def test_left_alone_longer_than_granted() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.wait(5.0)
    bench.rig = replace(
        bench.rig, mode=Mode.DISABLED, queue_s=0.0, faults=frozenset({Fault.HOST_SILENT})
    )
    bench.look(rejoin=True)
    assert bench.state.halted == "fault"
    assert "grant_over" in bench.alerts()


def test_queue_ran_dry() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.wait(5.0)
    bench.rig = replace(bench.rig, coasting=True, queue_s=0.0)
    bench.look()
    turning = bench.state.turning
    assert turning is not None
    assert not turning.exact
    assert isinstance(bench.told[-1], Queue)


def test_operator_gone_at_the_pour() -> None:
    bench = Bench().until(Step.POUR)
    bench.wait(200.0)
    assert "waiting" in bench.alerts()
    assert bench.state.step is Step.POUR


def test_weights_off_a_little_are_warned_of() -> None:
    bench = Bench().until(Step.WEIGH)
    bench.wait(3.0)
    coat = bench.state.coat_plan
    assert (
        "B is +2.0 % off its ratio to A: add"
        in bench.ask("weigh", part_a_g=coat.part_a_g, part_b_g=coat.part_b_g * 1.02).sentence
    )
    assert "weights_off" in bench.alerts()
    assert bench.ask("next").accepted


def test_weights_off_too_far_are_refused() -> None:
    bench = Bench().until(Step.WEIGH)
    bench.wait(3.0)
    coat = bench.state.coat_plan
    bench.ask("weigh", part_a_g=coat.part_a_g, part_b_g=coat.part_b_g * 1.08)
    assert "weights_refused" in bench.alerts()
    answer = bench.ask("next")
    assert not answer.accepted
    assert "8 %" in answer.sentence
    assert bench.ask("answer", question="weights_off", value="go_on").accepted
    assert bench.ask("next").accepted


@pytest.mark.parametrize("weight", [0.0, -3.0, "heavy", None])
def test_weights_that_are_none(weight: object) -> None:
    with pytest.raises(InputError, match="part_b_g"):
        read_order("weigh", {"part_a_g": 50.0, "part_b_g": weight})


def test_broker_gone_is_a_notice_and_nothing_more() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    seen = Observation(rig=bench.rig, notices={"broker": "The broker does not answer."})
    shown = snapshot(
        bench.state, bench.now_s, "", seen, simulated=True, speed=1.0, rig_name="",
        record=(), last_event_id=0,
    )  # fmt: skip
    assert shown.alerts[-1].sentence == "The broker does not answer."
    assert bench.state.turning is not None


def test_two_panels_press_at_once() -> None:
    bench = Bench().until(Step.MIX)
    both = tuple(command("next", key, step_id=bench.state.step_id) for key in ("one", "two"))
    bench.look(commands=both)
    assert [answer.accepted for answer in bench.answers[-2:]] == [True, False]
    assert bench.state.step is Step.DEGAS


def test_wrong_order_is_explained() -> None:
    bench = Bench().until(Step.WEIGH)
    assert "while weighing" not in bench.ask("measure", weight_g=300.0).sentence
    assert not bench.ask("pause").accepted
    assert not bench.ask("resume").accepted
    with pytest.raises(InputError, match="no such command"):
        bench.ask("fly")
    bench.until(Step.SPIN)
    answer = bench.ask("next")
    assert not answer.accepted
    assert answer.sentence == plain.not_now(Step.SPIN)


def test_next_coat_waits_for_the_window_and_tells_when_it_is_missed() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(40.0)
    assert bench.state.step is Step.REST
    bench.press()
    assert bench.state.step is Step.REST
    assert "rests" in bench.events[-1].line()
    bench.wait(bench.plan.coats[0].clock.next_pour_until_s, look_s=60.0)
    assert "window_missed" in bench.alerts()
    bench.until(Step.WEIGH)
    assert "window_missed" in bench.alerts()  # the surface can still be keyed
    bench.until(Step.CLOSE_UP)
    assert "window_missed" not in bench.alerts()  # nobody is told to key a coat that is poured on
    assert "window_passed" in bench.alerts()


def quick_to_the_second_pour() -> Bench:
    """Weigh when the sheet says so, then mix and degas in less time than planned."""
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(40.0)
    bench.wait(
        pour_gap_s(bench.plan, 0) - WEIGH_S + 1.0 - (bench.state.coat_time_s(bench.now_s) or 0.0),
        look_s=30.0,
    )
    return bench.until(Step.POUR)


def test_who_is_quicker_than_planned_is_told_to_wait_with_the_pour() -> None:
    bench = quick_to_the_second_pour()
    seen = Observation(rig=bench.rig, **bench.kept)
    assert sentence(bench.state, bench.now_s, seen)[0] == plain.WAIT_TO_POUR
    count = countdown(bench.state, bench.now_s, seen)
    assert count is not None
    assert (count.kind, count.label) == ("wait", "wait, then pour")
    below_s = bench.state.coats[0].parts_met_s
    assert below_s is not None
    assert count.until_s == below_s + bench.plan.coats[0].clock.next_pour_from_s - POUR_S
    bench.wait(count.until_s - bench.now_s)
    assert sentence(bench.state, bench.now_s, seen)[0] == "Pour now."
    assert bench.ask("next").accepted
    assert "early_pour" not in bench.alerts()


def test_who_pours_all_the_same_is_told_that_it_may_wrinkle() -> None:
    bench = quick_to_the_second_pour()
    assert bench.ask("next").accepted
    assert "early_pour" in bench.alerts()


def a_plan_that_lets_its_mix_stand(pour_from_s: float) -> Plan:
    plan = lantern_plan()
    spin_from_s = pour_from_s + POUR_S + CLOSE_UP_S
    times = {
        "pour_from_s": pour_from_s,
        "spin_from_s": spin_from_s,
        "turn_by_s": spin_from_s + CLOSE_UP_S,
    }
    coats = [c.model_copy(update={"clock": c.clock.model_copy(update=times)}) for c in plan.coats]
    return plan.model_copy(update={"coats": tuple(coats)})


def test_a_mix_that_is_to_stand_is_not_asked_for_before() -> None:
    """A person who waits as told does not count as missing meanwhile."""
    bench = Bench(a_plan_that_lets_its_mix_stand(400.0)).until(Step.POUR)
    seen = Observation(rig=bench.rig, **bench.kept)
    met_s = bench.state.coat.parts_met_s
    assert met_s is not None
    assert sentence(bench.state, bench.now_s, seen) == (plain.WAIT_TO_POUR, plain.WAIT_TO_THICKEN)
    count = countdown(bench.state, bench.now_s, seen)
    assert count is not None
    assert count.until_s == met_s + 400.0
    bench.wait(count.until_s - bench.now_s, look_s=10.0)
    assert sentence(bench.state, bench.now_s, seen)[0] == "Pour now."
    bench.wait(WAITING_S - 20.0, look_s=10.0)
    assert "waiting" not in bench.alerts()
    bench.wait(40.0, look_s=10.0)
    assert "waiting" in bench.alerts()


def test_a_coat_poured_as_late_as_planned_does_not_start_late() -> None:
    plan = a_plan_that_lets_its_mix_stand(400.0)
    assert 0.5 * plan.coats[0].clock.gel_low_s < 400.0 + POUR_S + CLOSE_UP_S
    bench = Bench(plan).until(Step.CLOSE_UP)
    met_s = bench.state.coat.parts_met_s or 0.0
    bench.wait(met_s + 400.0 + POUR_S + 1.5 * CLOSE_UP_S - bench.now_s, look_s=10.0)
    assert "late_start" not in bench.alerts()
    bench.wait(CLOSE_UP_S, look_s=10.0)
    assert "late_start" in bench.alerts()


def test_cold_room() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(room=Reading(bench.now_s, 15.0))
    assert "cold_room" in bench.alerts()


def test_steps_that_differ_are_told() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=1000.0)
    bench.ask("touch", what="coat")
    bench.wait(40.0)  # the bench's board turns nothing, so it counts none
    assert "steps_differ" in bench.alerts()


def test_an_order_the_board_refuses_halts_and_is_told() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    bench.look(failed="queue: ramp 3: major_rpm is 25 rpm: at most 20 rpm")
    assert bench.state.halted == "fault"
    assert "failed" in bench.kinds()


@pytest.mark.parametrize("part_a_g", [math.nan, math.inf, -1.0, "12", True, None])
def test_a_weight_that_is_no_weight_is_refused(part_a_g: object) -> None:
    """A console or a broker can send values that no panel sends: nan fails every comparison."""
    with pytest.raises(InputError, match="part_a_g"):
        read_order("weigh", {"part_a_g": part_a_g, "part_b_g": 38.0})


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ({"weight_g": 0.0}, "weight_g is 0.0 g: must be > 0"),
        ({"weight_g": math.nan}, "weight_g is nan g"),
        ({"rim_mm": [4.5, -1.0]}, "rim_mm.1 is -1.0 mm: must be >= 0"),
        ({"spots": [{"where": "foot", "wall_mm": 400.0}]}, "wall_mm is 400.0 mm: must be <= 100"),
    ],
)
def test_a_measure_that_is_none_is_refused(measured: dict[str, object], said: str) -> None:
    """Once in the record, it would prevent the run from ever being proven."""
    with pytest.raises(InputError) as error:
        read_order("measure", measured)
    assert said in str(error.value)


def test_abandoned_stops_the_frame() -> None:
    bench = Bench().until(Step.SPIN, coat_time_s=400.0)
    assert bench.ask("abandon", reason="a hair in the mould").accepted
    assert isinstance(bench.told[-1], Stop)
    assert bench.state.step is Step.ABANDONED
    assert not bench.ask("next").accepted


def test_opening_not_up_yet() -> None:
    bench = Bench()
    bench.look()
    bench.press()
    bench.hinder_parking()
    bench.guard(False)  # while it turns the opening up
    assert bench.state.halted == "guard"
    assert "not_up" in bench.alerts()
    bench.guard(True)
    bench.press()
    assert isinstance(bench.told[-1], Park)
    bench.wait(3.0)
    assert bench.state.parked == "up"


def test_every_row_names_a_test_and_every_alert_a_row() -> None:
    text = DOCS.read_text(encoding="utf-8")
    names = set(re.findall(r"`(test_\w+)`", text))
    found = {
        name
        for path in Path(__file__).parents[1].rglob("test_*.py")
        for name in re.findall(r"^(?:async )?def (test_\w+)", path.read_text(), re.MULTILINE)
    }
    assert names <= found, names - found
    told = {
        kind
        for row in text.splitlines()
        if row.startswith("| ") and row.count("|") == 5
        for kind in re.split(r",\s*", row.split("|")[3].strip())
    }
    kinds = set(plain.ALERTS)
    assert told - {"", "alerts", "---"} == kinds, told ^ kinds
