"""Takes the guide's pictures from a real run: `python -m tests.pictures` (needs Chromium).

A demo runs at 30 times life; each step's page is photographed at a phone's size when it comes up.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from urllib.request import urlopen

from playwright.async_api import async_playwright

from firmware_bridge.clock import SystemClock
from tests.telemetry.brokers import free_port

FOLDER = Path(__file__).parents[1] / "web" / "guide" / "pictures"
CHROMIUM = "/usr/bin/chromium"
# What to photograph: a name, and what the snapshot must say.
WANTED = {
    "weigh": lambda s: s["step"] == "weigh" and s["coat"] == 1,
    "pour": lambda s: s["step"] == "pour",
    "spin": lambda s: s["step"] == "spin" and s["gel"]["best_s"] and not s["alerts"],
    "cure": lambda s: s["step"] == "cure",
    "measure": lambda s: s["step"] in ("measure", "done"),
}


async def take(address: str) -> None:
    clock = SystemClock()
    async with async_playwright() as play:
        browser = await play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = await browser.new_page(viewport={"width": 412, "height": 915})
        await page.goto(address)
        left = dict(WANTED)
        while left:
            snapshot = json.load(await asyncio.to_thread(urlopen, f"{address}api/snapshot"))
            for name, met in list(left.items()):
                if met(snapshot):
                    # The page itself must have come to this moment, too.
                    await page.get_by_text(snapshot["sentence"]).first.wait_for(timeout=5000)
                    await page.screenshot(path=FOLDER / f"{name}.png")
                    print(name, snapshot["sentence"], flush=True)
                    del left[name]
            await clock.sleep(0.2)
        await browser.close()


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    port = free_port()
    with tempfile.TemporaryDirectory() as data:
        command = [sys.executable, "-m", "controller.cli", "demo", "--speed", "30"]
        command += ["--port", str(port), "--data", data]
        demo = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert demo.stdout is not None
            address = next(
                word for line in demo.stdout for word in line.split() if word.startswith("http")
            )
            asyncio.run(take(address.rstrip("./") + "/"))
        finally:
            demo.terminate()
            demo.communicate()


if __name__ == "__main__":
    main()
