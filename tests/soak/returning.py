"""All bays come back in the same second, each with a week's record, beside a few that were never away, and while pages are asked for.

The roll-up is its own command over HTTP, each bay's sender the station's own with its own waits; the week's record is read by many
bays from the same few files. The roll-up (SIGKILL) and its database are killed in turn while the backlog comes in. ``without_order``
plants what was before batches stood in line: they are taken in as they came, however many.
"""

from __future__ import annotations

import argparse
import itertools
import logging
import os
import random
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from station.bay.office import Answer, HttpOffice, Later, Unreachable
from station.bay.sender import Sender, Told
from station.given.reporting import RollUpRules
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many.arriving import Batch
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from station.record.versions import At
from tests.rolled import enter, fresh, record, whole
from tests.soak.rolling import RECORDS, engine
from web.shop.many import in_line

JOBS, NOTES = 40, 18
"""A bay's week: 20 entries a job."""
LIVE_EVERY_S = 0.5
PAGES = ("/", "/jobs", "/wall")
SERVE = "from tests.soak import returning; from station.__main__ import main; {plant}raise SystemExit(main())"


@dataclass
class Returned:
    """What came of a run. sent: entries that went out to bring so many in, those of the bays that were never away not among them.
    away: how often a bay was asked to come later; failed: how often it got no answer, or another. waited_s: from when each
    entry of today was recorded until its bay heard that it is in; pages_s: what each page took. killed_s: until both were up again after
    the last kill; took_s, half_s: until all bays were through, and half of them."""

    entries: int
    sent: int = 0
    away: int = 0
    failed: int = 0
    lost: int = 0
    wrong: tuple[str, ...] = ()
    kills: int = 0
    killed_s: float = 0.0
    took_s: float = 0.0
    half_s: float = 0.0
    memory_mb: int = 0
    waited_s: list[float] = field(default_factory=list)
    pages_s: list[float] = field(default_factory=list)
    no_page: int = 0

    @property
    def sound(self) -> bool:
        return not (self.lost or self.wrong)

    def row(self, name: str) -> str:
        live, pages = sorted(self.waited_s), sorted(self.pages_s)
        return (
            f"| {name} | {self.entries:,} | {self.took_s:.1f} ({self.half_s:.1f}) | {self.sent / self.entries:.2f} | {self.away} | "
            f"{self.failed} | {statistics.median(live):.2f} · {live[-1]:.2f} ({len(live)}) | {statistics.median(pages):.2f} · "
            f"{pages[-1]:.2f} ({len(pages)}, {self.no_page} without) | {self.memory_mb} | {self.kills} in {self.killed_s:.0f} s | {self.lost} | {len(self.wrong)} |"
        )


HEAD = """| | entries | all in (half of the bays), s | sent for one | sent away | no answer | a live entry waited: median · longest, s (of) | a page: likewise | memory, MB | kills | lost | sums wrong |
|---|---|---|---|---|---|---|---|---|---|---|---|"""


class Watched(HttpOffice):
    """The station's own way to the roll-up, and what came of each batch."""

    def __init__(self, rules: RollUpRules, found: Returned | None) -> None:
        super().__init__(rules)
        self._found, self.seq, self.last_s, self._at = found, 0, 0.0, At()

    def head(self, newest: int) -> int:
        try:
            return super().head(newest)
        except Later:
            self._count(0, away=1)
            raise

    def take(self, batch: Batch) -> Answer:
        n = len(batch.entries)
        try:
            answer = super().take(batch)
        except Later:
            self._count(n, away=1)
            raise
        except Unreachable:
            self._count(n, failed=1)
            raise
        self._count(n)
        self.last_s, self.seq = time.monotonic(), answer.seq
        return answer

    def met(self, issues: Told) -> At:
        """What the bay's sisters filled, as far as it is kept here."""
        for issue in issues:
            self._at = At(issue["version"], issue["series"])
        return self._at

    def _count(self, entries: int, away: int = 0, failed: int = 0) -> None:
        if self._found is not None:
            with _COUNTING:
                self._found.sent += entries
                self._found.away += away
                self._found.failed += failed


_COUNTING = threading.Lock()


