"""Speed: from sample to painted pixel, first load, and six hours of curve under a finger."""

from __future__ import annotations

import time

import pytest
from playwright.sync_api import Page

from evenwall.model import Sample
from evenwall.run.recording import Published, Watcher
from tests.browser.conftest import OpenPhone
from tests.browser.hands import turning, until
from tests.web.server import PanelServer

pytestmark = pytest.mark.browser

# When a sample's pixels are on the screen: drawn in one frame, presented before the next begins.
STOPWATCH = """() => {
  const { heat } = evenwall;
  const draw = heat.draw.bind(heat);
  evenwall.painted = [];
  evenwall.late_ms = [];
  let due = performance.now() + 100;
  setInterval(() => {
    evenwall.late_ms.push(Math.max(0, performance.now() - due));
    due = performance.now() + 100;
  }, 100);
  let last = 0;
  heat.draw = () => {
    draw();
    const row = evenwall.samples.at(-1);
    if (!row || row.sample_id <= last) return;
    last = row.sample_id;
    requestAnimationFrame(() => {
      const { port1, port2 } = new MessageChannel();
      port1.onmessage = () => evenwall.painted.push([row.sample_id, Date.now()]);
      port2.postMessage(0);
    });
  };
}"""


class SendTimes(Watcher):
    """Notes when each sample goes out, by this machine's clock, which is the page's too."""

    def __init__(self) -> None:
        super().__init__()
        self.sent_ms: dict[int, float] = {}

    def put(self, item: Published) -> None:
        if isinstance(item, Sample):
            self.sent_ms[item.sample_id] = 1000.0 * time.time()  # noqa: TID251


