"""A clumsy maker in the whole simulated shop, by seed, and the checks of every sheet.

He presses late, early, twice and wrongly, at the frame and on two phones, one of which shows an old
page. He also weighs wrongly, loses the connection and reloads. At every look the sheet is compared
with the run's record.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from evenwall.devices.interfaces import Press
from evenwall.model import Snapshot, Step
from evenwall.planning.batch import turn_by_s
from evenwall.run import user_messages as plain
from evenwall.run.alerts import CUP_FROM, STANDING, TOUCH_EARLY, touch_band_s
from evenwall.run.events import CoatLost, MixedAgain, read
from evenwall.run.fate import Fate, fate
from evenwall.run.folding import fold_all
from evenwall.run.state import RunState
from evenwall.simulation.scripted_operator import Habits, Operator
from evenwall.simulation.twin import Weather
from evenwall_bridge.clock import run_virtual
from tests.support.castings import Foresight
from tests.support.orders import command
from tests.support.virtual_shop import Shop, open_shop

MISCHIEF, WHILE_IT_TURNS = 0.5, 0.04  # of all looks; while it turns he looks every 5 s
GOES_AWAY = 0.08  # of all looks while resin waits: long enough to ruin a coat
HANDS = (Step.MIX, Step.DEGAS, Step.POUR, Step.CLOSE_UP)
BACK = (Step.MIX, Step.DEGAS, Step.POUR, Step.CLOSE_UP)  # a press into them can be taken back


def contradictions(shown: Snapshot, state: RunState) -> Iterator[str]:
    """Yield the contradictions between the sheet and the record."""
    yield from _wall_contradicts(shown, state)
    yield from _words_contradict(shown, state)


def _wall_contradicts(shown: Snapshot, state: RunState) -> Iterator[str]:
    ends = [fate(p, c) for p, c in zip(state.plan.coats, state.coats, strict=True)]
    for view, end in zip(shown.coats, ends, strict=True):
        if end is Fate.LOST and view.laid_mm != 0.0:
            yield f"coat {view.coat} is lost and counts as {view.laid_mm} mm"
    other = any(end in (Fate.LOST, Fate.CHANGED) for end in ends)
    if other and shown.wall is not None and shown.wall.min_mm is not None:
        yield "a thinnest place of the plan is shown of a coat that was turned late"
    late = {"late_start", "tip_out", "set_in_mould"} & set(state.alerts)
    if late and shown.wall is not None and shown.wall.min_mm is not None:
        yield "a thinnest place of the plan is shown while a coat stands too late"
    for coat, planned in zip(state.coats, state.plan.coats, strict=True):
        early_s = TOUCH_EARLY * planned.clock.gel_low_s
        if coat.gel_how == "touch" and (coat.gel_coat_s or 0.0) < early_s:
            yield f"coat {planned.coat} gelled by a touch that cannot be"


def _words_contradict(shown: Snapshot, state: RunState) -> Iterator[str]:
    met_s, count, clock = state.coat.parts_met_s, shown.countdown, state.coat_plan.clock
    pours = count is not None and count.label == "left to pour"
    last_s = min(clock.pour_by_s, turn_by_s(clock)) + 1e-6
    if pours and count is not None and met_s is not None and count.until_s - met_s > last_s:
        yield "the pour counts to later than turning must begin"
    yield from _offers_contradict(shown, state)
    yield from _counts_contradict(shown, state)
    lost = fate(state.coat_plan, state.coat) is Fate.LOST
    said = f"Coat {state.coat.coat} was poured or turned too late" in shown.sentence
    if lost and shown.step in (Step.REST, Step.CURE) and not said and not state.halted:
        yield "a lost coat rests, and the sheet does not say so"
    turns = shown.frame.mode == "turning" and shown.step is Step.SPIN and not state.halted
    if turns and any(alert.kind in STANDING for alert in shown.alerts):
        yield "the frame turns, and an alert says that it stands"
    if state.halted and not state.over and plain.DUE[Step.SPIN] in shown.sentence:
        yield "'keep turning' is said of a frame that stands"
    if state.step is not Step.PREPARE and not state.over and not state.ticked:
        yield "the casting went on without its list"


def _offers_contradict(shown: Snapshot, state: RunState) -> Iterator[str]:
    button, met_s = shown.next_button, state.coat.parts_met_s
    if button is not None and button.enabled and "weights_refused" in state.alerts:
        yield "the next step looks due under refused weights"
    if button is not None and button.enabled and button.at_frame:
        yield "a screen offers what only the frame can do"
    asks_for_cup = any(b.data.get("what") == "cup" for b in shown.buttons)
    can_s = CUP_FROM * state.coat_plan.clock.pour_by_s - 1e-6
    if asks_for_cup and (met_s is None or shown.now_s - met_s < can_s):
        yield "'Cup has gelled' is offered while no cup can have gelled"


def _counts_contradict(shown: Snapshot, state: RunState) -> Iterator[str]:
    met_s, count, clock = state.coat.parts_met_s, shown.countdown, state.coat_plan.clock
    if count is None or met_s is None:
        return
    left_s = count.until_s - met_s - 1e-6
    if count.label == "left to start turning" and left_s > turn_by_s(clock):
        yield "closing up counts to later than turning must begin"
    if shown.step is Step.SPIN and state.halted:
        yield "a number counts while the frame waits for its button"


WAYS = (
    "stale", "frame", "long", "touch", "pause", "line", "nonsense", "draft", "early", "both",
    "again",
)  # fmt: skip


@dataclass
class Clumsy(Operator):
    """The clumsy operator. `broken` collects the contradictions that he saw."""

    shop: Any = None
    broken: list[str] = field(default_factory=list)
    done: list[str] = field(default_factory=list)  # the mistakes, for the log
    _seen_ids: list[str] = field(default_factory=list)  # step ids that a phone was left with
    _keys: int = 0

    async def _one(self, shown: Snapshot) -> None:
        self.look()
        self._seen_ids.append(shown.step_id)
        often = WHILE_IT_TURNS if shown.step is Step.SPIN else MISCHIEF
        if self._random.random() < often:
            name = self._random.choice(WAYS)
            self.done.append(f"{shown.step.value} {name}")
            await getattr(self, f"_{name}")(shown)
            self.look()
            shown = self.service.snapshot()
        if shown.step in HANDS and self._random.random() < GOES_AWAY:
            self.done.append(f"{shown.step.value} away")
            await self.clock.sleep(self._random.uniform(240.0, 1500.0))
            self.look()
            return
        if await self._lost(shown):
            return
        if shown.step not in (Step.DONE, Step.ABANDONED, Step.IDLE):
            await super()._one(shown)
        self.look()

    def look(self) -> None:
        state = self.shop.supervisor.state
        if state is not None:
            self.broken += contradictions(self.service.snapshot(), state)

    async def send(self, name: str, step_id: str | None, **data: object) -> Any:
        self._keys += 1
        key = f"clumsy-{self.seed}-{self._keys}"
        return await self.service.command(command(name, key, step_id=step_id, who="clumsy", **data))

    # --- mischief --------------------------------------------------------------------------------

    async def _stale(self, shown: Snapshot) -> None:
        """Press a button on a phone with an old page."""
        old = [one for one in self._seen_ids if one != shown.step_id]
        if old:
            answer = await self.send("next", self._random.choice(old))
            if answer.accepted:
                self.broken.append("a press of a step that is over was obeyed")

    async def _next(self, shown: Snapshot) -> None:
        await super()._next(shown)
        if self._random.random() < 0.3:  # twice: the second press is of the step that is over
            before = self.service.snapshot()
            answer = await self.send("next", shown.step_id)
            if before.step_id != shown.step_id and answer.accepted:
                self.broken.append(f"a second press of {shown.step.value} was obeyed")

    async def _early(self, shown: Snapshot) -> None:
        """Press the next step before it is due, on the page and with the guard open at the
        frame."""
        button = shown.next_button
        if button is None or button.enabled:
            return
        answer = await self.send("next", shown.step_id)
        if answer.accepted and self.service.snapshot().step_id == shown.step_id:
            self.broken.append(f"{shown.step.value}: an early press was taken and did nothing")
        self.guard(False)
        await self.clock.sleep(1.0)
        self.press(Press.NEXT)
        await self.clock.sleep(3.0)
        if self.service.snapshot().frame.mode == "turning":
            self.broken.append(f"{shown.step.value}: the frame began with its guard open")
        self.guard(True)

    async def _both(self, shown: Snapshot) -> None:
        """Press the same step on two phones at the same moment: one of them is refused."""
        button = shown.next_button
        if button is None or not button.enabled or shown.step not in (Step.MIX, Step.POUR):
            return
        answers = await asyncio.gather(
            *(self.send(button.command, shown.step_id) for _ in ("one", "other"))
        )
        if sum(answer.accepted for answer in answers) > 1:
            self.broken.append(f"{shown.step.value} was taken twice from two phones")

    async def _again(self, shown: Snapshot) -> None:
        """Send one press twice, as a bad connection does: it acts once, with one answer."""
        text = f"line {self._keys}"
        self._keys += 1
        key = f"wire-{self._keys}"
        note = command("note", key, step_id=shown.step_id, who="clumsy", text=text)
        answers = [await self.service.command(note) for _ in range(2)]
        if answers[1] != answers[0].model_copy(update={"repeated": True}):
            self.broken.append("one press sent twice had two answers")
        if sum(text == line.text for line in self.service.snapshot().record) > 1:
            self.broken.append("one press sent twice was written twice")

    async def _weigh(self, shown: Snapshot) -> None:
        if self._random.random() < 0.3:
            coat = shown.coats[shown.coat - 1]
            off = self._random.choice((0.5, 0.7, 1.4, 2.0))
            a_g, b_g = coat.planned_part_a_g, coat.planned_part_b_g * off
            await self.send("weigh", shown.step_id, part_a_g=a_g, part_b_g=b_g)
            await self.clock.sleep(3.0)
            self.look()
            answer = await self.send("next", shown.step_id)
            if answer.accepted:
                self.broken.append(f"weights off by {off} went on in one press")
        await super()._weigh(shown)

    async def _frame(self, shown: Snapshot) -> None:
        """Press the frame's button by mistake, and take the press back."""
        if shown.step in (Step.PREPARE, Step.CLOSE_UP, Step.REST, Step.CURE, Step.DEMOULD):
            return
        self.press(Press.NEXT)
        await self.clock.sleep(3.0)
        now = self.service.snapshot()
        if now.step is not shown.step and now.step in BACK:
            answer = await self.send("step_back", now.step_id)
            if not answer.accepted:
                self.broken.append(f"{now.step.value} could not be taken back: {answer.sentence}")

    async def _long(self, shown: Snapshot) -> None:
        del shown
        self.press(Press.LONG)
        await self.clock.sleep(3.0)

    async def _touch(self, shown: Snapshot) -> None:
        """Report the cup or the coat as gelled when it cannot have; he is asked, and says no."""
        state = self.shop.supervisor.state
        time_s = state.coat_time_s(self.clock.now_s())
        if time_s is None or time_s >= touch_band_s(state, "coat")[0]:
            return
        answer = await self.send("touch", shown.step_id, what="coat")
        if answer.accepted:
            self.broken.append("a touch long before the gel was taken at once")

    async def _pause(self, shown: Snapshot) -> None:
        name = self._random.choice(("pause", "stop_turning"))
        await self.send(name, None if name == "stop_turning" else shown.step_id)
        await self.clock.sleep(2.0)

    async def _line(self, shown: Snapshot) -> None:
        del shown
        await self.clock.sleep(self._random.uniform(5.0, 240.0))

    async def _nonsense(self, shown: Snapshot) -> None:
        for value in ("tipped_out", "set", "again", "yes"):
            offered = any(b.data.get("value") == value for b in shown.buttons)
            if not offered:
                answer = await self.send("answer", shown.step_id, question="coat_lost", value=value)
                if answer.accepted:
                    self.broken.append(f"'{value}' was taken, and nobody had offered it")

    async def _draft(self, shown: Snapshot) -> None:
        text = str(self._random.random())
        await self.send("draft", shown.step_id, field="note-text", value=text)
        if self.service.snapshot().drafts.get("note-text") != text:  # as a reload sees it
            self.broken.append("a draft was lost")

    async def _lost(self, shown: Snapshot) -> bool:
        """Declare a coat lost if the sheet offers it; now and then he goes on anyway."""
        ways = [b for b in shown.buttons if b.data.get("question") == "coat_lost"]
        if not ways or self._random.random() < 0.3:
            return False
        self.done.append(f"{shown.step.value} {ways[0].label}")
        answer = await self.send("answer", shown.step_id, **ways[0].data)
        if not answer.accepted:
            self.broken.append(f"'{ways[0].label}' was offered and refused: {answer.sentence}")
        await self.clock.sleep(3.0)
        return True