class RollUp:
    """The command, over a database and on a port of its own, which it keeps when it is killed and started again."""

    def __init__(self, dsn: str, folder: Path, ordered: bool) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        plant = "" if ordered else "returning.without_order(); "
        words = ["roll-up", "serve", "--simulated", "--dsn", dsn, "--data", str(folder)]
        self._command = [sys.executable, "-c", SERVE.format(plant=plant), *words, "--port", str(self.port)]
        self.peak_mb = 0
        self.start()

    def start(self) -> None:
        self._child = subprocess.Popen(
            self._command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert self._child.stdout is not None
        if "http://" not in (ready := self._child.stdout.readline()):
            raise SystemExit(f"the roll-up did not start: {ready!r}")

    def look(self) -> None:
        """Keep the most memory that it and those beside it ever had, together."""
        with suppress(OSError, IndexError):
            pids = [self._child.pid]
            pids += map(int, Path(f"/proc/{pids[0]}/task/{pids[0]}/children").read_text().split())
            told = [Path(f"/proc/{pid}/status").read_text() for pid in pids]
            self.peak_mb = max(
                self.peak_mb, sum(int(each.split("VmHWM:")[1].split()[0]) for each in told) // 1024
            )

    def kill(self) -> None:
        self._child.kill()
        self._end()

    def close(self) -> None:
        self._child.terminate()
        self._end()

    def _end(self) -> None:
        self._child.wait(60)
        if self._child.stdout is not None:
            self._child.stdout.close()


def without_order() -> None:
    """No place is refused, and nobody lets anybody pass."""
    in_line.WAIT_S, in_line.LONG_S = 1e9, 0.0


def come_back(
    server: Embedded,
    folder: Path,
    bays: int,
    live: int = 5,
    jobs: int = JOBS,
    kills: int = 0,
    ordered: bool = True,
    patience_s: float = 600.0,
) -> Returned:
    """bays: so many with a record of so many jobs each, all at once; live: so many whose record is there but for today's entries."""
    dsn = fresh(server.dsn)
    weeks = [folder / f"week-{n}" / "bay.sqlite" for n in range(RECORDS)]
    todays = [folder / f"live-{n}" / "bay.sqlite" for n in range(live)]
    for n, path in enumerate([*weeks, *todays]):
        path.parent.mkdir(parents=True)
        record(path, jobs if path in weeks else 1, seed=n + 1, bay=f"Bay {n}", notes=NOTES).close()
    mine = [weeks[n % RECORDS] for n in range(bays)]
    ends = [outbox.newest(path) for path in mine]
    found = Returned(sum(ends))
    with closing(Store(dsn, server.ensure)) as store:
        tokens = [enter(store, f"shop-{n // 4}", f"bay-{n}") for n in range(bays + live)]
        with closing(RollUp(dsn, folder / "roll-up", ordered)) as roll_up:
            rules = [_rules(roll_up.address, folder, n, token) for n, token in enumerate(tokens)]
            offices = [Watched(each, found) for each in rules[:bays]]
            with _live(todays, rules[bays:], found) as waits, _pages(roll_up, found):
                began_s = time.monotonic()
                senders = [
                    Sender(path, office, 5.0, rules[0].batch, take_fills=office.met)
                    for path, office in zip(mine, offices, strict=True)
                ]
                draw = random.Random(bays)
                try:
                    for n in range(kills):
                        time.sleep(draw.uniform(0.3, 1.0))
                        _kill(server, roll_up, database=n % 2 == 1)
                        found.kills, found.killed_s = n + 1, time.monotonic() - began_s

                    def left() -> int:
                        roll_up.look()
                        return sum(office.seq < end for office, end in zip(offices, ends, strict=True))

                    _until(lambda: not left(), patience_s)
                    waits()
                finally:
                    for sender in senders:
                        sender.close()
            in_s = sorted(office.last_s - began_s for office in offices)
            found.took_s, found.half_s = in_s[-1], in_s[len(in_s) // 2]
            found.memory_mb = roll_up.peak_mb
    with closing(
        Store(dsn, server.ensure)
    ) as store:  # the one before has connections to a database that was killed
        there = {(bay.shop, bay.bay): bay.seq for bay in store.bays()}
        for path, token in zip([*mine, *todays], tokens, strict=True):
            _, shop, bay, _ = token.split(".")
            found.lost += max(0, outbox.newest(path) - there[shop, bay])
        found.wrong = tuple(whole(store))
    return found


def _rules(address: str, folder: Path, n: int, token: str) -> RollUpRules:
    file = folder / f"token-{n}"
    file.write_text(token, encoding="ascii")
    return RollUpRules(address, str(file))


def _kill(server: Embedded, roll_up: RollUp, database: bool) -> None:
    if database:
        os.kill(server.pid, signal.SIGKILL)
        server.ensure()
    else:
        roll_up.kill()
        roll_up.start()


def _until(there: Callable[[], bool], patience_s: float) -> None:
    until_s = time.monotonic() + patience_s
    while not there() and time.monotonic() < until_s:
        time.sleep(0.1)


@contextmanager
def _live(paths: list[Path], rules: list[RollUpRules], found: Returned) -> Iterator[Callable[[], None]]:
    """Bays that record something now and then. What it gives waits until each has brought in one more."""
    offices = [Watched(each, None) for each in rules]
    senders = [
        Sender(path, office, LIVE_EVERY_S, 1000, take_fills=office.met)
        for path, office in zip(paths, offices, strict=True)
    ]
    rounds, over = [0] * len(paths), threading.Event()

    def work(n: int) -> None:
        for k in itertools.count():
            with closing(Ledger(paths[n])) as ledger:
                at = Moment("boot", float(k), "2026-11-26T12:00:00.000+00:00", True)
                ledger.append(None, "note", {"n": k}, at)
            recorded_s, seq = time.monotonic(), outbox.newest(paths[n])
            while offices[n].seq < seq:
                if over.wait(0.01):
                    return
            if rounds[n]:  # the first one brought what was there before
                found.waited_s.append(time.monotonic() - recorded_s)
            rounds[n] += 1

    def one_more() -> None:
        before = list(rounds)
        _until(lambda: all(now > then for now, then in zip(rounds, before, strict=True)), 120.0)

    threads = [threading.Thread(target=work, args=[n]) for n in range(len(paths))]
    for thread in threads:
        thread.start()
    try:
        one_more()
        one_more()
        found.waited_s.clear()
        yield one_more
    finally:
        over.set()
        for thread in threads:
            thread.join()
        ends = [outbox.newest(path) for path in paths]
        _until(lambda: all(office.seq >= end for office, end in zip(offices, ends, strict=True)), 120.0)
        for sender in senders:
            sender.close()


@contextmanager
def _pages(roll_up: RollUp, found: Returned) -> Iterator[None]:
    over = threading.Event()

    def look() -> None:
        for page in itertools.cycle(PAGES):
            began_s = time.monotonic()
            try:
                asked = urllib.request.Request(roll_up.address + page, headers={"Accept": "text/html"})
                with urllib.request.urlopen(asked, timeout=60) as reply:
                    reply.read()
                found.pages_s.append(time.monotonic() - began_s)
            except OSError:  # killed, or of a database that is
                found.no_page += 1
            if over.wait(0.2):
                return

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def main() -> int:
    """50 bays with a week each, and while both are killed; 400 likewise, and without order."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak.returning", description=__doc__)
    parser.add_argument("--bays", type=int, default=50)
    parser.add_argument("--kills", type=int, default=6)
    parser.add_argument("--many", type=int, default=400, help="bays in the second round")
    parser.add_argument("--jobs", type=int, default=JOBS, help="of each bay, 20 entries a job")
    options = parser.parse_args()
    logging.disable(logging.CRITICAL)  # each kill is felt by every bay
    sound, longest_s = True, list[float]()
    print(HEAD, flush=True)
    with tempfile.TemporaryDirectory() as folder, engine() as server:
        for name, bays, kills, ordered in (
            ("in order", options.bays, 0, True),
            ("killed meanwhile", options.bays, options.kills, True),
            ("killed meanwhile", options.many, options.kills, True),
            ("in order", options.many, 0, True),
            ("without order", options.many, 0, False),
        ):
            found = come_back(server, Path(folder) / f"{name} {bays}", bays, 5, options.jobs, kills, ordered)
            sound = sound and found.sound
            longest_s.append(max(found.waited_s))
            print(found.row(f"{bays} bays, {name}"), flush=True)
    *_, in_order_s, without_s = longest_s
    if 2.0 * in_order_s > without_s:
        print(
            f"a live entry waited {in_order_s:.1f} s in order and {without_s:.1f} s without: it does not help"
        )
    return 0 if sound and 2.0 * in_order_s <= without_s else 1


if __name__ == "__main__":
    raise SystemExit(main())
