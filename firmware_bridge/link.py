"""Link to a board, without I/O: bytes and times in, bytes and events out.

One command is under way at a time. It is sent again until its answer comes, and the board carries
out a repeated command once. So a lost, doubled, late or broken frame changes only the delay.
After a silence the link sends a sign of life from the host.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from evenwall_bridge import wire
from evenwall_bridge.contract import BridgeError, LinkLost, VersionMismatch
from evenwall_bridge.motion import SLICE_S
from evenwall_bridge.wire import BadFrame, Frame, Info, Kind, Reply, StateRow, Status


@dataclass(frozen=True, slots=True)
class Row:
    """A state row arrived; it includes the effect of all commands up to `seq`."""

    row: StateRow
    seq: int


@dataclass(frozen=True, slots=True)
class Answered:
    """A command was answered. tries: number of times it was sent."""

    token: int
    answer: Reply | Info
    seq: int
    tries: int
    took_s: float


@dataclass(frozen=True, slots=True)
class Failed:
    """A command will never be answered."""

    token: int
    error: BridgeError


@dataclass(frozen=True, slots=True)
class Lost:
    """The link is over; open a new one."""

    error: BridgeError


Event = Row | Answered | Failed | Lost


@dataclass(slots=True)
class _Command:
    token: int
    kind: Kind
    payload: bytes
    seq: int = 0
    asked_s: float = 0.0
    sent_s: float = -math.inf
    tries: int = 0


@dataclass(slots=True)
class Link:
    """One session with one board. Times are seconds of the caller's choice, never going back.

    retry_s: send a command again after this long without an answer.
    deadline_s: an unanswered command, or a silent board, ends the link.
    keep_s: the longest the host stays silent.
    """

    session: int
    retry_s: float = 0.2
    deadline_s: float = 3.0
    keep_s: float = 0.5
    over: bool = False
    _out: bytearray = field(default_factory=bytearray)
    _reader: wire.FrameReader = field(default_factory=wire.FrameReader)
    _waiting: deque[_Command] = field(default_factory=deque)
    _current: _Command | None = None
    _seq: int = 0
    _token: int = 0
    _said_s: float = -math.inf
    _heard_s: float | None = None
    _streaming: bool = False

    @property
    def frames_bad(self) -> int:
        """Number of byte strings from the board that were not a frame."""
        return self._reader.bad

    def hello(self, state_period_slices: int, now_s: float) -> int:
        """Ask who is there; the first command of every link."""
        return self.send(Kind.HELLO, wire.hello_payload(state_period_slices), now_s)

    def send(self, kind: Kind, payload: bytes, now_s: float) -> int:
        """Queue a command; returns the token that its Answered or Failed will carry."""
        self._token += 1
        self._waiting.append(_Command(self._token, kind, payload))
        self._advance(now_s)
        return self._token

    def outgoing(self) -> bytes:
        """Return the bytes to write now; each is returned only once."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def received(self, data: bytes, now_s: float) -> list[Event]:
        """Take bytes from the board."""
        events: list[Event] = []
        for frame in self._reader.feed(data):
            if self.over:
                break
            try:
                self._take(frame, now_s, events)
            except BadFrame:
                self._reader.bad += 1
        if not self.over:
            self._advance(now_s)
        return events

    def tick(self, now_s: float) -> list[Event]:
        """Let time pass: repeats, deadlines, the sign of life."""
        if self.over:
            return []
        if self._heard_s is None:
            self._heard_s = now_s
        command = self._current
        if command is not None and now_s - command.asked_s > self.deadline_s:
            return self.end(LinkLost(f"no answer to {command.kind.name} in {self.deadline_s} s"))
        if self._streaming and now_s - self._heard_s > self.deadline_s:
            return self.end(LinkLost(f"the board was silent for {self.deadline_s} s"))
        if command is None and self._streaming and now_s - self._said_s >= self.keep_s:
            self.send(Kind.KEEP, b"", now_s)
        elif command is not None and now_s - command.sent_s >= self.retry_s:
            self._transmit(command, now_s)
        return []

    def next_s(self) -> float:
        """Return the time of the next `tick`."""
        command = self._current
        if command is not None:
            return min(command.sent_s + self.retry_s, command.asked_s + self.deadline_s)
        return self._said_s + self.keep_s

    def end(self, error: BridgeError) -> list[Event]:
        """End the link; every waiting command gets the reason."""
        self.over = True
        commands = [*([self._current] if self._current else []), *self._waiting]
        self._current = None
        self._waiting.clear()
        self._out.clear()
        return [*(Failed(c.token, error) for c in commands), Lost(error)]

    def _advance(self, now_s: float) -> None:
        if self._current is None and self._waiting:
            command = self._waiting.popleft()
            if command.kind is not Kind.HELLO:
                self._seq = (self._seq + 1) & 0xFFFF
                command.seq = self._seq
            command.asked_s = now_s
            self._current = command
            self._transmit(command, now_s)

    def _transmit(self, command: _Command, now_s: float) -> None:
        command.sent_s = now_s
        command.tries += 1
        self._said_s = now_s
        self._out += wire.encode(Frame(command.kind, self.session, command.seq, command.payload))

    def _take(self, frame: Frame, now_s: float, events: list[Event]) -> None:
        if frame.session != self.session:
            return  # left over from an older session
        self._heard_s = now_s
        if frame.kind == Kind.STATE:
            events.append(Row(wire.read_state(frame.payload), frame.seq))
            return
        command = self._current
        if command is None or frame.seq != command.seq:
            return  # a second answer to something done
        answer: Reply | Info
        if frame.kind == Kind.INFO and command.kind is Kind.HELLO:
            answer = wire.read_info(frame.payload)
            if answer.protocol != wire.PROTOCOL_VERSION:
                events += self.end(VersionMismatch(wire.PROTOCOL_VERSION, answer.protocol))
                return
            self._streaming = True
        elif frame.kind == Kind.REPLY:
            answer = wire.read_reply(frame.payload)
            if answer.to != command.kind:
                return
            if answer.status == Status.NO_SESSION:
                events += self.end(LinkLost("the board has restarted"))
                return
        else:
            return
        self._current = None
        took_s = now_s - command.sent_s
        events.append(Answered(command.token, answer, frame.seq, command.tries, took_s))