def share(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def test_from_sample_to_pixel_with_four_clients(open_phone: OpenPhone) -> None:
    with PanelServer(speed=4) as panel:  # four samples a second
        pages = [open_phone(panel, size) for size in ("phone", "phone", "tablet", "desktop")]
        sent = SendTimes()
        panel.call(lambda: panel.rig.watchers.add(sent))
        turning(panel)
        for page in pages:
            until(page, "globalThis.evenwall?.samples.length > 1")
            page.locator("#heat canvas").first.scroll_into_view_if_needed()  # drawn where seen
            page.evaluate(STOPWATCH)
        pages[0].wait_for_timeout(12_000)
        for page in pages:  # a busy machine takes longer for as many
            until(page, "evenwall.painted.length > 25", tries=1200)
        painted = [row for page in pages for row in page.evaluate("evenwall.painted")]
        late = [ms for page in pages for ms in page.evaluate("evenwall.late_ms")]
        panel.call(lambda: panel.rig.watchers.remove(sent))
    took = [at_ms - sent.sent_ms[sample_id] for sample_id, at_ms in painted]
    assert len(took) > 100
    p95, p99 = share(took, 0.95), share(took, 0.99)
    late_p95, late_p99 = share(late, 0.95), share(late, 0.99)
    print(f"\nsample to pixel, {len(took)} samples: p95 {p95:.0f} ms, p99 {p99:.0f} ms")
    print(f"a bare timer in the same pages is late by p95 {late_p95:.0f} ms, p99 {late_p99:.0f} ms")
    # On a busy machine everything is late: the delay of a plain timer is not counted.
    assert p95 <= 250 + late_p95
    assert p99 <= 500 + late_p99


def test_the_first_load_is_light(open_phone: OpenPhone, panel: PanelServer) -> None:
    turning(panel)
    page = open_phone(panel)
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.send("Network.setCacheDisabled", {"cacheDisabled": True})
    wire.send("Network.setBypassServiceWorker", {"bypass": True})
    urls: dict[str, str] = {}
    bytes_: dict[str, int] = {}
    wire.on(
        "Network.requestWillBeSent", lambda e: urls.update({e["requestId"]: e["request"]["url"]})
    )
    wire.on(
        "Network.loadingFinished",
        lambda e: bytes_.update({urls.get(e["requestId"], ""): int(e["encodedDataLength"])}),
    )
    page.reload()
    until(page, "globalThis.evenwall?.samples.length > 0")
    page.wait_for_timeout(500)
    total = sum(bytes_.values())
    print(f"\nfirst load: {total / 1000:.1f} kB on the wire in {len(bytes_)} answers")
    assert any("bitter" in url for url in bytes_)
    assert not any("three" in url for url in bytes_)
    assert 30_000 < total <= 150_000  # much less would mean that something was cached


def test_a_slow_phone_on_a_slow_line_sees_the_sentence_soon(
    open_phone: OpenPhone, panel: PanelServer
) -> None:
    turning(panel)
    page = open_phone(panel)
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.send("Network.clearBrowserCache")
    wire.send("Network.setBypassServiceWorker", {"bypass": True})
    # Lighthouse's "slow 4G": 1.6 Mbit/s down, 750 kbit/s up, 150 ms there and back.
    wire.send(
        "Network.emulateNetworkConditions",
        {
            "offline": False,
            "latency": 150,
            "downloadThroughput": 1.6e6 / 8,
            "uploadThroughput": 0.75e6 / 8,
        },
    )
    wire.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    page.reload(wait_until="load")
    until(page, "performance.getEntriesByName('first-contentful-paint').length > 0")
    paint_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
    text = page.locator("#sentence").inner_text()
    print(f"\nfirst useful paint on a slow phone and line: {paint_ms:.0f} ms")
    assert text == "Keep turning."  # it stands in the page itself, before any script
    assert paint_ms <= 1500


SIX_HOURS = """Array.from({ length: 6 * 3600 }, (_, i) => ({
  sample_id: 1e7 + i, at_s: i, coat: 1, coat_time_s: i, room_degC: 21.4, mould_degC: 22.0,
  probe_degC: 22 + 40 * (i % 5000) / 5000 + (i % 7) * 0.06,
}))"""


FRAMES = """globalThis.frames_ms = [];
requestAnimationFrame(function tick(at_ms) {
  frames_ms.push(at_ms);
  requestAnimationFrame(tick);
});"""
FORGET = "frames_ms.length = 0"


def frames_per_s(page: Page) -> float:
    """Rate of the frames since FORGET; 0 for fewer than two frames."""
    count, took_ms = page.evaluate("[frames_ms.length - 1, frames_ms.at(-1) - frames_ms[0]]")
    return 1000.0 * float(count) / float(took_ms) if count > 0 else 0.0


def test_six_hours_of_curve_move_under_a_finger(open_phone: OpenPhone, panel: PanelServer) -> None:
    page = open_phone(panel)
    turning(panel)
    until(page, "globalThis.evenwall?.samples.length > 0")
    page.evaluate(
        "() => { const { heat } = evenwall; heat.samples = "
        + SIX_HOURS
        + """; heat.view = [9000, 18000]; heat.drawn_ms = [];
          const draw = heat.draw.bind(heat);
          heat.draw = () => {
            const from = performance.now();
            draw();
            heat.drawn_ms.push(performance.now() - from);
          };
        }"""
    )
    page.locator("#heat canvas").first.scroll_into_view_if_needed()
    box = page.locator("#heat canvas").first.bounding_box()
    assert box is not None
    page.evaluate(FRAMES)
    wire = page.context.new_cdp_session(page)

    def sweep(from_share: float, to_share: float) -> None:
        """One finger across the curve, by shares of its width."""
        touch, moves, y = "Input.dispatchTouchEvent", 40, box["y"] + box["height"] / 2
        for move in range(moves + 1):
            x = box["x"] + box["width"] * (from_share + (to_share - from_share) * move / moves)
            kind = "touchMove" if move else "touchStart"
            wire.send(touch, {"type": kind, "touchPoints": [{"x": x, "y": y}]})
        wire.send(touch, {"type": "touchEnd", "touchPoints": []})

    # Other work on the machine only takes frames away, so the best of three tries counts.
    for _ in range(3):
        page.evaluate("evenwall.heat.view = [9000, 18000]")
        page.evaluate(FORGET)
        page.wait_for_timeout(1000)
        still = frames_per_s(page)
        page.evaluate("evenwall.heat.drawn_ms = []")
        page.evaluate(FORGET)
        for _ in range(4):
            sweep(0.85, 0.15)
        moving = frames_per_s(page)
        drawn_ms = page.evaluate("evenwall.heat.drawn_ms")
        from_s = page.evaluate("evenwall.heat.view[0]")
        print(f"\nsix hours under a finger: {moving:.0f} frames/s, untouched {still:.0f};", end=" ")
        print(f"a drawing p50 {share(drawn_ms, 0.5):.1f}, p95 {share(drawn_ms, 0.95):.1f} ms")
        if moving >= 50.0:
            break
    assert from_s > 20_000  # four sweeps of 0.7 of what is seen
    assert len(drawn_ms) > 40
    assert share(drawn_ms, 0.95) <= 20
    # A busy machine shows an untouched page in fewer frames too.
    assert moving >= min(50.0, 0.85 * still)
