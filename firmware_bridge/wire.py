"""Bytes <-> frozen frames: COBS, CRC-16, message layouts. No I/O and no time.

The same in C is `hardware/firmware/core/protocol.h` and `frames.c`; a test holds the two together.
"""

from __future__ import annotations

import binascii
import enum
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

PROTOCOL_VERSION = 1
FRAME_BYTES_MAX = 80  # before COBS
RAMPS_PER_FRAME = 5


class Kind(enum.IntEnum):
    """Message ids."""

    HELLO = 0x01
    CONFIG = 0x02
    ENABLE = 0x03
    KEEP = 0x04
    QUEUE = 0x05
    HOLD = 0x06
    STOP = 0x07
    INFO = 0x81
    REPLY = 0x82
    STATE = 0x83


class Status(enum.IntEnum):
    """Status of a reply."""

    OK = 0
    NO_SESSION = 1
    VERSION = 2
    MODE = 3
    GUARD = 4
    DRIVER = 5
    RATE = 6
    ACCEL = 7
    FULL = 8
    ORDINAL = 9
    CONFIG = 10
    LENGTH = 11
    TYPE = 12
    GRANT = 13


class BadFrame(ValueError):
    """Bytes that are not a valid frame: the link counts them and never acts on them."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One message. kind: a plain number, because a board may have kinds that we do not know."""

    kind: int
    session: int
    seq: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Segment:
    """A ramp in the board's integers: slices of 4.096 ms, rates in 2^-23 steps per slice."""

    slices: int
    major: int
    minor: int


@dataclass(frozen=True, slots=True)
class Config:
    """Limits that the board enforces by itself; rates and accelerations per slice in 2^-23
    steps."""

    steps_per_turn: tuple[int, int]
    rate_max: tuple[int, int]
    accel_max: tuple[int, int]
    index_tolerance_steps: tuple[int, int]  # 0: no index on that axis

    def pack(self) -> bytes:
        return _CONFIG.pack(
            *self.steps_per_turn, *self.rate_max, *self.accel_max, *self.index_tolerance_steps
        )


@dataclass(frozen=True, slots=True)
class Info:
    """Identity of the board that answered."""

    protocol: int
    simulated: bool
    configured: bool
    reset_cause: int
    queue_capacity: int
    config: Config
    firmware: str


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to one command."""

    to: int
    status: int
    room: int  # ramps the queue still takes
    accepted: int  # ramps taken since the last enable
    slice: int


@dataclass(frozen=True, slots=True)
class StateRow:
    """One row of the state stream, in the board's own units."""

    slice: int
    mode: int
    flags: int
    faults: int
    steps: tuple[int, int]
    rate: tuple[int, int]
    index_steps: tuple[int, int]
    tail_rate: tuple[int, int]
    queue_slices: int
    ramps_done: int
    accepted: int
    frames_bad: int
    steps_late: int
    queue_low_slices: int


_HEADER = struct.Struct("<BHH")
_HELLO = struct.Struct("<HH")
_CONFIG = struct.Struct("<6I2H")
_INFO_HEAD = struct.Struct("<HBBH")
_REPLY = struct.Struct("<BBHII")
_STATE = struct.Struct("<IBBH8i3I2HI")
_QUEUE_HEAD = struct.Struct("<IB")
_SEGMENT = struct.Struct("<Iii")


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE (Rocksoft model: width 16, poly 1021, init FFFF, no reflection)."""
    return binascii.crc_hqx(data, 0xFFFF)


def cobs_encode(data: bytes) -> bytes:
    """Consistent overhead byte stuffing (Cheshire and Baker 1999), without the closing zero.

    Frames are shorter than 254 bytes, so the scheme's full blocks never come up.
    """
    out = bytearray()
    for block in data.split(b"\0"):
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    """Decode the stuffing. Raises BadFrame for a zero inside or a block beyond the end."""
    if b"\0" in data:
        raise BadFrame("not COBS")
    out = bytearray(data)
    at = 0
    while at < len(data):
        out[at] = 0
        at += data[at]
    if at != len(data) or not data:
        raise BadFrame("not COBS")
    return bytes(out[1:])


def encode(frame: Frame) -> bytes:
    """Return the frame's bytes for the wire, with a zero before and after."""
    raw = _HEADER.pack(frame.kind, frame.session, frame.seq) + frame.payload
    if len(raw) + 2 > FRAME_BYTES_MAX:
        raise BadFrame(f"frame of {len(raw) + 2} bytes, at most {FRAME_BYTES_MAX}")
    return b"\0" + cobs_encode(raw + crc16(raw).to_bytes(2, "big")) + b"\0"


