"""Serving the panel: uvicorn with our settings, ending when asked without waiting for streams."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

from web.settings import Settings


class _Server(uvicorn.Server):
    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals belong to whoever runs the whole program."""
        yield


class PanelServer:
    """The panel on its socket. The port is taken at once, so `port` 0 finds a free one.

    Raises OSError when the address cannot be had or the certificate cannot be read.
    """

    def __init__(self, settings: Settings) -> None:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        self._socket = socket.create_server((settings.host, settings.port), family=family)
        self.port: int = self._socket.getsockname()[1]
        self._tls = settings.ssl_context()
        self._server: _Server | None = None
        self._closing: asyncio.Event | None = None

    async def run(self, app: FastAPI) -> None:
        """Serve until `close` or cancellation."""
        config = uvicorn.Config(
            app, log_level="warning", lifespan="off", timeout_graceful_shutdown=2
        )
        config.load()
        config.ssl = self._tls
        self._server = _Server(config)
        self._closing = app.state.closing
        serving = asyncio.create_task(self._server.serve(sockets=[self._socket]))
        try:
            await asyncio.shield(serving)
        except asyncio.CancelledError:
            self.close()
            await serving
            raise

    @property
    def up(self) -> bool:
        return self._server is not None and self._server.started

    def close(self) -> None:
        """Ask it to end: streams end first, or they would hold it open."""
        if self._closing is not None:
            self._closing.set()
        if self._server is not None:
            self._server.should_exit = True
