"""A link that flips, cuts, doubles, reorders, loses and floods: never a wrong motion, never a
stuck waiter, never a leaked task. Every fault comes from a seed."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenwall_bridge import wire
from evenwall_bridge.clock import LoopClock, ManualClock, run_virtual
from evenwall_bridge.contract import BridgeError, LinkLost, Mode, Ramp, Refused
from evenwall_bridge.host_rig import HostRig
from evenwall_bridge.link import Answered, Link, Lost, Row
from evenwall_bridge.motion import FrameLimits, predict_steps, segments
from evenwall_bridge.sim_board import VirtualBoard
from evenwall_bridge.wire import Frame, FrameReader, Kind, Reply, Segment, StateRow, Status

from .waiting import until

LIMITS = FrameLimits(steps_per_turn_major=3200, steps_per_turn_minor=1600, accel_limit_rpm_s=20.0)
PROFILE = [
    Ramp(0.5, 6.0, 1.5),
    *[Ramp(0.6, 6.0 + 0.1 * (i % 5), 2.0 - 0.2 * (i % 7)) for i in range(30)],
    Ramp(1.0, -5.0, -3.1),
    Ramp(0.5, 0.0, 0.0),
]
SESSION = 0x5A01


# ---- the board, byte by byte ---------------------------------------------------------------


class Bench:
    """A board that is connected only to the test."""

    def __init__(self, turning: bool = True) -> None:
        self.clock = ManualClock()
        self.board = VirtualBoard(self.clock)
        self.reader = FrameReader()
        self.seq = 0
        self.now_s = 0.0
        self.hello()
        if turning:
            self.command(Kind.CONFIG, LIMITS.config().pack())
            self.command(Kind.ENABLE, wire.enable_payload(100_000))
            parts = segments([Ramp(0.5, 6.0, 3.0), Ramp(60.0, 6.0, 3.0)], LIMITS)
            self.command(Kind.QUEUE, wire.queue_payload(0, False, parts))
            self.run(1.0)

    def hello(self, session: int = SESSION) -> list[Frame]:
        return self.send(Frame(Kind.HELLO, session, 0, wire.hello_payload(0)))

    def command(self, kind: Kind, payload: bytes = b"") -> Reply:
        self.seq += 1
        (reply,) = (
            wire.read_reply(frame.payload)
            for frame in self.send(Frame(kind, SESSION, self.seq, payload))
            if frame.kind == Kind.REPLY
        )
        return reply

    def send(self, frame: Frame) -> list[Frame]:
        return self.feed(wire.encode(frame))

    def feed(self, data: bytes) -> list[Frame]:
        self.board.feed(data)
        return list(self.reader.feed(self.board.read()))

    def run(self, duration_s: float) -> None:
        self.clock._now_s += duration_s
        self.board.sync()

    def look(self) -> StateRow:
        """Return the board's state, requested by a second handshake of the same session."""
        rows = [wire.read_state(f.payload) for f in self.hello() if f.kind == Kind.STATE]
        return rows[-1]


def messages() -> dict[str, bytes]:
    """Return one message of each kind that a turning board would obey or ignore."""
    seq = 4  # the next one on the bench
    ramp = segments([Ramp(1.0, 5.0, 2.0)], LIMITS, (0, 0))
    return {
        "config": wire.encode(Frame(Kind.CONFIG, SESSION, seq, LIMITS.config().pack())),
        "enable": wire.encode(Frame(Kind.ENABLE, SESSION, seq, wire.enable_payload(1000))),
        "keep": wire.encode(Frame(Kind.KEEP, SESSION, seq, b"")),
        "queue": wire.encode(Frame(Kind.QUEUE, SESSION, seq, wire.queue_payload(2, False, ramp))),
        "hold": wire.encode(Frame(Kind.HOLD, SESSION, seq, b"")),
        "stop": wire.encode(Frame(Kind.STOP, SESSION, seq, b"")),
        "hello": wire.encode(Frame(Kind.HELLO, 0x1234, 0, wire.hello_payload(10))),
    }