def decode(chunk: bytes) -> Frame:
    """Decode the bytes between two zeros. Raises BadFrame."""
    raw = cobs_decode(chunk)
    if len(raw) < _HEADER.size + 2 or len(raw) > FRAME_BYTES_MAX or crc16(raw) != 0:
        raise BadFrame("length or CRC")
    kind, session, seq = _HEADER.unpack_from(raw)
    return Frame(kind, session, seq, raw[_HEADER.size : -2])


class FrameReader:
    """Cuts a byte stream at its zeros; `bad` counts invalid frames."""

    def __init__(self) -> None:
        self.bad = 0
        self._rest = bytearray()

    def feed(self, data: bytes) -> Iterator[Frame]:
        self._rest += data
        *chunks, rest = self._rest.split(b"\0")
        # What is longer than any frame can be is garbage already.
        self._rest = rest if len(rest) <= 2 * FRAME_BYTES_MAX else rest[: 2 * FRAME_BYTES_MAX]
        for chunk in chunks:
            if not chunk:
                continue
            try:
                yield decode(bytes(chunk))
            except BadFrame:
                self.bad += 1


def hello_payload(state_period_slices: int) -> bytes:
    return _HELLO.pack(PROTOCOL_VERSION, state_period_slices)


def enable_payload(grant_slices: int) -> bytes:
    return grant_slices.to_bytes(4, "little")


def queue_payload(ordinal: int, more: bool, segments: Sequence[Segment]) -> bytes:
    """Payload of a queue command. more: do not turn from rest yet, because more ramps follow."""
    return _QUEUE_HEAD.pack(ordinal, more) + b"".join(
        _SEGMENT.pack(s.slices, s.major, s.minor) for s in segments
    )


def read_info(payload: bytes) -> Info:
    """Read an Info. Raises BadFrame. Other versions keep only the place of the first field."""
    if len(payload) < 2:
        raise BadFrame("info")
    protocol = int.from_bytes(payload[:2], "little")
    if protocol != PROTOCOL_VERSION:
        nothing = Config((0, 0), (0, 0), (0, 0), (0, 0))
        return Info(protocol, False, False, 0, 0, nothing, "")
    if len(payload) != _INFO_HEAD.size + _CONFIG.size + 12:
        raise BadFrame("info")
    _, flags, cause, capacity = _INFO_HEAD.unpack_from(payload)
    c = _CONFIG.unpack_from(payload, _INFO_HEAD.size)
    name = payload[-12:].rstrip(b"\0").decode("ascii", "replace")
    config = Config(c[0:2], c[2:4], c[4:6], c[6:8])
    return Info(protocol, bool(flags & 1), bool(flags & 2), cause, capacity, config, name)


def read_reply(payload: bytes) -> Reply:
    """Read a Reply. Raises BadFrame."""
    if len(payload) != _REPLY.size:
        raise BadFrame("reply")
    return Reply(*_REPLY.unpack(payload))


def read_state(payload: bytes) -> StateRow:
    """Read a StateRow. Raises BadFrame."""
    if len(payload) != _STATE.size:
        raise BadFrame("state")
    f = _STATE.unpack(payload)
    return StateRow(
        f[0], f[1], f[2], f[3], f[4:6], f[6:8], f[8:10], f[10:12], f[12], f[13], f[14], f[15],
        f[16], f[17],
    )  # fmt: skip
