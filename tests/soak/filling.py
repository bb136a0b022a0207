"""Goal W7 while the pump runs: a station that fills in real time, its pages under attack, and a stop pressed again and again.
How long until the pump is told to be off, and how evenly its guard gets its beats meanwhile.

``python -m tests.soak.filling FOLDER`` is the station; it fills until it is ended and prints a line of JSON whenever the pump
is told something else. SIGUSR1 plants the fault: a secret is hashed in the engine's own thread from then on.
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
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from station.bay.loop import LOOP_S
from tests.soak.edges import STOP_MS, attack_line, latest_ms, stop_ms
from tests.soak.played import STEP_S, Played
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT

JITTER_MS = 50.0
"""The goal for 99 % of the beats' lateness, beyond the engine's own turn."""


def station(folder: Path) -> None:
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
    plain = bay.engine._loop.published.put

    def hash_from_now_on(*_: object) -> None:
        bay.engine._loop.published.put = lambda snapshot: (hashed("1"), plain(snapshot))[1]  # type: ignore[method-assign]

    signal.signal(signal.SIGUSR1, hash_from_now_on)

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


def under(kind: str, for_s: float, hashing: bool = False) -> tuple[Seen, ...]:
    """Stops and beats while the pump runs: so long with nothing else going on, and as long again under an attack, which is
    judged by what the same machine did a moment before."""
    names = [f"{phase}{kind}" for phase in ("before ", "")]
    stops = [Seen(f"W7 filling, stop to pump off, {name}", unit="ms") for name in names]
    beats = [Seen(f"W7 filling, from beat to beat, {name}", unit="ms") for name in names]
    rng = random.Random(f"W7 {kind}")
    with tempfile.TemporaryDirectory() as folder:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.soak.filling", folder],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
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
            for phase in (0, 1):
                if phase:
                    attacker = subprocess.Popen(attack_line(kind, port), cwd=ROOT, stderr=subprocess.DEVNULL)
                    if hashing:
                        process.send_signal(signal.SIGUSR1)
                _stopped(said, port, time.monotonic() + for_s, rng, stops[phase], beats[phase])
        finally:
            for child in (attacker, process):
                if child is not None:
                    child.send_signal(signal.SIGTERM if child is process else signal.SIGKILL)
                    child.wait(20)
            listener.join(5.0)
    _judge(stops[0], stops[1], STOP_MS)
    _judge(beats[0], beats[1], JITTER_MS + 1000.0 * LOOP_S, 0.99)
    return (*stops, *beats)


def _stopped(
    said: SimpleQueue[dict[str, Any]], port: int, until_s: float, rng: random.Random, stops: Seen, beats: Seen
) -> None:
    """Press stop at a random moment of each turn of the pump."""
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
            stops.values.append(1000.0 * (word["at_s"] - pressed_s))
            pressed_s = None


def _judge(calm: Seen, seen: Seen, goal_ms: float, share: float = 1.0) -> None:
    """share: of the values that have to be in time."""
    for one in (calm, seen):
        one.trials = len(one.values)
    if not calm.values or not seen.values:
        seen.failed.append("nothing was seen")
        return
    allowed_ms = latest_ms([_at(calm.values, share)], goal_ms)
    took_ms = _at(seen.values, share)
    if took_ms > allowed_ms:
        seen.failed.append(f"{100.0 * share:g} % within {took_ms:.0f} ms, allowed are {allowed_ms:.0f}")


def _at(values: Sequence[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def main() -> None:
    station(Path(sys.argv[1]))


if __name__ == "__main__":
    main()
