"""The door: what every request must carry before any route sees it, and what every answer carries.

Host must be ours (a rebound name gets nothing); a request that changes something must come from
our own page; bodies are small; and the page may load nothing but what we serve.
"""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from evenwall_web.settings import Settings

BODY_LIMIT_bytes = 2_000_000  # a whole plan may be sent; everything else is far smaller
BODY_TIME_s = 20.0  # for a whole body to arrive
OPEN_PER_PEER = 64  # requests under way, streams among them; a page holds one stream
OPEN_IN_ALL = 256
STOP = "/api/command/stop_turning"  # never held back by a limit
SINGLE = (b"host", b"content-length", b"transfer-encoding", b"origin", b"content-type")
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class Door:
    def __init__(self, app: ASGIApp, settings: Settings, policy: str) -> None:
        self._app = app
        self._settings = settings
        self._open: Counter[str] = Counter()  # requests under way, by peer
        self._headers = {
            "content-security-policy": policy,
            "x-content-type-options": "nosniff",
            "referrer-policy": "no-referrer",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
        }
        if settings.tls:
            self._headers["strict-transport-security"] = "max-age=31536000"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                if scope["path"].startswith("/api/"):
                    headers["cache-control"] = "no-store"
            await send(message)

        refusal = self._refusal(scope, Headers(scope=scope))
        if refusal is not None:
            await _refuse(send_with_headers, *refusal)
            return
        peer = (scope.get("client") or ("unknown", 0))[0]
        if scope["path"] != STOP and not self._room_for(peer):
            await _refuse(send_with_headers, 503, "Too many requests are open; close some pages.")
            return
        self._open[peer] += 1
        try:
            await self._app(scope, _bounded(receive), send_with_headers)
        finally:
            self._open[peer] -= 1
            if self._open[peer] <= 0:
                del self._open[peer]

    def _room_for(self, peer: str) -> bool:
        return self._open[peer] < OPEN_PER_PEER and self._open.total() < OPEN_IN_ALL

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """(status, sentence) when the request must go no further."""
        names = [name for name, _ in scope["headers"]]
        if any(names.count(name) > 1 for name in SINGLE):
            return 400, "A header stands there twice."
        if b"content-length" in names and b"transfer-encoding" in names:
            return 400, "A body has one length."
        host = headers.get("host", "")
        try:
            name = urlsplit(f"//{host}").hostname or ""
        except ValueError:
            name = ""
        listening = (scope.get("server") or ("", None))[0]
        if not self._settings.answers_to(name, listening):
            return 421, "This rig does not answer to that name."
        if scope["method"] not in SAFE:
            origin = headers.get("origin")
            site = headers.get("sec-fetch-site", "same-origin")
            if origin is not None and _netloc(origin) != host.lower():
                return 403, "That came from another site."
            if site not in {"same-origin", "none"}:
                return 403, "That came from another site."
        length = headers.get("content-length", "0")
        if length.isdigit() and int(length) > BODY_LIMIT_bytes:
            return 413, f"The body is over {BODY_LIMIT_bytes} bytes."
        return None


def _netloc(origin: str) -> str:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _bounded(receive: Receive) -> Receive:
    """Cut off a body that grows past the limit without having said so."""
    seen_bytes, whole, until_s = 0, False, asyncio.get_running_loop().time() + BODY_TIME_s

    async def bounded() -> Message:
        nonlocal seen_bytes, whole
        if whole:  # after the body: waits for the peer to go away
            return await receive()
        try:
            async with asyncio.timeout_at(until_s):
                message = await receive()
        except TimeoutError:
            return {"type": "http.disconnect"}
        whole = not message.get("more_body", False)
        seen_bytes += len(message.get("body", b""))
        if seen_bytes > BODY_LIMIT_bytes:
            return {"type": "http.disconnect"}
        return message

    return bounded


async def _refuse(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"detail": sentence}).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", b"%d" % len(body))]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
