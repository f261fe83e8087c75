"""Pictures of every step for the guide: `python -m tests.browser.pictures [folder]`.

A whole casting on the real controller and its simulated rig, by touch, in Chromium.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.conftest import FLAGS
from tests.browser.person import whole_casting
from tests.browser.real import RealPanel

GUIDE = Path(__file__).resolve().parents[2] / "web" / "guide" / "pictures" / "panel"


def main(folder: Path, speed: float = 30.0) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as record,
        RealPanel(Path(record), speed) as panel,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=list(FLAGS)
        )
        context = browser.new_context(
            viewport={"width": 412, "height": 915}, has_touch=True, is_mobile=True,
            base_url=panel.url,
        )  # fmt: skip
        context.request.post("/api/pair", data={"code": panel.code()})
        page = context.new_page()
        page.goto("/")
        taken: set[str] = set()

        def look(name: str) -> None:
            if name in taken:
                return
            taken.add(name)
            page.wait_for_timeout(500)
            page.screenshot(path=folder / f"{name}.png", full_page=name in {"plan", "turning"})
            print(name, page.locator("h1:visible").first.inner_text())

        page.wait_for_timeout(500)
        look("empty")
        whole_casting(page, panel, look)
        for name, address in (("runs", "runs"), ("people", "people"), ("settings", "settings")):
            page.goto(f"/#{address}")
            look(name)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else GUIDE)
