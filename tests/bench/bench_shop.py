"""Two hundred rigs on one mosquitto, with one card a second each, and the shop page's stream.

Rigs, broker, shop and page are four processes of this machine. Delay is from the moment a rig makes
its card to the moment the page has its line; the page gathers changes of 0.1 s, and every card is
counted, so 'lost' means a number that never came.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import socket
import subprocess
import sys
import tempfile
from datetime import datetime
from pathlib import Path

import httpx
import uvicorn

from evenwall.model import Countdown, MqttSpec, RigSpec, read_toml
from evenwall.telemetry.fleet import Shop
from evenwall.telemetry.publisher import Telemetry
from evenwall.units import percent
from evenwall_bridge.clock import SystemClock
from evenwall_web.shop import shop_app
from tests.telemetry.brokers import Bench, Mosquitto, casting, free_port, until

RIGS = 200
WARM_S, MEASURE_S = 10.0, 30.0
CLOCK = SystemClock()
SMALL = read_toml(Path(__file__).parents[2] / "hardware" / "rigs" / "small.toml")


async def rigs(port: int, count: int, data: Path) -> None:
    """Real telemetry with a probe that changes every second, so card and temperature go out."""
    sources = []
    for number in range(count):
        await CLOCK.sleep(WARM_S / 3 / count)  # not all in the same moment
        source = Bench(
            **casting(countdown=Countdown(kind="wait", label="gel", until_s=60.0 + number))
        )
        sources.append(source)
        mqtt = MqttSpec(port=port, rig_id=f"rig-{number:03d}")
        spec = RigSpec.model_validate(SMALL | {"mqtt": mqtt.model_dump()})
        folder = data / str(number)
        folder.mkdir()
        telemetry = Telemetry(spec, source, CLOCK, folder, random.Random(number))
        asyncio.get_running_loop().create_task(telemetry.run()).add_done_callback(print)
    tick = 0
    while True:
        tick += 1
        for source in sources:
            source.set(probe_degC=20.0 + tick % 50)
        await CLOCK.sleep(1.0)


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def answers(port: int) -> bool:
    with socket.socket() as caller:
        return caller.connect_ex(("127.0.0.1", port)) == 0


def rss_MB(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


async def page(url: str, pids: dict[str, int]) -> None:
    delays_s: list[float] = []
    seqs: dict[str, list[int]] = {}
    spent_s: dict[str, float] = {}
    start_s = CLOCK.now_s()
    async with (
        httpx.AsyncClient(timeout=None) as client,
        client.stream("GET", f"{url}/api/rigs/stream") as answer,
    ):
        async for line in answer.aiter_lines():
            if not line.startswith("data: "):
                continue
            got, at_s = CLOCK.utc(), CLOCK.now_s() - start_s
            if at_s < WARM_S:
                continue
            if not spent_s:
                spent_s = {name: cpu_s(pid) for name, pid in pids.items()}
            if at_s > WARM_S + MEASURE_S:
                break
            for card in json.loads(line[6:])["cards"]:
                said = card["now"]
                rig = seqs.setdefault(card["rig"], [])
                if not rig or said["seq"] != rig[-1]:
                    rig.append(said["seq"])
                    sent = datetime.fromisoformat(said["utc"])
                    delays_s.append((got - sent).total_seconds())
    delays_s.sort()
    lost = sum(seq[-1] - seq[0] + 1 - len(seq) for seq in seqs.values())
    rank = [delays_s[int(len(delays_s) * q)] * 1e3 for q in (0.5, 0.99, 0.999)]
    print(f"{len(seqs)} rigs, {len(delays_s)} cards in {MEASURE_S:.0f} s, {lost} lost")
    print(f"rig to page: p50 {rank[0]:.0f} ms, p99 {rank[1]:.0f} ms, p99.9 {rank[2]:.0f} ms")
    for name, pid in pids.items():
        share = (cpu_s(pid) - spent_s[name]) / MEASURE_S
        print(f"{name}: {percent(share)} of one core, {rss_MB(pid):.0f} MB")


async def bench(folder: Path) -> None:
    broker = Mosquitto(folder)
    await broker.start()
    assert broker._process is not None
    web = free_port()
    here = [sys.executable, "-m", "tests.bench.bench_shop"]
    children = [
        subprocess.Popen([*here, "rigs", str(broker.port), str(folder)]),
        subprocess.Popen([*here, "shop", str(broker.port), str(web)]),
    ]
    try:
        await until(lambda: answers(web), "the shop page's server", 60.0)
        names = {"broker": broker._process.pid, "all rigs": children[0].pid}
        names["shop page"] = children[1].pid
        await page(f"http://127.0.0.1:{web}", names)
    finally:
        for child in children:
            child.kill()
            child.wait()
        broker.kill()


def main() -> None:
    match sys.argv[1:]:
        case ["rigs", port, folder]:
            asyncio.run(rigs(int(port), RIGS, Path(folder)))
        case ["shop", port, web]:
            shop = Shop(MqttSpec(port=int(port)), CLOCK, random.Random(0))
            uvicorn.run(shop_app(shop), host="127.0.0.1", port=int(web), log_level="warning")
        case _:
            with tempfile.TemporaryDirectory() as folder:
                asyncio.run(bench(Path(folder)))


if __name__ == "__main__":
    main()