class ClockAlignment:
    """The board's time on the host's clock, from the moments at which state rows arrive.

    The link and the machine make a row late, never early. So the true line lies below all points
    (board time, host minus board time) and touches some of them. This is the idea of Moon, Skelly
    and Towsley (1999, IEEE INFOCOM, "Estimation and removal of clock skew from network delay
    measurements"). Each half of the window gives its lowest point, and the two points give the
    line.
    """

    WINDOW = 256  # rows
    SKEW_MAX = 0.02  # a ceramic resonator is within 0.5 %; more is not a clock

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque(maxlen=self.WINDOW)
        self._skew = 0.0
        self._offset_s = math.inf

    def add(self, slice_number: int, host_s: float) -> None:
        board_s = slice_number * SLICE_S
        self._points.append((board_s, host_s - board_s))
        if len(self._points) % 32 == 0:
            self._fit()
        self._offset_s = min(self._offset_s, host_s - board_s - self._skew * board_s)

    def host_s(self, slice_number: int) -> float:
        board_s = slice_number * SLICE_S
        return board_s + self._skew * board_s + self._offset_s

    def _fit(self) -> None:
        points = list(self._points)
        half = len(points) // 2

        def lowest(part: list[tuple[float, float]]) -> tuple[float, float]:
            return min(part, key=lambda p: p[1] - self._skew * p[0])

        early, late = lowest(points[:half]), lowest(points[half:])
        skew = (late[1] - early[1]) / (late[0] - early[0])
        if len(points) == self.WINDOW:
            self._skew = max(-self.SKEW_MAX, min(self.SKEW_MAX, skew))
        self._offset_s = min(p[1] - self._skew * p[0] for p in points)
