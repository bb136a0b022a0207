"""Goal W7 while the pump runs: a station that fills in real time, its pages under attack, and a stop pressed again and again.
How long until the pump is told to be off, and how evenly its guard gets its beats meanwhile.

``python -m tests.soak.filling FOLDER`` is the station; it fills until it is ended and prints a line of JSON whenever the pump
is told something else. ``hashing`` behind it plants the fault: a secret is hashed in the engine's own thread.
"""

import json
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from hardware.guard import DEADLINE_S
from station.bay.loop import LOOP_S
from tests.soak.edges import STOP_MS, attack_line, stop_ms
from tests.soak.played import STEP_S, Played
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT

JITTER_MS = 50.0
"""The goal for 99 % of the beats' lateness, beyond the engine's own turn."""


def station(folder: Path, hashing: bool) -> None:
    from station.bay import logs
    from station.people.access import Access
    from station.people.secrets import hashed
    from web.server import serve

    logs.set_up()
    due_s = 0.0
    real = False

    def pace() -> None:
        nonlocal due_s
        if real:
            due_s = max(due_s + STEP_S, time.monotonic() - STEP_S)
            time.sleep(max(0.0, due_s - time.monotonic()))

    bay = Played(folder, pace)
    bay.rig.told = lambda on, at_s: print(json.dumps({"on": on, "at_s": at_s}), flush=True)
    if hashing:
        plain = bay.engine._loop.published.put
        bay.engine._loop.published.put = lambda snapshot: (hashed("1"), plain(snapshot))[1]  # type: ignore[method-assign]

    def play() -> None:
        nonlocal real, due_s
        while True:
            real = False
            bay.to_fill(drain_s=30.0)
            real, due_s = True, time.monotonic()
            while bay.engine.view().latched != "target reached":
                bay.rig.beats_s = []
                bay.wait(30.0, until=lambda: bay.engine.view().latched is not None, pendant=1)
                gaps = [b - a for a, b in pairwise(bay.rig.beats_s)]
                print(json.dumps({"gaps_s": gaps}), flush=True)
                bay.wait(0.5, pendant=0)
            bay.engine.abandon("played")

    threading.Thread(target=play, daemon=True).start()
    serve(bay.engine, Access(None), "127.0.0.1", 0)


def under(kind: str | None, for_s: float, hashing: bool = False) -> tuple[Seen, Seen]:
    """Stops, and beats, while the pump runs and an attack goes on; None for none."""
    what = kind or "nothing else going on"
    stops = Seen(f"W7 filling, stop to pump off, {what}", unit="ms")
    beats = Seen(f"W7 filling, from beat to beat, {what}", unit="ms")
    rng = random.Random(f"W7 {kind}")
    with tempfile.TemporaryDirectory() as folder:
        line = [sys.executable, "-m", "tests.soak.filling", folder, *(["hashing"] if hashing else [])]
        process = subprocess.Popen(
            line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert process.stdout is not None
        attacker: subprocess.Popen[bytes] | None = None
        said: SimpleQueue[dict[str, Any]] = SimpleQueue()
        port = 0
        ready = threading.Event()

        def listen(lines: Any) -> None:
            nonlocal port
            for text in lines:
                found = re.search(r"//127\.0\.0\.1:(\d+)/", text)
                if found is not None:
                    port = int(found[1])
                    ready.set()
                elif text.startswith("{"):
                    said.put(json.loads(text))

        listener = threading.Thread(target=listen, args=(process.stdout,), daemon=True)
        listener.start()
        try:
            if not ready.wait(300.0):
                raise RuntimeError("the station did not start")
            if kind is not None:
                attacker = subprocess.Popen(attack_line(kind, port), cwd=ROOT, stderr=subprocess.DEVNULL)
            until_s = time.monotonic() + for_s
            pressed_s: float | None = None
            while time.monotonic() < until_s:
                try:
                    word = said.get(timeout=5.0)
                except Empty:
                    continue
                if "gaps_s" in word:
                    beats.values += [1000.0 * gap for gap in word["gaps_s"]]
                elif word["on"]:
                    time.sleep(rng.uniform(0.2, 1.0))
                    pressed_s = time.monotonic()
                    stop_ms(port)
                elif pressed_s is not None and word["at_s"] >= pressed_s:
                    took_ms = 1000.0 * (word["at_s"] - pressed_s)
                    stops.values.append(took_ms)
                    stops.failed += [f"{took_ms:.0f} ms"] if took_ms > STOP_MS else []
                    pressed_s = None
        finally:
            for child in (attacker, process):
                if child is not None:
                    child.send_signal(signal.SIGTERM if child is process else signal.SIGKILL)
                    child.wait(20)
            listener.join(5.0)
    _judge(stops, beats)
    return stops, beats


def _judge(stops: Seen, beats: Seen) -> None:
    stops.trials, beats.trials = len(stops.values), len(beats.values)
    beats.failed = [
        f"{gap_ms:.0f} ms without a beat: the guard drops the pump"
        for gap_ms in beats.values
        if gap_ms > 1000.0 * DEADLINE_S
    ]
    late = sorted(beats.values)[int(0.99 * len(beats.values))] if beats.values else float("inf")
    if late > JITTER_MS + 1000.0 * LOOP_S:
        beats.failed.append(f"99 % of beats within {late:.0f} ms")
    if not stops.trials:
        stops.failed.append("the pump was never stopped")


def main() -> None:
    station(Path(sys.argv[1]), sys.argv[2:] == ["hashing"])


if __name__ == "__main__":
    main()
