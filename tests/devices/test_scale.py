"""The scale: lines of many forms are read, garbage never is, and a scale may disappear and
return."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenwall.devices.scale import watch
from evenwall.model import ScaleView
from evenwall_bridge.clock import ManualClock
from evenwall_bridge.contract import Garbled, LinkLost, Scale, Weight
from evenwall_bridge.serial_scale import GRAMS, LIMIT_G, SerialScale, parse_line
from evenwall_bridge.sim_scale import PtyScale


@pytest.mark.parametrize(
    ("line", "mass_g", "steady"),
    [
        (b"ST,GS,+   49.8 g", 49.8, True),
        (b"US,GS,+   49.8 g", 49.8, False),
        (b"ST,NT,-0012.3kg", -12_300.0, True),
        (b"+ 123.45 g", 123.45, None),
        (b"-123.45 G", -123.45, None),
        (b"123.4", 123.4, None),
        (b"  0.0 g  ", 0.0, None),
        (b"1,75 oz", 1.75 * 28.349523125, None),
        (b"S S     100.00 g", 100.0, True),
        (b"S D     100.00 g", 100.0, False),
        (b"100.2 g ?", 100.2, False),
        (b"100.2 g ~", 100.2, False),
        (b"N     100.2 g S", 100.2, True),
        (b"\x02  0.350 kg\x03", 350.0, None),
        (b"GS  0000123 g", 123.0, None),
    ],
)
def test_lines_as_scales_send_them(line: bytes, mass_g: float, steady: bool | None) -> None:
    found = parse_line(line)
    assert found == (pytest.approx(mass_g, rel=1e-12), steady)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"OL", "overloaded"),
        (b"ST,OL,  9999.9 g", "overloaded"),
        (b"--------", "overloaded"),
        (b"_______ g", "overloaded"),
        (b"", "not a weight"),
        (b"12.3.4 g", "not a weight"),
        (b"49.8 lb", "not a weight"),
        (b"49.8 g 44.8 g", "not a weight"),
        (b"TEMP 21.5", "'TEMP' is not known"),
        (b"\xff\xfe\x80 49.8 g", "baud"),
        (b"9" * 200, "too long"),
        (b"4980000 kg", "over 100000 g"),
        (b"+-49.8 g", "not a weight"),
    ],
)
def test_other_lines_are_refused_with_a_sentence(line: bytes, says: str) -> None:
    with pytest.raises(Garbled, match=says):
        parse_line(line)


def test_a_line_without_a_unit_has_the_rig_files() -> None:
    assert parse_line(b"1.5", "kg")[0] == 1500.0
    assert parse_line(b"1.5 g", "kg")[0] == 1.5


@given(st.binary(max_size=100))
def test_no_bytes_break_it(line: bytes) -> None:
    try:
        mass_g, _ = parse_line(line)
    except Garbled:
        return
    assert abs(mass_g) <= LIMIT_G


@given(
    st.integers(-9_999_999, 9_999_999),
    st.sampled_from(sorted(GRAMS)),
    st.sampled_from(["ST", "US"]),
)
def test_every_display_comes_through_to_its_last_digit(tenths: int, unit: str, mark: str) -> None:
    shown = tenths / 10
    if abs(shown * GRAMS[unit]) > LIMIT_G:
        return
    mass_g, steady = parse_line(f"{mark},GS,{shown:+10.1f} {unit}".encode())
    assert mass_g == pytest.approx(shown * GRAMS[unit], rel=1e-12)
    assert steady is (mark == "ST")


# --- On a wire: the contract of a scale ---------------------------------------------------------


@asynccontextmanager
async def on_a_wire(silent_s: float = 3.0) -> AsyncIterator[tuple[PtyScale, SerialScale]]:
    device = PtyScale()
    scale = SerialScale(device.port, silent_s=silent_s)
    try:
        yield device, scale
    finally:
        await scale.close()
        device.unplug()


def run(work: Callable[[], Awaitable[None]]) -> None:
    async def all_of_it() -> None:
        await asyncio.wait_for(work(), 30)

    asyncio.run(all_of_it())


async def next_line(device: PtyScale, scale: Scale) -> Weight:
    device.show()
    return await scale.read()


def test_a_load_settles_and_is_read() -> None:
    async def work() -> None:
        async with on_a_wire() as (device, scale):
            await scale.open()
            await next_line(device, scale)  # a line without a mark is steady when it repeats
            assert await next_line(device, scale) == Weight(0.0, True)
            device.load(49.8)
            seen = [await next_line(device, scale) for _ in range(5)]
            assert [w.mass_g for w in seen] == [49.8] * 5
            assert [w.steady for w in seen] == [False, False, False, True, True]

    run(work)


def test_the_newest_line_counts() -> None:
    async def work() -> None:
        async with on_a_wire() as (device, scale):
            await scale.open()
            device.send(b"ST,GS,+ 1.0 g\r\nST,GS,+ 2.0 g")
            assert (await scale.read()).mass_g == 2.0

    run(work)


def test_a_line_that_comes_in_two_pieces_is_one() -> None:
    async def work() -> None:
        async with on_a_wire(silent_s=0.05) as (device, scale):
            await scale.open()
            os.write(device._device, b"ST,GS,+ 1")
            with pytest.raises(LinkLost, match="silent"):
                await scale.read()  # half a line is not a line
            device.send(b"2.5 g")
            assert (await scale.read()).mass_g == 12.5

    run(work)


def test_without_a_mark_the_same_twice_is_steady() -> None:
    async def work() -> None:
        async with on_a_wire() as (device, scale):
            await scale.open()
            seen = []
            for line in (b"12.0 g", b"12.4 g", b"12.4 g", b"12.5 g"):
                device.send(line)
                seen.append((await scale.read()).steady)
            assert seen == [False, False, True, False]

    run(work)


def test_garbage_is_told_and_the_next_weight_is_taken() -> None:
    async def work() -> None:
        async with on_a_wire() as (device, scale):
            await scale.open()
            device.send(b"\x80\x81\x82")
            with pytest.raises(Garbled, match="baud"):
                await scale.read()
            device.load(5.0)
            assert (await next_line(device, scale)).mass_g == 5.0

    run(work)


def test_a_scale_that_is_not_there_goes_or_falls_silent_is_lost() -> None:
    async def work() -> None:
        with pytest.raises(LinkLost, match="no-such-port"):
            await SerialScale("/dev/no-such-port").open()
        async with on_a_wire(silent_s=0.02) as (device, scale):
            with pytest.raises(LinkLost, match="not open"):
                await scale.read()
            await scale.open()
            with pytest.raises(LinkLost, match="silent"):
                await scale.read()
            device.show()
            await scale.read()
        device = PtyScale()
        scale = SerialScale(device.port)
        await scale.open()
        device.unplug()
        with pytest.raises(LinkLost, match=device.port):
            await scale.read()
        await scale.close()

    run(work)


def test_the_sheet_is_told_and_a_scale_that_comes_back_is_found() -> None:
    async def work() -> None:
        async with on_a_wire(silent_s=0.05) as (device, scale):
            clock, views = ManualClock(), asyncio.Queue[ScaleView]()
            watching = asyncio.ensure_future(watch(scale, clock, views.put_nowait))
            lost = await views.get()
            assert "silent" in lost.problem
            assert lost.mass_g is None
            while not watching.done():
                await clock.advance(3.0)  # until it is tried again
                device.load(7.0)
                device.show()
                view = await views.get()
                if view.mass_g is not None:
                    break
            assert view == ScaleView(mass_g=7.0, steady=False)
            device.send(b"OL")
            assert "overloaded" in (await views.get()).problem
            watching.cancel()
            await asyncio.gather(watching, return_exceptions=True)

    run(work)
