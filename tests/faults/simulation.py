"""Whole castings in virtual time, with faults, times, people and weather from a seed.

A seed determines the whole casting. `python -m tests.faults.simulation --seed 17` prints it event
by event; `--seeds 0:1000` runs many and prints a table of losses and their causes.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import math
import random
import sys
from collections import Counter
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cache
from time import process_time
from typing import Any

from evenwall.devices.interfaces import Press
from evenwall.errors import InputError, RecordError
from evenwall.model import Answer, Command, Event, Plan, Snapshot, Step, read_casting
from evenwall.planning import make_plan
from evenwall.records.journal import Journal
from evenwall.records.rows import Batch
from evenwall.run.folding import fold_all
from evenwall.simulation.scripted_operator import Habits, Operator
from evenwall.simulation.twin import ProbeTrouble, Weather
from evenwall.units import percent
from evenwall_bridge.clock import Anchor, LoopClock, run_virtual
from evenwall_bridge.contract import LinkLost
from evenwall_bridge.sim_board import VirtualBoard
from tests.faults.light import light
from tests.support.orders import command
from tests.support.virtual_shop import SAMPLES, Shop, open_shop, sample_rig

STATE_PERIOD_S = 5.0
SETTLE_S = 12.0  # speed limit over acceleration limit, and one look
LOOK_S = 5.0
STILL_LOSES_S = 90.0  # a liquid coat that stands still this long is lost
LONGEST_S = 30_000.0
EARLY = 0.05  # gelled later than this share after it was called: called too early

# Troubles that may cost a coat unavoidably: a liquid coat runs while the frame must not or cannot
# turn, and a mix that cannot gel never holds.
MAY_LOSE = {"guard_long", "stop_long", "driver_long", "away_close_up", "off_ratio"}
# Each of these stops the frame until somebody returns to it, which a coat can bear. Two of them in
# one casting may add up to more, and no controller may turn the frame meanwhile.
STOPS_FRAME = {"guard", "stop", "pause", "driver", "reset"}
# Without the controller's process nobody can restart the frame.
AWAY = {"crash", "crash_often"}
KINDS = (
    "guard", "guard_long", "stop", "stop_long", "pause", "driver", "driver_long", "reset",
    "slip", "unplugged", "crash", "crash_often", "disk", "probe_lost", "probe_stuck",
    "probe_noisy", "probe_power_on", "probe_out", "away_pour", "away_close_up", "weights",
    "off_ratio", "cold", "two_panels", "clock_step", "impatient",
)  # fmt: skip


@cache
def plans() -> tuple[Plan, ...]:
    """A few castings of one to three coats, on a frame with few steps a turn, to be quick."""
    rig = sample_rig()
    coarse = {"motor_steps_per_turn": 20, "microsteps": 4}
    rig = rig.model_copy(
        update={
            "major": rig.major.model_copy(update=coarse),
            "minor": rig.minor.model_copy(update=coarse),
        }
    )
    found = []
    lantern = read_casting(SAMPLES / "lantern-globe.toml")
    for coats, wall_mm, pot_life_min in ((1, 1.5, 6.0), (2, 3.0, 6.0), (3, 4.5, 7.0)):
        sheet = lantern.resin.sheet.model_copy(
            update={"pot_life_min": pot_life_min, "demould_min": 12.0}
        )
        resin = lantern.resin.model_copy(update={"sheet": sheet})
        casting = lantern.model_copy(update={"coats": coats, "wall_mm": wall_mm, "resin": resin})
        found.append(make_plan(casting, rig, time_budget_s=0.0))
    return tuple(found)


@dataclass(frozen=True)
class Story:
    """Everything that one seed decides."""

    seed: int
    plan: int
    weather: Weather
    kinds: tuple[str, ...]
    habits: Habits
    at: dict[str, float]  # kind -> share of the way through the coat's spin

    @classmethod
    def of(cls, seed: int) -> Story:
        draw = random.Random(f"story/{seed}")
        count = draw.choices((0, 1, 2, 3), (2, 5, 3, 1))[0]
        kinds = tuple(sorted(draw.sample(KINDS, count)))
        away = next((k for k in kinds if k.startswith("away_")), "")
        habits = Habits(
            weigh_error=0.03 if "weights" in kinds else 0.002,
            dawdle=draw.uniform(0.6, 1.1),
            away_at=Step(away.removeprefix("away_")) if away else None,
            away_s=draw.uniform(200.0, 1500.0),
            measures=draw.random() < 0.5,
            guard_open_s=draw.uniform(5.0, 30.0),
        )
        base = 21.0 + draw.gauss(0.0, 1.0) - (6.0 if "cold" in kinds else 0.0)
        return cls(
            seed,
            draw.choices(range(3), (6, 2, 1))[0],
            Weather(base, draw.uniform(0.0, 1.0)),
            kinds,
            habits,
            {kind: draw.uniform(0.05, 0.85) for kind in kinds},
        )


@dataclass
class Outcome:
    seed: int
    kinds: tuple[str, ...]
    coats: int = 0
    lost: list[tuple[int, str]] = field(default_factory=list)  # (coat, how it was lost)
    broken: list[str] = field(default_factory=list)  # invariants that did not hold
    called: list[float] = field(default_factory=list)  # called over true gel, by probe or model
    lasted_s: float = 0.0
    cpu_s: float = 0.0


class Panel:
    """The operator's phone: it sends a command again with the same key if the controller was
    away."""

    def __init__(self, outcome: Outcome) -> None:
        self.shop: Shop | None = None
        self.up = asyncio.Event()
        self.answers: dict[str, Answer] = {}
        self._outcome = outcome
        self._last: Snapshot | None = None

    @property
    def spec(self) -> Any:
        return plans()[0].rig

    def snapshot(self) -> Snapshot:
        if self.shop is not None:
            self._last = self.shop.service.snapshot()
        if self._last is None:
            raise AssertionError("nothing has been shown yet")
        return self._last

    async def command(self, command: Command) -> Answer:
        while True:
            await self.up.wait()
            if self.shop is None:
                continue
            try:
                answer = await self.shop.service.command(command)
            except RecordError:
                continue
            before = self.answers.setdefault(command.key, answer)
            if before.sentence != answer.sentence:
                self._outcome.broken.append(f"{command.key} was answered twice, differently")
            return answer


class LastingJournal(Journal):
    """A record in memory that outlives its process, on a disk that can be full."""

    full = False

    def write(self, batch: Batch, anchor: Anchor | None = None) -> None:
        if self.full:
            raise RecordError("database or disk is full")
        super().write(batch, anchor)

    def close(self) -> None:
        """The file stays when its process ends."""


class World:
    """One story, lived through."""

    def __init__(self, story: Story, tell: Callable[[str], None] | None = None) -> None:
        self.story, self.tell = story, tell
        self.outcome = Outcome(story.seed, story.kinds)
        self.plan = plans()[story.plan]
        self.clock = LoopClock()
        self.board = VirtualBoard(self.clock)
        self.journal = LastingJournal(None)
        self.panel = Panel(self.outcome)
        self.done: set[str] = set()
        self.stack = AsyncExitStack()
        self.guard_open_since: float | None = None
        self._real_guard = self.board.set_guard
        self.still_s: Counter[int] = Counter()
        self.early: Counter[int] = Counter()  # coats called gelled too early
        self.true_gel: dict[int, float] = {}
        self.draw = random.Random(f"world/{story.seed}")
        self.told_id = 0

    # --- processes of the controller
    # ------------------------------------------------------------------

    async def open(self) -> Shop:
        shop = await self.stack.enter_async_context(
            open_shop(
                self.plan,
                seed=self.story.seed,
                record=self.journal,
                judges=light,
                board=self.board,
                clock=self.clock,
                weather=self.story.weather,
                state_period_s=STATE_PERIOD_S,
                tick_s=4.0,
                idle_tick_s=20.0,
                sample_s=10.0,
                prepare=self._prepare,
            )
        )
        self.panel.shop = shop
        self.panel.up.set()
        return shop

    def _prepare(self, shop: Shop) -> None:
        """Prepare the world of this process before the supervisor starts."""
        if "off_ratio" in self.story.kinds:
            shop.twin.mix_error = 0.6
        for kind in self.story.kinds:
            if kind.startswith("probe_"):
                at_s = 400.0 + 600.0 * self.story.at[kind]
                name: Any = kind.removeprefix("probe_")
                shop.twin.probe("resin").troubles.append(ProbeTrouble(name, at_s, at_s + 2000.0))
        follow = shop.twin.follow

        def on_event(event: Event, plan: Plan) -> None:
            follow(event, plan)
            self._on_event(shop, event)

        shop.supervisor.on_event = on_event

    async def crash(self, away_s: float) -> None:
        """Kill the process, which loses unwritten rows, and start it again."""
        shop = self.panel.shop
        if shop is None or shop.supervisor.state is None or shop.supervisor.state.over:
            return
        self.panel.up.clear()
        self.panel.shop = None
        shop.supervisor.tasks.cancel()
        shop.records._waiting = Batch()
        await self.stack.aclose()
        await self.clock.sleep(away_s)
        shop = await self.open()
        await self._check_fold(shop)

    async def _check_fold(self, shop: Shop) -> None:
        state = shop.supervisor.state
        if state is None or not await shop.records.flush():
            return
        events = self.journal.events(state.run_id)
        if fold_all(state.run_id, self.plan, events) != state:
            self.broke("the state is not the fold of the journal")

    # --- watching --------------------------------------------------------------------------------

    def broke(self, what: str) -> None:
        self.outcome.broken.append(f"{self.clock.now_s():.0f} s: {what}")

    def _on_event(self, shop: Shop, event: Event) -> None:
        if event.event_id <= self.told_id:
            return  # read back after a restart
        self.told_id = event.event_id
        if self.tell is not None and event.kind != "queued":
            hidden = () if event.kind == "refused" else ("sentence",)
            data = {k: v for k, v in event.data.items() if k not in hidden}
            self.tell(f"{event.at_s:8.1f} {event.kind:14} {data}")
        if event.kind == "gelled":
            state = shop.supervisor.state
            met_s = state.coat.parts_met_s if state is not None else None
            if met_s is not None and event.data["how"] != "touch":
                true_s = shop.twin.coat_gel_s
                if math.isfinite(true_s):
                    ratio = (event.data["safe_s"] - met_s) / true_s
                    self.outcome.called.append(ratio)
                    self.early[state.index + 1 if state is not None else 0] = ratio < 1.0 - EARLY

    async def watch(self) -> None:
        """Check the invariants at every second of the world."""
        board, spec = self.board, self.plan.rig
        before, before_s = board.steps(), self.clock.now_s()
        limits = [
            spec.rate_limit_rpm / 60.0 * axis.steps_per_turn for axis in (spec.major, spec.minor)
        ]
        while True:
            await self.clock.sleep(LOOK_S)
            now, now_s = board.steps(), self.clock.now_s()
            moved = now != before
            for axis in (0, 1):
                if abs(now[axis] - before[axis]) > limits[axis] * (now_s - before_s) * 1.01 + 2:
                    self.broke(f"axis {axis} turns faster than {spec.rate_limit_rpm} rpm")
            opened = self.guard_open_since
            if moved and opened is not None and before_s > opened + SETTLE_S:
                self.broke("it turns with the guard open")
            self._watch_run(moved, before_s, now_s)
            before, before_s = now, now_s

    def _watch_run(self, moved: bool, before_s: float, now_s: float) -> None:
        shop = self.panel.shop
        state = shop.supervisor.state if shop is not None else None
        if shop is None or state is None or state.over:
            return
        linked = not shop.supervisor.seen.rig_lost
        if moved and linked and state.halted and before_s > state.halted_s + SETTLE_S:
            self.broke(f"it turns after it was stopped ({state.halted})")
        coat = state.coat
        number = state.index + 1
        if coat.poured_s is None or coat.parts_met_s is None or coat.mixed_again:
            return
        gel_s = shop.twin.coat_gel_s
        if math.isfinite(gel_s):
            self.true_gel[number] = gel_s
        liquid = not shop.twin.coat_gelled(now_s)
        if liquid and not moved and now_s > coat.poured_s + 120.0:
            self.still_s[number] += now_s - before_s

    # --- troubles --------------------------------------------------------------------------------

    def guard(self, closed: bool) -> None:
        self._real_guard(closed)
        now_s = self.clock.now_s()
        self.guard_open_since = None if closed else (self.guard_open_since or now_s)

    async def trouble(self, kind: str) -> None:
        """Wait for the moment of the trouble, a share of the first coat's spin, and cause it."""
        await self._spinning(self.story.at[kind])
        shop = self.panel.shop
        if shop is None:
            return
        if self.tell is not None:
            self.tell(f"{self.clock.now_s():8.1f} --- {kind}")
        long = kind.endswith("_long")
        last_s = self.draw.uniform(200.0, 600.0) if long else self.draw.uniform(5.0, 40.0)
        if kind in ("guard", "guard_long"):
            self.guard(False)
            self.hands_off_s = self.clock.now_s() + last_s
        elif kind in ("stop", "stop_long"):
            shop.buttons.press(Press.STOP)
            shop.supervisor.wake()
            if long:
                self.hands_off_s = self.clock.now_s() + last_s
        elif kind == "pause":
            await self._say("pause")
        elif kind in ("driver", "driver_long"):
            self.board.set_driver_fault("major", True)
            await self.clock.sleep(last_s)
            self.board.set_driver_fault("major", False)
        elif kind == "reset":
            self.board.reset("brown_out")
        elif kind == "slip":
            self.board.slip("minor", 40)
        elif kind == "unplugged":
            shop.rig._end(LinkLost("unplugged"))
        elif kind == "crash":
            await self.crash(last_s)
        elif kind == "crash_often":
            for _ in range(6):
                await self.crash(self.draw.uniform(0.5, 60.0))
                await self.clock.sleep(self.draw.uniform(0.0, 300.0))
        elif kind == "disk":
            await self._disk_full(600.0)
        elif kind == "clock_step":
            self.clock._epoch += timedelta(hours=self.draw.choice((-3, 5)))
        elif kind in ("two_panels", "impatient"):
            await self._press_along(kind)

    async def _spinning(self, share: float) -> None:
        while True:
            shop = self.panel.shop
            state = shop.supervisor.state if shop is not None else None
            if state is not None and state.turning is not None and state.step is Step.SPIN:
                time_s = state.coat_time_s(self.clock.now_s()) or 0.0
                clock = state.coat_plan.clock
                if time_s >= clock.spin_from_s + share * (clock.gel_expected_s - clock.spin_from_s):
                    return
            await self.clock.sleep(5.0)

    async def _say(self, name: str, **data: Any) -> Answer:
        key = f"{name}-{self.draw.randrange(2**32)}"
        try:
            asked = command(name, key, **data)
        except InputError as error:  # as the panel refuses weights that do not fit
            return Answer(accepted=False, sentence=str(error))
        return await self.panel.command(asked)

    async def _disk_full(self, last_s: float) -> None:
        self.journal.full = True
        await self.clock.sleep(last_s)
        self.journal.full = False

    async def _press_along(self, kind: str) -> None:
        """A second panel, or a child, presses any button."""
        for _ in range(40):
            shown = self.panel.snapshot()
            if kind == "two_panels":
                await self.panel.command(
                    command("next", f"second-{shown.step_id}", step_id=shown.step_id)
                )
            else:
                await self._say(self.draw.choice(("next", "resume", "nonsense", "start", "weigh")))
            await self.clock.sleep(self.draw.uniform(0.1, 60.0))

    # --- the whole -------------------------------------------------------------------------------

    async def live(self) -> Outcome:
        await self.open()
        story = self.story
        answer = await self._say("start", plan=self.plan)
        if not answer.accepted:
            self.broke(f"not started: {answer.sentence}")
        self.hands_off_s = 0.0
        operator = Operator(
            self.panel,
            self.clock,
            self._press,
            self._hand_on_guard,
            seed=story.seed,
            habits=story.habits,
            touched_coat=self._touch,
        )
        helpers = [asyncio.create_task(self.watch())]
        helpers += [asyncio.create_task(self.trouble(kind)) for kind in story.kinds]
        work = asyncio.create_task(operator.work())
        try:
            await asyncio.wait({work}, timeout=LONGEST_S)
            if not work.done():
                self.broke("the casting never ended")
            else:
                work.result()
        finally:
            for task in (*helpers, work):
                task.cancel()
            ended = await asyncio.gather(*helpers, work, return_exceptions=True)
            for error in ended:
                if isinstance(error, Exception):
                    self.broke(f"{type(error).__name__}: {error}")
        self.journal.full = False
        await self._judge_casting()
        self.outcome.lasted_s = self.clock.now_s()
        await self.stack.aclose()
        left = asyncio.all_tasks() - {asyncio.current_task()}
        if left:
            self.broke(f"left behind: {left}")
        self._check_answers()
        return self.outcome

    def _press(self, press: Press) -> None:
        if self.panel.shop is not None and self.clock.now_s() >= self.hands_off_s:
            self.panel.shop.buttons.press(press)
            self.panel.shop.supervisor.wake()

    def _hand_on_guard(self, closed: bool) -> None:
        if closed and self.clock.now_s() < self.hands_off_s:
            return  # a person is inside, or nobody is there
        self.guard(closed)

    def _touch(self) -> bool:
        shop = self.panel.shop
        return shop is not None and shop.twin.coat_gelled(self.clock.now_s())

    async def _judge_casting(self) -> None:
        """Judge which coats were lost, and whether that was avoidable."""
        shop = self.panel.shop
        state = shop.supervisor.state if shop is not None else None
        if shop is None or state is None:
            self.broke("no run at the end")
            return
        await self._check_fold(shop)
        if state.step is not Step.DONE:
            self.broke(f"ended at {state.step}")
        self.outcome.coats = len(state.coats)
        for coat in state.coats:
            how = ""
            if coat.gave_up:
                how = "did not gel"
            elif self.early[coat.coat]:
                how = "called early"
            elif self.still_s[coat.coat] > STILL_LOSES_S:
                how = "stood still while liquid"
            if how:
                self.outcome.lost.append((coat.coat, how))
                kinds = set(self.story.kinds)
                stops = STOPS_FRAME & kinds
                unavoidable = (
                    bool(MAY_LOSE & kinds) or len(stops) > 1 or bool(stops and AWAY & kinds)
                )
                if not self.early[coat.coat] and not unavoidable:
                    self.broke(f"coat {coat.coat} was lost ({how}) to {self.story.kinds}")
            exact = coat.steps_expected is not None
            if exact and coat.steps_expected != coat.steps_counted:
                self.broke(f"coat {coat.coat}: {coat.steps_counted} of {coat.steps_expected} steps")
        if "off_ratio" in self.story.kinds:
            self.outcome.called.clear()  # no sheet describes such a mix
        for ratio in self.outcome.called:
            if ratio < 0.7:
                self.broke(f"called gelled at {ratio:.2f} of the true gel")

    def _check_answers(self) -> None:
        """Check that the event of every answer is in the record, with the same words."""
        for key, answer in self.panel.answers.items():
            if answer.event_id is None:
                continue
            event = self.journal.event_of_key(key)
            if event is None or event.data.get("sentence") != answer.sentence:
                self.broke(f"acknowledged and not recorded: {key}")


