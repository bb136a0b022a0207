"""Goal L1: a station that runs on and on, job after job, with pages looking at it: memory, files, threads, log and disk.

Memory is counted twice: what the process takes of the machine, which moves by itself, and how many pieces Python itself
holds after a clean-up, which does not: one piece kept for each job shows after a few dozen jobs.

``python -m tests.soak.lasting station FOLDER`` is the station; it plays jobs until it is ended and prints a line of JSON
after each. ``memory`` behind it plants a fault: what a page shows of a job is kept, ``files``: a file of it stays open.
"""

import contextlib
import gc
import http.client
import json
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from station.record.verify import verify
from tests.soak import catching_up, mutations
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT
from tests.station.bay.fake_rig import config

WARM = 0.25
"""The share of the run in which caches fill and modules are loaded."""
BLOCKS_A_JOB = 0.5
BLOCKS_MOVE = 1500.0
"""Over a run, with no job to blame: 600 to 1,200 of 700,000, by what the pages were doing when they were counted (measured
over 41 to 522 jobs). What is kept for each job shows beside it once there are jobs enough."""
FILES_MOVE = 4.0
"""A page that is being read has a connection."""
WAL_MB = 64.0
PAGES = (
    "/",
    "/jobs",
    "/jobs.json",
    "/wall",
    "/usage",
    "/quality",
    "/due",
    "/metrics",
    "/health",
    "/view.json",
)


@dataclass(frozen=True)
class Mark:
    """The station after a job. blocks: pieces of memory that Python holds. MB each of what it takes, its log's and
    record's files; files: that are open."""

    job: int
    at_s: float
    rss_mb: float
    blocks: int
    files: int
    threads: int
    wal_mb: float
    record_mb: float


def _rss_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _mb(path: Path) -> float:
    return path.stat().st_size / 1e6 if path.exists() else 0.0


def station(folder: Path, leak: str) -> None:
    """A station with its pages, and somebody who works on its bay."""
    from station.bay import logs
    from station.people.access import Access
    from tests.soak.played import Played
    from web.server import serve

    logs.set_up()
    bay = Played(folder)
    record = config(folder).ledger
    kept: list[object] = []
    wrong: list[BaseException] = []

    def play() -> None:
        try:
            for n in range(1, 10**9):
                bay.job()
                if leak == "memory":
                    kept.append(bay.engine.job(bay.engine.jobs()[0].job_id))
                elif leak == "files":
                    kept.append(record.open("rb"))
                gc.collect()
                files = len(os.listdir("/proc/self/fd"))
                mark = Mark(
                    n,
                    time.monotonic(),
                    _rss_mb(),
                    sys.getallocatedblocks(),
                    files,
                    threading.active_count(),
                    _mb(Path(f"{record}-wal")),
                    _mb(record),
                )
                print(json.dumps(asdict(mark)), flush=True)
        except BaseException as error:
            wrong.append(error)
            os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=play, daemon=True).start()
    serve(bay.engine, Access(None), "127.0.0.1", 0)
    if wrong:
        raise wrong[0]


def _look_about(port: int, over: threading.Event) -> None:
    """Somebody who opens one page after the other, and a live one now and then."""
    n = 0
    while not over.is_set():
        for path in (*PAGES, "/live"):
            with (
                contextlib.suppress(OSError, http.client.HTTPException),
                contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=5)) as connection,
            ):
                connection.request("GET", path)
                with connection.getresponse() as reply:
                    reply.read(2000 if path == "/live" else None)
            n += 1
            if over.wait(0.5):
                return


def slope(marks: Sequence[Mark], of: str) -> float:
    """Per job, by a straight line through all but the warm part."""
    kept = marks[int(WARM * len(marks)) :]
    return statistics.linear_regression([m.job for m in kept], [getattr(m, of) for m in kept]).slope


