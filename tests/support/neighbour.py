"""A hostile neighbour on the workshop's network, and a paired phone.

`python -m tests.support.neighbour attack http PORT SECONDS COOKIE CSRF [SHARE]` does everything at
once that a neighbour can do to a panel, from this machine's loopback addresses, with this share of
the connections; `https` over TLS. `...
phone http PORT COOKIE CSRF COUNT` is a page that presses stop so often, on the connection that it
keeps and on a fresh one, and prints the milliseconds of both.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import resource
import signal
import ssl
import sys
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

from evenwall_bridge.clock import SystemClock

CLOCK = SystemClock()
IDLE, SLOW_HEADERS, BODIES, STREAMS, SLOW_READERS = 300, 200, 200, 500, 50
HALF_SHAKES = 200  # over TLS
HELLO_CUT = b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"  # RFC 8446, 5.1 and 4.1.2
STOP = "/api/command/stop_turning"
INSIST_s = (0.0, 0.12, 0.6, 1.2)  # as the page does
FLOODS = 4  # of each kind, one request after another as fast as they are answered


def tls_to(scheme: str) -> ssl.SSLContext | None:
    """TLS without a look at the certificate: it is the server that is tested here."""
    if scheme == "http":
        return None
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


class Neighbour:
    """All the attacks on one port until told to end; `count` says how often each got an answer."""

    def __init__(
        self, scheme: str, port: int, cookie: str = "", csrf: str = "", share: float = 1.0
    ) -> None:
        self.port, self.tls, self.share = port, tls_to(scheme), share
        own = f"127.0.0.1:{port}"
        self.base = f"Host: {own}\r\n"
        name = "evenwall" if self.tls is None else "__Host-evenwall"
        self.paired = self.base + f"Cookie: {name}={cookie}\r\nX-Evenwall-Csrf: {csrf}\r\n"
        self.count: dict[str, int] = {}
        self.draw = random.Random(28)

    async def dial(
        self, *, plain: bool = False
    ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        # A tenth of them from the phone's own address, the others from elsewhere.
        own = "127.0.0.1" if self.draw.random() < 0.1 else f"127.0.0.{self.draw.randrange(2, 200)}"
        tls = None if plain else self.tls
        return await asyncio.open_connection("127.0.0.1", self.port, local_addr=(own, 0), ssl=tls)

    def tick(self, name: str) -> None:
        self.count[name] = self.count.get(name, 0) + 1

    async def again(self, name: str, once: Callable[[], Awaitable[None]]) -> None:
        """Repeat without end; a connection that is cut is opened again."""
        while True:
            with contextlib.suppress(OSError, asyncio.IncompleteReadError):
                await once()
            self.tick(name)
            await CLOCK.sleep(2.0)

    async def _hold(
        self, said: str | bytes, trickle: str = "", *, read: bool = True, plain: bool = False
    ) -> None:
        reader, writer = await self.dial(plain=plain)
        try:
            writer.write(said if isinstance(said, bytes) else said.encode())
            if not read:
                await CLOCK.sleep(3600.0)
            while not trickle and await reader.read(65536):
                pass
            while trickle and not reader.at_eof():
                writer.write(trickle.encode())
                await writer.drain()
                await CLOCK.sleep(1.0)
        finally:
            writer.transport.abort()

    async def idle(self) -> None:
        await self._hold("")

    async def half_shakes(self) -> None:
        await self._hold(HELLO_CUT, plain=True)

    async def slow_headers(self) -> None:
        await self._hold("GET / HTTP/1.1\r\n" + self.base, "X-More: 1\r\n")

    async def bodies(self) -> None:
        size = "Content-Length: 1000000\r\nContent-Type: application/json\r\n\r\n{"
        await self._hold("POST /api/pair HTTP/1.1\r\n" + self.base + size, " ")

    async def streams(self) -> None:
        await self._hold("GET /api/stream?after=0 HTTP/1.1\r\n" + self.base + "\r\n")

    async def slow_readers(self) -> None:
        big = "GET /panel/vendor/three/three.core.js HTTP/1.1\r\n" + self.base + "\r\n"
        await self._hold(big * 4, read=False)

    async def _ask(self, request: str, body: str = "") -> None:
        reader, writer = await self.dial()
        try:
            close = "Connection: close\r\nContent-Type: application/json\r\n"
            writer.write(f"{request}{close}Content-Length: {len(body)}\r\n\r\n{body}".encode())
            while await reader.read(65536):
                pass
        finally:
            writer.transport.abort()

    async def flood(self, name: str, once: Callable[[], Awaitable[None]]) -> None:
        while True:
            try:
                await once()
                self.tick(name)
            except OSError:
                await CLOCK.sleep(0.05)

    async def pairings(self) -> None:
        code = "".join(self.draw.choice("0123456789") for _ in range(8))
        await self._ask("POST /api/pair HTTP/1.1\r\n" + self.base, json.dumps({"code": code}))

    async def commands(self) -> None:
        key = f"flood-{self.draw.randrange(10**9):09}"
        body = json.dumps({"key": key, "data": {"text": "x" * 400}})
        await self._ask("POST /api/command/note HTTP/1.1\r\n" + self.paired, body)

    async def pages(self) -> None:
        path = self.draw.choice(("/", "/api/runs", "/api/snapshot", "/api/curve", "/metrics"))
        await self._ask(f"GET {path} HTTP/1.1\r\n" + self.base)

    async def junk(self) -> None:
        reader, writer = await self.dial(plain=True)
        writer.write(self.draw.randbytes(2000))
        with contextlib.suppress(OSError):
            await reader.read()
        writer.transport.abort()

    def all_of_it(self) -> list[Coroutine[Any, Any, None]]:
        held = {
            self.idle: IDLE,
            self.slow_headers: SLOW_HEADERS,
            self.bodies: BODIES,
            self.streams: STREAMS,
            self.slow_readers: SLOW_READERS,
        }
        if self.tls is not None:
            held[self.half_shakes] = HALF_SHAKES
        work = [
            self.again(once.__name__, once)
            for once, number in held.items()
            for _ in range(round(number * self.share))
        ]
        for once in (self.pairings, self.commands, self.pages, self.junk):
            floods = max(1, round(FLOODS * self.share))
            work += [self.flood(once.__name__, once) for _ in range(floods)]
        return work

    async def attack(self, duration_s: float) -> None:
        tasks = [asyncio.create_task(work) for work in self.all_of_it()]
        told = asyncio.Event()
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, told.set)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(duration_s):
                await told.wait()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


class Phone:
    """A paired phone's page: a stream that stays, a connection beside it that is kept, and a stop
    that is said again until it is answered (web/panel/line.js)."""

    def __init__(self, scheme: str, port: int, cookie: str, csrf: str) -> None:
        self.port, self.tls = port, tls_to(scheme)
        self.head = Neighbour(scheme, port, cookie, csrf).paired
        self._kept: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def _dial(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection("127.0.0.1", self.port, ssl=self.tls)

    async def watch(self) -> None:
        """Read the stream; reopen it when it ends."""
        while True:
            with contextlib.suppress(OSError):
                reader, writer = await self._dial()
                writer.write(f"GET /api/stream HTTP/1.1\r\n{self.head}\r\n".encode())
                while await reader.read(65536):
                    pass
                writer.transport.abort()
            await CLOCK.sleep(1.0)

    async def ask(self, request: str, body: str, *, fresh: bool) -> bytes:
        """The answer, on the connection that is kept or on one of its own. Raises OSError."""
        head = f"{request} HTTP/1.1\r\n{self.head}Content-Type: application/json\r\n"
        said = f"{head}Content-Length: {len(body)}\r\n\r\n{body}".encode()
        kept, self._kept = (None, self._kept) if fresh else (self._kept, None)
        reader, writer = kept or await self._dial()
        try:
            writer.write(said)
            answer = await reader.readuntil(b"\r\n\r\n")
            size = next(
                int(line.split(b":")[1])
                for line in answer.lower().split(b"\r\n")
                if line.startswith(b"content-length:")
            )
            answer += await reader.readexactly(size)
        except (asyncio.IncompleteReadError, OSError):
            writer.transport.abort()
            raise ConnectionResetError("closed without an answer") from None
        if fresh:
            writer.transport.abort()
        else:
            self._kept = reader, writer
        return answer

    async def press(self, key: str, *, fresh: bool) -> float:
        """Milliseconds from the press to the first answer. Raises SystemExit without one."""
        begun_s, body = CLOCK.now_s(), json.dumps({"key": key})

        async def say(after_s: float) -> bytes:
            await CLOCK.sleep(after_s)
            return await self.ask(f"POST {STOP}", body, fresh=fresh or after_s > 0.0)

        saying = {asyncio.create_task(say(after_s)) for after_s in INSIST_s}
        try:
            for tried in asyncio.as_completed(saying):
                with contextlib.suppress(OSError):
                    answer = await tried
                    if answer.split()[1:2] not in ([b"200"], [b"409"]):
                        raise SystemExit(f"the stop was answered {answer[:200]!r}")
                    return (CLOCK.now_s() - begun_s) * 1e3
            raise SystemExit("the stop was not answered")
        finally:
            for task in saying:
                task.cancel()
            await asyncio.gather(*saying, return_exceptions=True)


async def stops(phone: Phone, count: int) -> dict[str, list[float]]:
    """Milliseconds of each press of stop, on the page's own connection and on a fresh one."""
    found = dict[str, list[float]](kept=[], fresh=[])
    watching = asyncio.create_task(phone.watch())
    for _ in range(20):  # while the page opens
        with contextlib.suppress(OSError):
            await phone.ask("GET /api/session", "", fresh=False)
            break
    for number in range(count):
        for kind, times in found.items():
            key = f"press-{phone.port}-{kind}-{number:04}"
            times.append(await phone.press(key, fresh=kind == "fresh"))
            await CLOCK.sleep(0.5)
    watching.cancel()
    await asyncio.gather(watching, return_exceptions=True)
    return found


def main(words: list[str]) -> None:
    if words[0] == "phone":
        scheme, port, cookie, csrf, count = words[1:]
        phone = Phone(scheme, int(port), cookie, csrf)
        print(json.dumps(asyncio.run(stops(phone, int(count)))))
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)  # whatever the server may open
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
    neighbour = Neighbour(words[1], int(words[2]), *words[4:6], share=float(words[6]))
    asyncio.run(neighbour.attack(float(words[3])))
    print(json.dumps(neighbour.count))


if __name__ == "__main__":
    main(sys.argv[1:])