def live(seed: int, tell: Callable[[str], None] | None = None) -> Outcome:
    """Run the casting of a seed; `broken` lists violated invariants."""

    async def scenario() -> Outcome:
        return await World(Story.of(seed), tell).live()

    began_s = process_time()
    try:
        outcome = run_virtual(scenario())
        outcome.cpu_s = process_time() - began_s
        return outcome
    except (AssertionError, RuntimeError, ValueError, KeyError, AttributeError, TypeError) as error:
        outcome = Outcome(seed, Story.of(seed).kinds)
        outcome.broken.append(f"{type(error).__name__}: {error}")
        return outcome


def replay_command(seed: int) -> str:
    return f".venv/bin/python -m tests.faults.simulation --seed {seed}"


def settle() -> None:
    """Set up a worker process: existing objects are kept out of garbage collection, since castings
    leave little behind."""
    gc.freeze()
    gc.set_threshold(100_000, 50, 50)


def table(outcomes: list[Outcome]) -> str:
    """Table of losses: one row for each kind of trouble, over the castings that met it alone."""
    lines = [
        "| trouble, and no other | castings | coats | lost | share | how they were lost |",
        "| --- | ---: | ---: | ---: | ---: | --- |",
    ]

    def row(name: str, those: list[Outcome]) -> str:
        coats = sum(o.coats for o in those)
        hows = Counter(how for o in those for _, how in o.lost)
        share = hows.total() / coats if coats else 0.0
        told = ", ".join(f"{how} {count}" for how, count in hows.most_common())
        lost = f"{hows.total()} | {percent(share, 1)}"
        return f"| {name} | {len(those)} | {coats} | {lost} | {told} |"

    lines.append(row("none", [o for o in outcomes if not o.kinds]))
    for kind in KINDS:
        name = f"`{kind}`" if kind in MAY_LOSE else kind
        lines.append(row(name, [o for o in outcomes if o.kinds == (kind,)]))
    lines.append(row("two or three of them", [o for o in outcomes if len(o.kinds) > 1]))
    called = [ratio for o in outcomes for ratio in o.called]
    early = sum(ratio < 1.0 - EARLY for ratio in called)
    coats = sum(o.coats for o in outcomes)
    lost = sum(len(o.lost) for o in outcomes)
    lines += [
        "",
        f"- {len(outcomes)} castings, {coats} coats, {lost} of them lost "
        f"({percent(lost / coats, 1)}); castings that broke an invariant: "
        f"{sum(bool(o.broken) for o in outcomes)}.",
        f"- The gel was called by probe or model {len(called)} times, {early} times more than "
        f"{percent(EARLY)} early: {percent(early / len(called), 2)}. The judge states at most 1 %.",
        f"- {sum(o.lasted_s for o in outcomes) / 3600:.0f} h of castings took "
        f"{sum(o.cpu_s for o in outcomes):.0f} s of one core.",
    ]
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--seeds", default="0:200")
    args = parser.parse_args()
    if args.seed is not None:
        outcome = live(args.seed, print)
        print(outcome)
        return 1 if outcome.broken else 0
    first, last = (int(part) for part in args.seeds.split(":"))
    outcomes = []
    for seed in range(first, last):
        outcome = live(seed)
        outcomes.append(outcome)
        if outcome.broken:
            print(f"{replay_command(seed)}  # {outcome.kinds}: {outcome.broken[0]}", flush=True)
    print(table(outcomes))
    return 1 if any(o.broken for o in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
