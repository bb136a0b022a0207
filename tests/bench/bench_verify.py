"""What checking a whole record costs, against bare SHA-256 over the same bytes as SQLite reads them.

``python tests/bench/bench_verify.py [ENTRIES]``: a record of short jobs, each opened, ticked, marked and closed with its
row and checkpoint, of which every hundredth has half a minute of samples.
"""

import hashlib
import random
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from station.record.ledger import Ledger, SamplesDigest, now
from station.record.verify import verify
from tests.station.record.filled import row_of
from tests.station.record.live_stream import live_stream

ENTRIES = 100_000
EVENTS_A_JOB = 60


def build(path: Path, entries: int) -> None:
    ledger = Ledger(path)
    ledger.db.execute("pragma synchronous = off")  # nothing here is about syncing
    stream, at = live_stream(random.Random(1), 0.5), now(1.0)
    for first in range(0, entries, EVENTS_A_JOB * 100):
        with ledger.transaction():
            for job in range(100):
                job_id = f"20260101-{first // EVENTS_A_JOB + job:06d}"
                ledger.append(job_id, "job_open", {"job": {"capacity": "2.9 L", "labels": {}}}, at)
                for n in range(EVENTS_A_JOB - 3):
                    text = f"done: item {n} of the list, as the manual says"
                    ledger.append(job_id, "check", {"text": text, "key": f"k{n}", "done": True}, at)
                samples = stream if job == 0 else []
                digest = SamplesDigest()
                for sample in samples:
                    digest.add(sample)
                ledger.add_samples(job_id, 0, samples)
                row = row_of(job_id)
                body = {"report": {"filled_l": 2.9}, "row": row, "samples": len(samples)}
                ledger.append(job_id, "result", {**body, "samples_sha256": digest.hexdigest()}, at, row)
                moved = {"kind": "waste", "fluid": "oil", "volume_l": 0.1, "u95_l": 0.01, "note": job_id}
                ledger.append(None, "movement", moved, at)
    ledger.close()


def bare_s(path: Path) -> float:
    """Reading every column of every entry, block and row, and one SHA-256 over all of it."""
    began_s, sha = time.process_time(), hashlib.sha256()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        for table in ("event", "job", "movement", "block", "checkpoint"):
            for row in db.execute(f"select * from {table}"):
                for value in row:
                    sha.update(value if isinstance(value, bytes) else str(value).encode())
    return time.process_time() - began_s


def main() -> None:
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else ENTRIES
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "l.sqlite"
        build(path, entries)
        best_s, whole_s = float("inf"), float("inf")
        for _ in range(3):
            best_s = min(best_s, bare_s(path))
            began_s = time.process_time()
            verdict = verify(path)
            whole_s = min(whole_s, time.process_time() - began_s)
            if verdict.broken:
                raise SystemExit(f"a clean record is called broken: {verdict.broken[:3]}")
    print(
        f"verify, {verdict.entries} entries: {whole_s:.2f} s of a core, bare SHA-256 {best_s:.2f} s: {whole_s / best_s:.1f} ×"
    )


if __name__ == "__main__":
    main()
