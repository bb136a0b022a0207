"""Bays are retired, brought back and moved while their batches arrive: at the end each job is under exactly one name.

So many times over, a bay's record is sent by two that take batches in at once, as its retries may be, while somebody retires it,
brings it back, and moves it to another shop and back, each at a drawn moment. Who is told to come again comes again. Then what the bay
has recorded is all there, once, and every chain and every sum is what its rows say.
"""

from __future__ import annotations

import argparse
import logging
import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from unittest import mock

from station.common import days
from station.errors import InputError, StationError
from station.record import outbox
from station.record.many import ingest, leaving, moving, wire
from station.record.many.ingest import head_of
from station.record.many.store import Store
from tests.rolled import enter, fresh, record, whole
from tests.soak.rolling import engine

JOBS, BATCH = 8, 6
SHOPS = 4
WHO = ("E. Brandvold", "to be played")
NOW = datetime(2026, 1, 5, 12, tzinfo=UTC)
"""In the middle of the record: what is retired now has more to send than is taken."""
MOMENTS = (
    "",
    "2026-01-03T00:00:00.000+00:00",
    "2026-01-06T00:00:00.000+00:00",
    "2026-02-20T00:00:00.000+00:00",
)
"""Of a move: now, and in the record that is sent."""


@dataclass
class Moved:
    """What came of so many bays. jobs, there: what their records have, and what is counted of them. twice: jobs under two names, or
    under none. done: what was said of the bays, and what was turned away; again: batches that were asked to come again."""

    bays: int = 0
    jobs: int = 0
    there: int = 0
    twice: int = 0
    again: int = 0
    done: Counter[str] = field(default_factory=Counter)
    wrong: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        return self.jobs == self.there and not (self.twice or self.wrong)


def play(store: Store, path: Path, times: int, seed: int = 1) -> Moved:
    """path: of the record that every bay has."""
    found = Moved()
    with closing(record(path, JOBS, notes=1)) as ledger:
        ids = {row[0] for row in ledger.db.execute("select job_id from event where kind = 'result'")}
    with mock.patch.object(days, "now", return_value=NOW):
        for n in range(times):
            _one(store, path, n, random.Random(seed * 100_000 + n), found)
            found.bays, found.jobs = n + 1, found.jobs + len(ids)
    with store.connection() as db:
        for n in range(times):
            rows = db.execute(
                "select job_id from job where bay in (%s, %s)", [f"bay-{n}", f"new-{n}"]
            ).fetchall()
            counted = Counter(job_id for (job_id,) in rows)
            found.there += len(rows)
            found.twice += sum(counted[one] != 1 for one in ids)
    found.wrong = tuple(whole(store))
    return found


def _one(store: Store, path: Path, n: int, draw: random.Random, found: Moved) -> None:
    old, new = (f"shop-{n % SHOPS}", f"bay-{n}"), (f"shop-{(n + 1) % SHOPS}", f"new-{n}")
    token = enter(store, *old)
    for shop in (old[0], new[0]):
        enter(store, shop, "sister")
    over = threading.Event()
    draws = [random.Random(draw.random()) for _ in range(3)]
    threads = [
        threading.Thread(target=_send, args=(store, path, token, one, over, found)) for one in draws[:2]
    ]
    for one in threads:
        one.start()
    try:
        for _step in range(draws[2].randrange(2, 6)):
            time.sleep(draws[2].expovariate(1.0 / 0.02))
            what = draws[2].choice((_retire, _bring_back, _move, _move, _move_back))
            found.done[_said(partial(what, store, old, new, draws[2]))] += 1
        while (outcome := _said(partial(_bring_back, store, old, new, draws[2]))) != "not retired":
            found.done[outcome] += 1
    finally:
        over.set()
        for one in threads:
            one.join()
    over.clear()
    _send(store, path, token, draws[0], over, found)


def _send(
    store: Store, path: Path, token: str, draw: random.Random, over: threading.Event, found: Moved
) -> None:
    """Until all of it is there, or until somebody says that it is enough."""
    until_s = time.monotonic() + 60.0
    while not over.is_set() and time.monotonic() < until_s:
        try:
            with store.bay(token) as (db, bay):
                batch = outbox.batch(path, head_of(db, bay).seq, draw.randrange(1, BATCH))
                taken = ingest.take(db, bay, wire.batch_of(wire.batch_text(batch)))
            if taken.seq >= batch.newest_seq and not taken.fault:
                return
        except StationError:
            found.again += 1
        time.sleep(draw.uniform(0.0, 0.01))


def _said(what: Callable[[], str]) -> str:
    try:
        return what()
    except InputError as error:
        return "not retired" if "is not retired" in str(error) else "turned away"
    except StationError:  # a head that a batch holds for long
        return "asked to come again"


def _names(store: Store, old: tuple[str, str], new: tuple[str, str]) -> tuple[str, str]:
    """Under which of its names the bay is in use, or was last."""
    with store.connection() as db:
        gone = db.execute(
            "select at_shop is not null from bay where shop = %s and bay = %s", [*old]
        ).fetchone()
    return new if gone == (True,) else old


def _retire(store: Store, old: tuple[str, str], new: tuple[str, str], draw: random.Random) -> str:
    name = _names(store, old, new)
    with store.connection() as db:
        leaving.retire(db, *name, *WHO)
    return "retired"


def _bring_back(store: Store, old: tuple[str, str], new: tuple[str, str], draw: random.Random) -> str:
    name = _names(store, old, new)
    with store.connection() as db:
        leaving.bring_back(db, *name, *WHO)
    return "brought back"


def _move(store: Store, old: tuple[str, str], new: tuple[str, str], draw: random.Random) -> str:
    with store.connection() as db:
        moving.move(db, old, new, *WHO, draw.choice(MOMENTS))
    return "moved"


def _move_back(store: Store, old: tuple[str, str], new: tuple[str, str], draw: random.Random) -> str:
    with store.connection() as db:
        since = db.execute("select since from bay where shop = %s and bay = %s", [*new]).fetchone()
        moving.move(db, new, old, *WHO, since[0] if since else "")
    return "moved back"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak.moving", description=__doc__)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)
    with (
        tempfile.TemporaryDirectory() as folder,
        engine() as server,
        closing(Store(fresh(server.dsn))) as store,
    ):
        found = play(store, Path(folder) / "bay.sqlite", options.times, options.seed)
    said = ", ".join(f"{n} {what}" for what, n in sorted(found.done.items()))
    print(
        f"{found.bays} bays: {said}; {found.again} batches came again; of {found.jobs} jobs {found.there} are counted, "
        f"{found.twice} not under exactly one name, sums and chains wrong: {len(found.wrong)}"
    )
    for text in found.wrong:
        print(f"  {text}")
    return 0 if found.sound else 1


if __name__ == "__main__":
    raise SystemExit(main())