@dataclass
class Told:
    """Outcome of one casting."""

    seed: int
    broken: list[str]
    fates: list[str]
    mischief: list[str]
    ruined: list[str]  # the cause of each lost coat, and whether it was poured again


def clumsy_casting(seed: int) -> Told:
    """One whole casting by a clumsy maker, in virtual time."""

    async def scenario() -> Told:
        judge = Foresight()
        weather = Weather(mean_degC=21.0, swing_degC=0.0)
        async with open_shop(seed=seed, judges=judge, weather=weather) as shop:
            judge.twin = shop.twin
            answer = await shop.ask("start", plan=shop.plan)
            assert answer.accepted, answer.sentence
            maker = _maker(shop, seed)
            parked_liquid = _watch_parking(shop)
            await maker.work()
            state = shop.supervisor.state
            assert state is not None
            broken = list(dict.fromkeys([*maker.broken, *parked_liquid]))
            rows = await shop.records.read(lambda journal: list(journal.events(state.run_id)))
            if fold_all(state.run_id, shop.plan, rows) != state:
                broken.append("the record does not fold to the state that was shown")
            fates = [fate(p, c).value for p, c in zip(state.plan.coats, state.coats, strict=True)]
            events = [read(row) for row in rows]
            ruined = [event.how for event in events if isinstance(event, CoatLost)]
            ruined += ["mixed again" for event in events if isinstance(event, MixedAgain)]
            ruined += ["left as it is" for one in fates if one == Fate.LOST]
            return Told(seed, broken, fates, maker.done, ruined)

    told: Told = run_virtual(scenario())
    return told


def _maker(shop: Shop, seed: int) -> Clumsy:
    return Clumsy(
        shop.service,
        shop.clock,
        shop.buttons.press,
        shop.board.set_guard,
        seed=seed,
        habits=Habits(dawdle=0.85),
        touched_coat=lambda: shop.twin.coat_gelled(shop.clock.now_s()),
        shop=shop,
    )


def _watch_parking(shop: Shop) -> list[str]:
    """Note every coat that the frame parks opening down while the twin's resin is liquid."""
    found: list[str] = []
    follow = shop.supervisor.on_event

    def seen(event: Any, plan: Any) -> None:
        if event.kind == "turning_ended" and not shop.twin.coat_gelled(shop.clock.now_s()):
            found.append(f"parked while liquid at {event.at_s:.0f} s")
        if follow is not None:
            follow(event, plan)

    shop.supervisor.on_event = seen
    return found
