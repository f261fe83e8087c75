"""A hostile neighbour on the workshop's network, and a paired phone beside it.

`python -m tests.support.neighbour attack PORT SECONDS [COOKIE CSRF]` does everything at once that a
neighbour can do to a panel, from this machine's loopback addresses. `... phone PORT COOKIE CSRF
COUNT` presses stop so often, on a fresh connection each time, and prints the milliseconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import sys
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

from evenwall_bridge.clock import SystemClock

CLOCK = SystemClock()
IDLE, SLOW_HEADERS, BODIES, STREAMS, SLOW_READERS = 300, 200, 200, 500, 50
FLOODS = 4  # of each kind, one request after another as fast as they are answered


class Neighbour:
    """All the attacks on one port until told to end; `count` says how often each got an answer."""

    def __init__(self, port: int, cookie: str = "", csrf: str = "", many: float = 1.0) -> None:
        self.port, self.many = port, many
        own = f"127.0.0.1:{port}"
        self.base = f"Host: {own}\r\n"
        self.paired = self.base + f"Cookie: evenwall={cookie}\r\nX-Evenwall-Csrf: {csrf}\r\n"
        self.count: dict[str, int] = {}
        self.draw = random.Random(28)

    async def dial(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        # A tenth of them from the phone's own address, the others from elsewhere.
        own = "127.0.0.1" if self.draw.random() < 0.1 else f"127.0.0.{self.draw.randrange(2, 200)}"
        return await asyncio.open_connection("127.0.0.1", self.port, local_addr=(own, 0))

    def tick(self, name: str) -> None:
        self.count[name] = self.count.get(name, 0) + 1

    async def again(self, name: str, once: Callable[[], Awaitable[None]]) -> None:
        """For ever; a connection that is cut is opened anew."""
        while True:
            with contextlib.suppress(OSError, asyncio.IncompleteReadError):
                await once()
            self.tick(name)
            await CLOCK.sleep(2.0)

    async def _hold(self, said: str, trickle: str = "", *, read: bool = True) -> None:
        reader, writer = await self.dial()
        try:
            writer.write(said.encode())
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
        reader, writer = await self.dial()
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
        work = [
            self.again(once.__name__, once)
            for once, number in held.items()
            for _ in range(round(number * self.many))
        ]
        for once in (self.pairings, self.commands, self.pages, self.junk):
            work += [self.flood(once.__name__, once) for _ in range(FLOODS)]
        return work

    async def attack(self, duration_s: float) -> None:
        tasks = [asyncio.create_task(work) for work in self.all_of_it()]
        await CLOCK.sleep(duration_s)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def stops(port: int, cookie: str, csrf: str, count: int) -> list[float]:
    """Milliseconds of each press of stop, from before the connection to the whole answer."""
    phone, found = Neighbour(port, cookie, csrf), []
    for number in range(count):
        begun_s = CLOCK.now_s()
        body = json.dumps({"key": f"press-{port}-{number:04}"})
        head = "POST /api/command/stop_turning HTTP/1.1\r\n" + phone.paired
        head += f"Connection: close\r\nContent-Length: {len(body)}\r\n"
        asked = f"{head}Content-Type: application/json\r\n\r\n{body}".encode()
        try:
            answer = await _answer(port, asked)
        except OSError:  # the panel's page tries once more, too: the key makes it safe
            answer = await _answer(port, asked)
        if answer.split()[1:2] not in ([b"200"], [b"409"]):
            raise SystemExit(f"the stop was answered {answer[:200]!r}")
        found.append((CLOCK.now_s() - begun_s) * 1e3)
        await CLOCK.sleep(0.5)
    return found


async def _answer(port: int, asked: bytes) -> bytes:
    """The whole answer. Raises OSError where the connection was cut."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(asked)
        answer = await reader.read(1)
        while piece := await reader.read():
            answer += piece
    finally:
        writer.transport.abort()
    if not answer:
        raise ConnectionResetError("closed without an answer")
    return answer


def main(words: list[str]) -> None:
    if words[0] == "phone":
        port, cookie, csrf, count = words[1:]
        print(json.dumps(asyncio.run(stops(int(port), cookie, csrf, int(count)))))
        return
    neighbour = Neighbour(int(words[1]), *words[3:5])
    asyncio.run(neighbour.attack(float(words[2])))
    print(json.dumps(neighbour.count))


if __name__ == "__main__":
    main(sys.argv[1:])
