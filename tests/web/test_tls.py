"""Connections over TLS on a real server's socket, with the certificate of an authority of ours."""

from __future__ import annotations

import asyncio
import gc
import socket
import ssl
import weakref
from asyncio import Transport
from asyncio.sslproto import SSLProtocol
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from evenwall.cli.panel import with_authority
from evenwall_web.connections import Connection, Connections, TLS_BUFFER_bytes
from evenwall_web.settings import Settings
from tests.web.server import PanelServer

LATE_s = 10.0  # more than any of it takes on a busy machine
HELLO_CUT = (
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"  # the start of a handshake, RFC 8446 5.1
)


@pytest.fixture(scope="module")
def panel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PanelServer]:
    settings = with_authority(Settings(), Path(tmp_path_factory.mktemp("authority")))
    book = Connections(in_all=24, per_peer=12, header_time_s=0.4, write_time_s=0.4)
    with PanelServer(speed=10, settings=settings, book=book) as panel:
        yield panel


def trusting(panel: PanelServer) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=panel._settings.tls_authority)


def freed(panel: PanelServer, ours: list[weakref.ref[Any]]) -> bool:
    """Whether all of these are gone after at most 400 requests, each of which turns the loop."""
    for _ in range(400):
        if all(one() is None for one in ours):
            break
        httpx.get(f"{panel.url}/api/session", verify=trusting(panel), timeout=LATE_s)
    return all(one() is None for one in ours)


def ended(panel: PanelServer, said: bytes) -> None:
    """Say something that is no TLS, or no whole handshake, and wait for the server to close."""
    with socket.create_connection(("127.0.0.1", panel.port), LATE_s) as wire:
        wire.sendall(said)
        try:
            while wire.recv(4096):
                pass
        except ConnectionResetError:
            pass


@pytest.mark.parametrize("said", [b"GET / HTTP/1.1\r\n\r\n", HELLO_CUT, b"\xff" * 300])
def test_a_handshake_that_fails_leaves_no_buffer(panel: PanelServer, said: bytes) -> None:
    """A flood's would stand about until garbage is collected."""

    def left() -> int:
        # By its type: a weak reference to something gone refuses to be asked with isinstance.
        return sum(issubclass(type(one), SSLProtocol) for one in gc.get_objects())

    async def turns() -> None:
        for _ in range(20):
            await asyncio.sleep(0)  # noqa: TID251

    panel.call(turns)
    gc.collect()
    gc.disable()
    try:
        before = panel.call(left)
        for _ in range(5):
            ended(panel, said)
        panel.call(turns)
        assert panel.call(left) <= before
    finally:
        gc.enable()


def test_the_page_is_served_to_who_trusts_the_authority(panel: PanelServer) -> None:
    answer = httpx.get(f"{panel.url}/api/session", verify=trusting(panel), timeout=LATE_s)
    assert answer.status_code == 200
    assert answer.headers["strict-transport-security"] == "max-age=31536000"


def test_a_connection_over_tls_is_small_and_waits_for_no_collection_of_garbage(
    panel: PanelServer,
) -> None:
    """256 of them are held. Python's own buffers would take 64 MB, until garbage is collected."""

    def below() -> list[Any]:
        return [held.speaking._wire for held in panel.book._held if held.speaking]

    def buffers() -> list[int]:
        return [len(wire.get_protocol()._ssl_buffer) for wire in below()]

    gc.disable()
    try:
        with (
            socket.create_connection(("127.0.0.1", panel.port), LATE_s) as plain,
            trusting(panel).wrap_socket(plain, server_hostname="127.0.0.1") as wire,
        ):
            wire.sendall(b"GET /api/session HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % panel.port)
            assert wire.recv(4096).startswith(b"HTTP/1.1 200 ")
            # It goes with half of its answer read: what ends then must not be kept by a timer.
            assert panel.call(buffers) == [TLS_BUFFER_bytes]
            ours = panel.call(lambda: [weakref.ref(one) for one in below()])
        assert freed(panel, ours)
    finally:
        gc.enable()


CUT = (
    b"POST /api/pair HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Type: application/json\r\n"
    b"Content-Length: 99\r\n%s\r\n{"
)


@pytest.mark.parametrize("more", [b"", b"Expect: 100-continue\r\n"])
def test_a_body_that_is_cut_keeps_no_buffer_either(panel: PanelServer, more: bytes) -> None:
    """Its error and its frames hold each other until garbage is collected; not the transport."""

    def wires() -> list[weakref.ref[Any]]:
        held = panel.book._held
        return [weakref.ref(one.speaking._wire) for one in held if one.speaking is not None]

    def reading() -> bool:
        """Whether its route waits for the rest."""
        return any(one.speaking is not None and one.speaking.cycle for one in panel.book._held)

    gc.collect()
    gc.disable()
    try:
        with socket.create_connection(("127.0.0.1", panel.port), LATE_s) as plain:
            wire = trusting(panel).wrap_socket(plain, server_hostname="127.0.0.1")
            wire.sendall(CUT % (panel.port, more))
            ours: list[weakref.ref[Any]] = []
            while not ours:
                ours = panel.call(wires)
            while not panel.call(reading):
                pass
            panel.call(panel.book.end_all)
            wire.close()
        assert freed(panel, ours)
    finally:
        gc.enable()


def test_a_handshake_that_is_ended_waits_for_no_collection_of_garbage(panel: PanelServer) -> None:
    """One that is closed in its handshake, because there are too many, leaves no task either."""

    def tasks() -> list[weakref.ref[Any]]:
        return [weakref.ref(task) for task in panel._server._reception._tasks]

    gc.collect()
    gc.disable()
    try:
        with socket.create_connection(("127.0.0.1", panel.port), LATE_s) as wire:
            wire.sendall(HELLO_CUT)
            ours: list[weakref.ref[Any]] = []
            while not ours:
                ours = panel.call(tasks)
            panel.call(panel.book.end_all)
        for _ in range(400):
            if all(one() is None for one in ours):
                break
            panel.call(lambda: None)
        assert all(one() is None for one in ours)
    finally:
        gc.enable()


def test_a_connection_ended_as_its_handshake_ends_costs_no_later_one_its_answer(
    panel: PanelServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next connection gets its descriptor's number. If the event loop still knew the number, it
    would not watch the new connection, and no press on it would be heard. That takes a descriptor
    which is closed before the next comes, as happens in most of twelve attempts."""
    made = Connection.connection_made
    ending: list[bool] = []

    def ended_first(self: Connection, transport: Transport) -> None:
        if ending:
            ending.pop()
            self.book.end_all()
        made(self, transport)

    monkeypatch.setattr(Connection, "connection_made", ended_first)
    for _ in range(12):
        ending.append(True)
        with pytest.raises(httpx.TransportError):
            httpx.get(f"{panel.url}/api/session", verify=trusting(panel), timeout=LATE_s)
        httpx.get(f"{panel.url}/api/session", verify=trusting(panel), timeout=LATE_s)
    assert panel.call(lambda: len(panel.book)) <= 1
