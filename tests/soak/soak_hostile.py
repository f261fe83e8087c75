"""A whole `evenwall serve` under dense mixed load, honest and hostile: is its memory flat?

`python -m tests.soak.soak_hostile [DAYS [SEED]] [http]`; without `http` over TLS, which takes more
memory.
A workshop's day of requests takes a few minutes:

- Honest: three phones, of eight hours each. A page that is opened asks some 30 times (files, then
  lists), 20 times a day; a person at work sends a command, a tick or a draft every half minute: 3 *
  (20 * 30 + 8 * 120) = 4680, rounded up to `DAY` = 5000 requests.
- Hostile: at least as many spoilt documents, wrong codes, unfinished bodies and cut streams.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import signal
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from evenwall_bridge.clock import SystemClock
from tests.bench.bench_loop import free_port
from tests.faults.binaries import bytes_spoilt, meshes, photographs
from tests.support.hostile import damaged, spoilt
from tests.support.virtual_shop import lantern_plan, sample_rig

DAYS, LONGEST_S = 4.0, 3600.0  # of requests; a busy machine may not get so far
WARM_days = 1.0  # caches, code that is loaded late, buffers of the first requests
BIN_days = 0.1  # neighbouring looks are not independent; means over 500 requests nearly are
DAY = 5000  # requests of a workshop's day, see above
END_S = 40.0
EVERY_S = 1.0  # between two looks at the memory
FLAT_MB_per_day = 10.0  # of load; a Pi has 1 GB, and is restarted for an update now and then
FEWEST_days = 2.0  # of requests; with less the slope is not judged, and the soak fails
CLOCK = SystemClock()
PHONES = 3
PAGES = ("/", "/api/snapshot", "/api/castings", "/api/resins", "/api/runs", "/api/plans",
         "/api/session", "/api/curve", "/openapi.json", "/guide/", "/api/push/key")  # fmt: skip
COMMANDS: dict[str, dict[str, Any]] = {
    "note": {"text": "from the bench"}, "draft": {"field": "part-a", "value": "12.5"},
    "next": {}, "tick": {"index": 0, "done": True}, "step_back": {}, "pause": {}, "resume": {},
    "weigh": {"part_a_g": 50.0, "part_b_g": 100.0}, "abandon": {"reason": "soak"},
    "touch": {"what": "cup"},
    "simulate": {"what": "button"}, "stop_turning": {}, "measure": {"weight_g": 100.0},
    "take_back": {}, "acknowledge": {},
}  # fmt: skip
GOOD_PLAN = lantern_plan().model_dump(mode="json")
ENDPOINTS = ("https://127.0.0.1/1", "https://localhost./1", "https://[", "https://router.lan/1",
             "http://push.example.org/1", "https://[::ffff:10.0.0.1]/1", "x" * 999)  # fmt: skip


@dataclass
class Found:
    """Counts by kind and status, memory, and everything that went wrong."""

    statuses: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    kept: dict[int, str] = field(default_factory=dict)  # acknowledged events: number, command
    days: list[float] = field(default_factory=list)  # of requests, at each look at the memory
    MB: dict[str, list[float]] = field(default_factory=dict)
    requests: int = 0
    seed: int = 0

    def count(self, kind: str, answer: httpx.Response) -> None:
        self.requests += 1
        self.statuses[f"{kind} {answer.status_code}"] += 1
        if answer.status_code >= 500 and answer.status_code != 503:
            self.wrong.append(f"{kind}: {answer.status_code} {answer.text[:200]}")


class Load:
    """One client: a paired phone, or a stranger with another address."""

    def __init__(self, base: str, number: int, found: Found) -> None:
        self.draw = random.Random(f"{found.seed}/{number}" if found.seed else number)
        self.found, self.base = found, base
        way = httpx.AsyncHTTPTransport(verify=False, local_address=f"127.0.1.{number + 1}")
        self.client = httpx.AsyncClient(transport=way, base_url=base, timeout=60.0)
        self.client.headers["origin"] = base

    async def pair(self, code: str) -> str:
        answer = await self.client.post("/api/pair", json={"code": code, "name": "soak"})
        answer.raise_for_status()
        self.client.headers["x-evenwall-csrf"] = answer.json()["csrf"]
        self.client.headers["cookie"] = answer.headers["set-cookie"].split(";")[0]
        made = await self.client.post("/api/invites", json={"role": "operate"})
        return str(made.json().get("code", ""))

    async def page(self) -> None:
        self.found.count("page", await self.client.get(self.draw.choice(PAGES)))

    async def command(self) -> None:
        name = self.draw.choice(list(COMMANDS))
        body: dict[str, Any] = {"key": f"soak-{self.draw.getrandbits(60)}", "data": COMMANDS[name]}
        if self.draw.random() < 0.15:
            name, body["data"] = "start", {"plan": GOOD_PLAN}
        answer = await self.client.post(f"/api/command/{name}", json=body)
        self.found.count("command", answer)
        if answer.status_code == 200 and answer.json().get("event_id"):
            self.found.kept[int(answer.json()["event_id"])] = name

    async def spoilt_command(self) -> None:
        name = self.draw.choice(["start", *COMMANDS])
        data = {"plan": GOOD_PLAN} if name == "start" else COMMANDS[name]
        body = spoilt({"key": f"soak-{self.draw.getrandbits(60)}", "data": data}, self.draw)
        await self._hand_in("spoilt command", f"/api/command/{name}", body)

    async def spoilt_wish(self) -> None:
        good: dict[str, Any] = {
            "/api/plans": {"casting_id": "no-such", "overrides": {"shop": {"temp_degC": 20.0}}},
            "/api/pair": {"code": "AAAA-AAAA", "name": "x"},
            "/api/library/shape": {"measures": {"name": "x", "scan": {"file": "x.stl"}}},
            "/api/library/outline": {"file": "no.png"},
            "/api/invites": {"role": "watch"},
        }
        path = self.draw.choice(list(good))
        await self._hand_in("spoilt wish", path, spoilt(good[path], self.draw))

    async def push(self) -> None:
        keys = {"p256dh": "A" * 87, "auth": "A" * 22}
        wish = {"endpoint": self.draw.choice(ENDPOINTS), "keys": keys}
        answer = await self.client.post("/api/push/subscribe", json=wish)
        self.found.count("push", answer)
        if answer.status_code < 300:
            self.found.wrong.append(f"push: {wish['endpoint']} was taken")

    async def _hand_in(self, kind: str, path: str, body: Any) -> None:
        content = json.dumps(body).encode("utf-8", "surrogatepass")
        if self.draw.random() < 0.2:
            content = damaged(content, self.draw)
        headers = {"content-type": "application/json"}
        self.found.count(kind, await self.client.post(path, content=content, headers=headers))

    async def upload(self) -> None:
        """A spoilt mesh or photograph, and the worker that reads it."""
        if self.draw.random() < 0.5:
            name, good = "soak.png", self.draw.choice(photographs())
            path, wish = "/api/library/outline", {"file": name}
        else:
            kind, good = self.draw.choice(list(meshes().items()))
            name = f"soak.{kind.removesuffix('_ascii')}"
            scan = {"file": name, "known": "longest", "known_mm": 60.0}
            path, wish = "/api/library/shape", {"measures": {"name": "x", "scan": scan}}
        content = bytes_spoilt(good, self.draw)
        where = f"/api/library/uploads/{name}?offset=0&total={len(content)}"
        headers = {"content-type": "application/octet-stream"}
        self.found.count("upload", await self.client.put(where, content=content, headers=headers))
        answer = await self.client.post(path, json=wish)
        self.found.count("upload read", answer)
        if "ended early" in answer.text:
            self.found.wrong.append(f"a worker crashed: {name} {answer.text[:200]}")

    async def cut_stream(self) -> None:
        """A stream that is cut after some messages."""
        async with self.client.stream("GET", "/api/stream") as answer:
            self.found.requests += 1
            self.found.statuses[f"stream {answer.status_code}"] += 1
            left = self.draw.randrange(5)
            async for _ in answer.aiter_lines():
                left -= 1
                if left < 0:
                    return

    async def unfinished(self) -> None:
        """A body that is announced and never comes, on a plain socket."""
        url = httpx.URL(self.base)
        reader, writer = await asyncio.open_connection(url.host, url.port)
        said = b"POST /api/pair HTTP/1.1\r\nHost: x\r\nContent-Length: 999\r\n\r\n{"
        writer.write(said if self.draw.random() < 0.7 else self.draw.randbytes(300))
        with suppress(TimeoutError, OSError):
            await asyncio.wait_for(reader.read(1000), 1.0)
        self.found.requests += 1
        self.found.statuses["unfinished"] += 1
        writer.transport.abort()

    async def work(self, kinds: list[Callable[[], Awaitable[None]]], pause_s: float) -> None:
        while True:
            try:
                await self.draw.choice(kinds)()
            except (httpx.HTTPError, OSError) as error:
                self.found.statuses[f"cut: {type(error).__name__}"] += 1
            await CLOCK.sleep(self.draw.expovariate(1.0 / pause_s))


def _memory_MB(pid: int) -> dict[str, float]:
    """Resident memory of the server and of each process below it that stays, by name."""
    found = {}
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    children = [one for task in tasks for one in task.read_text(encoding="ascii").split()]
    for one in (str(pid), *children):
        with suppress(OSError, AttributeError):
            status = Path(f"/proc/{one}/status").read_text(encoding="utf-8")
            name = "server" if one == str(pid) else re.findall(r"Name:\s*(\S+)", status)[0]
            rss = re.search(r"VmRSS:\s*(\d+)", status)
            if name == "server" or "board" in name:
                found[name] = int(rss[1]) / 1e3 if rss else 0.0
    return found


async def _look(pid: int, base: str, found: Found) -> None:
    limit_rpm = 1.011 * sample_rig().rate_limit_rpm
    async with httpx.AsyncClient(base_url=base, verify=False, timeout=60.0) as client:
        while True:
            found.days.append(found.requests / DAY)
            for name, MB in _memory_MB(pid).items():
                found.MB.setdefault(name, []).append(MB)
            frame = (await client.get("/api/snapshot")).json()["frame"]
            rates = [abs(frame[axis]["rate_rpm"]) for axis in ("major", "minor")]
            if max(rates) > limit_rpm:
                found.wrong.append(f"the frame turns at {rates} rpm")
            await CLOCK.sleep(EVERY_S)


def slope_of(days: list[float], MB: list[float]) -> tuple[float, float]:
    """Slope in MB for a day's requests and its standard error, by least squares on means over
    `BIN_days`, after the first `WARM_days`."""
    place = (np.array(days[: len(MB)]) / BIN_days).astype(int)
    bins = [one for one in np.unique(place) if one * BIN_days >= WARM_days]
    x = np.array(bins, dtype=float) * BIN_days
    y = np.array([np.mean(np.array(MB)[place == one]) for one in bins])
    (slope, _), spread = np.polyfit(x, y, 1, cov=True)
    return float(slope), float(np.sqrt(spread[0, 0]))


async def _started(data: Path, port: int, log: Path, tls: bool) -> tuple[Any, str]:
    words = [*("-v", "serve", "--port", str(port), "--data", str(data)), *(["--tls"] * tls)]
    with log.open("ab") as to:
        made = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "evenwall.cli.main", *words, stdout=to, stderr=to
        )
    for _ in range(3000):  # ten minutes, on a machine that has other work of a higher priority
        await CLOCK.sleep(0.2)
        codes = re.findall(r"type ([A-Z0-9]{4}-[A-Z0-9]{4})", log.read_text(encoding="utf-8"))
        if codes or made.returncode is not None:
            return made, (codes or [""])[-1]
    raise SystemExit("the server did not start")


async def _loaded(found: Found, days: float) -> None:
    while found.requests < days * DAY:
        await CLOCK.sleep(1.0)


async def attack(folder: Path, days: float, tls: bool, seed: int = 0) -> Found:
    """Start the server, load it, end it, start it again, and look at what it kept."""
    found, port, log = Found(seed=seed), free_port(), folder / "log"
    base = f"http{'s' * tls}://127.0.0.1:{port}"
    server, code = await _started(folder / "data", port, log, tls)
    loads = []
    for number in range(PHONES):
        one = Load(base, number, found)
        code = await one.pair(code)
        loads.append(one.work([one.page, one.page, one.command, one.command, one.command], 0.1))
        loads.append(
            one.work([one.spoilt_command, one.spoilt_wish, one.push, one.cut_stream], 0.15)
        )
    reader = Load(base, 20, found)
    await reader.pair(code)
    loads.append(reader.work([reader.upload], 6.0))
    for number in range(30, 36):
        one = Load(base, number, found)
        loads.append(one.work([one.spoilt_wish, one.unfinished, one.cut_stream, one.page], 0.15))
    tasks = [asyncio.create_task(one) for one in (*loads, _look(server.pid, base, found))]
    enough = asyncio.create_task(_loaded(found, days))
    done, _ = await asyncio.wait({*tasks, enough}, timeout=LONGEST_S, return_when="FIRST_COMPLETED")
    found.wrong += [f"the load ended early: {one!r}" for one in done - {enough}]
    tasks.append(enough)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    await CLOCK.sleep(END_S)  # a request that a stop cuts off is a traceback in uvicorn's log
    server.send_signal(signal.SIGTERM)
    if await server.wait() != 0:
        found.wrong.append(f"the server ended with {server.returncode}")
    again, _ = await _started(folder / "data", port, folder / "log of the second start", tls)
    again.send_signal(signal.SIGTERM)
    if await again.wait() != 0:
        found.wrong.append("the server did not start again")
    with closing(sqlite3.connect(folder / "data" / "record.sqlite")) as db:
        there = {number for (number,) in db.execute("SELECT event_id FROM events")}
    lost = [(number, name) for number, name in found.kept.items() if number not in there]
    found.wrong += [f"acknowledged and lost: {lost}"] if lost else []
    text = log.read_text(encoding="utf-8")
    if "Traceback" in text:
        found.wrong.append(text[text.index("Traceback") :][:9000])
    return found


def main(words: list[str]) -> int:
    numbers = [float(word) for word in words if word != "http"] or [DAYS]
    begun_s = CLOCK.now_s()
    with tempfile.TemporaryDirectory() as folder:
        seed = int(numbers[1]) if len(numbers) > 1 else 0
        found = asyncio.run(attack(Path(folder), numbers[0], "http" not in words, seed))
    days = found.requests / DAY
    minutes = (CLOCK.now_s() - begun_s) / 60.0
    print(f"{found.requests} requests in {minutes:.0f} min: {days:.1f} days of {DAY} requests")
    for name, count in sorted(found.statuses.items()):
        print(f"  {name}: {count}")
    for name, MB in found.MB.items():
        print(f"{name}: {MB[0]:.1f} MB at first, {MB[-1]:.1f} at last, {max(MB):.1f} at most")
        if days < FEWEST_days:
            found.wrong.append(f"{days:.1f} days of requests say nothing of its slope")
            continue
        slope, error = slope_of(found.days, MB)
        print(f"  {slope:+.2f} ± {2 * error:.2f} MB for a day's requests (two standard errors)")
        if slope + 2 * error > FLAT_MB_per_day:
            found.wrong.append(f"{name} may grow by more than {FLAT_MB_per_day} MB a day")
    print(f"{len(found.kept)} events were acknowledged, and looked for in the record")
    print(f"load {os.getloadavg()[1]:.1f} on {os.cpu_count()} cores")
    print("\n".join(found.wrong[:20]) or "nothing found", flush=True)
    return int(bool(found.wrong))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
