"""The shop page: all rigs on one broker, the most urgent first. It only displays."""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from fastapi.responses import FileResponse, StreamingResponse
from fastapi.staticfiles import StaticFiles

from evenwall.model import MqttSpec
from evenwall.telemetry.fleet import RigCard, Shop
from evenwall_bridge.clock import SystemClock

# A page that stays open must not keep the server alive: its stream is cut after this time.
GOODBYE_S = 2
PAGE = Path(__file__).parent / "shop_page"


def shop_app(shop: Shop) -> FastAPI:
    """The page and its stream; listens to the broker for as long as it is served."""

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        listening = asyncio.create_task(shop.run())
        try:
            yield
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)

    app = FastAPI(title="Evenwall shop", lifespan=lifespan)

    @app.get("/api/rigs")
    async def rigs() -> list[RigCard]:
        return shop.cards()

    @app.get("/api/rigs/stream")
    async def stream() -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            async for view in shop.changes():
                yield f"data: {view.model_dump_json()}\n\n".encode()

        return StreamingResponse(
            pieces(), media_type="text/event-stream", headers={"Cache-Control": "no-store"}
        )

    @app.get("/", include_in_schema=False)
    async def page() -> FileResponse:
        return FileResponse(PAGE / "shop.html")

    app.mount("/shop", StaticFiles(directory=PAGE), name="shop")
    return app


def serve_shop(broker: MqttSpec, wire: socket.socket) -> None:
    """Serve on a listening socket until told to end. Raises InputError for an unreadable secret."""
    shop = Shop(broker, SystemClock(), random.Random())
    config = uvicorn.Config(
        shop_app(shop), log_level="warning", timeout_graceful_shutdown=GOODBYE_S
    )
    uvicorn.Server(config).run([wire])
