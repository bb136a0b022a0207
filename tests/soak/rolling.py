"""M4: bays roll their records up while the line is cut, answers are lost, batches come twice and the server is killed.

Each bay's sender is the station's own; between it and the roll-up's own processes, which take batches in beside a server, stands
a line that loses and doubles. The embedded PostgreSQL is killed (SIGKILL) in the middle, and started again as ``tallypan roll-up
serve`` does, and so is one of the processes each time. At the end every bay's record is there whole, each entry once, and every sum
is what its rows add up to.

The planted fault is a roll-up without the key: it takes what a bay sends for new, as it would if it believed the bay's own
note of what it has sent.
"""

from __future__ import annotations

import argparse
import logging
import os
import random
import shutil
import signal
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import psycopg

from station.bay.office import Answer, Unreachable
from station.bay.sender import Sender
from station.errors import StationError
from station.record import outbox
from station.record.many import ingest
from station.record.many.arriving import Arrived, Batch, Head
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from station.record.many.wire import batch_text
from station.record.merkle import Frontier
from tests.rolled import enter, fresh, record, whole
from web.shop.many.taking import Takers, taken

LOST, DOUBLED = 0.2, 0.2
SHOPS = 2
RECORDS = 5
"""So many different ones, of which the other bays have copies."""


@dataclass
class Rolling:
    """What came of a run. surplus: entries and rows beyond those that the bays have. lost: entries that are not there."""

    entries: int
    lost: int = 0
    surplus: int = 0
    wrong: tuple[str, ...] = ()
    kills: int = 0
    worst_recovery_s: float = 0.0
    took_s: float = 0.0

    @property
    def sound(self) -> bool:
        return not (self.lost or self.surplus or self.wrong)


Take = Callable[[str, bytes], dict[str, Any]]


class Line:
    """The way from one bay to the roll-up. cut: the whole line is down."""

    def __init__(self, store: Store, take: Take, token: str, seed: int, cut: threading.Event) -> None:
        self._store, self._take, self._token, self._cut = store, take, token, cut
        self._draw = random.Random(seed)

    def head(self, newest: int) -> int:
        with self._down(), self._store.bay(self._token) as (db, bay):
            return ingest.head_of(db, bay).seq

    def take(self, batch: Batch) -> Answer:
        with self._down():
            taken = self._once(batch)
            if self._draw.random() < DOUBLED:
                taken = self._once(batch)
            if self._draw.random() < LOST:
                raise Unreachable("the answer was lost")
        return Answer(taken["seq"], taken["fault"])

    def _once(self, batch: Batch) -> dict[str, Any]:
        return self._take(self._token, batch_text(batch))

    @contextmanager
    def _down(self) -> Iterator[None]:
        if self._cut.is_set() or self._draw.random() < 0.05:
            raise Unreachable("the line is cut")
        try:
            yield
        except (StationError, psycopg.Error) as error:
            raise Unreachable(str(error)) from error

    def lists(self, after: int) -> list[dict[str, int]]:
        return []

    fills = lists

    def people(self) -> dict[str, int]:
        return {}

    def close(self) -> None:
        pass


@contextmanager
def engine(programs: Path | None = None) -> Iterator[Embedded]:
    """A server with its sync on. programs: of another PostgreSQL than the wheel's."""
    folder = Path(tempfile.mkdtemp(prefix="tallypan-rolling-"))
    folder.chmod(0o755)
    server = Embedded(folder, (), programs)
    try:
        yield server
    finally:
        server.close()
        shutil.rmtree(folder)


def roll(
    server: Embedded,
    dsns: Sequence[str],
    folder: Path,
    bays: int,
    jobs: int,
    kills: int,
    outage_s: float = 0.0,
    batch: int = 200,
    plant: Callable[[Store], None] = lambda store: None,
    patience_s: float = 120.0,
    processes: int = 2,
) -> Rolling:
    """bays of so many jobs each, five or six entries a job, over a line that does all of it; their two shops in one database,
    or each in its own. The bays have a few records between them: nothing but its shop and its name tells a bay's entries from
    another's. processes: so many take in for each database; 0: this one does."""
    stores = [Store(dsn, server.ensure) for dsn in dsns]
    beside = [Takers(dsn, processes, server.ensure) for dsn in dsns] if processes else []
    takes: list[Take] = [one.take for one in beside] or [partial(taken, store) for store in stores]
    paths = [folder / f"bay-{n}" / "bay.sqlite" for n in range(bays)]
    for n, path in enumerate(paths):
        if n < RECORDS:
            path.parent.mkdir()
            record(path, jobs, seed=n + 1, bay=f"Bay {n}").close()
        else:
            shutil.copytree(paths[n % RECORDS].parent, path.parent)
    at = [n % SHOPS % len(stores) for n in range(bays)]
    of_bay = [stores[n] for n in at]
    tokens = [enter(store, f"shop-{n % SHOPS}", f"bay-{n}") for n, store in enumerate(of_bay)]
    for store in stores:
        plant(store)
    found = Rolling(sum(outbox.newest(path) for path in paths))
    cut = threading.Event()
    begun_s = time.monotonic()
    senders = [
        Hurried(path, Line(stores[at[n]], takes[at[n]], token, n, cut), 0.05, batch)
        for n, (path, token) in enumerate(zip(paths, tokens, strict=True))
    ]
    draw = random.Random(bays)
    try:
        for n in range(kills):
            time.sleep(draw.uniform(0.05, 0.4))
            if n == kills // 2 and outage_s:
                cut.set()
                time.sleep(outage_s)
                cut.clear()
            if beside:
                with suppress(ProcessLookupError):  # the last kill's, which has had nothing to do since
                    os.kill(draw.choice(draw.choice(beside).pids), signal.SIGKILL)
            os.kill(server.pid, signal.SIGKILL)
            killed_s = time.monotonic()
            server.ensure()
            found.worst_recovery_s = max(found.worst_recovery_s, time.monotonic() - killed_s)
            found.kills += 1
        until_s = time.monotonic() + patience_s
        while _arrived(stores) < found.entries and time.monotonic() < until_s:
            time.sleep(0.2)
    finally:
        for sender in senders:
            sender.close()
        for one in beside:
            one.close()
    found.took_s = time.monotonic() - begun_s
    found.lost, found.surplus = _compared(of_bay, paths)
    found.wrong = tuple(text for store in stores for text in whole(store))
    for store in stores:
        store.close()
    return found