def same_but_for_counting(a: StateRow, b: StateRow) -> bool:
    return (a.mode, a.steps, a.rate, a.accepted, a.ramps_done, a.queue_slices, a.faults) == (
        b.mode,
        b.steps,
        b.rate,
        b.accepted,
        b.ramps_done,
        b.queue_slices,
        b.faults,
    )


@pytest.mark.parametrize("name", sorted(messages()))
def test_every_single_bit_flip_of_every_message_is_caught(name: str) -> None:
    bench = Bench()
    before = bench.look()
    data = messages()[name]
    for bit in range(8, 8 * (len(data) - 1)):  # the bits between the two zeros
        broken = bytearray(data)
        broken[bit // 8] ^= 1 << bit % 8
        answers = [f for f in bench.feed(bytes(broken)) if f.kind != Kind.STATE]
        assert not answers, f"bit {bit} of {name} was answered"
    after = bench.look()
    assert same_but_for_counting(before, after)
    assert after.frames_bad > before.frames_bad


@pytest.mark.parametrize("name", sorted(messages()))
def test_every_truncation_of_every_message_is_caught(name: str) -> None:
    bench = Bench()
    before = bench.look()
    data = messages()[name]
    for length in range(1, len(data) - 1):
        assert not bench.feed(data[:length] + b"\0")
    assert same_but_for_counting(before, bench.look())


def test_a_doubled_command_is_done_once_and_answered_twice() -> None:
    bench = Bench()
    tail = bench.look().tail_rate
    frame = Frame(
        Kind.QUEUE,
        SESSION,
        bench.seq + 1,
        wire.queue_payload(2, False, segments([Ramp(1.0, 6.0, 3.0)], LIMITS, tail)),
    )
    first = [f for f in bench.send(frame) if f.kind == Kind.REPLY]
    again = [f for f in bench.send(frame) if f.kind == Kind.REPLY]
    assert wire.read_reply(first[0].payload).status == Status.OK
    assert wire.read_reply(again[0].payload).status == Status.OK
    assert bench.look().accepted == 3


def test_late_and_foreign_commands_do_nothing() -> None:
    bench = Bench()
    before = bench.look()
    for seq in (0, 1, 2, bench.seq + 2, bench.seq + 100, 0xFFFF):
        assert not bench.send(Frame(Kind.STOP, SESSION, seq, b""))
    assert not bench.send(Frame(Kind.STOP, SESSION ^ 1, bench.seq + 1, b""))
    assert same_but_for_counting(before, bench.look())


@pytest.mark.parametrize(
    ("bad", "status"),
    [
        (Segment(100, LIMITS.config().rate_max[0] + 1, 0), Status.RATE),
        (Segment(100, 0, -LIMITS.config().rate_max[1] - 1), Status.RATE),
        (Segment(0, 0, 0), Status.RATE),
        (Segment(2, 3 * LIMITS.config().accel_max[0], 0), Status.ACCEL),
        (Segment(100, 0, -101 * LIMITS.config().accel_max[1]), Status.ACCEL),
    ],
)
def test_the_board_itself_refuses_what_is_over_a_limit_and_the_whole_message(
    bad: Segment, status: Status
) -> None:
    """The host in this test checks nothing itself."""
    bench = Bench(turning=False)
    bench.command(Kind.CONFIG, LIMITS.config().pack())
    bench.command(Kind.ENABLE, wire.enable_payload(100_000))
    good = Segment(1000, 1000, 1000)
    still = Segment(1000, 0, 0)
    reply = bench.command(Kind.QUEUE, wire.queue_payload(0, False, [good, still, bad]))
    assert reply.status == status
    assert reply.accepted == 0
    bench.run(2.0)
    assert bench.board.steps() == (0, 0)
    assert bench.command(Kind.QUEUE, wire.queue_payload(0, False, [good])).status == Status.OK


def test_nothing_is_taken_before_the_limits_are_known() -> None:
    bench = Bench(turning=False)
    assert bench.command(Kind.ENABLE, wire.enable_payload(1000)).status == Status.CONFIG
    assert bench.command(Kind.QUEUE, wire.queue_payload(0, False, [Segment(9, 0, 0)])).status == (
        Status.MODE
    )


def test_other_limits_are_refused_while_the_frame_is_under_way() -> None:
    bench = Bench()
    other = FrameLimits(steps_per_turn_major=3200, steps_per_turn_minor=3200).config()
    assert bench.command(Kind.CONFIG, other.pack()).status == Status.MODE
    assert bench.command(Kind.CONFIG, LIMITS.config().pack()).status == Status.OK


def test_a_host_of_another_version_is_told_so_and_moves_nothing() -> None:
    bench = Bench(turning=False)
    other = (wire.PROTOCOL_VERSION + 1).to_bytes(2, "little") + b"\1\0\2\0\3\0"
    (answer,) = bench.send(Frame(Kind.HELLO, 0x7777, 0, other))
    assert wire.read_info(answer.payload).protocol == wire.PROTOCOL_VERSION
    for kind, payload in ((Kind.CONFIG, LIMITS.config().pack()), (Kind.ENABLE, b"\1\0\0\0")):
        (refused,) = bench.send(Frame(kind, 0x7777, 1, payload))
        assert wire.read_reply(refused.payload).status == Status.NO_SESSION
    assert not bench.board.enabled()


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.binary(min_size=1, max_size=120), max_size=30), st.integers(1, 7))
def test_floods_of_garbage_and_split_reads_do_nothing(chunks: list[bytes], size: int) -> None:
    bench = Bench()
    for chunk in chunks:
        for at in range(0, len(chunk), size):
            bench.feed(chunk[at : at + size])
    bench.feed(b"\0")
    state = bench.look()
    assert state.mode == 2
    assert state.accepted == 2
    assert bench.command(Kind.KEEP).status == Status.OK


