"""How fast the roll-up takes records in, by the whole path: HTTP, parse, verify, tree, events, rows, sums, commit.

Run from the repository's root: `python tests/bench/bench_many.py`. The roll-up is `tallypan roll-up serve`, one process; the
database is the embedded one, with its sync on. Bays send one after the other, several at a time, what was made before. Beside
the clock stands what the roll-up's process and PostgreSQL's used of the processor, which other work on the machine does not
lengthen much.
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
from time import perf_counter
from urllib.parse import urlsplit

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station.bay.office import TAKE
from station.record import outbox
from station.record.many import wire
from station.record.many.store import Store
from tests.rolled import enter, fresh, record, whole
from tests.soak.rolling import engine

JOBS, NOTES = 300, 16
"""Of 18 entries each, as a real job has about; a movement beside every fifth."""
BAYS_A_SHOP, AT_ONCE = 4, 4
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Rate:
    """What so many entries took: by the clock, of the roll-up's process, and of PostgreSQL; seconds."""

    entries: int
    jobs: int
    clock_s: float
    python_s: float
    postgres_s: float

    def row(self) -> str:
        """entries/s and jobs/s by the clock, processor seconds of both per 1,000 entries, and what two cores would do that
        do nothing else, each process on its own core and none spread over two."""
        python_ms, postgres_ms = (1e6 * s / self.entries for s in (self.python_s, self.postgres_s))
        by_cpu = 1e6 / max(python_ms, (python_ms + postgres_ms) / 2.0)
        return (
            f"{self.entries / self.clock_s:,.0f} | {self.jobs / self.clock_s:,.0f} | {python_ms:.1f} | {postgres_ms:.1f} | "
            f"{by_cpu:,.0f}"
        )


HEADS = "entries/s | jobs/s | roll-up, ms/1,000 | PostgreSQL, ms/1,000 | two idle cores, entries/s"


@contextmanager
def served(dsn: str, folder: Path) -> Iterator[tuple[str, int]]:
    """The roll-up over a database, as its command serves it: its address and its process."""
    command = [sys.executable, "-m", "station", "roll-up", "serve", "--dsn", dsn, "--data", str(folder)]
    child = subprocess.Popen([*command, "--port", "0", "--simulated"], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        ready = child.stdout.readline()
        if "http://" not in ready:
            raise SystemExit(f"the roll-up did not start: {ready!r}")
        yield ready.split("http://")[1].split("/")[0], child.pid
    finally:
        child.terminate()
        child.wait(30)


def processor_s(pid: int) -> float:
    """What a process, those it waited for, and its children used so far."""

    def fields(one: int) -> list[int]:
        return [int(text) for text in Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()[11:15]]

    own = sum(fields(pid))
    for text in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        try:
            own += sum(fields(int(text))[:2])
        except FileNotFoundError:
            continue  # it ended, and counts among those waited for
    return own / _TICKS


def batches_of(path: Path, size: int, after: int = 0) -> list[bytes]:
    """A record as a bay sends it, behind an entry."""
    found, seq, newest = [], after, outbox.newest(path)
    while seq < newest:
        batch = outbox.batch(path, seq, size)
        found.append(wire.batch_text(batch))
        seq = batch.entries[-1].seq
    return found


def send(address: str, token: str, batches: Sequence[bytes]) -> None:
    """As a bay's sender does, over one connection. Raises SystemExit where the roll-up does not take it."""
    where = urlsplit(f"//{address}")
    headers = {"Authorization": f"Bearer {token}", "X-Tallypan": "1", "Content-Type": "application/json"}
    with closing(http.client.HTTPConnection(where.hostname or "", where.port, timeout=120)) as line:
        for data in batches:
            line.request("POST", TAKE, data, headers)
            reply = line.getresponse()
            told = json.loads(reply.read())
            if reply.status != 200 or told["fault"] is not None:
                raise SystemExit(f"{reply.status}: {told}")


def rate(
    dsn: str, postgres: int, batches: Sequence[bytes], tokens: Sequence[str], entries: int, jobs: int
) -> Rate:
    """The same record from each of these bays. entries, jobs: of one record."""
    with tempfile.TemporaryDirectory() as folder, served(dsn, Path(folder)) as (address, pid):
        before = processor_s(pid), processor_s(postgres)
        begun_s = perf_counter()
        with ThreadPoolExecutor(AT_ONCE) as bays:
            list(bays.map(lambda token: send(address, token, batches), tokens))
        clock_s = perf_counter() - begun_s
        used = processor_s(pid) - before[0], processor_s(postgres) - before[1]
    return Rate(entries * len(tokens), jobs * len(tokens), clock_s, *used)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, engine() as server:
        path = Path(folder) / "bay.sqlite"
        record(path, JOBS, notes=NOTES).close()
        newest = outbox.newest(path)
        print(f"| entries a batch | {HEADS} |\n|---|---|---|---|---|---|")
        for size, bays in ((2000, 16), (500, 16), (100, 8), (20, 4)):
            dsn = fresh(server.dsn)
            with closing(Store(dsn)) as store:
                tokens = [
                    enter(store, f"shop-{n // BAYS_A_SHOP}", f"bay-{n % BAYS_A_SHOP}") for n in range(bays)
                ]
                found = rate(dsn, server.pid, batches_of(path, size), tokens, newest, JOBS)
                if wrong := whole(store):
                    raise SystemExit(f"not whole: {wrong}")
            print(f"| {size} | {found.row()} |", flush=True)


if __name__ == "__main__":
    main()
