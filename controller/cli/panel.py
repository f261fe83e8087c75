"""Serving of the panel by this process: its port, its certificate, its limits."""

from __future__ import annotations

import asyncio
import errno
import os
import resource
import socket
import ssl
import tempfile
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI

from evenwall.cli.authority import Files, certify, damaged, fingerprint, own_names, usable
from evenwall.cli.tidying import steady_heap, tidy
from evenwall.errors import InputError
from evenwall.service.facade import Service
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock
from evenwall_web.app import create_app
from evenwall_web.connections import (
    HEADER_BYTES,
    Connection,
    Connections,
    Held,
    Reception,
    connections_for,
)
from evenwall_web.people import People
from evenwall_web.settings import Settings, reached_at

DESCRIPTORS = 1024
BACKLOG = 512  # connections that the kernel holds until the loop takes them


def descriptors_left() -> int:
    """Return the number of files and sockets that this process may still open.

    Its limit is first raised to DESCRIPTORS, as far as the system allows.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, DESCRIPTORS)
    if soft == resource.RLIM_INFINITY:
        soft = DESCRIPTORS
    if soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
        soft = most
    return soft - len(os.listdir("/dev/fd"))


class PanelServer(uvicorn.Server):
    """uvicorn without its own signal handlers and listening sockets.

    The process handles signals in one place, and our own reception accepts connections.
    """

    def __init__(self, config: uvicorn.Config, book: Connections) -> None:
        super().__init__(config)
        self._book = book
        self._reception: Reception | None = None

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def serve_on(self, wire: socket.socket) -> None:
        """Serve on a listening socket until `should_exit` is set."""
        if not self.config.loaded:
            self.config.load()
        reception = Reception(wire, self._book, self._speak, self.config.ssl)
        self._reception = reception
        wire.listen(BACKLOG)
        serving = asyncio.create_task(self.serve(sockets=[]))
        try:
            while not self.started and not serving.done():
                await asyncio.wait({serving}, timeout=0.01)
            reception.open()
            await serving
        finally:
            await reception.close()
            self._book.end_all()
            # Their transports close in the next iteration of the loop, which must still run.
            ended = asyncio.get_running_loop().create_future()
            asyncio.get_running_loop().call_soon(ended.set_result, None)
            await ended

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Accept no more connections, then end the open ones."""
        if self._reception is not None:
            await self._reception.close()
        await super().shutdown(sockets)

    def _speak(self, held: Held) -> Connection:
        made = Connection(self.config, self.server_state, self.lifespan.state)
        made.book, made.held = self._book, held
        return made


def check_certificate(settings: Settings) -> None:
    """Raise InputError if the given certificate cannot be used."""
    if settings.tls_cert is None:
        return
    try:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(settings.tls_cert, settings.tls_key)
    except OSError as error:  # ssl.SSLError is one
        why = error.strerror or "is not a certificate with its key in PEM format"
        raise InputError("--tls-cert", settings.tls_cert, why) from None


RENEW_LOOK_S = 3600.0


def with_authority(settings: Settings, folder: Path) -> Settings:
    """Return the settings with a certificate of the rig's own authority.

    A damaged one is set aside and replaced by a new one. If the folder cannot be written, the
    present one serves as long as it is valid, and then one for this process alone: a full disk
    keeps no controller from starting. The settings say so. Raises InputError if nothing can be
    written.
    """
    files, trouble = Files(folder), ""
    before = damaged(files)
    try:
        _certify(files, settings)
    except InputError as error:
        trouble = f"The rig's certificate cannot be written ({error.limit})."
        if not usable(files, SystemClock().utc()):
            files = Files(Path(tempfile.mkdtemp(prefix="evenwall-tls-")))
            _certify(files, settings)
            trouble += " One for this run alone is used: phones warn of it until the disk works."
    aside = ", ".join(sorted(damaged(files) - before))
    if aside and not trouble:
        trouble = (
            f"The rig's certificate was damaged. It is kept as {aside}, and a new one was made: a "
            f"phone that warns of it must trust the rig again."
        )
    return replace(
        settings,
        tls_cert=files.server,
        tls_key=files.server_key,
        tls_authority=files.authority,
        tls_trouble=trouble,
    )


def _certify(files: Files, settings: Settings) -> bool:
    names = own_names(settings.host, reached_at(settings.host))
    return certify(files, names, SystemClock().utc())


