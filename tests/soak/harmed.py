"""What becomes of bays, pages and the record while the roll-up's own database is harmed: held, cancelled, full, frozen, put back.

Four bays of two shops record an entry every third of a second and bring it to ``tallypan roll-up serve`` by HTTP; a page is asked for as
often. Meanwhile the database suffers one harm after another. At the end every entry is there, once, and every sum is what its rows say. In
a table, how long an entry waited at worst: of the bay that the harm is about, where it is about one, and of the others.
"""

from __future__ import annotations

import argparse
import logging
import os
import signal
import subprocess
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg.conninfo import conninfo_to_dict

from station.bay.sender import Sender
from station.given.reporting import RollUpRules
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many.embedded import Embedded, _programs
from station.record.many.store import Store
from tests.rolled import enter, fresh, record, whole
from tests.soak.returning import RollUp, Watched

BAYS = 4
EVERY_S = 0.3
PAGES = ("/", "/jobs", "/wall")
OTHERS = "datname = current_database() and pid <> pg_backend_pid()"


@dataclass
class Harm:
    """A server, the database in it, a folder, and for how long. room: a small file system that holds the server's data, "" where it has
    none of its own."""

    server: Embedded
    dsn: str
    folder: Path
    for_s: float
    room: str = ""

    def held(self, sql: str) -> None:
        with closing(psycopg.connect(self.dsn)) as db:
            db.execute(sql.encode())
            time.sleep(self.for_s)

    def a_row_that_a_person_holds(self) -> None:
        self.held("select * from head where (shop, bay) = ('shop-0', 'bay-0') for update")

    def a_table_that_a_person_holds(self) -> None:
        self.held("lock table event in access exclusive mode")

    def statements_cancelled(self) -> None:
        self._again_and_again(
            f"select pg_cancel_backend(pid) from pg_stat_activity where {OTHERS} and state <> 'idle'", 0.003
        )

    def connections_ended(self) -> None:
        self._again_and_again(f"select pg_terminate_backend(pid) from pg_stat_activity where {OTHERS}", 0.2)

    def _again_and_again(self, sql: str, every_s: float) -> None:
        until_s = time.monotonic() + self.for_s
        with closing(psycopg.connect(self.dsn, autocommit=True)) as db:
            while time.monotonic() < until_s:
                db.execute(sql.encode())
                time.sleep(every_s)

    def no_connection_left(self) -> None:
        """Also those that the roll-up has had are ended, and taken by others before it asks again."""
        taken = [psycopg.connect(self.dsn, autocommit=True)]
        until_s = time.monotonic() + self.for_s
        mine = [taken[0].info.backend_pid]
        while time.monotonic() < until_s:
            with suppress(psycopg.OperationalError):
                while True:
                    taken.append(psycopg.connect(self.dsn))
                    mine.append(taken[-1].info.backend_pid)
            taken[0].execute(
                f"select pg_terminate_backend(pid) from pg_stat_activity where {OTHERS} and pid <> all(%s)".encode(),
                [mine],
            )
            time.sleep(0.05)
        for one in taken:
            one.close()

    def frozen(self) -> None:
        pid = self.server.pid
        pids = [pid, *map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]
        for number in (signal.SIGSTOP, signal.SIGCONT):
            for one in pids:
                os.kill(one, number)
            time.sleep(self.for_s if number is signal.SIGSTOP else 0.0)

    def stopped(self) -> None:
        self.server.close()
        time.sleep(self.for_s)
        self.server.ensure()

    def no_room_on_its_disk(self) -> None:
        """What it lets go of is taken at once."""
        junk = Path(self.room) / "junk"
        until_s = time.monotonic() + self.for_s
        while time.monotonic() < until_s:
            with suppress(OSError), junk.open("ab") as out:
                while True:
                    out.write(b"x" * 4096)
            time.sleep(0.2)
        junk.unlink()
        self.server.ensure()

    def put_back_to_an_older_copy(self) -> None:
        """Of before the bays recorded what they did in that time."""
        name, copy, programs = conninfo_to_dict(self.dsn)["dbname"], str(self.folder / "copy"), _programs()
        subprocess.run([programs / "pg_dump", "-Fc", "-f", copy, self.dsn], check=True)
        time.sleep(self.for_s)
        with closing(psycopg.connect(self.server.dsn, autocommit=True)) as db:
            for sql in ("drop database {} with (force)", "create database {}"):
                db.execute(sql.format(name).encode())
        subprocess.run([programs / "pg_restore", "-d", self.dsn, copy], check=True)


HARMS: tuple[Callable[[Harm], None], ...] = (
    Harm.a_row_that_a_person_holds,
    Harm.a_table_that_a_person_holds,
    Harm.statements_cancelled,
    Harm.connections_ended,
    Harm.no_connection_left,
    Harm.frozen,
    Harm.stopped,
    Harm.put_back_to_an_older_copy,
)


