"""Pages on an old phone: first paint with the processor slowed four times, and the curve of a million samples under a finger.

The pages come from the double of the engine, over a real server; the curve from a job of a million samples, thinned by the
station as for any job's page, and dragged by real input events. Goals: first paint within 1 s; at most 150 kB; 30 frames a
second while dragging; a window in less of the station's processor than a frame takes; every sample where a window has few enough.
"""

import itertools
import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from playwright.sync_api import Browser, CDPSession, Page, sync_playwright

from station.given.config import demo_path, read_config
from station.record import curve
from tests.journeys.conftest import ARGUMENTS, CHROMIUM, over_the_double
from tests.web.fake_views import JOB_ID
from tests.web.frame.test_gate import READS
from tests.web.long_curve import KNOCK_COUNTS, RATE_HZ, samples

SLOWED = 4
PAINTS = 9
SAMPLES = 1_000_000
WINDOWS = 300
FRAME_MS = 1000.0 / 30.0
DRAG_S, EVENTS_HZ = 5.0, 60.0
STROKE_S, STROKES_ONE_WAY = 0.8, 3
"""A stroke across four fifths of the picture, then taken hold of anew: on so many times, so that more must be fetched, then back."""
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN"
SENT = """[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
  .reduce((sum, it) => sum + it.transferSize, 0)"""
WATCH = """
const clear = CanvasRenderingContext2D.prototype.clearRect;
let drawn = false;
CanvasRenderingContext2D.prototype.clearRect = function (...where) { drawn = true; return clear.apply(this, where); };
window.frames_ = [];
requestAnimationFrame(function watch(t) { window.frames_.push([t, drawn]); drawn = false; requestAnimationFrame(watch); });
"""
"""Every frame of the browser: when, and whether the picture was drawn anew for it."""


@contextmanager
def _phone(browser: Browser) -> Iterator[tuple[Page, CDPSession]]:
    """A small phone whose processor is slow, with nothing in its cache."""
    context = browser.new_context(viewport={"width": 360, "height": 640}, has_touch=True)
    page = context.new_page()
    devtools = context.new_cdp_session(page)
    devtools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    yield page, devtools
    context.close()


def paint(browser: Browser, address: str) -> None:
    print(f"first paint on 360 x 640 at CPU x {SLOWED}, of {PAINTS} visits (goals 1000 ms, 150 kB)")
    print(f"{'page':44} {'middle ms':>9} {'worst ms':>9} {'kB sent':>8}")
    for path in READS:
        if not _is_page(browser, f"{address}{path}"):
            continue
        painted, sent = [], []
        for _ in range(1 + PAINTS):
            with _phone(browser) as (page, _devtools):
                page.goto(f"{address}{path}")
                page.wait_for_function(f"!Number.isNaN({PAINTED})")
                painted.append(float(page.evaluate(PAINTED)))
                sent.append(int(page.evaluate(SENT)))
        painted = sorted(painted[1:])  # the first has the server and the browser begin
        print(f"{path:44} {painted[PAINTS // 2]:9.0f} {painted[-1]:9.0f} {max(sent) / 1000:8.0f}")


def _is_page(browser: Browser, url: str) -> bool:
    """Whether an address answers with a page; a first visit also has the server ready for those that are measured."""
    context = browser.new_context()
    answer = context.request.get(url)
    found = answer.headers["content-type"].startswith("text/html")
    context.close()
    return found


@dataclass(frozen=True)
class Dragged:
    """frames: of the browser. drawn: of them, with the picture drawn anew. Times in ms between drawn ones. busy_ms: what each
    of them took of the page's own thread, which no other load on this machine makes more, times the slowing."""

    frames: int
    drawn: int
    late_share: float
    worst_ms: float
    busy_ms: float
    moved_px: float


def _busy_s(devtools: CDPSession) -> float:
    metrics = devtools.send("Performance.getMetrics")["metrics"]
    return float(next(metric["value"] for metric in metrics if metric["name"] == "TaskDuration"))


