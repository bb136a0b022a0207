"""The roll-up at a size: how fast it takes records in there, how long its pages take, and each question behind them.

Run from the repository's root: `python tests/bench/bench_shops.py JOBS FOLDER`. A tenth of the jobs is loaded first, and the
taking in measured there too. The folder must be reachable for an unprivileged user, and is left as it is: 1,000,000 jobs need
4 GB, 10,000,000 some 25 GB. What was loaded stays when it breaks off: the same command goes on. Loaded without sync, measured
with the roll-up's own settings. REPORT.md in the folder is what it printed, PLANS.txt what PostgreSQL did for each question
(EXPLAIN with ANALYZE and BUFFERS).

Pages are fetched over HTTP, of other shops and months each time; warm: each page once before; cold: after what the system keeps
of the files in memory was dropped. For questions the server's processor time stands beside the clock: a busy machine lengthens the one and hardly the
other.
"""

from __future__ import annotations

import contextlib
import http.client
import multiprocessing
import os
import queue
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any
from urllib.parse import urlsplit

import psycopg

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station.record import outbox
from station.record.many.embedded import Embedded
from tests.bench import bench_many, thousand_shops
from tests.bench.shops_questions import Asked, ask, plans, table
from tests.bench.thousand_shops import BAYS, FIRST, GOING_ON, SHOPS

TIMES = 12
PAGES, PAGES_BESIDE = 25, 15
SENDING, BATCH, ROUNDS = 128, 1000, 5
"""Bays that go on where their records end, each of another shop."""
PACE = 10_000
"""Entries a second that come in beside the pages."""
SLOW_S, PATIENCE_S = 3.0, 120.0
"""A page that took longer is asked for once in each part; nobody waits longer than the second for any."""
FAST = {
    "fsync": "off",
    "full_page_writes": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "max_wal_size": "4GB",
    "autovacuum": "off",
}


@contextmanager
def running(folder: Path, settings: Mapping[str, str] | None = None) -> Iterator[Embedded]:
    server = Embedded(folder, [f"{name}={value}" for name, value in (settings or {}).items()])
    try:
        yield server
    finally:
        server.close()


def forgotten(folder: Path) -> None:
    """Have the system drop what it keeps of these files in memory; the server must not run."""
    os.sync()
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


@dataclass(frozen=True)
class Sending:
    """Bays of so many shops that go on where their records end. path: of the first bay of any of them."""

    server: tuple[str, int]
    roll_up: tuple[str, int]
    path: Path
    every_s: float = 0.0

    def once(self) -> bench_many.Rate:
        ends = self._caught_up()
        thousand_shops.go_on(self.path, 0, seed=ends)
        batches = bench_many.batches_of(self.path, BATCH, ends)
        tokens = thousand_shops.tokens(self.server[0], SENDING)
        new = outbox.newest(self.path) - ends
        return bench_many.rate(self.roll_up, self.server[1], batches, tokens, new, GOING_ON, self.every_s)

    def _caught_up(self) -> int:
        """Where the record ends, once all these bays have sent it: a run that broke off may have left it half sent."""
        ends = outbox.newest(self.path)
        tokens = thousand_shops.tokens(self.server[0], SENDING)
        with closing(psycopg.connect(self.server[0])) as db:
            shops = [token.split(".")[1] for token in tokens]
            query = "select min(seq) from head where bay = 'bay-0' and shop = any(%s)"
            (there,) = db.execute(query, [shops]).fetchone() or (0,)
        if there < ends:
            batches = bench_many.batches_of(self.path, BATCH, there)
            bench_many.rate(self.roll_up, self.server[1], batches, tokens, ends - there, 0)
        return ends

    def until(self, done: Any, told: Any) -> None:
        """In a process of its own: again and again."""
        while not done.is_set():
            told.put(self.once())