def l1(for_s: float, jobs_most: int = 10**9, leak: str = "") -> tuple[Seen, list[str]]:
    """So long, or so many jobs; what was seen, and a table."""
    seen = Seen("L1 job after job: memory grew by", unit="MB")
    marks: list[Mark] = []
    with tempfile.TemporaryDirectory() as at:
        folder = Path(at)
        log = folder / "log"
        with log.open("wb") as errors:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.soak.lasting", "station", at, leak],
                cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True,
            )  # fmt: skip
        over = threading.Event()
        assert process.stdout is not None
        ending = threading.Timer(for_s, process.terminate)
        ending.start()
        visitor: threading.Thread | None = None
        try:
            for line in process.stdout:
                found = re.search(r"//127\.0\.0\.1:(\d+)/", line)
                if found is not None:
                    visitor = threading.Thread(target=_look_about, args=(int(found[1]), over), daemon=True)
                    visitor.start()
                elif line.startswith("{"):
                    marks.append(Mark(**json.loads(line)))
                    if len(marks) == jobs_most:
                        process.terminate()
        finally:
            ending.cancel()
            over.set()
            process.terminate()
            if visitor is not None:
                visitor.join(10.0)
            status = process.wait(60)
            process.stdout.close()
        said = log.read_text(encoding="utf-8", errors="replace").splitlines()
        verdict = verify(config(folder).ledger)
    bad = [line for line in said if re.search(r"ERROR|CRITICAL|Traceback|Exception", line)]
    seen.trials = len(marks)
    seen.values = [m.rss_mb - marks[0].rss_mb for m in marks]
    if status:
        seen.failed.append(f"it ended with status {status}: {said[-3:]}")
    if len(marks) < 8:
        seen.failed.append(f"{len(marks)} jobs are too few to see anything grow")
        return seen, []
    kept = marks[int(WARM * len(marks)) :]
    if slope(marks, "blocks") > BLOCKS_A_JOB + BLOCKS_MOVE / len(kept):
        seen.failed.append(f"{slope(marks, 'blocks'):.2f} pieces of memory more with each job")
    for of in ("files", "threads"):
        if slope(marks, of) * len(kept) > FILES_MOVE:
            seen.failed.append(f"{of}: {[getattr(m, of) for m in kept][-10:]}")
    if max(m.wal_mb for m in marks) > WAL_MB:
        seen.failed.append(f"the log of the record grew to {max(m.wal_mb for m in marks):.0f} MB")
    seen.failed += [f"its log says: {line[:200]}" for line in bad[:5]]
    seen.failed += verdict.broken[:5]
    hours = (kept[-1].at_s - kept[0].at_s) / 3600.0
    return seen, [
        "",
        "| L1 | at a quarter | at the end | with each job |",
        "|---|---|---|---|",
        *(
            f"| {what} | {getattr(kept[0], of):{form}} | {getattr(kept[-1], of):{form}} | {slope(marks, of):+.3g} |"
            for what, of, form in (
                ("memory, MB", "rss_mb", ".1f"),
                ("pieces of memory", "blocks", "d"),
                ("open files", "files", "d"),
                ("threads", "threads", "d"),
                ("write-ahead log, MB", "wal_mb", ".2f"),
                ("record, MB", "record_mb", ".2f"),
            )
        ),
        "",
        f"{len(marks)} jobs; the last {len(kept)} in {hours:.2f} h; {verdict.entries} entries, {len(said)} lines of log.",
    ]


def proofs(n: Mapping[str, int], more: list[str]) -> Iterator[Seen]:
    """L1 for so many seconds, L2, and L3 for so many fills, where they are asked for. more: takes their tables."""
    if "L1" in n:
        seen, table = l1(n["L1"])
        more += table
        yield seen
    if "L2" in n:
        with tempfile.TemporaryDirectory() as folder:
            yield mutations.l2(Path(folder), more.append)
    if "L3" in n:
        seen, table = catching_up.l3(n["L3"])
        more += table
        yield seen


def main() -> None:
    station(Path(sys.argv[2]), sys.argv[3])


if __name__ == "__main__":
    main()
