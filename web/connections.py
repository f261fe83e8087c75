"""Connections to the panel: their number, their longest silence, and the order of closing.

The web server shares its event loop with the frame. So connections wait in our own queue, fair
between addresses, and a few are accepted in each turn of the loop. If there are too many, the least
valuable one of the address with the most is closed. A connection that does not send its request, or
does not take its answer, is cut.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
import ssl
import traceback
from asyncio.sslproto import SSLProtocol
from collections import Counter, OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_TIME_s = 10.0  # for a whole request line with its headers, and between two of them
WRITE_TIME_s = 10.0  # for a peer that reads nothing
KEPT_s = 120  # between two requests of a paired phone: its next press needs no new connection
A_BROWSERS = 8  # connections are many; a browser opens six to one address
PER_PEER = 64
IN_ALL = 256
FEWEST = 8  # however few descriptors there are
KEPT_FREE = 64  # descriptors for the record, the board, the probes and worker processes
HEADER_BYTES = 16_384  # of one request line with its headers; ours have 1 kB
FRESH_s = 0.5  # time for a new connection to send its first request
ANSWER_s = 1.0  # an answer that takes longer is a stream, or its peer does not read it
NEW = 2  # worth of a connection whose first request may be under way
TURN_s = 0.005
TAKEN_A_TURN = 4  # 800 connections in a second; each costs the event loop about 0.3 ms
TAKEN_AT_MOST = 8  # in a turn that comes late
TAKEN_TLS = 1  # a handshake costs some ms of a small computer
TAKEN_KNOWN = 2  # more in a turn, of paired phones' addresses alone: see `Reception`
# asyncio's own 256 kB per connection would take 64 MB in all. A record has 16 kB (RFC 8446 5.1).
TLS_BUFFER_bytes = 32_768
FETCHED_AT_ONCE = 32  # from the kernel's queue, 20 us each
WAITING_PER_PEER, WAITING_IN_ALL = 32, 256
WAITING_KNOWN = (
    96  # for a paired phone's address: many connections there must not crowd out a press
)
FULL_PAUSE_s = 0.25  # if there is neither a descriptor nor a connection to close
KNOWN_KEPT = 1000
FULL = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})

Address = tuple[Any, ...]
Rank = tuple[bool, int, int]  # paired phone's address, worth, number of that address


def _nothing() -> None:
    return None


@dataclass(eq=False)
class Held:
    """Accepted connection. speaking: its protocol, once set up."""

    peer: str
    end: Callable[[], object]
    at_s: float = 0.0  # of the loop's clock
    speaking: Connection | None = None
    asked_s: float = 0.0  # when the request that is being answered had come
    port: int = 0  # the peer's
    paired: bool = False  # a paired phone has asked on it

    def worth(self, now_s: float) -> int:
        """Return the value of the connection, by which the least valuable is closed first.

        0: no request for a while; 1: an incomplete request, or a stream, which its page reopens;
        2: new, its request may be under way; 3: a request being answered. Connections of a paired
        phone have 4 more.
        """
        return self._at_work(now_s) + (4 if self.paired else 0)

    def _at_work(self, now_s: float) -> int:
        cycle = None if self.speaking is None else self.speaking.cycle
        if cycle is not None and not cycle.response_complete:
            return 1 if cycle.more_body or now_s - self.asked_s >= ANSWER_s else 3
        return NEW if now_s - self.at_s < FRESH_s else 0


class Connections:
    """Open connections, oldest first. Those of a paired phone's address are closed last."""

    def __init__(
        self,
        in_all: int = IN_ALL,
        per_peer: int = PER_PEER,
        header_time_s: float = HEADER_TIME_s,
        write_time_s: float = WRITE_TIME_s,
    ) -> None:
        self.in_all, self.per_peer = in_all, min(per_peer, max(1, in_all // 2))
        self.header_time_s, self.write_time_s = header_time_s, write_time_s
        self.cut = 0  # since the start
        self._held: dict[Held, None] = {}
        self._by_peer: Counter[str] = Counter()
        self._by_port: dict[tuple[str, int], Held] = {}
        self._known: OrderedDict[str, None] = OrderedDict()

    def __len__(self) -> int:
        return len(self._held)

    def __contains__(self, held: Held) -> bool:
        return held in self._held

    def know(self, peer: str, port: int = 0) -> None:
        """Remember an address from which a paired phone has asked, and the connection itself."""
        held = self._by_port.get((peer, port))
        if held is not None:
            held.paired = True
        self._known[peer] = None
        self._known.move_to_end(peer)
        while len(self._known) > KNOWN_KEPT:
            self._known.popitem(last=False)

    def is_known(self, peer: str) -> bool:
        return peer in self._known

    def take(self, held: Held) -> None:
        """Add a connection; end another if there are too many."""
        if self._by_peer[held.peer] >= self.per_peer:
            self.end_one(held.at_s, held.peer)
        elif len(self._held) >= self.in_all:
            self.end_one(held.at_s)
        self._held[held] = None
        self._by_peer[held.peer] += 1
        self._by_port[held.peer, held.port] = held

    def drop(self, held: Held) -> None:
        if held in self._held:
            del self._held[held]
            if self._by_port.get((held.peer, held.port)) is held:
                del self._by_port[held.peer, held.port]
            self._by_peer[held.peer] -= 1
            if self._by_peer[held.peer] <= 0:
                del self._by_peer[held.peer]

    def rank(self, held: Held, now_s: float) -> Rank:
        """Return the order in which connections are ended, the lowest first.

        A stranger's connection is closed before a paired phone's. Among equals, one of the address
        with the most connections is closed first.
        """
        number = self._by_peer[held.peer]
        many = number if number >= A_BROWSERS else 0
        return held.peer in self._known, held.worth(now_s), -many

    def end_one(self, now_s: float, among: str | None = None, below: Rank | None = None) -> bool:
        """End the lowest in rank, of one address or of all; of equals the oldest.

        Return False if there is none, or none below the given rank.
        """
        held = [one for one in self._held if among in (None, one.peer)]
        if not held:
            return False
        least = min(held, key=lambda one: self.rank(one, now_s))
        if below is not None and self.rank(least, now_s) >= below:
            return False
        self.cut += 1
        self.drop(least)
        least.end()
        return True

    def end_all(self) -> None:
        """End all open connections."""
        for held in list(self._held):
            self.drop(held)
            held.end()


def connections_for(descriptors: int) -> int:
    """Number of connections that leave enough descriptors for everything else.

    As many again may wait to be taken up.
    """
    return max(FEWEST, min(IN_ALL, (descriptors - KEPT_FREE) // 2))


class Reception:
    """Accepts connections from a listening socket, a few in each turn of the event loop.

    Paired phones come first, then the addresses in rotation. Of one address the newest comes first:
    a press has just connected, and most that have waited for long were abandoned. The next one is
    the oldest, so that a press does not wait behind many later connections from the phone's own
    address.
    """

    def __init__(
        self,
        wire: socket.socket,
        book: Connections,
        speak: Callable[[Held], Connection],
        tls: ssl.SSLContext | None = None,
    ) -> None:
        """Set up. wire: listening socket, closed by the caller. speak: makes a protocol."""
        self.book = book
        self._loop = asyncio.get_running_loop()
        self._wire, self._speak, self._tls = wire, speak, tls
        self._a_turn, self._at_most = TAKEN_A_TURN, TAKEN_AT_MOST
        if tls is not None:
            self._a_turn, self._at_most = TAKEN_TLS, 2 * TAKEN_TLS
            SSLProtocol.max_size = TLS_BUFFER_bytes
        self._waiting: OrderedDict[str, deque[tuple[socket.socket, int]]] = OrderedDict()
        self._number = 0  # of those that wait
        self._turning: asyncio.TimerHandle | None = None
        self._turned_s = 0.0
        self._newest = True  # taken next from an address; False: the oldest
        self._closed = False
        self._tasks: dict[asyncio.Task[None], socket.socket] = {}  # connections being set up

    def open(self) -> None:
        self._wire.setblocking(False)
        self._loop.add_reader(self._wire, self._fetch)

    async def close(self) -> None:
        """Accept no more connections."""
        self._closed = True
        self._loop.remove_reader(self._wire)
        if self._turning is not None:
            self._turning.cancel()
            self._turning = None
        for waiting in self._waiting.values():
            for dialled, _ in waiting:
                dialled.close()
        self._waiting.clear()
        self._number = 0
        for dialled in self._tasks.values():
            _hang_up(dialled)
        await asyncio.gather(*self._tasks)

    def _fetch(self) -> None:
        """Move connections from the kernel's queue into our own."""
        for _ in range(FETCHED_AT_ONCE):
            try:
                dialled, address = self._wire.accept()
            except (BlockingIOError, ConnectionAbortedError):
                break
            except OSError as error:
                if error.errno not in FULL:
                    raise
                wait_s = self._make_room()
                if wait_s == 0.0:
                    continue
                self._loop.remove_reader(self._wire)
                self._loop.call_later(wait_s, self._listen_again)
                break
            self._queue(dialled, address)
        if self._waiting and self._turning is None:
            self._turn()

    def _make_room(self) -> float:
        """Close a connection that waits, or end one that is less valuable.

        Return the time until the next may be accepted, s: the loop closes an ended one in its turn.
        """
        crowd = max(self._waiting, key=self._crowding, default=None)
        waiting = None if crowd is None else (self.book.is_known(crowd), NEW, 0)
        if self.book.end_one(self._loop.time(), below=waiting):
            return TURN_s
        if crowd is None:
            return FULL_PAUSE_s
        self._give_up(crowd)
        return 0.0

    def _listen_again(self) -> None:
        if not self._closed and self._wire.fileno() >= 0:
            self._loop.add_reader(self._wire, self._fetch)

    def _queue(self, dialled: socket.socket, address: Address) -> None:
        dialled.setblocking(False)
        # Nagle's algorithm (RFC 896) would hold an answer back until the tickets of the handshake
        # are acknowledged, which takes 40 ms. asyncio turns it off only for its own sockets.
        with contextlib.suppress(OSError):
            dialled.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer, port, *_ = address
        self._waiting.setdefault(peer, deque()).append((dialled, port))
        self._number += 1
        most = WAITING_KNOWN if self.book.is_known(peer) else WAITING_PER_PEER
        if len(self._waiting[peer]) > most:
            self._give_up(peer)
        elif self._number > min(WAITING_IN_ALL, max(FEWEST, self.book.in_all)):
            self._give_up(max(self._waiting, key=self._crowding))

    def _crowding(self, peer: str) -> tuple[bool, int]:
        """Order in which addresses lose a waiting connection: those of paired phones come last."""
        return not self.book.is_known(peer), len(self._waiting[peer])

    def _give_up(self, peer: str) -> None:
        """Close the connection of this address that has waited longest."""
        theirs = self._waiting[peer]
        dialled, _ = theirs.popleft()
        dialled.close()
        self._number -= 1
        if not theirs:
            del self._waiting[peer]

    def _next_of(self, peer: str) -> tuple[socket.socket, str, int]:
        """Remove and return the newest or the oldest of an address, in turn."""
        theirs = self._waiting[peer]
        self._number -= 1
        dialled, port = theirs.pop() if self._newest else theirs.popleft()
        if theirs:
            self._newest = not self._newest
        else:
            del self._waiting[peer]
        return dialled, peer, port

    def _turn(self) -> None:
        self._turning = None
        late = (self._loop.time() - self._turned_s) / TURN_s
        self._turned_s = self._loop.time()
        taken = min(self._at_most, round(self._a_turn * max(1.0, late)))
        for number in range(taken + TAKEN_KNOWN):
            if not self._waiting:
                return
            peer = next((peer for peer in self._waiting if self.book.is_known(peer)), None)
            if peer is None:
                if number >= taken:
                    break
                peer = next(iter(self._waiting))
            self._waiting.move_to_end(peer)
            self._take_up(*self._next_of(peer))
        self._turning = self._loop.call_later(TURN_s, self._turn)

    def _take_up(self, dialled: socket.socket, peer: str, port: int) -> None:
        held = Held(peer, partial(_hang_up, dialled), self._loop.time(), port=port)
        task = self._loop.create_task(self._up(dialled, held))

        def done(task: asyncio.Task[None]) -> None:
            del self._tasks[task]
            if held.speaking is None:
                held.end = _nothing  # the task, its error and its frames refer to each other

        self._tasks[task] = dialled
        task.add_done_callback(done)
        self.book.take(held)

    async def _up(self, dialled: socket.socket, held: Held) -> None:
        more = {} if self._tls is None else {"ssl_handshake_timeout": self.book.header_time_s}
        try:
            await self._loop.connect_accepted_socket(
                lambda: self._speak(held), dialled, ssl=self._tls, **more
            )
        except OSError as error:  # ssl.SSLError, TimeoutError: it does not speak our TLS
            self.book.drop(held)
            dialled.close()
            # The frames of the error keep it and the buffers alive until garbage is collected.
            traceback.clear_frames(error.__traceback__)


def _hang_up(dialled: socket.socket) -> None:
    """End a connection that asyncio is setting up; asyncio then closes it.

    If the socket were closed here, or the task cancelled just as the handshake ends, the event loop
    could keep the descriptor's number. It would not hear the next connection with that number.
    """
    with contextlib.suppress(OSError):  # the peer has gone already
        dialled.shutdown(socket.SHUT_RDWR)


class _Gone(asyncio.Transport):
    """Replaces the transport of a connection that has ended."""

    def is_closing(self) -> bool:
        return True

    def close(self) -> None:
        return None

    def write(self, data: bytes | bytearray | memoryview) -> None:
        del data

    pause_reading = resume_reading = close


GONE = _Gone()


class Connection(H11Protocol):
    """One connection: uvicorn's, cut when it is silent for too long."""

    book: Connections
    held: Held
    _over = False
    _due: asyncio.TimerHandle | None = None  # the next request's headers
    _taken: asyncio.TimerHandle | None = None  # what was sent
    _wire: Any = None  # asyncio's transport below TLS

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.held.speaking, self.held.end = self, transport.abort
        self._wire = getattr(getattr(transport, "_ssl_protocol", None), "_transport", None)
        if self.held in self.book:
            self._await_headers()
        else:  # ended while it was set up
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self._over = True
        self.book.drop(self.held)
        for timer in (self._due, self._taken):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)
        self._unset_keepalive_if_required()  # uvicorn leaves it after a reset
        # Reference cycles wait for garbage collection, which delays the loop. So the cycles of
        # closed connections, of which a flood makes many, are broken here.
        self.held.speaking, self.held.end = None, _nothing
        # A request that was cut in its body stays in a cycle of its error and its frames. It no
        # longer needs the transport, which has 100 kB over TLS.
        for holder, name in ((self.cycle, "transport"), (self.flow, "_transport")):
            if holder is not None:
                setattr(holder, name, GONE)
        self.cycle = None  # type: ignore[assignment]
        # asyncio's own transport keeps a method of itself (selector_events.py, 3.11 to 3.14).
        for transport in (self.transport, self._wire):
            getattr(transport, "__dict__", {}).pop("_read_ready_cb", None)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._have_headers()

    def on_response_complete(self) -> None:
        # A lost transport over TLS says that it is not closing. A timer would keep it, with its
        # buffers, for two minutes.
        if self._over or self.transport.is_closing():
            return
        if self.held.paired:
            self.timeout_keep_alive = KEPT_s
        self._await_headers()
        super().on_response_complete()
        self._have_headers()  # the next request may have been waiting already

    def pause_writing(self) -> None:
        super().pause_writing()
        self._taken = self.loop.call_later(self.book.write_time_s, self._cut)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._taken is not None:
            self._taken.cancel()
            self._taken = None

    def _await_headers(self) -> None:
        if self._due is None:
            wait_s = KEPT_s + 1.0 if self.held.paired else self.book.header_time_s
            self._due = self.loop.call_later(wait_s, self._cut)

    def _have_headers(self) -> None:
        under_way = self.cycle is not None and not self.cycle.response_complete
        if under_way and self._due is not None:
            self._due.cancel()
            self._due = None
            self.held.asked_s = self.loop.time()

    def _cut(self) -> None:
        self.book.cut += 1
        self.transport.abort()