def _drag(page: Page, devtools: CDPSession, by: Callable[[str, float], None]) -> Dragged:
    """Drag on and back for so long by real input events. by: send one ("down", "move", "up") at a part of the width."""
    page.evaluate("window.frames_.length = 0")
    busy_s, moved, strokes = _busy_s(devtools), 0.0, 0
    begun = time.monotonic()
    while time.monotonic() - begun < DRAG_S:
        on = strokes // STROKES_ONE_WAY % 2 == 0
        since, at, strokes = time.monotonic(), 0.9 if on else 0.1, strokes + 1
        by("down", at)
        while (passed := time.monotonic() - since) < STROKE_S:
            was, at = at, (0.9 if on else 0.1) + (-0.8 if on else 0.8) * passed / STROKE_S
            by("move", at)
            moved += abs(at - was)
            time.sleep(max(0.0, 1.0 / EVENTS_HZ - (time.monotonic() - since - passed)))
        by("up", at)
    seen = page.evaluate("window.frames_")
    busy_s = _busy_s(devtools) - busy_s
    drawn = [t for t, anew in seen if anew]
    gaps = [b - a for a, b in itertools.pairwise(drawn)]
    late = sum(gap > FRAME_MS + 1.0 for gap in gaps) / len(gaps)  # a clock of whole milliseconds
    width = float(page.locator("#curve-plots .u-over").first.evaluate("e => e.clientWidth"))
    busy_ms = 1000.0 * SLOWED * busy_s / len(drawn)
    return Dragged(len(seen), len(drawn), late, max(gaps), busy_ms, moved * width)


def drag(browser: Browser, address: str) -> None:
    print(
        f"\n{SAMPLES} samples dragged for {DRAG_S:.0f} s on 360 x 640 at CPU x {SLOWED} (goal 30 drawn a second)"
    )
    print(
        f"{'by':8} {'frames/s':>9} {'drawn/s':>9} {'later than 33 ms':>17} {'worst ms':>9} {'busy ms a frame':>16} {'px/s':>7}"
    )
    with _phone(browser) as (page, devtools):
        devtools.send("Performance.enable", {"timeDomain": "threadTicks"})
        page.add_init_script(WATCH)
        page.goto(f"{address}/jobs/{JOB_ID}")
        page.wait_for_selector("#curve-plots canvas", timeout=120_000)
        for _ in range(4):
            page.click("#curve-closer")
        page.wait_for_timeout(1500)
        over = page.locator("#curve-plots .u-over").first
        over.scroll_into_view_if_needed()
        box = over.bounding_box()
        assert box is not None
        left, y, width = box["x"], box["y"] + box["height"] / 2, box["width"]

        def mouse(what: str, at: float) -> None:
            kind = {"down": "mousePressed", "move": "mouseMoved", "up": "mouseReleased"}[what]
            there = {"x": left + at * width, "y": y, "button": "left", "buttons": 1, "clickCount": 1}
            devtools.send("Input.dispatchMouseEvent", {"type": kind, **there})

        def finger(what: str, at: float) -> None:
            kind = {"down": "touchStart", "move": "touchMove", "up": "touchEnd"}[what]
            points = [] if what == "up" else [{"x": left + at * width, "y": y}]
            devtools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        for name, by in (("mouse", mouse), ("finger", finger)):
            was = page.locator("#curve-say").text_content()
            d = _drag(page, devtools, by)
            page.wait_for_function(
                "was => document.querySelector('#curve-say').textContent !== was", arg=was
            )  # it moved
            print(
                f"{name:8} {d.frames / DRAG_S:9.1f} {d.drawn / DRAG_S:9.1f} {d.late_share:17.1%} {d.worst_ms:9.0f} {d.busy_ms:16.1f} {d.moved_px / DRAG_S:7.0f}"
            )


def million() -> None:
    rec = curve.recording(samples(SAMPLES))
    config = read_config(demo_path())
    whole_s, took_ms = rec.end_s - rec.start_s, []
    width_s = whole_s / 20.0
    for n in range(WINDOWS):
        from_s = (whole_s - width_s) * n / (WINDOWS - 1)
        begun = time.thread_time()
        curve.curve(rec, config.pan, config.meter, 2.86, (from_s, from_s + width_s))
        took_ms.append(1000.0 * (time.thread_time() - begun))
    begun = time.thread_time()
    seen = curve.curve(rec, config.pan, config.meter, 2.86).trace("pan")
    whole_ms = 1000.0 * (time.thread_time() - begun)
    assert seen is not None
    knock_s = SAMPLES // 3 / RATE_HZ
    assert max(seen.values) - sorted(seen.values)[-2] > 0.8 * KNOCK_COUNTS * config.pan.kg_per_count
    close = curve.curve(rec, config.pan, config.meter, 2.86, (knock_s - 5.0, knock_s + 5.0)).trace("pan")
    assert close is not None
    assert close.exact
    took_ms.sort()
    middle, high = took_ms[WINDOWS // 2], took_ms[math.ceil(WINDOWS * 0.99) - 1]
    print(
        f"\n{SAMPLES} samples: a window of a twentieth takes of the processor p50 {middle:.1f} ms, p99 {high:.1f} ms, {middle / FRAME_MS:.2f} of a "
        f"frame of 30 a second; the whole {whole_ms:.0f} ms; a window of 10 s comes exact"
    )


if __name__ == "__main__":
    with over_the_double(str(SAMPLES)) as served, sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        paint(chromium, served)
        drag(chromium, served)
        chromium.close()
    million()
