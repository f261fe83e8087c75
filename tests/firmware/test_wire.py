"""Frames and messages against published values and against the board's own header."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenwall_bridge import motion, wire
from evenwall_bridge.board_state import _FAULTS, _MODES
from evenwall_bridge.contract import Fault, Mode

HEADER = Path(__file__).parents[2] / "hardware/firmware/core/protocol.h"
DEFINES = {
    name: int(value, 0)
    for name, value in re.findall(
        r"^#define (\w+) (0x[0-9A-Fa-f]+|\d+)U?L?\b", HEADER.read_text(), re.MULTILINE
    )
}


def test_crc_has_its_published_check_value() -> None:
    # CRC-16/CCITT-FALSE (also IBM-3740) of "123456789": catalogue of parametrised CRC
    # algorithms after Williams 1993 ("A painless guide to CRC error detection algorithms").
    assert wire.crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # Encoding examples as tabulated in Wikipedia, "Consistent Overhead Byte Stuffing" (from
        # memory, reworked by hand from the rule in Cheshire and Baker 1999).
        ("00", "0101"),
        ("0000", "010101"),
        ("00110000", "0102110101"),
        ("11220033", "0311220233"),
        ("11223344", "0511223344"),
        ("11000000", "0211010101"),
    ],
)
def test_cobs_examples(plain: str, stuffed: str) -> None:
    assert wire.cobs_encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert wire.cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


@given(st.binary(max_size=253))
def test_cobs_has_no_zero_and_comes_back(data: bytes) -> None:
    stuffed = wire.cobs_encode(data)
    assert b"\0" not in stuffed
    assert wire.cobs_decode(stuffed) == data
    assert len(stuffed) == len(data) + 1  # one byte more below 254 bytes (their section 3)


@given(st.integers(0, 255), st.integers(0, 65_535), st.integers(0, 65_535), st.binary(max_size=73))
def test_frames_come_back(kind: int, session: int, seq: int, payload: bytes) -> None:
    frame = wire.Frame(kind, session, seq, payload)
    reader = wire.FrameReader()
    assert list(reader.feed(wire.encode(frame))) == [frame]
    assert reader.bad == 0


@given(st.lists(st.binary(max_size=200), max_size=20))
def test_garbage_is_counted_and_never_raised(chunks: list[bytes]) -> None:
    reader = wire.FrameReader()
    good = wire.Frame(wire.Kind.KEEP, 7, 9, b"")
    for chunk in chunks:
        list(reader.feed(chunk))
    assert list(reader.feed(wire.encode(good)))[-1] == good


def test_both_sides_mean_the_same() -> None:
    for kind in wire.Kind:
        assert DEFINES[f"MSG_{kind.name}"] == kind
    for status in wire.Status:
        assert DEFINES[f"STATUS_{status.name}"] == status
    for bit, fault in enumerate(_FAULTS):
        assert DEFINES[f"FAULT_{fault.name}"] == 1 << bit
    assert set(_FAULTS) == set(Fault)
    for number, mode in enumerate(_MODES):
        assert DEFINES[f"MODE_{mode.name}"] == number
    assert set(_MODES) == set(Mode)
    assert DEFINES["PROTOCOL_VERSION"] == wire.PROTOCOL_VERSION
    assert DEFINES["FRAME_BYTES_MAX"] == wire.FRAME_BYTES_MAX
    assert DEFINES["RAMPS_PER_FRAME"] == wire.RAMPS_PER_FRAME
    assert DEFINES["CYCLES_PER_S"] == motion.CYCLES_PER_S
    assert DEFINES["SLICE_CYCLES"] == motion.SLICE_CYCLES
    assert 1 << DEFINES["RATE_FRACTION_BITS"] == motion.RATE_ONE
    assert 1 << DEFINES["POSITION_FRACTION_BITS"] == motion.POSITION_ONE
    assert DEFINES["RATE_HARD_MAX"] == motion.RATE_HARD_MAX
    assert DEFINES["RAMP_SLICES_MAX"] == motion.RAMP_SLICES_MAX
    assert int(motion.GRANT_S_MAX / motion.SLICE_S) == DEFINES["GRANT_SLICES_MAX"]


def test_the_hard_rate_is_what_it_says() -> None:
    assert round(motion.HARD_STEPS_S * motion.SLICE_S * motion.RATE_ONE) == motion.RATE_HARD_MAX
