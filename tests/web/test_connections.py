"""Connections that are silent, read nothing or are too many, on a real server's socket."""

from __future__ import annotations

import asyncio
import errno
import gc
import socket
import weakref
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import httpx
import pytest

from evenwall_web.connections import (
    FETCHED_AT_ONCE,
    FEWEST,
    IN_ALL,
    TAKEN_A_TURN,
    Connections,
    Held,
    Reception,
    connections_for,
)
from tests.web.server import PanelServer

HEADER_s, WRITE_s = 0.4, 0.4
LATE_s = 10.0  # more than any of it takes on a busy machine


@pytest.fixture(scope="module")
def panel() -> Iterator[PanelServer]:
    book = Connections(in_all=24, per_peer=12, header_time_s=HEADER_s, write_time_s=WRITE_s)
    with PanelServer(speed=10, book=book) as panel:
        yield panel


def dial(panel: PanelServer, own: str = "127.0.0.1") -> socket.socket:
    """A connection from one of this machine's addresses; on Linux all of 127/8 are."""
    wire = socket.create_connection(("127.0.0.1", panel.port), LATE_s, (own, 0))
    wire.settimeout(LATE_s)
    return wire


def heard(wire: socket.socket) -> bytes:
    """Return everything received until the other end closes."""
    found = b""
    while True:
        try:
            piece = wire.recv(65536)
        except ConnectionResetError:
            return found
        if not piece:
            return found
        found += piece


GET = b"GET /api/session HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"


