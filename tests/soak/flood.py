"""A station under a flood of notes, ticks, marks, new jobs and abandoned ones, killed at a random moment: whatever was
answered is in the record, once, and the record is whole.

Run as a program: ``python -m tests.soak.flood FOLDER TRIALS SEED [early]`` prints one JSON object. ``early`` plants the
fault of answering before the disk has it, which this must find.
"""

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration import budget
from station.bay.checklist import ITEMS, STAND
from station.errors import InputError
from station.given.said import Mark
from station.given.stages import Stage
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT
from tests.station.bay.fake_rig import FORM, config, engine_on

HANDS = 6
LONGEST_S = 0.35


@dataclass
class Flood:
    """What came of it. lost: answered and not in the record. broken: records that do not verify."""

    trials: int = 0
    answered: int = 0
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)


def _station(folder: Path, pipe: int, early: bool) -> None:
    """The station and those who use it; ends only by being killed. Each answer is told through the pipe."""
    from station.record.recorder import Recorder

    if early:
        Recorder.wait_written = lambda *_: None  # type: ignore[method-assign]
    engine, _ = engine_on(folder)
    turn = threading.Lock()

    def say(*words: str) -> None:
        os.write(pipe, (" ".join(words) + "\n").encode())

    def notes(hand: int) -> None:
        n = 0
        while True:
            n += 1
            try:
                engine.note("flood", f"{os.getpid()}-{hand}-{n}")
            except InputError:  # between two jobs
                time.sleep(0.005)
                continue
            say("note", f"{os.getpid()}-{hand}-{n}")

    def jobs() -> None:
        with suppress(InputError):
            engine.abandon("flood")  # what the last kill left open, and this start went on with
        while True:
            with turn:
                job_id = engine.open_job(FORM)
                say("job_open", job_id)
                for item in (*ITEMS[Stage.PLAN], STAND):  # not the view's: it may still be of the job before
                    engine.check(item.key, True)
                    say("check", job_id, item.key) if item.mark is None else say("mark", job_id, item.mark)
                for mark in (Mark.PAN_PLACED, Mark.DRAIN_OPEN, Mark.DRAIN_DONE):
                    engine.mark(mark)
                    say("mark", job_id, mark)
                engine.abandon("flood")
                say("result", job_id)

    for hand in range(HANDS):
        threading.Thread(target=notes, args=(hand,), daemon=True).start()
    jobs()


def _answered(pipe: int) -> list[str]:
    data = b""
    while chunk := os.read(pipe, 1 << 16):
        data += chunk
    return [line for line in data.decode().split("\n")[:-1] if line]


def _found(folder: Path) -> tuple[list[str], str | None]:
    """What the record holds, in the words of the answers, and whether it is whole."""
    from station.record.ledger import Ledger

    ledger = Ledger(config(folder).ledger, read_only=True)
    found: list[str] = []
    for event in ledger.events():
        kind, body, job_id = event["kind"], event["body"], event["job_id"]
        if kind == "note":
            found.append("note " + body["text"].removeprefix("flood: "))
        elif kind in ("job_open", "result"):
            found.append(f"{kind} {job_id}")
        elif kind == "check":
            found.append(f"check {job_id} {body['key']}")
        elif kind == "mark":
            found.append(f"mark {job_id} {body['text']}")
    jobs = {line.split()[1] for line in found if line.startswith("job_open ")}
    marked = {
        f"mark {job} {sample.value}"
        for job in jobs
        for sample in ledger.samples(job)
        if sample.source == "mark"
    }
    # A mark is answered when the reading that a later start goes on from is on disk, not its event alone.
    found = [line for line in found if not line.startswith("mark ") or line in marked]
    broken = ledger.verify()
    ledger.close()
    return found, broken


def flood(folder: Path, trials: int, seed: int, early: bool = False) -> Flood:
    """Kill it so many times, each time on the record that the last one left."""
    budget.preload()  # once, before the first fork
    rng, seen = random.Random(f"flood {seed}"), Flood()
    for n in range(trials):
        if n % 25 == 0:  # a record that stays short is quickly checked
            here = folder / str(n)
            here.mkdir(parents=True)
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(out)
            try:
                _station(here, into, early)
            except BaseException:
                traceback.print_exc()
            os._exit(1)
        os.close(into)
        first = os.read(out, 1)  # it runs: somebody was answered
        time.sleep(rng.uniform(0.01, LONGEST_S))
        os.kill(child, signal.SIGKILL)
        answered = _answered(out)
        os.close(out)
        if os.WIFEXITED(os.waitpid(child, 0)[1]):
            raise RuntimeError(
                "The station ended by itself: nobody was answered any more, and the kill shows nothing."
            )
        if answered:
            answered[0] = first.decode() + answered[0]
        found, broken = _found(here)
        have = set(found)
        seen.trials += 1
        seen.answered += len(answered)
        seen.lost += [line for line in answered if line not in have]
        seen.doubled += [line for line in answered if found.count(line) > 1] if len(have) < len(found) else []
        seen.broken += [] if broken is None else [broken]
    return seen


def run(folder: Path, trials: int, seed: int, early: bool = False) -> dict[str, Any]:
    """The same in a process of its own, which has no threads when it forks."""
    line = [sys.executable, "-m", "tests.soak.flood", str(folder), str(trials), str(seed)]
    done = subprocess.run(
        [*line, *(["early"] if early else [])], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(done.stderr[-2000:])
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def d1(seeds: range) -> Seen:
    """D1 as a part of the long proofs: one trial per seed."""
    seen = Seen("D1 killed under a flood: answered and lost", unit="answers")
    with tempfile.TemporaryDirectory() as folder:
        found = run(Path(folder), len(seeds), seeds.start)
    seen.trials = found["trials"]
    seen.values = [float(found["answered"])]
    seen.failed = [*found["lost"], *found["doubled"], *found["broken"]]
    return seen


def main() -> int:
    folder, trials, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    seen = flood(folder, trials, seed, sys.argv[4:] == ["early"])
    print(json.dumps(vars(seen)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