class Bays:
    """They record, send and look for as long as this is not closed."""

    def __init__(self, dsn: str, folder: Path) -> None:
        self.dsn = dsn
        self.paths = [folder / f"bay-{n}" / "bay.sqlite" for n in range(BAYS)]
        for n, path in enumerate(self.paths):
            path.parent.mkdir()
            record(path, 5, seed=n + 1, bay=f"Bay {n}").close()
        with closing(Store(dsn)) as store:
            tokens = [enter(store, f"shop-{n % 2}", f"bay-{n}") for n in range(BAYS)]
        self.roll_up = RollUp(dsn, folder / "roll-up", ordered=True)
        self.offices = []
        for n, token in enumerate(tokens):
            (file := folder / f"token-{n}").write_text(token, encoding="ascii")
            self.offices.append(Watched(RollUpRules(self.roll_up.address, str(file)), None))
        self._senders = [
            Sender(path, office, EVERY_S, 1000, take_fills=office.met)
            for path, office in zip(self.paths, self.offices, strict=True)
        ]
        self.waited_s, self.pages, self.page_s = [0.0] * BAYS, Counter[int](), 0.0
        self._over = threading.Event()
        self._threads = [threading.Thread(target=self._work, args=[n]) for n in range(BAYS)]
        self._threads.append(threading.Thread(target=self._look))
        for one in self._threads:
            one.start()

    def begin(self) -> None:
        self.waited_s, self.pages, self.page_s = [0.0] * BAYS, Counter(), 0.0

    def _work(self, n: int) -> None:
        k = 0
        while not self._over.wait(EVERY_S):
            with closing(Ledger(self.paths[n])) as ledger:
                ledger.append(
                    None, "note", {"n": k}, Moment("boot", float(k), "2026-11-26T12:00:00.000+00:00", True)
                )
            k, seq, begun_s = k + 1, outbox.newest(self.paths[n]), time.monotonic()
            while self.offices[n].seq < seq and not self._over.wait(0.02):
                self.waited_s[n] = max(self.waited_s[n], time.monotonic() - begun_s)

    def _look(self) -> None:
        while not self._over.wait(EVERY_S):
            for page in PAGES:
                begun_s, status = time.monotonic(), 0
                asked = urllib.request.Request(self.roll_up.address + page, headers={"Accept": "text/html"})
                try:
                    with urllib.request.urlopen(asked, timeout=120) as reply:
                        reply.read()
                        status = reply.status
                except urllib.error.HTTPError as error:
                    status = error.code
                except OSError:
                    pass
                self.pages[status] += 1
                self.page_s = max(self.page_s, time.monotonic() - begun_s)

    def catch_up(self, within_s: float = 180.0) -> float:
        """How long it took until what is recorded by now is in."""
        ends, begun_s = [outbox.newest(path) for path in self.paths], time.monotonic()
        while time.monotonic() - begun_s < within_s:
            if all(office.seq >= end for office, end in zip(self.offices, ends, strict=True)):
                break
            time.sleep(0.05)
        return time.monotonic() - begun_s

    def close(self) -> tuple[int, list[str]]:
        """Entries that are not there, and what is wrong."""
        self._over.set()
        for one in self._threads:
            one.join()
        self.catch_up()
        for sender in self._senders:
            sender.close()
        self.roll_up.close()
        with closing(Store(self.dsn)) as store:
            there = {bay.bay: bay.seq for bay in store.bays()}
            lost = sum(outbox.newest(path) - there[f"bay-{n}"] for n, path in enumerate(self.paths))
            return lost, whole(store)


def play(
    server: Embedded, folder: Path, harms: tuple[Callable[[Harm], None], ...], for_s: float, room: str = ""
) -> tuple[int, list[str]]:
    dsn = fresh(server.dsn)
    bays = Bays(dsn, folder)
    try:
        bays.catch_up()
        for harm in harms:
            bays.begin()
            harm(Harm(server, dsn, folder, for_s, room))
            after_s = bays.catch_up()
            said = ", ".join(f"{n} × {status or 'none'}" for status, n in sorted(bays.pages.items()))
            print(
                f"| {harm.__name__.replace('_', ' ')} | {bays.waited_s[0]:.1f} | {max(bays.waited_s[1:]):.1f} | {after_s:.1f} | "
                f"{bays.page_s:.1f} | {said} |",
                flush=True,
            )
    finally:
        found = bays.close()
    return found


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak.harmed", description=__doc__)
    parser.add_argument("--for", dest="for_s", type=float, default=40.0, help="seconds of each harm")
    parser.add_argument(
        "--room",
        default="",
        metavar="FOLDER",
        help="a small file system (80 MB) that is to be filled up, too",
    )
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)
    print(f"{options.for_s:.0f} s of each. In seconds:\n")
    print(
        "| harm | an entry of the first bay | of the others | all in after | a page | pages |\n|---|---|---|---|---|---|"
    )
    sound = True
    for harms, room in ((HARMS, ""), ((Harm.no_room_on_its_disk,), options.room)):
        if harms is not HARMS and not room:
            continue
        with (
            tempfile.TemporaryDirectory(prefix="tallypan-", dir=room or None) as data,
            tempfile.TemporaryDirectory() as folder,
        ):
            Path(data).chmod(0o755)
            with closing(
                Embedded(Path(data), ["max_connections=20", "max_wal_size=32MB", "min_wal_size=32MB"])
            ) as server:
                lost, wrong = play(server, Path(folder), harms, options.for_s, room)
        print(f"\n{lost} entries lost, wrong: {wrong or 'nothing'}\n", flush=True)
        sound = sound and not lost and not wrong
    return 0 if sound else 1


if __name__ == "__main__":
    raise SystemExit(main())