@pytest.mark.parametrize("said", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: x\r\nX-A: 1\r\n"])
def test_a_request_that_is_not_said_to_its_end_is_cut(panel: PanelServer, said: bytes) -> None:
    with dial(panel) as wire:
        wire.sendall(said)
        assert heard(wire) == b""


def test_a_header_sent_a_letter_at_a_time_is_cut_all_the_same(panel: PanelServer) -> None:
    with dial(panel) as wire:
        wire.settimeout(0.05)
        for sent in range(400):
            try:
                wire.send(b"X" if sent else b"G")
                if wire.recv(1) == b"":
                    break
            except TimeoutError:
                continue
            except (BrokenPipeError, ConnectionResetError):
                break
    assert sent < 100


def test_a_second_request_that_does_not_end_is_cut(panel: PanelServer) -> None:
    with dial(panel) as wire:
        wire.sendall(GET % panel.port + b"GET / HTTP/1.1\r\nHost:")
        assert heard(wire).startswith(b"HTTP/1.1 200 ")


def test_headers_beyond_their_size_are_refused(panel: PanelServer) -> None:
    with dial(panel) as wire:
        wire.sendall(b"GET / HTTP/1.1\r\nX-Long: " + b"x" * 40_000)
        assert heard(wire)[:13] in (b"HTTP/1.1 400 ", b"")


def test_a_reader_that_takes_nothing_is_cut(panel: PanelServer) -> None:
    """Its answer is larger than the kernel's buffers: the panel's largest file, many times."""
    with dial(panel) as wire:
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        get = b"GET /panel/vendor/three/three.core.js HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"
        wire.sendall(get % panel.port * 8)
        before = panel.book.cut
        for _ in range(200):
            if panel.call(lambda: panel.book.cut) > before:
                break
            httpx.get(f"{panel.url}/api/session")
        assert panel.book.cut > before


def test_too_many_cost_the_peer_its_own_and_a_phone_gets_through(panel: PanelServer) -> None:
    with ExitStack() as held, dial(panel, "127.0.0.9") as phone:
        for n in range(120):
            held.enter_context(dial(panel, f"127.0.0.{2 + n % 3}"))
        assert panel.call(lambda: len(panel.book)) <= 24
        host = b"Host: 127.0.0.1:%d\r\n\r\n" % panel.port
        phone.sendall(b"GET /api/session HTTP/1.1\r\nConnection: close\r\n" + host)
        assert heard(phone).startswith(b"HTTP/1.1 200 ")
        assert httpx.get(f"{panel.url}/api/session").status_code == 200
    # One connection asks until the others are gone: each new one would be counted for a while.
    with httpx.Client() as waits:
        for _ in range(500):
            if panel.call(lambda: len(panel.book)) <= 1:
                break
            waits.get(f"{panel.url}/api/session")
        assert panel.call(lambda: len(panel.book)) <= 1


class NoDescriptors(socket.socket):
    """A listening socket of a process that may open nothing more, so many times."""

    asked, times = 0, IN_ALL

    def accept(self) -> Any:
        self.asked += 1
        if self.asked > self.times:
            raise BlockingIOError
        raise OSError(errno.EMFILE, "Too many open files")


def test_without_a_descriptor_the_least_busy_makes_room() -> None:
    async def main() -> tuple[int, int]:
        ended: list[Held] = []
        book = Connections()
        for peer in ("192.0.2.1", "192.0.2.1", "192.0.2.2"):
            held = Held(peer, lambda: None)
            held.end = lambda held=held: ended.append(held)  # type: ignore[misc]
            book.take(held)
        with NoDescriptors() as wire, socket.socket() as dialling:
            wire.bind(("127.0.0.1", 0))
            wire.listen()
            reception = Reception(wire, book, lambda _: pytest.fail("it was taken up"))
            reception.open()
            dialling.connect(wire.getsockname())
            while wire.asked < 5:  # three end, then it waits a moment between two tries
                await asyncio.sleep(0)  # noqa: TID251
            await reception.close()
            return len(ended), len(book)

    assert asyncio.run(main()) == (3, 0)


def test_without_a_descriptor_a_crowd_that_waits_goes_before_a_new_press() -> None:
    """Three strangers wait to be taken up; the phone's connection is in its handshake."""

    async def main() -> None:
        ended: list[str] = []
        book = Connections()
        book.know("192.0.2.1")
        book.take(
            Held("192.0.2.1", lambda: ended.append("press"), asyncio.get_running_loop().time())
        )
        book.take(Held("192.0.2.9", lambda: ended.append("idle")))
        with NoDescriptors() as wire, ExitStack() as dialled:
            reception = Reception(wire, book, lambda _: pytest.fail("it was taken up"))
            reception._turn = lambda: None  # type: ignore[method-assign]
            for number in range(3):
                ours, theirs = (dialled.enter_context(end) for end in socket.socketpair())
                del theirs
                reception._queue(ours, (f"192.0.2.{2 + number}", number))
            wire.times = 4
            while wire.asked <= wire.times and reception._waiting:
                reception._fetch()
            assert ended == ["idle"]
            assert not reception._waiting
            await reception.close()

    asyncio.run(main())


def test_a_stream_goes_before_a_new_connection() -> None:
    """Its page reopens it; a press would be lost. An answer in its first second stays."""

    class Answering:
        class cycle:  # noqa: N801  stands for uvicorn's
            response_complete, more_body = False, False

    ended: list[str] = []
    book = Connections()
    for name, asked_s in (("stream", 3.0), ("answer", 9.5), ("new", None)):
        held = Held("192.0.2.1", lambda name=name: ended.append(name), at_s=9.8)  # type: ignore[misc]
        if asked_s is not None:
            held.asked_s, held.speaking = asked_s, Answering  # type: ignore[assignment]
        book.take(held)
    for _ in range(3):
        book.end_one(10.0)
    assert ended == ["stream", "new", "answer"]


def test_a_stranger_goes_before_a_paired_phone() -> None:
    ended = []
    book = Connections(in_all=6, per_peer=3)
    book.know("192.0.2.1")
    phones = ["192.0.2.1"] * 3
    for peer in (*phones, "192.0.2.7", "192.0.2.7", "192.0.2.8", "192.0.2.9"):
        held = Held(peer, lambda: None)
        held.end = lambda peer=peer: ended.append(peer)  # type: ignore[misc]
        book.take(held)
    assert ended == ["192.0.2.7"]


def test_the_newcomer_is_never_the_one_that_goes() -> None:
    """Also where all the others of its address are at work: one of them has had its time."""

    class Answering:
        class cycle:  # noqa: N801  stands for uvicorn's
            response_complete, more_body = False, False

    ended = []
    book = Connections(in_all=8, per_peer=4)
    for number in range(6):
        held = Held("192.0.2.1", lambda: None, at_s=float(number))
        held.speaking = Answering if number < 4 else None  # type: ignore[assignment]
        held.end = lambda number=number: ended.append(number)  # type: ignore[misc]
        book.take(held)
    assert ended == [0, 4]  # what answers; then what said nothing for a second


def test_the_number_of_connections_leaves_descriptors_for_the_rest() -> None:
    assert connections_for(1000) == IN_ALL
    assert connections_for(100) == 18  # and 18 that wait
    assert connections_for(5) == FEWEST


@pytest.mark.parametrize(
    "request_",
    [
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nContent-Length: 4\r\n"
        b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /api/session HTTP/1.1\r\nHost: H\r\n\r\n",
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nContent-Length: 4\r\n"
        b"Content-Length: 40\r\n\r\nabcd",
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nTransfer-Encoding : chunked\r\n\r\n0\r\n\r\n",
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nContent-Length: +4\r\n\r\nabcd",
        b"POST /api/pair HTTP/1.1\r\nHost: H\r\nContent-Length: 4, 40\r\n\r\nabcd",
        b"GET /api/session HTTP/1.1\r\nHost: H\r\nX-A: a\rGET / HTTP/1.1\r\n\r\n",
        b"GET /api/session HTTP/1.1\r\nHost: H\r\nHost: elsewhere.example\r\n\r\n",
        b"GET /api/session HTTP/1.1\r\n Host: H\r\n\r\n",
        b"GET http://elsewhere.example/api/session HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ],
)
def test_a_request_with_two_meanings_gets_one_refusal(panel: PanelServer, request_: bytes) -> None:
    """RFC 9112, sections 6.3 and 11.2: such a message is refused and its connection closed."""
    with dial(panel) as wire:
        wire.sendall(request_.replace(b"Host: H\r", b"Host: 127.0.0.1:%d\r" % panel.port))
        answer = heard(wire)
    assert answer.count(b"HTTP/1.1 ") == 1
    assert answer.split()[1] in (b"400", b"421", b"501")


def pair_at(panel: PanelServer, wire: socket.socket) -> bytes:
    """Headers of a phone that is paired, and known on this connection."""
    people = panel.app.state.people
    code = panel.code()
    token, session = panel.call(lambda: people.pair(code, "a phone", "127.0.0.1"))
    head = b"Host: 127.0.0.1:%d\r\nCookie: evenwall=%s\r\nX-Evenwall-Csrf: %s\r\n" % (
        panel.port,
        token.encode(),
        session.csrf.encode(),
    )
    wire.sendall(b"GET /api/session HTTP/1.1\r\n" + head + b"\r\n")
    assert answer_of(wire).startswith(b"HTTP/1.1 200 ")
    return head


def answer_of(wire: socket.socket) -> bytes:
    """One whole answer of a connection that goes on."""
    found = b""
    while b"\r\n\r\n" not in found:
        found += wire.recv(65536) or pytest.fail("closed without an answer")
    head, body = found.split(b"\r\n\r\n", 1)
    size = int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0])
    while len(body) < size:
        body += wire.recv(65536) or pytest.fail("closed in its answer")
    return found