def taking_in(folder: Path) -> list[bench_many.Rate]:
    """Several times, alone."""
    with running(folder) as server, bench_many.served(server.dsn, folder / "people") as roll_up:
        one = Sending((server.dsn, server.pid), roll_up, folder / "bay-0.sqlite")
        return [one.once() for _ in range(ROUNDS)]


def pages(draw: random.Random) -> Iterator[tuple[str, str]]:
    """Whose page it is, and its address."""
    n, bay, month = draw.randrange(SHOPS), draw.randrange(BAYS), draw.randrange(1, 13)
    job = f"{bay + 1:03d}-{draw.randrange(20):05d}"
    for whose, scope in (
        ("shop, month", f"?shop=shop-{n:04d}&month=2026-{month:02d}"),
        ("company, month", f"?month=2026-{month:02d}"),
        ("company, year", "?month=2026-12&months=12"),
    ):
        for page in ("/usage", "/quality", "/jobs", "/calibrations"):
            yield whose, f"{page}{scope}"
        yield whose, f"/jobs{scope}&q=bus+{draw.randrange(30)}"
    yield "shop, month", f"/quality/meter?shop=shop-{n:04d}&month=2026-{month:02d}&meter=Bay+{bay}+meter"
    # of copies the results' texts are left out, which a job's own page reads
    yield "shop, month", f"/jobs/{FIRST}/bay-{bay}/{job}"
    yield "company, month", "/"


def fetch(
    address: str, times: int, slow: set[tuple[str, str]], again: bool = False
) -> dict[tuple[str, str], Asked]:
    """Each page so many times. slow: those that take so long that once is enough; more may be found. again: each is asked for once
    before."""
    answers: dict[tuple[str, str], Asked] = {}
    draw = random.Random(15)
    for n in range(times):
        for whose, path in pages(draw):
            name = "one job" if path.count("/") > 2 else path.partition("?")[0]
            name = f"{name}, found" if "q=bus" in path else name
            if n and (whose, name) in slow:
                continue
            if again:
                _fetched(address, path)
            took_s = _fetched(address, path)
            if took_s > SLOW_S:
                slow.add((whose, name))
            answers.setdefault((whose, name), Asked()).clock_ms.append(1e3 * took_s)
    for whose in sorted({whose for whose, _page in answers}):
        every = [ms for (of, _page), one in answers.items() if of == whose for ms in one.clock_ms]
        answers[whose, "all of them"] = Asked(every)
    return answers


def _fetched(address: str, path: str) -> float:
    """How long a page took, seconds; at most PATIENCE_S, after which nobody waits for it."""
    where = urlsplit(f"//{address}")
    headers = {"Accept": "text/html", "Accept-Encoding": "gzip"}
    begun_s = time.perf_counter()
    with closing(http.client.HTTPConnection(where.hostname or "", where.port, timeout=PATIENCE_S)) as line:
        try:
            line.request("GET", path, headers=headers)
            reply = line.getresponse()
            data = reply.read()
        except TimeoutError:
            return PATIENCE_S
    if reply.status != 200:
        raise SystemExit(f"{path}: {reply.status} {data[:300]!r}")
    return time.perf_counter() - begun_s


def page_table(cold: Mapping[Any, Asked], warm: Mapping[Any, Asked], beside: Mapping[Any, Asked]) -> str:
    rows = [
        f"| {whose} | {page} | {' | '.join(part[whose, page].quantiles() for part in (warm, beside, cold))} |"
        for whose, page in warm
    ]
    heads = "| whose | page | warm: p50 / p95, ms | under ingest | cold |\n|---|---|---|---|---|"
    return "\n".join([heads, *rows])


def loaded(folder: Path, jobs: int, say: Callable[[str], None]) -> Path:
    """A database with so many jobs."""
    here = folder / str(jobs)
    done = here / "LOADED"
    if not done.exists():
        here.mkdir(exist_ok=True)
        here.chmod(0o755)
        with running(here, FAST) as server:
            thousand_shops.load(server.dsn, here, jobs, say)
            if wrong := thousand_shops.unlike(server.dsn, 20):
                raise SystemExit(f"sums are not what their rows add up to: {wrong}")
            say(f"{jobs:,} jobs: the sums of 20 shops are what their rows add up to")
        done.touch()
    return here


