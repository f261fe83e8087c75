"""The door: checks on every request before any route sees it, and headers on every answer.

The Host must be ours (a rebound name gets nothing). A request that changes something must come from
our own page. Bodies are small, and the page may load only files that we serve.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections import Counter, deque
from collections.abc import Callable
from ipaddress import IPv6Address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from evenwall_web.settings import Settings

BODY_LIMIT_bytes = 2_000_000  # a whole plan may be sent; everything else is far smaller
BODY_TIME_s = 20.0  # for a whole body to arrive
OPEN_PER_PEER = 32  # requests under way, streams among them; a page holds one stream
OPEN_IN_ALL = 128  # fewer than connections, so that one more request is always accepted
LET_IN_A_TURN = 1  # requests that begin in one turn of the event loop: each holds it for 1 to 3 ms
STOP = "/api/command/stop_turning"  # never held back by a limit
SINGLE = (b"host", b"content-length", b"transfer-encoding", b"origin", b"content-type")
NAME_LETTERS = 253  # RFC 1123, 2.1, and RFC 1035, 2.3.4, less the dot at the end
HOST = re.compile(
    r"(?:\[(?P<six>[0-9A-Fa-f:.]{2,45})\]"
    r"|(?P<name>[A-Za-z0-9_-]{1,63}(?:\.[A-Za-z0-9_-]{1,63})*))(?::(?P<port>[0-9]{1,5}))?",
    re.ASCII,
)
REFUSALS = frozenset({400, 401, 403, 408, 413, 421, 429})
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class Turnstile:
    """Lets a few requests begin in each turn of the event loop, in the order of their arrival.

    A hundred requests that begin together would delay everything else on the loop.
    """

    def __init__(self, a_turn: int = LET_IN_A_TURN) -> None:
        self._a_turn = self._left = a_turn
        self._waiting: deque[asyncio.Future[None]] = deque()

    async def __call__(self) -> None:
        """Wait until this request may begin."""
        loop = asyncio.get_running_loop()
        if self._left == self._a_turn:
            loop.call_soon(self._next_turn)
        if self._left > 0:
            self._left -= 1
            return
        mine = loop.create_future()
        self._waiting.append(mine)
        await mine

    def _next_turn(self) -> None:
        self._left = self._a_turn
        while self._left and self._waiting:
            first = self._waiting.popleft()
            if not first.done():  # its peer may have gone
                first.set_result(None)
                self._left -= 1
        if self._left < self._a_turn:
            asyncio.get_running_loop().call_soon(self._next_turn)


class Door:
    def __init__(
        self,
        app: ASGIApp,
        settings: Settings,
        policy: str,
        tell: Callable[[str, str, int], None] = lambda *_: None,
        closing: asyncio.Event | None = None,
    ) -> None:
        """Set up. tell: called with peer, request and status of each refusal. closing: set when the
        server ends, which then cancels the requests that are still under way."""
        self._app = app
        self._settings = settings
        self._open: Counter[str] = Counter()  # requests under way, by peer
        self._turnstile = Turnstile()
        self._tell, self._closing = tell, closing
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

        peer = (scope.get("client") or ("unknown", 0))[0]

        send_with_headers = self._finished(scope, peer, send)
        refusal = self._refusal(scope, Headers(scope=scope))
        if refusal is not None:
            await _refuse(send_with_headers, *refusal)
            return
        if scope["path"] != STOP and not self._room_for(peer):
            await _refuse(send_with_headers, 503, "Too many requests are open; close some pages.")
            return
        self._open[peer] += 1
        try:
            if scope["path"] != STOP:
                await self._turnstile()
            await self._whole(scope, receive, send_with_headers)
        finally:
            self._open[peer] -= 1
            if self._open[peer] <= 0:
                del self._open[peer]

    def _finished(self, scope: Scope, peer: str, send: Send) -> Send:
        """Return a `send` that adds the common headers and reports refusals."""

        async def finished(message: Message) -> None:
            if message["type"] == "http.response.start":
                if message["status"] in REFUSALS:
                    self._tell(peer, f"{scope['method']} {scope['path']}", message["status"])
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                if scope["path"].startswith("/api/"):
                    headers["cache-control"] = "no-store"
            await send(message)

        return finished

    async def _whole(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Admit a request if its body arrives in time and within the size limit."""
        body, begun = _Body(receive), False

        async def answer(message: Message) -> None:
            nonlocal begun
            if body.refusal is None:
                begun = True
                await send(message)

        try:
            await self._app(scope, body, answer)
        except ClientDisconnect:  # a route was reading the body, and perhaps its peer has gone
            pass
        except asyncio.CancelledError:
            if self._closing is None or not self._closing.is_set():
                raise
            if not begun:
                await _refuse(send, 503, "The controller is ending.")
            return
        if body.refusal is not None:
            await _refuse(send, *body.refusal)

    def _room_for(self, peer: str) -> bool:
        return self._open[peer] < OPEN_PER_PEER and self._open.total() < OPEN_IN_ALL

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """Return (status, sentence) if the request is refused."""
        names = [name for name, _ in scope["headers"]]
        if any(names.count(name) > 1 for name in SINGLE):
            return 400, "A header is given twice."
        if b"content-length" in names and b"transfer-encoding" in names:
            return 400, "The length of the body is given in two ways."
        host = headers.get("host", "")
        name = named_by(host)
        if name is None:
            return 400, "The Host is not a name or an address, with or without a port."
        listening = (scope.get("server") or ("", None))[0]
        if not self._settings.answers_to(name, listening):
            return 421, "This rig does not answer to that name."
        if scope["method"] not in SAFE:
            origin = headers.get("origin")
            site = headers.get("sec-fetch-site", "same-origin")
            if origin is not None and _netloc(origin) != host.lower():
                return 403, "The request came from another site."
            if site not in {"same-origin", "none"}:
                return 403, "The request came from another site."
        length = headers.get("content-length", "0")
        if length.isdigit() and int(length) > BODY_LIMIT_bytes:
            return 413, f"The body is over {BODY_LIMIT_bytes} bytes."
        return None