kinds = st.sampled_from([Kind.CONFIG, Kind.ENABLE, Kind.KEEP, Kind.QUEUE, Kind.HOLD, Kind.STOP, 99])


@settings(max_examples=300)
@given(st.lists(st.tuples(kinds, st.binary(max_size=73)), max_size=40))
def test_wellformed_nonsense_breaks_no_limit(commands: list[tuple[int, bytes]]) -> None:
    """Good frames with any payload: each is answered, and no rate passes the limit."""
    bench = Bench()
    config = LIMITS.config()
    for kind, payload in commands:
        bench.seq += 1
        replies = [
            f for f in bench.send(Frame(kind, SESSION, bench.seq, payload)) if f.kind == Kind.REPLY
        ]
        assert len(replies) == 1
        bench.run(0.05)
        state = bench.look()
        for axis in (0, 1):
            assert abs(state.rate[axis]) <= config.rate_max[axis]


# ---- the host's side of the link -----------------------------------------------------------


def linked() -> tuple[Link, int]:
    link = Link(SESSION)
    link.hello(24, 0.0)
    link.outgoing()
    bench = Bench(turning=False)
    answers = b"".join(map(wire.encode, bench.hello()))
    assert any(isinstance(e, Answered) for e in link.received(answers, 0.0))
    return link, link.send(Kind.KEEP, b"", 0.1)


