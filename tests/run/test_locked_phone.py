"""A whole casting with the phone locked throughout: a person who is away comes back when it
calls."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field

import pytest

from evenwall.cli.calling import by_push, by_webhook, calling
from evenwall.cli.speaking import SpokenMoments, speak
from evenwall.devices.speech import spoken_words
from evenwall.model import SPOKEN_MOMENTS, Step
from evenwall.run.events import CALLS
from evenwall_bridge.clock import run_virtual
from evenwall_web.phones import Phone, Phones
from evenwall_web.web_push import b64
from tests.support.hands_free import HandsFree, end
from tests.support.push_phone import PushPhone
from tests.support.virtual_shop import Shop, open_shop

ENDPOINT = "https://push.example.org/to/the-pocket"
WEBHOOK = "http://192.168.7.9/called"
SLOW_S = 70.0  # until the person who was called for the standing coat has come back


@dataclass
class Away(HandsFree):
    """Like `HandsFree`, but out of hearing while the frame turns and the coat rests or cures.

    The phone in the pocket brings each call; nothing on it is touched.
    """

    phone: PushPhone = field(default_factory=PushPhone)
    shown: list[dict[str, object]] = field(default_factory=list)
    posted: list[dict[str, object]] = field(default_factory=list)
    away: bool = False
    came_for: str = ""  # the call that brought the person back; the rig may say it aloud too

    async def say(self, text: str) -> None:
        if not self.away and text != self.came_for:
            await super().say(text)
            self.away = text == "Keep turning."

    async def take(self, url: str, headers: dict[str, str], body: bytes) -> int:
        """The push service, and the receiver of the webhook."""
        if url == WEBHOOK:
            self.posted.append(json.loads(body))
            return 204
        assert url == ENDPOINT
        assert headers["Content-Encoding"] == "aes128gcm"
        message = json.loads(self.phone.open(body))
        self.shown.append(message)
        if self.away and message["tag"] != "guard_open":
            asyncio.get_running_loop().create_task(self._come(str(message["body"])))
        return 201

    async def _come(self, words: str) -> None:
        if words.startswith("The coat is liquid"):
            await self.shop.clock.sleep(SLOW_S)
        if self.away:
            self.away = False
            self.came_for = words
            self._new.append(spoken_words(words))


async def cast_with_a_locked_phone(shop: Shop, person: Away) -> None:
    """The guard is opened once while nobody is in the room."""
    phones = Phones(shop.clock, None, person.take)
    phones.add(Phone("s1", ENDPOINT, b64(person.phone.public), b64(person.phone.secret)))
    channels = {"push": by_push(phones), "webhook": by_webhook(WEBHOOK, person.take)}
    answer = await shop.ask("start", plan=shop.plan)
    assert answer.accepted, answer.sentence
    moments = SpokenMoments(SPOKEN_MOMENTS)
    tasks = [
        asyncio.create_task(speak(moments, person, shop.supervisor, shop.clock, print)),
        asyncio.create_task(person.work()),
    ]
    try:
        async with calling(shop.supervisor, "Small frame", channels):
            turning = lambda coat: (  # noqa: E731
                shop.step is Step.SPIN and shop.service.snapshot().coat == coat
            )
            await shop.until(lambda: turning(2) and person.away)
            await shop.clock.sleep(100.0)  # on its warm wall it is about to gel after 260 s
            shop.board.set_guard(False)
            await shop.until(lambda: shop.step is Step.DONE, limit_s=20_000.0)
            await shop.clock.sleep(5.0)
    finally:
        await end(tasks)


@pytest.mark.slow
@pytest.mark.timeout(900)  # half a minute of work on a shared machine
def test_every_call_is_delivered_and_brings_the_person_back() -> None:
    async def scenario() -> None:
        async with open_shop(seed=6, scale=True) as shop:
            person = Away(shop)
            await cast_with_a_locked_phone(shop, person)
            shown = shop.service.snapshot()
            assert [coat.done for coat in shown.coats] == [True] * 3
            events = await shop.service.events(shown.run_id or "")
            called = [e.data for e in events if e.kind in CALLS]
            sent = [e.data for e in events if e.kind == "call_sent"]
            # Each call reached the phone and the webhook, once, and the record says so.
            wanted = sorted((c["call"], c["number"]) for c in called)
            for channel, reached in (("push", "1 phone"), ("webhook", "the webhook")):
                told = [s for s in sent if s["channel"] == channel]
                assert sorted((s["call"], s["number"]) for s in told) == wanted
                assert {s["reached"] for s in told} == {reached}
            assert len(person.shown) == len(person.posted) == len(called)
            assert [p["sentence"] for p in person.posted] == [m["body"] for m in person.shown]
            # Each wait ended in a call, and so did the coat's standing time.
            calls = [c["call"] for c in called]
            assert calls.count("next_coat") >= 2
            assert calls.count("open_mould") >= 1
            # 0 s, 30 s and 60 s, and then the person was there.
            at_s = [
                e.at_s for e in events if e.kind in CALLS and e.data["call"] == "standing_liquid"
            ]
            assert [round(t - at_s[0]) for t in at_s] == pytest.approx([0, 30, 60], abs=2)
            answered = [e for e in events if e.kind == "calls_answered"]
            assert {e.data["who"] for e in answered} == {"the button at the frame"}
            # Without page or console: only the scale, and the part that sends calls.
            asked = {e.data["who"] for e in events[1:] if "command" in e.data}
            assert asked - {"the button at the frame"} == {"scale", "calls"}

    run_virtual(scenario())
