"""Pages on an old phone: first paint with the processor slowed four times, and the curve of a million samples.

The pages come from the double of the engine, over a real server; the curve from a job of a million samples in a record of
its own, thinned by the station as for the job's page. Goals: first paint within 1 s; a window of the curve in less than a
frame of 30 a second, so that panning is smooth; every sample shown where a window has few enough.
"""

import math
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from station.given.config import demo_path, read_config
from station.record import curve
from tests.journeys.conftest import ARGUMENTS, CHROMIUM
from tests.web.fake_views import JOB_ID

ROOT = Path(__file__).parents[2]
SLOWED = 4
PAGES = ("/", "/jobs", f"/jobs/{JOB_ID}", f"/jobs/{JOB_ID}/sheet", "/wall", "/usage", "/quality")
SAMPLES, RATE_HZ = 1_000_000, 80.0
WINDOWS = 300
FRAME_MS = 1000.0 / 30.0


def paint() -> None:
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.web.serving"], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        found = re.search(r"http://\S+", server.stdout.readline())
        assert found is not None
        address = found[0].rstrip("/")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            for path in PAGES:
                painted, weights = [], []
                for _ in range(5):
                    context = browser.new_context(viewport={"width": 360, "height": 640})
                    page = context.new_page()
                    devtools = context.new_cdp_session(page)
                    devtools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
                    page.goto(f"{address}{path}")
                    painted.append(
                        float(
                            page.evaluate(
                                "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? NaN"
                            )
                        )
                    )
                    weights.append(
                        int(
                            page.evaluate(
                                "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]"
                                ".reduce((sum, it) => sum + it.transferSize, 0)"
                            )
                        )
                    )
                    context.close()
                middle = sorted(painted)[2]
                print(
                    f"{path}: first paint {middle:.0f} ms (worst of 5 {max(painted):.0f}) at CPU x {SLOWED}, "
                    f"{max(weights) / 1000:.0f} kB on the wire (goals 1000 ms, 150 kB)"
                )
            browser.close()
    finally:
        server.terminate()
        server.wait(15)


def million() -> None:
    t_s = np.arange(SAMPLES) / RATE_HZ
    counts = 84_000.0 + 500.0 * np.sin(t_s / 300.0) + 25.0 * np.sin(t_s * 7.0)
    knock = SAMPLES // 3
    counts[knock] += 5e5  # one sample that no thinning may lose
    recording = curve.Recording(0.0, float(t_s[-1]), {"pan": (t_s, counts)}, ())
    config = read_config(demo_path())
    whole_s, took_ms = float(t_s[-1]), []
    width_s = whole_s / 20.0
    for n in range(WINDOWS):
        from_s = (whole_s - width_s) * n / (WINDOWS - 1)
        begun = time.thread_time()
        curve.curve(recording, config.pan, config.meter, None, (from_s, from_s + width_s))
        took_ms.append(1000.0 * (time.thread_time() - begun))
    begun = time.thread_time()
    seen = curve.curve(recording, config.pan, config.meter, None).trace("pan")
    whole_ms = 1000.0 * (time.thread_time() - begun)
    assert seen is not None
    assert max(seen.values) == round((counts[knock] - config.pan.zero_count) * config.pan.kg_per_count, 5)
    close = curve.curve(
        recording, config.pan, config.meter, None, (t_s[knock] - 5.0, t_s[knock] + 5.0)
    ).trace("pan")
    assert close is not None
    assert close.exact
    took_ms.sort()
    middle, high = took_ms[WINDOWS // 2], took_ms[math.ceil(WINDOWS * 0.99) - 1]
    print(
        f"{SAMPLES} samples: a window of a twentieth takes of the processor p50 {middle:.1f} ms, p99 {high:.1f} ms, {middle / FRAME_MS:.2f} of a "
        f"frame of 30 a second; the whole {whole_ms:.0f} ms; a window of 10 s comes exact"
    )


if __name__ == "__main__":
    million()
    paint()