def press_stop(wire: socket.socket, head: bytes, key: bytes) -> bytes:
    body = b'{"key": "%s"}' % key
    length = b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(body)
    wire.sendall(b"POST /api/command/stop_turning HTTP/1.1\r\n" + head + length + body)
    return answer_of(wire)


def test_a_paired_phones_connection_is_kept_for_its_next_press(panel: PanelServer) -> None:
    with dial(panel) as phone, dial(panel) as stranger:
        head = pair_at(panel, phone)
        stranger.sendall(GET % panel.port)
        assert heard(stranger).startswith(b"HTTP/1.1 200 ")  # and was cut when it said no more
        assert press_stop(phone, head, b"press-0001").split()[1] in (b"200", b"409")


def test_a_crowd_from_the_phones_own_address_does_not_cost_the_phone_its_connection(
    panel: PanelServer,
) -> None:
    """Twenty-four connections there are, twelve of one address."""
    with ExitStack() as held, dial(panel) as phone:
        head = pair_at(panel, phone)
        for n in range(60):
            crowd = held.enter_context(dial(panel, f"127.0.0.{1 + n % 4}"))
            crowd.sendall(b"POST /api/pair HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n{")
        assert press_stop(phone, head, b"press-0002").split()[1] in (b"200", b"409")


def test_of_one_address_the_newest_and_the_oldest_are_taken_up_in_turn() -> None:
    """A press has just connected; it also does not wait behind all later connections."""
    taken: list[int] = []

    def speak(held: Held) -> Any:
        taken.append(held.port)
        return asyncio.Protocol()

    async def main() -> list[int]:
        with socket.create_server(("127.0.0.1", 0)) as wire, ExitStack() as dialled:
            reception = Reception(wire, Connections(), speak)
            ports = []
            for _ in range(FETCHED_AT_ONCE):
                one = dialled.enter_context(socket.create_connection(wire.getsockname()))
                ports.append(one.getsockname()[1])
            reception.open()
            while len(taken) < TAKEN_A_TURN:
                await asyncio.sleep(0)  # noqa: TID251
            await reception.close()
            reception.book.end_all()
            return ports

    ports = asyncio.run(main())
    assert taken[:4] == [ports[-1], ports[0], ports[-2], ports[1]]


