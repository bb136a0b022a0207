"""Goal T1: somebody sets the wall clock again and again in the middle of a job. Amounts, the pump's run, the order of
entries, sessions and tries are as if nobody had.

What a clock is asked for in these rooms is ``time.time`` and ``datetime.now``; both are replaced by one that leaps.
"""

import random
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from station.core.control import TARGET
from station.core.interlock_table import TABLE
from station.core.replay import replay
from station.figures import balance
from station.given import recording
from station.given.job import spec_from_tables
from station.people.lockout import TRIES, Lockout
from station.people.people import DEMO_PEOPLE
from station.people.sessions import Sessions
from station.record.ledger import Ledger
from station.record.verify import verify
from tests.soak.played import Played
from tests.soak.proofs import Seen
from tests.station.bay.fake_rig import config

LEAPS_S = (1.0, -1.0, 3600.0, -3600.0, 86400.0, -86400.0, -1.79e9, 1.79e9, 3.5e8, -3.5e8)
"""By a second, an hour, a day, to 1970 and back, to 2038 and back."""
BETWEEN_S = 8.0
"""Of the job, and the middle of as much again at random."""
NO_FIGURE = {"notices", "pump_runs", "leak_watch_s"}
"""What hands and the bay's file say is in no recording."""


class Wall:
    """A wall clock that somebody sets. told_s: the leaps so far, whose size a watch can see."""

    def __init__(self, rng: random.Random) -> None:
        self._rng, self._leaps = rng, list(LEAPS_S)
        self._ahead_s = 0.0
        self._due_s = rng.uniform(0.5, 1.5) * BETWEEN_S
        self.told_s: list[float] = []

    def __call__(self) -> float:
        return _REAL() + self._ahead_s

    def leaps_at(self, t_s: float) -> bool:
        """Set it, if it is time for that; whether it was."""
        if not self._leaps or t_s < self._due_s:
            return False
        by_s = self._leaps.pop(0)
        self._ahead_s += by_s
        self.told_s.append(by_s)
        self._due_s = t_s + self._rng.uniform(0.5, 1.5) * BETWEEN_S
        return True


_REAL = time.time


@contextmanager
def everywhere(wall: Wall) -> Iterator[None]:
    """That clock in every module that reads one."""

    class Leaping(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "Leaping":
            return cls.fromtimestamp(wall(), tz)

    here = [
        module
        for name, module in sys.modules.items()
        if name.startswith(("station.", "web.", "hardware.")) and vars(module).get("datetime") is datetime
    ]
    time.time = wall
    for module in here:
        module.datetime = Leaping  # type: ignore[attr-defined]
    try:
        yield
    finally:
        time.time = _REAL
        for module in here:
            module.datetime = datetime  # type: ignore[attr-defined]


def t1(folder: Path, seed: int = 0, planted: bool = False) -> Seen:
    """One job whose wall clock leaps ten times. planted: sessions and tries go by the wall clock."""
    seen = Seen("T1 the wall clock is set in mid-job: figures that move", unit="figures")
    wall = Wall(random.Random(f"T1 {seed}"))
    with everywhere(wall):
        _played(folder, wall, time.time if planted else time.monotonic, seen)
    return seen


def _played(folder: Path, wall: Wall, door: Any, seen: Seen) -> None:
    person = DEMO_PEOPLE[0]
    sessions, lockout = Sessions(door), Lockout(door)
    token = sessions.begin(person, 0)
    for _ in range(TRIES):
        lockout.may_try(person.name, 0, "")

    def each() -> None:
        if not wall.leaps_at(bay.t_s - began_s):
            return
        if sessions.get(token, lambda _: (person, 0)) is None:
            seen.failed.append(f"a session ended when the clock was set by {wall.told_s[-1]:g} s")
        if not lockout.is_locked(person.name, 0):
            seen.failed.append(f"the tries came back when it was set by {wall.told_s[-1]:g} s")

    bay = Played(folder, each, wall)
    began_s = bay.t_s
    try:
        bay.to_fill()
        job_id = bay.engine.view().job.job_id  # type: ignore[union-attr]  # it is open
        bay.wait(120.0, until=lambda: bay.engine.view().latched is not None, pendant=1)
        latched = bay.engine.view().latched
        bay.wait(2.0, pendant=0)
        bay.finish()
        job = bay.engine.job(job_id)
        spec = spec_from_tables(tomllib.loads(bay.engine.job_toml(job_id)), "export")
        samples = recording.parse(bay.engine.recording_csv(job_id).splitlines(True), "export")
    finally:
        bay.close()
    seen.trials = len(wall.told_s)
    kept, again = job.measured.to_dict(), balance.report(replay(spec, samples)).to_dict()
    moved = [name for name in kept if name not in NO_FIGURE and kept[name] != again[name]]
    seen.values.append(float(len(moved)))
    seen.failed += [f"{name} is {kept[name]}, of the readings alone {again[name]}" for name in moved]
    if latched not in (TARGET, TABLE["runs_over"].word):
        seen.failed.append(f"the pump stopped because: {latched}")
    if len(wall.told_s) < len(LEAPS_S):
        seen.failed.append(f"the clock leapt {len(wall.told_s)} times only")
    seen.failed += _entries(folder, wall)


def _entries(folder: Path, wall: Wall) -> Iterator[str]:
    """What the record says of it: each leap that can be seen, and its entries in the order in which they came."""
    path = config(folder).ledger
    ledger = Ledger(path, read_only=True)
    told = [event["body"]["by_s"] for event in ledger.shop_events("clock_stepped")]
    moments = [event["t_s"] for event in ledger.events() if event["job_id"] is not None]
    ledger.close()
    leaps = [by_s for by_s in wall.told_s if abs(by_s) > 1.0]
    if [round(by_s) for by_s in told] != [round(by_s) for by_s in leaps]:
        yield f"the clock was set by {leaps}, told are {told}"
    if moments != sorted(moments):
        yield "entries of the job are not in their order"
    yield from verify(path).broken