class Hurried(Sender):
    """Waits a fiftieth as long as a bay does, so that minutes of a shop go by in seconds."""

    def turn(self) -> float:
        return super().turn() / 50.0


def _arrived(stores: Sequence[Store]) -> int:
    try:
        return sum(bay.seq for store in stores for bay in store.bays())
    except StationError:
        return 0


def _compared(of_bay: Sequence[Store], paths: Sequence[Path]) -> tuple[int, int]:
    """Entries that are not there, and entries or rows beyond the bays' own."""
    lost = surplus = 0
    for n, (store, path) in enumerate(zip(of_bay, paths, strict=True)):
        with closing(sqlite3.connect(path)) as own, store.connection() as db:
            hashes = {row[0] for row in own.execute("select hash from event")}
            rows = sum(
                own.execute(f"select count(*) from {table}").fetchone()[0]
                for table in ("event", "job", "movement")
            )
            there = {row[0] for row in db.execute("select hash from event where bay = %s", [f"bay-{n}"])}
            lost += len(hashes - there)
            count = db.execute(
                "select (select count(*) from event where bay = %(b)s) + (select count(*) from job where bay = %(b)s) + "
                "(select count(*) from movement where bay = %(b)s)",
                {"b": f"bay-{n}"},
            ).fetchone()
            surplus += max(0, (count or (0,))[0] - rows)
    return lost, surplus


def without_the_key(store: Store) -> None:
    """Nothing in the tables keeps an entry from coming twice."""
    with store.connection() as db:
        for table in ("event", "job", "movement", "checkpoint"):
            db.execute(f"alter table {table} drop constraint {table}_pkey".encode())


def believing(put: Callable[[str, object], None]) -> None:
    """And the roll-up takes the bay's word for where it is: what comes again is new to it. put: of the ingest, a name and what
    it stands for."""

    def arrived(batch: Batch, head: Head, here: object, *keys: object) -> Arrived:
        last = batch.entries[-1] if batch.entries else None
        new = tuple(entry for entry in batch.entries if entry.seq > 0)
        if last is None:
            return Arrived((), head, {})
        tree = Frontier(last.seq, (bytes(32),) * last.seq.bit_count())
        return Arrived(new, Head(last.seq, last.hash, tree), {})

    put("arrived", arrived)


def main() -> int:
    """The long form by default: 50 bays of some 10,000 entries, 100 kills."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak.rolling", description=__doc__)
    parser.add_argument("--bays", type=int, default=50)
    parser.add_argument("--jobs", type=int, default=1930, help="of each bay, five or six entries a job")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--apart", action="store_true", help="a database for each of the two shops")
    parser.add_argument("--postgres", type=Path, metavar="DIR", help="programs of another PostgreSQL")
    options = parser.parse_args()
    logging.disable(logging.WARNING)  # each kill is felt by every connection
    with tempfile.TemporaryDirectory() as folder, engine(options.postgres) as server:
        found = roll(
            server,
            [fresh(server.dsn) for _ in range(2 if options.apart else 1)],
            Path(folder),
            options.bays,
            options.jobs,
            options.kills,
            outage_s=20.0,
            batch=500,
            patience_s=3600.0,
        )
    print(
        f"M4 roll-up: {found.entries:,} entries of {options.bays} bays, {found.kills} kills of the database and as many of the "
        f"processes that take in, {found.lost} lost, "
        f"{found.surplus} twice, sums wrong: {len(found.wrong)}, recovery {found.worst_recovery_s:.1f} s at worst, "
        f"{found.took_s:.0f} s"
    )
    for text in found.wrong:
        print(f"  {text}")
    return 0 if found.sound else 1


if __name__ == "__main__":
    raise SystemExit(main())
