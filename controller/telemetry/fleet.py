"""Overview of several rigs from the broker alone: no rig needs to know another.

Only the newest card of each rig is kept, so memory is bounded by the number of rigs.
"""

from __future__ import annotations

import asyncio
import enum
import random
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass

from pydantic import ValidationError

from evenwall.model import Frozen, MqttSpec, Step
from evenwall.telemetry.broker import BrokerClient, Connection, together
from evenwall.telemetry.messages import PREFIX, Now, Online
from evenwall_bridge.contract import Clock

RIGS_AT_MOST = 1000
SILENT_S = 5.0  # cards come once a second
GATHER_S = 0.1  # changes within this time share one message to a page


class Rank(enum.IntEnum):
    """Urgency of a rig; the page shows the lowest rank first."""

    ACT_NOW = 0
    LATE = 1  # a person was asked for and the time is up
    SILENT = 2  # silent during a casting: somebody should look
    ASKED = 3  # a person is asked for
    BY_ITSELF = 4
    IDLE = 5
    AWAY = 6  # signed off, or silent without a casting


class RigCard(Frozen):
    """One line of the shop page."""

    rig: str
    rank: Rank
    left_s: float | None  # now, on the wall clock
    silent_s: float
    online: bool
    now: Now | None


class ShopView(Frozen):
    """Data of the overview page: cards that changed, and whether the broker is heard at all."""

    broker: bool
    cards: tuple[RigCard, ...]


@dataclass(slots=True)
class _Seen:
    heard_s: float
    online: bool = True
    now: Now | None = None
    now_s: float = 0.0


RESTING_STEPS = frozenset({Step.IDLE, Step.DONE, Step.ABANDONED})


def rank(now: Now | None, online: bool, silent_s: float, left_s: float | None) -> Rank:
    """Rank of a rig by its need for a person."""
    busy = now is not None and now.step not in RESTING_STEPS
    if not online or silent_s > SILENT_S:
        return Rank.SILENT if busy else Rank.AWAY
    if now is None:
        return Rank.IDLE
    if any(alert.severity == "act_now" for alert in now.alerts):
        return Rank.ACT_NOW
    if now.person and busy:
        return Rank.LATE if left_s is not None and left_s < 0 else Rank.ASKED
    return Rank.BY_ITSELF if busy else Rank.IDLE


class Shop:
    """All rigs on one broker. Run `run()` as a task; pages use `cards()` and `changes()`."""

    def __init__(self, broker: MqttSpec, clock: Clock, rng: random.Random) -> None:
        name = f"evenwall-shop-{rng.randrange(16**8):08x}"
        self._broker = Connection(broker, name, queued=10 * RIGS_AT_MOST)
        self._clock, self._rng = clock, rng
        self._seen: dict[str, _Seen] = {}
        self._pages: set[_Page] = set()
        self.connected = False
        self.messages = 0
        self.unreadable = 0

    async def run(self) -> None:
        """Listen to the broker; ends by cancellation only."""
        await together(
            self._broker.keep(self._listen, self._clock, self._rng, self._outage), self._look()
        )

    def _outage(self, _: str) -> None:
        self._connected(False)

    def _connected(self, connected: bool) -> None:
        self.connected = connected
        for page in self._pages:
            page.some.set()

    async def _listen(self, client: BrokerClient) -> None:
        for name in ("online", "now"):
            await client.subscribe(f"{PREFIX}/+/{name}", qos=1)
        self._connected(True)
        async for message in client.messages:
            self.hear(message.topic.value, bytes(message.payload), message.retain)

    def hear(self, topic: str, payload: bytes, retained: bool = False) -> None:
        """Take in one message from the broker. An unreadable message is counted and dropped."""
        rig, name = topic.split("/")[1:3]
        self.messages += 1
        if rig not in self._seen and len(self._seen) >= RIGS_AT_MOST:
            self.unreadable += 1
            return
        try:
            said = (Now if name == "now" else Online).model_validate_json(payload)
        except ValidationError:
            self.unreadable += 1
            return
        now_s = self._clock.now_s()
        seen = self._seen.setdefault(rig, _Seen(now_s))
        seen.heard_s = now_s
        if isinstance(said, Online):
            seen.online = said.online
        else:
            seen.now, seen.now_s = said, now_s
            # A retained card alone does not show that the rig is connected; `online` does.
            seen.online = seen.online if retained else True
        self._changed(rig)

    async def _look(self) -> None:
        """Check once a second for rigs that have become silent, because they send nothing."""
        while True:
            await self._clock.sleep(1.0)
            now_s = self._clock.now_s()
            for rig, seen in self._seen.items():
                if now_s - seen.heard_s > SILENT_S:
                    self._changed(rig)

    def _changed(self, rig: str) -> None:
        for page in self._pages:
            page.rigs.add(rig)
            page.some.set()

    def card(self, rig: str) -> RigCard:
        seen, now_s = self._seen[rig], self._clock.now_s()
        left_s = None
        if seen.now is not None and seen.now.left_s is not None:
            left_s = seen.now.left_s - (now_s - seen.now_s)
        silent_s = now_s - seen.heard_s
        return RigCard(
            rig=rig,
            rank=rank(seen.now, seen.online, silent_s, left_s),
            left_s=left_s,
            silent_s=silent_s,
            online=seen.online,
            now=seen.now,
        )

    def cards(self) -> list[RigCard]:
        """Cards of all rigs, the most urgent first."""
        return sorted(map(self.card, self._seen), key=place)

    def _view(self, cards: Iterable[RigCard]) -> ShopView:
        return ShopView(broker=self.connected, cards=tuple(cards))

    async def changes(self) -> AsyncIterator[ShopView]:
        """Yield all rigs, then gathered changes; a slow page gets fewer and larger pieces."""
        page = _Page()
        page.rigs.update(self._seen)
        self._pages.add(page)
        try:
            yield self._view(self.cards())
            page.rigs.clear()
            while True:
                await page.some.wait()
                await self._clock.sleep(GATHER_S)
                page.some.clear()
                rigs, page.rigs = page.rigs, set()
                yield self._view(map(self.card, rigs))
        finally:
            self._pages.discard(page)


def place(card: RigCard) -> tuple[int, float, str]:
    return (card.rank, float("inf") if card.left_s is None else card.left_s, card.rig)


class _Page:
    def __init__(self) -> None:
        self.rigs: set[str] = set()
        self.some = asyncio.Event()