def test_a_turn_takes_more_of_a_paired_phones_address_and_in_all_a_few() -> None:
    """Ten wait of the phone's address and ten of others: a crowd in its house is soon gone."""

    async def main() -> list[str]:
        taken: list[str] = []
        with socket.create_server(("127.0.0.1", 0)) as wire, ExitStack() as dialled:
            reception = Reception(wire, Connections(), lambda held: pytest.fail("taken up"))
            reception._take_up = lambda one, peer, port: taken.append(peer)  # type: ignore[method-assign]
            reception._a_turn = reception._at_most = 1  # as over TLS
            reception.book.know("192.0.2.1")
            for number in range(20):
                ours, theirs = (dialled.enter_context(end) for end in socket.socketpair())
                del theirs
                peer = "192.0.2.1" if number < 10 else f"192.0.2.{number}"
                reception._queue(ours, (peer, number))
            for _ in range(6):
                reception._turn()
            await reception.close()
        return taken

    taken = asyncio.run(main())
    assert taken[:10] == ["192.0.2.1"] * 10
    # Three of its address in a turn, then one of another; the fourth turn finds one of each.
    assert len(taken) == 3 * 3 + 1 + 2


def test_a_press_outlives_a_burst_of_dials_from_its_own_address() -> None:
    """Forty connections follow at once: it waits among them and is not closed because of them."""

    async def main() -> list[int]:
        taken: list[int] = []
        with socket.create_server(("127.0.0.1", 0)) as wire, ExitStack() as dialled:
            reception = Reception(wire, Connections(), lambda held: pytest.fail("taken up"))
            reception._take_up = lambda one, peer, port: taken.append(port)  # type: ignore[method-assign]
            reception.book.know("192.0.2.1")
            for number in range(41):
                ours, _ = (dialled.enter_context(end) for end in socket.socketpair())
                reception._queue(ours, ("192.0.2.1", number))
            reception._turn()
            await reception.close()
        return taken

    assert asyncio.run(main())[:2] == [40, 0]


def test_an_answer_does_not_wait_until_an_earlier_one_is_acknowledged(panel: PanelServer) -> None:
    """Nagle's algorithm delays it by 40 ms; asyncio leaves it on for sockets made elsewhere."""

    def off() -> list[int]:
        ours = [held.speaking for held in panel.book._held if held.speaking is not None]
        wires = [one.transport.get_extra_info("socket") for one in ours]
        return [wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) for wire in wires]

    with dial(panel) as wire:
        wire.sendall(GET % panel.port)
        assert answer_of(wire).startswith(b"HTTP/1.1 200 ")
        assert min(panel.call(off)) > 0


def test_a_crowd_that_waits_does_not_cost_a_paired_phone_its_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Over TLS the queue is full while a crowd dials: the phone's fresh press waits in it too."""
    monkeypatch.setattr("evenwall_web.connections.WAITING_IN_ALL", 4)

    async def main() -> None:
        with socket.create_server(("127.0.0.1", 0)) as wire, ExitStack() as dialled:
            reception = Reception(wire, Connections(), lambda held: pytest.fail("taken up"))
            reception.book.know("192.0.2.1")
            pairs = [socket.socketpair() for _ in range(8)]
            for one in pairs:
                for end in one:
                    dialled.enter_context(end)
            for number, (ours, _) in enumerate(pairs):
                peer = "192.0.2.1" if number < 2 else f"192.0.2.{number}"
                reception._queue(ours, (peer, number))
            assert len(reception._waiting["192.0.2.1"]) == 2
            assert sum(map(len, reception._waiting.values())) == 4
            reception.open()
            await reception.close()

    asyncio.run(main())


def test_a_connection_that_ended_waits_for_no_collection_of_garbage(panel: PanelServer) -> None:
    """A flood's connections would otherwise be collected all at once, while a frame turns."""

    def speaking() -> list[weakref.ref[Any]]:
        return [weakref.ref(held.speaking) for held in panel.book._held if held.speaking]

    gc.disable()
    try:
        with dial(panel) as asking, dial(panel) as silent:
            asking.sendall(GET % panel.port)
            assert answer_of(asking).startswith(b"HTTP/1.1 200 ")
            silent.sendall(b"GET / HT")
            for _ in range(200):  # the silent one may still wait to be taken up
                ours = panel.call(speaking)
                if len(ours) >= 2:
                    break
            assert len(ours) >= 2
        for _ in range(400):
            if all(one() is None for one in ours):
                break
            httpx.get(f"{panel.url}/api/session")
        assert all(one() is None for one in ours)
    finally:
        gc.enable()
