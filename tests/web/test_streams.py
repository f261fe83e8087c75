"""Streams: a flood of streams ends its own, and their text is made once."""

from __future__ import annotations

import asyncio
from contextlib import ExitStack

from evenwall.model import StreamItem
from evenwall_bridge.clock import ManualClock
from evenwall_web.streams import STREAMS_IN_ALL, STREAMS_PER_HOLDER, Streams


def test_a_flood_of_streams_ends_its_own_and_never_the_phones() -> None:
    async def main() -> None:
        streams = Streams(ManualClock())
        with ExitStack() as open_ones:
            phone = open_ones.enter_context(streams.one("phone"))
            flood = [open_ones.enter_context(streams.one("flood")) for _ in range(500)]
            assert not phone.is_set()
            assert [over.is_set() for over in flood].count(False) == STREAMS_PER_HOLDER
            assert not flood[-1].is_set()
            crowd = [open_ones.enter_context(streams.one(f"peer {n}")) for n in range(500)]
            assert len(streams) == STREAMS_IN_ALL
            assert not crowd[-1].is_set()
        assert len(streams) == 0

    asyncio.run(main())


def test_one_more_stream_is_taken_from_whoever_holds_most() -> None:
    async def main() -> None:
        streams = Streams(ManualClock())
        with ExitStack() as open_ones:
            phone = open_ones.enter_context(streams.one("phone"))
            for n in range(STREAMS_IN_ALL):
                open_ones.enter_context(streams.one(f"many {n // STREAMS_PER_HOLDER}"))
            assert not phone.is_set()
            assert len(streams) == STREAMS_IN_ALL

    asyncio.run(main())


def test_an_items_text_is_written_once() -> None:
    streams = Streams(ManualClock())
    item = StreamItem(item_id=1, kind="sample", data={"probe_degC": 21.0})
    assert streams.text(item) is streams.text(item)
    again = StreamItem(item_id=1, kind="sample", data={"probe_degC": 22.0})
    assert streams.text(again) == '{"probe_degC": 22.0}'


def test_streams_are_not_opened_all_the_time_and_strangers_hold_back_no_phone() -> None:
    clock = ManualClock()
    streams = Streams(clock)
    opened = [streams.may_open(f"peer {n % 10}", paired=False) for n in range(300)]
    assert sum(opened) == 100  # of all strangers together
    assert streams.may_open("a phone", paired=True)
    assert sum(streams.may_open("a phone", paired=True) for _ in range(300)) == 99
    asyncio.run(clock.advance(4.5))  # a page that lost its line
    assert streams.may_open("a phone", paired=True)
