"""How long an answer waits for the disk: marks, ticks and notes, one at a time and from twenty pages at once.

Run from the repository's root: `python tests/bench/bench_ack.py [FOLDER]`, where FOLDER lies on the disk to be measured.
The engine and its ledger are the real ones, with a pan that speaks 80 times a second; only the devices are absent.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from hardware.sample import Sample
from station.bay.engine import Engine
from tests.station.bay.fake_rig import FORM, FakeRig, engine_on

GOAL_S = 0.050
ALONE, PAGES, EACH = 400, 20, 40


def quantiles(seconds: list[float]) -> str:
    v = sorted(seconds)
    cells = [v[len(v) // 2], v[int(0.99 * len(v))], v[-1]]
    return " | ".join(f"{1000 * s:.1f}" for s in cells)


def timed(act: object, *values: object) -> float:
    begun = time.perf_counter()
    act(*values)  # type: ignore[operator]
    return time.perf_counter() - begun


def sensors(rig: FakeRig, over: threading.Event) -> None:
    n = 0
    while not over.wait(0.0125):
        n += 1
        rig.put(Sample(time.monotonic(), "pan", 190_000 + n % 50))


def syncs(folder: Path, n: int = 200) -> list[float]:
    """What the disk itself takes: one page written and synced."""
    seconds = []
    with (folder / "sync").open("wb") as file:
        for _ in range(n):
            begun = time.perf_counter()
            file.write(bytes(4096))
            file.flush()
            os.fsync(file.fileno())
            seconds.append(time.perf_counter() - begun)
    return seconds


def measure(engine: Engine) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    found["note, alone"] = [timed(engine.note, "bench", f"{n}") for n in range(ALONE)]
    key = engine.view().checklist[0].key
    found["tick, alone"] = [timed(engine.check, key, n % 2 == 0) for n in range(ALONE)]
    together: list[float] = []

    def page(hand: int) -> None:
        for n in range(EACH):
            together.append(timed(engine.note, "bench", f"{hand} {n}"))

    pages = [threading.Thread(target=page, args=(hand,)) for hand in range(PAGES)]
    for thread in pages:
        thread.start()
    for thread in pages:
        thread.join()
    found[f"note, {PAGES} pages at once"] = together
    return found


def main() -> int:
    with tempfile.TemporaryDirectory(dir=sys.argv[1] if len(sys.argv) > 1 else None) as folder:
        print("| what | n | median ms | 99 % ms | worst ms |\n|---|---|---|---|---|")
        bare = syncs(Path(folder))
        print(f"| one page synced, nothing else | {len(bare)} | {quantiles(bare)} |")
        engine, rig = engine_on(Path(folder))
        over = threading.Event()
        speaks = threading.Thread(target=sensors, args=(rig, over))
        speaks.start()
        try:
            engine.open_job(FORM)
            found = measure(engine)
        finally:
            over.set()
            speaks.join()
            engine.close()
        for what, seconds in found.items():
            print(f"| {what} | {len(seconds)} | {quantiles(seconds)} |")
        worst = max(sorted(s)[int(0.99 * len(s))] for s in found.values())
        print(f"\n99 % of the answers within {1000 * worst:.1f} ms (goal {1000 * GOAL_S:.0f} ms)")
    return 0 if worst <= GOAL_S else 1


if __name__ == "__main__":
    sys.exit(main())