def test_no_flipped_bit_of_an_answer_is_believed() -> None:
    link, token = linked()
    reply = wire._REPLY.pack(Kind.KEEP, Status.OK, 64, 0, 99)
    answer = wire.encode(Frame(Kind.REPLY, SESSION, 1, reply))
    row = wire.encode(Frame(Kind.STATE, SESSION, 1, wire._STATE.pack(*range(18))))
    for data in (answer, row):
        for bit in range(8, 8 * (len(data) - 1)):
            broken = bytearray(data)
            broken[bit // 8] ^= 1 << bit % 8
            assert link.received(bytes(broken), 0.2) == []
    assert [type(e) for e in link.received(row, 0.2)] == [Row]
    (event,) = link.received(answer, 0.3)
    assert isinstance(event, Answered)
    assert event.token == token
    assert link.received(answer, 0.3) == []  # a second answer belongs to no command


@given(st.lists(st.binary(max_size=150), max_size=20))
def test_garbage_from_the_board_raises_nothing(chunks: list[bytes]) -> None:
    link, _ = linked()
    for chunk in chunks:
        for event in link.received(chunk, 0.2):
            assert isinstance(event, Row)


def test_an_unanswered_command_is_repeated_then_given_up() -> None:
    link, token = linked()
    sent = 0
    events = []
    for tick in range(100):
        events += link.tick(0.1 + 0.05 * tick)
        sent += link.outgoing().count(wire.encode(Frame(Kind.KEEP, SESSION, 1, b"")))
    assert 10 <= sent <= 20
    failed, lost = events
    assert failed.token == token
    assert isinstance(lost, Lost)
    assert isinstance(lost.error, LinkLost)


# ---- the whole rig over a bad wire ---------------------------------------------------------


@dataclass
class BadWire:
    """Takes the place of a VirtualBoard and may spoil the bytes that pass through it."""

    board: VirtualBoard
    dice: random.Random
    loss: float = 0.0
    double: float = 0.0
    flip: float = 0.0
    late: float = 0.0  # frames held back and given after the next one
    cut_after: int | None = None  # frames from the host that pass before the cable is pulled
    sent: int = 0
    _held: list[bytes] = field(default_factory=list)

    def __getattr__(self, name: str) -> object:
        return getattr(self.board, name)

    @property
    def cut(self) -> bool:
        return self.cut_after is not None and self.sent >= self.cut_after

    def _spoil(self, data: bytes) -> bytes:
        out = bytearray()
        for chunk in data.split(b"\0"):
            if not chunk or self.dice.random() < self.loss:
                continue
            frame = bytearray(chunk)
            if self.dice.random() < self.flip:
                frame[self.dice.randrange(len(frame))] ^= 1 << self.dice.randrange(8)
            whole = b"\0" + bytes(frame) + b"\0"
            if self.dice.random() < self.late:
                self._held.append(whole)
                continue
            out += whole
            if self.dice.random() < self.double:
                out += whole
            out += b"".join(self._held)
            self._held.clear()
        return bytes(out)

    def feed(self, data: bytes) -> None:
        if not self.cut:
            self.sent += 1
            self.board.feed(self._spoil(data))

    def read(self) -> bytes:
        data = self.board.read()
        return b"" if self.cut else self._spoil(data)


@pytest.mark.parametrize(
    "fault",
    [{"loss": 0.2}, {"double": 0.3}, {"flip": 0.2}, {"late": 0.2}],
    ids=["20 % loss", "30 % doubled", "20 % flipped", "20 % late"],
)
@pytest.mark.parametrize("seed", range(5))
def test_a_profile_over_a_bad_wire_ends_on_the_step(fault: dict[str, float], seed: int) -> None:
    async def work() -> None:
        clock = LoopClock()
        board = VirtualBoard(clock)
        wire_ = BadWire(board, random.Random(seed), **fault)  # type: ignore[arg-type]
        rig = HostRig(clock, LIMITS, board=wire_)  # type: ignore[arg-type]
        await rig.open()
        await rig.enable(grant_s=60.0)
        await rig.queue(PROFILE)
        await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(PROFILE, LIMITS)
        await rig.close()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    run_virtual(work())


@pytest.mark.parametrize("cut_after", range(1, 15))
def test_a_cable_pulled_after_any_message(cut_after: int) -> None:
    """The host finds that the link is lost, reconnects by itself, and continues after the ramps
    that the board accepted."""

    async def work() -> None:
        clock = LoopClock()
        board = VirtualBoard(clock)
        wire_ = BadWire(board, random.Random(0), cut_after=cut_after)
        rig = HostRig(clock, LIMITS, board=wire_)  # type: ignore[arg-type]
        plugged = asyncio.get_running_loop().call_later(8.0, setattr, wire_, "cut_after", None)
        done = False
        began = False
        while not done:
            try:
                await rig.open()
                if not began:
                    await rig.enable(grant_s=120.0)
                    began = True
                # What a supervisor does that knows its list: go on behind what was taken.
                await rig.queue(PROFILE[rig.state.ramps_accepted :])
                done = True
            except LinkLost:
                await clock.sleep(0.7)
        await until(rig, lambda s: s.ramps_done == len(PROFILE))
        state = await until(rig, lambda s: s.mode is Mode.HOLDING)
        assert board.steps() == predict_steps(PROFILE, LIMITS)
        assert state.ramps_accepted == len(PROFILE)
        await rig.close()
        plugged.cancel()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    run_virtual(work())


def test_nobody_waits_for_ever_on_a_dead_link() -> None:
    async def work() -> None:
        clock = LoopClock()
        board = VirtualBoard(clock)
        wire_ = BadWire(board, random.Random(0))
        rig = HostRig(clock, LIMITS, board=wire_)  # type: ignore[arg-type]
        await rig.open()
        await rig.enable(grant_s=600.0)
        await rig.queue([Ramp(0.5, 6.0, 3.0), Ramp(100.0, 6.0, 3.0)])
        wire_.cut_after = 0
        waiting = [
            asyncio.ensure_future(work_)
            for work_ in (
                rig.hold(),
                rig.park(90.0, 90.0),
                rig.queue([Ramp(1.0, 6.0, 3.0)] * 2000),
                rig.enable(5.0),
            )
        ]
        results = await asyncio.wait_for(
            asyncio.gather(*waiting, return_exceptions=True), timeout=30.0
        )
        assert all(isinstance(r, BridgeError) for r in results), results
        with pytest.raises(LinkLost):
            await rig.stop()
        await rig.close()
        assert asyncio.all_tasks() == {asyncio.current_task()}

    run_virtual(work())


@pytest.mark.parametrize("seed", range(30))
def test_power_cut_at_any_moment_of_a_run(seed: int) -> None:
    """On return nothing moves by itself, and the same run can begin again, to the step."""
    dice = random.Random(seed)

    async def work() -> None:
        clock = LoopClock()
        board = VirtualBoard(clock)
        rig = HostRig(clock, LIMITS, board=board)
        await rig.open()

        async def run() -> None:
            await rig.enable(grant_s=60.0)
            await rig.queue(PROFILE)
            await until(rig, lambda s: s.ramps_done == len(PROFILE))
            await rig.park(dice.uniform(0, 360), dice.uniform(0, 360))

        running = asyncio.ensure_future(run())
        await clock.sleep(dice.uniform(0.0, 26.0))
        board.reset(dice.choice(["power_on", "brown_out", "watchdog"]))
        at_rest = board.steps()
        running.cancel()
        outcome = (await asyncio.gather(running, return_exceptions=True))[0]
        assert outcome is None or isinstance(outcome, (BridgeError, asyncio.CancelledError))
        await clock.sleep(5.0)
        assert board.steps() == at_rest
        assert not board.enabled()
        assert rig.state.mode is Mode.DISABLED
        with pytest.raises(Refused):
            await rig.queue(PROFILE)
        await rig.enable(grant_s=60.0)
        await rig.queue(PROFILE)
        await until(rig, lambda s: s.mode is Mode.HOLDING)
        moved = tuple(b - a for a, b in zip(at_rest, board.steps(), strict=True))
        assert moved == predict_steps(PROFILE, LIMITS)
        await rig.close()

    run_virtual(work())