def beside(
    server: Embedded, roll_up: tuple[str, int], path: Path, slow: set[tuple[str, str]]
) -> tuple[dict[Any, Asked], list[bench_many.Rate]]:
    """Pages while bays send at some pace, from another process."""
    apart = multiprocessing.get_context("spawn")
    done, told = apart.Event(), apart.Queue()
    every_s = BATCH * bench_many.AT_ONCE / PACE
    one = Sending((server.dsn, server.pid), roll_up, path, every_s)
    process = apart.Process(target=one.until, args=(done, told))
    process.start()
    rates = [told.get(timeout=300)]  # it has begun
    found = fetch(roll_up[0], PAGES_BESIDE, slow)
    done.set()
    rates.append(told.get(timeout=300))
    while process.is_alive() or not told.empty():
        with contextlib.suppress(queue.Empty):
            rates.append(told.get(timeout=1))
    process.join()
    return found, rates[1:]


def main() -> None:
    if len(sys.argv) == 3:
        measure(int(sys.argv[1]), Path(sys.argv[2]).resolve())
    else:  # as one of all benches
        with tempfile.TemporaryDirectory() as folder:
            measure(100_000, Path(folder))


def measure(jobs: int, folder: Path) -> None:
    begun_s = time.monotonic()
    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o755)
    report = (folder / "REPORT.md").open("a", encoding="utf-8")

    def say(text: str) -> None:
        print(f"{time.monotonic() - begun_s:5.0f} s: {text}", flush=True)

    def tell(text: str) -> None:
        print(f"{text}\n", flush=True)
        print(f"{text}\n", file=report, flush=True)

    tell(f"{jobs:,} jobs of {SHOPS} shops, load {os.getloadavg()[0]:.1f}")
    middle: list[float] = []
    for size in (jobs // 10, jobs):
        here = loaded(folder, size, say)
        rates = taking_in(here)
        tell(
            f"| jobs there | {bench_many.HEADS} |\n|---|{bench_many.RULE}\n"
            + "\n".join(f"| {size:,} | {one.row()} |" for one in rates)
        )
        middle.append(median(one.entries_s for one in rates))
        say("taken in")
    tell(
        f"Middle of {ROUNDS}: {middle[0]:,.0f} and {middle[1]:,.0f} entries/s, {middle[1] / middle[0] - 1.0:+.1%}."
    )
    with running(here) as server:
        tell(f"Questions:\n\n{table(ask(server.dsn, TIMES))}")
        whole, lines = plans(server.dsn)
        (folder / "PLANS.txt").write_text(f"{whole}\n", encoding="utf-8")
        tell(lines)
    say("asked")
    forgotten(here)
    with running(here) as server, bench_many.served(server.dsn, here / "people") as roll_up:
        slow: set[tuple[str, str]] = set()
        cold = fetch(roll_up[0], 1, slow)
        warm = fetch(roll_up[0], PAGES, slow, again=True)
        under, rates = beside(server, roll_up, here / "bay-0.sqlite", slow)
        tell(page_table(cold, warm, under))
        tell(
            f"| beside these pages, at a pace | {bench_many.HEADS} |\n|---|{bench_many.RULE}\n"
            + "\n".join(f"| {jobs:,} | {one.row()} |" for one in rates)
        )
    size_gb = sum(path.stat().st_blocks * 512 for path in folder.rglob("*") if path.is_file()) / 1e9
    say(f"done; {size_gb:.1f} GB in {folder}, {shutil.disk_usage(folder).free / 1e9:.0f} GB free")


if __name__ == "__main__":
    main()