def named_by(host: str) -> str | None:
    """Return the name or address in a Host header, without its port; None if it is malformed.

    RFC 9110, 7.2: `uri-host [":" port]`. RFC 3986, 3.2.2, also allows escapes, user names and an
    empty port. No browser sends these for us, and the parts of a server may read them differently.
    """
    found = HOST.fullmatch(host)
    if found is None or not 0 < int(found["port"] or "80") <= 65535:
        return None
    if found["six"] is None:
        return found["name"].lower() if len(found["name"]) <= NAME_LETTERS else None
    try:
        return str(IPv6Address(found["six"]))
    except ValueError:
        return None


def _netloc(origin: str) -> str:
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


class _Body:
    """Body of a request for the application, cut off if it is too slow or too large."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._seen_bytes, self._whole = 0, False
        self._until_s = asyncio.get_running_loop().time() + BODY_TIME_s
        self.refusal: tuple[int, str] | None = None

    async def __call__(self) -> Message:
        if self._whole:  # after the body: waits for the peer to go away
            return await self._receive()
        if self.refusal is None:
            try:
                async with asyncio.timeout_at(self._until_s):
                    message = await self._receive()
            except TimeoutError:
                self.refusal = (408, f"The body did not arrive within {BODY_TIME_s:.0f} s.")
        if self.refusal is None:
            self._whole = not message.get("more_body", False)
            self._seen_bytes += len(message.get("body", b""))
            if self._seen_bytes <= BODY_LIMIT_bytes:
                return message
            self.refusal = (413, f"The body is over {BODY_LIMIT_bytes} bytes.")
        return {"type": "http.disconnect"}


async def _refuse(send: Send, status: int, sentence: str) -> None:
    body = json.dumps({"detail": sentence}).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", b"%d" % len(body)),
        (b"connection", b"close"),  # the unread part of the request must not count as the next one
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