async def _keep_certified(
    settings: Settings, context: ssl.SSLContext, clock: Clock, say: Callable[[str], None]
) -> None:
    """Renew the certificate while the panel is served; the next handshake shows the new one."""
    if settings.tls_authority is None:
        return
    files = Files(settings.tls_authority.parent)
    while True:
        await clock.sleep(RENEW_LOOK_S)
        before = fingerprint(files)
        try:
            fresh = await asyncio.to_thread(_certify, files, settings)
        except InputError as error:  # tried again in an hour; the present one has a month left
            say(str(error))
            continue
        if fresh:
            await asyncio.to_thread(context.load_cert_chain, files.server, files.server_key)
            if fingerprint(files) != before:
                say(trust_words(settings))


def trust_words(settings: Settings) -> str:
    """Text for the console: the page that makes a phone trust the rig; empty without authority."""
    if settings.tls_authority is None:
        return ""
    shown = fingerprint(Files(settings.tls_authority.parent)).split(":")
    rows = "\n".join("  " + " ".join(shown[k : k + 8]) for k in range(0, len(shown), 8))
    return (
        f"To make a phone trust this rig, open {settings.address}trust and compare there:\n{rows}"
    )


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket. Raises InputError if the address is not available."""
    if not 0 <= port <= 65535:
        raise InputError("--port", port, "must be 0 to 65535")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    found = socket.socket(family, socket.SOCK_STREAM)
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind((host, port))
        found.listen()  # early connections wait for the server and are not refused
    except OSError as error:
        found.close()
        if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
            why = f"is not an address of this machine: {error.strerror}"
            raise InputError("--host", host, why) from None
        hint = "give another --port, or --port 0 for any free one"
        raise InputError("--port", port, f"{error.strerror} on {host}", hint=hint) from None
    return found


def server_for(app: FastAPI, settings: Settings, book: Connections) -> PanelServer:
    """Return the web server of a panel."""
    app.state.book = book
    config = uvicorn.Config(
        app,
        http="h11",
        ws="none",
        h11_max_incomplete_event_size=HEADER_BYTES,
        log_level="error",  # malformed requests of others stay out of our log
        lifespan="on",
        ssl_certfile=settings.tls_cert,
        ssl_keyfile=settings.tls_key,
        timeout_graceful_shutdown=2,
    )
    return PanelServer(config, book)


async def _warm(app: FastAPI, settings: Settings) -> None:
    """Request each kind of route once.

    The set-up for a first request takes up to 80 ms, which no turning frame should wait for.
    """
    own = "127.0.0.1" if settings.host in {"0.0.0.0", "::"} else settings.host
    host = f"[{own}]".encode() if ":" in own else own.encode()
    asked = iter(({"type": "http.request", "body": b"{}", "more_body": False},))

    async def receive() -> dict[str, Any]:
        return next(asked, {"type": "http.disconnect"})

    async def send(_: Any) -> None:
        return None

    for method, path in (("GET", "/"), ("GET", "/api/stream"), ("POST", "/api/pair")):
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "path": path,
            "raw_path": path.encode(),
            "query_string": b"",
            "scheme": "http",
            "client": ("127.0.0.1", 0),
            "server": (own, settings.port),
            "headers": [(b"host", host), (b"content-type", b"application/json")],
        }
        asked = iter(({"type": "http.request", "body": b"{}", "more_body": False},))
        await app(scope, receive, send)


@asynccontextmanager
async def open_panel(
    service: Service, settings: Settings, say: Callable[[str], None]
) -> AsyncIterator[People]:
    """Serve the panel until the block ends. settings.port is the real port: see `listen`.

    say: the rig's console, where pairing codes are shown.
    """
    steady_heap()
    check_certificate(settings)
    book = Connections(connections_for(descriptors_left()))
    with listen(settings.host, settings.port) as wire:
        app = create_app(service, settings)
        server = server_for(app, settings, book)
        people: People = app.state.people
        serving = asyncio.create_task(server.serve_on(wire))
        await _warm(app, settings)
        tidy()
        if settings.tls_authority is not None:
            say(trust_words(settings))
        renewing = asyncio.create_task(
            _keep_certified(settings, server.config.ssl, SystemClock(), say)
            if server.config.ssl is not None
            else asyncio.Event().wait()
        )
        inviting = asyncio.create_task(people.keep_inviting(lambda code: say(code.console())))
        try:
            yield people
        finally:
            inviting.cancel()
            renewing.cancel()
            app.state.closing.set()
            server.should_exit = True
            await serving
            await asyncio.to_thread(people.close)
