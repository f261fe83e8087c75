"""Limits at the door: how many requests may be open, how long a body may take, which headers."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest
from starlette.requests import ClientDisconnect

from evenwall_bridge.clock import run_virtual
from evenwall_web.door import (
    LET_IN_A_TURN,
    OPEN_IN_ALL,
    OPEN_PER_PEER,
    STOP,
    BODY_TIME_s,
    Door,
)
from evenwall_web.settings import Settings


class Rooms:
    """An application that answers when it is told to, once it has the whole body."""

    def __init__(self) -> None:
        self.go = asyncio.Event()
        self.cut = 0  # bodies that did not arrive
        self.begun = 0

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        self.begun += 1
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                self.cut += 1
                return
            if not message.get("more_body", False):
                break
        await self.go.wait()
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})


async def ask(
    door: Door,
    peer: str,
    path: str = "/api/stream",
    headers: Any = (),
    *,
    endless: bool = False,
    host: bytes = b"127.0.0.1:8713",
) -> int:
    """The status of an answer; 0 when none came. endless: the body never ends."""
    said: list[int] = []

    async def receive() -> Any:
        if endless:
            await asyncio.Event().wait()
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        said.append(message.get("status", 0))

    scope = {
        "type": "http",
        "method": "GET",
        "path": path,
        "client": (peer, 1),
        "server": ("127.0.0.1", 8713),
        "headers": [(b"host", host), *headers],
    }
    await door(scope, receive, send)
    return said[0] if said else 0


def test_one_peer_and_all_have_a_number_of_open_requests_and_a_stop_always_passes() -> None:
    async def main() -> None:
        rooms = Rooms()
        door = Door(rooms, Settings(), "")
        one = [asyncio.create_task(ask(door, "192.0.2.1")) for _ in range(OPEN_PER_PEER)]
        await asyncio.sleep(0)  # noqa: TID251
        assert await ask(door, "192.0.2.1") == 503
        more = [
            asyncio.create_task(ask(door, f"192.0.2.{2 + n // OPEN_PER_PEER}"))
            for n in range(OPEN_IN_ALL - OPEN_PER_PEER)
        ]
        await asyncio.sleep(0)  # noqa: TID251
        assert await ask(door, "198.51.100.9") == 503
        stop = asyncio.create_task(ask(door, "192.0.2.1", STOP))
        await asyncio.sleep(0)  # noqa: TID251
        rooms.go.set()
        assert await stop == 200
        assert set(await asyncio.gather(*one, *more)) == {200}
        assert await ask(door, "192.0.2.1") == 200  # room again
        assert door._open.total() == 0

    asyncio.run(main())


def test_bodies_that_never_end_are_cut() -> None:
    async def main() -> float:
        rooms = Rooms()
        door = Door(rooms, Settings(), "")
        many = OPEN_IN_ALL
        peers = (f"192.0.2.{n // OPEN_PER_PEER}" for n in range(many))
        found = await asyncio.gather(*(ask(door, peer, endless=True) for peer in peers))
        assert found == [408] * many
        assert rooms.cut == many
        return asyncio.get_running_loop().time()

    assert run_virtual(main()) == BODY_TIME_s


def test_many_that_come_together_begin_a_few_a_turn() -> None:
    """The event loop can do its other work between any two turns of the door."""

    async def main() -> None:
        rooms = Rooms()
        door = Door(rooms, Settings(), "")
        asked = [asyncio.create_task(ask(door, "192.0.2.1", "/api/runs")) for _ in range(30)]
        before = most = 0
        for _ in range(60):
            await asyncio.sleep(0)  # noqa: TID251
            most, before = max(most, rooms.begun - before), rooms.begun
        assert rooms.begun == 30
        assert most <= LET_IN_A_TURN
        rooms.go.set()
        assert set(await asyncio.gather(*asked)) == {200}

    asyncio.run(main())


def test_one_that_goes_while_it_waits_keeps_nobody_out() -> None:
    async def main() -> None:
        rooms = Rooms()
        door = Door(rooms, Settings(), "")
        asked = [asyncio.create_task(ask(door, "192.0.2.1", "/api/runs")) for _ in range(9)]
        await asyncio.sleep(0)  # noqa: TID251
        for task in asked[3:8]:
            task.cancel()
        rooms.go.set()
        await asyncio.gather(*asked, return_exceptions=True)
        assert await asked[8] == 200
        assert door._open.total() == 0

    asyncio.run(main())


def test_a_header_that_stands_twice_is_refused() -> None:
    async def main() -> None:
        door = Door(Rooms(), Settings(), "")
        for headers in (
            [(b"host", b"elsewhere.example")],
            [(b"content-length", b"5"), (b"content-length", b"6")],
            [(b"content-length", b"5"), (b"transfer-encoding", b"chunked")],
        ):
            assert await ask(door, "192.0.2.1", headers=headers) == 400

    asyncio.run(main())


@pytest.mark.parametrize(
    "host",
    [
        b"127.0.0.1:abc", b"127.0.0.1:", b"127.0.0.1:0", b"127.0.0.1:65536", b"127.0.0.1:-1",
        b"127.0.0.1:+8713", b"127.0.0.1:8713:8713", b"127.0.0.1:8713abc", b"127.0.0.1: 8713",
        b"", b" ", b":", b":8713", b".", b"..", b"127.0.0.1.", b"localhost.", b"local..host",
        b"a@127.0.0.1:8713", b"127.0.0.1@localhost", b"a:b@localhost", b"//localhost",
        b"localhost/", b"localhost/x", b"localhost?", b"localhost#", b"http://localhost",
        b"::1", b"[::1", b"::1]", b"[::1]x", b"[]", b"[:::]", b"[127.0.0.1]", b"[::1%25eth0]",
        b"[v1.fe80]", b"[::1]:", b"[::1]:x",
        b"localhost,localhost", b"localhost, 127.0.0.1", b"localhost localhost", b"localhost\t",
        b"%6cocalhost", b"localhost%00", b"localhost\x00", b"\xc4\xbfocalhost", b"\xff", b"*",
        "ⅼocalhost".encode(), "127。0。0。1".encode(), "١٢٧.0.0.1".encode(), b"127.0.0.1:\xd9\xa1",
        b"a" * 64, b".".join([b"a" * 60] * 5),
    ],
)  # fmt: skip
def test_a_host_that_is_no_name_with_a_port_is_refused(host: bytes) -> None:
    """RFC 9112, 3.2: a request with an invalid Host is answered with 400."""
    assert asyncio.run(ask(Door(Rooms(), Settings(), ""), "192.0.2.1", host=host)) == 400


@pytest.mark.parametrize(
    ("host", "status"),
    [
        (b"localhost", 200), (b"LOCALHOST:1", 200), (b"[::1]:8713", 200), (b"127.0.0.1", 200),
        (b"[0:0:0:0:0:0:0:1]", 200), (b"rig_1.lan:65535", 200), (b"2130706433", 421),
        (b"0x7f.1", 421), (b"127.1", 421), (b"[::ffff:127.0.0.1]", 421), (b"localhost.lan", 421),
    ],
)  # fmt: skip
def test_a_host_of_ours_is_let_in_and_no_other_spelling(host: bytes, status: int) -> None:
    async def main() -> int:
        rooms = Rooms()
        rooms.go.set()
        return await ask(Door(rooms, Settings(names=("rig_1.lan",)), ""), "192.0.2.1", host=host)

    assert asyncio.run(main()) == status


def test_a_peer_that_goes_in_the_middle_of_its_body_is_no_error() -> None:
    """The route that reads the body is told; otherwise the web server would print a traceback."""

    async def reading(scope: Any, receive: Any, send: Any) -> None:
        raise ClientDisconnect

    async def main() -> None:
        assert await ask(Door(reading, Settings(), ""), "192.0.2.1") == 0

    asyncio.run(main())


def test_a_request_under_way_is_answered_when_the_server_ends() -> None:
    """The web server cancels what is left after its time; only then is that no error."""

    async def main() -> None:
        closing = asyncio.Event()
        door = Door(Rooms(), Settings(), "", closing=closing)
        for ending, status in ((False, None), (True, 503)):
            held = asyncio.create_task(ask(door, "192.0.2.1"))
            for _ in range(5):
                await asyncio.sleep(0)  # noqa: TID251
            if ending:
                closing.set()
            held.cancel()
            found = await asyncio.gather(held, return_exceptions=True)
            assert found == [status] if ending else isinstance(found[0], asyncio.CancelledError)

    asyncio.run(main())
