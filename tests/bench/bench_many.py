"""How fast the roll-up takes records in, by the whole path: HTTP, parse, verify, tree, events, rows, sums, commit.

Run from the repository's root: `python tests/bench/bench_many.py [PROCESSES …]`. The roll-up is `tallypan roll-up serve`, with so many
processes that take batches in, each number in turn, or with its own default; the database is the embedded one, with its sync on.
Bays send one after the other, several at a time, what was made before. Beside the clock, which counts on a quiet machine only,
stands what the roll-up's processes, PostgreSQL's and the senders' own used of the processor, which other work on the machine
lengthens less.
"""

from __future__ import annotations

import http.client
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter, process_time, sleep
from urllib.parse import urlsplit

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station.bay.office import TAKE
from station.record import outbox
from station.record.many import wire
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from tests.rolled import enter, fresh, record, whole
from tests.soak.rolling import engine

JOBS, NOTES = 300, 16
"""Of 18 entries each, as a real job has about; a movement beside every fifth."""
BAYS_A_SHOP, AT_ONCE = 4, 8
"""More send at once than take in: no process waits for a bay."""
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Rate:
    """What so many entries took: by the clock, of the roll-up's processes, of PostgreSQL, and of those that sent; seconds."""

    entries: int
    jobs: int
    clock_s: float
    python_s: float
    postgres_s: float
    senders_s: float

    @property
    def entries_s(self) -> float:
        return self.entries / self.clock_s

    def row(self) -> str:
        """entries/s and jobs/s by the clock, processor time of each per 1,000 entries, and the share of two cores that all of
        them used."""
        each = (self.python_s, self.postgres_s, self.senders_s)
        told = " | ".join(f"{1e6 * s / self.entries:.1f}" for s in each)
        share = sum(each) / (2.0 * self.clock_s)
        return f"{self.entries_s:,.0f} | {self.jobs / self.clock_s:,.0f} | {told} | {share:.0%}"


HEADS = "entries/s | jobs/s | roll-up, ms/1,000 | PostgreSQL | senders | of two cores"
RULE = "---|---|---|---|---|---|"


@contextmanager
def served(dsn: str, folder: Path, processes: int | None = None) -> Iterator[tuple[str, int]]:
    """The roll-up over a database, as its command serves it: its address and its process. processes: as of its command."""
    command = [sys.executable, "-m", "station", "roll-up", "serve", "--dsn", dsn, "--data", str(folder)]
    command += [] if processes is None else ["--processes", str(processes)]
    child = subprocess.Popen([*command, "--port", "0", "--simulated"], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        ready = child.stdout.readline()
        if "http://" not in ready:
            raise SystemExit(f"the roll-up did not start: {ready!r}")
        yield ready.split("http://")[1].split("/")[0], child.pid
    finally:
        child.terminate()
        try:
            child.wait(30)
        except subprocess.TimeoutExpired:  # a page is being made still
            child.kill()
            child.wait()


def processor_s(pid: int) -> float:
    """What a process, those it waited for, its children and theirs used so far."""
    try:
        told = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:15]
        below = [int(text) for text in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):  # it ended, and counts among those waited for
        return 0.0
    return sum(map(int, told)) / _TICKS + sum(map(processor_s, below))


def batches_of(path: Path, size: int, after: int = 0) -> list[bytes]:
    """A record as a bay sends it, behind an entry."""
    found, seq, newest = [], after, outbox.newest(path)
    while seq < newest:
        batch = outbox.batch(path, seq, size)
        found.append(wire.batch_text(batch))
        seq = batch.entries[-1].seq
    return found


def send(address: str, token: str, batches: Sequence[bytes], every_s: float = 0.0) -> None:
    """As a bay's sender does, over one connection, a batch at most every so often. Raises SystemExit where the roll-up does not
    take it."""
    where = urlsplit(f"//{address}")
    headers = {"Authorization": f"Bearer {token}", "X-Tallypan": "1", "Content-Type": "application/json"}
    with closing(http.client.HTTPConnection(where.hostname or "", where.port, timeout=120)) as line:
        for data in batches:
            next_s = perf_counter() + every_s
            line.request("POST", TAKE, data, headers)
            reply = line.getresponse()
            told = json.loads(reply.read())
            if reply.status != 200 or told["fault"] is not None:
                raise SystemExit(f"{reply.status}: {told}")
            sleep(max(0.0, next_s - perf_counter()))


def rate(
    roll_up: tuple[str, int],
    postgres: int,
    batches: Sequence[bytes],
    tokens: Sequence[str],
    entries: int,
    jobs: int,
    every_s: float = 0.0,
) -> Rate:
    """The same record from each of these bays. roll_up: as ``served`` has it. postgres: its process. entries, jobs: of one
    record. every_s: as of ``send``."""
    address, pid = roll_up
    before = processor_s(pid), processor_s(postgres), process_time()
    begun_s = perf_counter()
    with ThreadPoolExecutor(AT_ONCE) as bays:
        list(bays.map(lambda token: send(address, token, batches, every_s), tokens))
    clock_s = perf_counter() - begun_s
    after = processor_s(pid), processor_s(postgres), process_time()
    used = [b - a for a, b in zip(before, after, strict=True)]
    return Rate(entries * len(tokens), jobs * len(tokens), clock_s, *used)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, engine() as server:
        path = Path(folder) / "bay.sqlite"
        record(path, JOBS, notes=NOTES).close()
        print(f"| processes | entries a batch | {HEADS} |\n|---|---|{RULE}")
        asked: list[int | None] = [int(text) for text in sys.argv[1:]]
        for processes in asked or [None]:
            for size, bays in ((2000, 16), (500, 32), (100, 8), (20, 4)):
                found = _measured(server, path, processes, size, bays)
                print(
                    f"| {'default' if processes is None else processes} | {size} | {found.row()} |",
                    flush=True,
                )


def _measured(server: Embedded, path: Path, processes: int | None, size: int, bays: int) -> Rate:
    dsn = fresh(server.dsn)
    with closing(Store(dsn)) as store:
        tokens = [enter(store, f"shop-{n // BAYS_A_SHOP}", f"bay-{n % BAYS_A_SHOP}") for n in range(bays)]
        with tempfile.TemporaryDirectory() as data, served(dsn, Path(data), processes) as roll_up:
            found = rate(roll_up, server.pid, batches_of(path, size), tokens, outbox.newest(path), JOBS)
        if wrong := whole(store):
            raise SystemExit(f"not whole: {wrong}")
    return found


if __name__ == "__main__":
    main()
