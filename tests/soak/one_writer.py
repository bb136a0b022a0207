"""Goal D9: one connection writes and checkpoints, whoever else tries; readers are opened read-only and do neither.

Before SQLite 3.51.3 two connections that write or checkpoint at the same moment can damage the log (its WAL-reset fault,
https://sqlite.org/wal.html#walresetbug), so the one writer is not a matter of taste.
"""

import multiprocessing
import os
import sqlite3
import threading
import time
from pathlib import Path

from station.errors import LedgerBusy, LedgerError
from station.record import lock, verify
from station.record.ledger import Ledger
from tests.soak.backups import _write
from tests.soak.proofs import Seen

READERS = 4


def one_writer(folder: Path, seconds: float, planted: bool = False) -> Seen:
    """A writer under load, four readers, and somebody who keeps trying to write too. planted: the lock holds nobody."""
    seen = Seen("D9 one writer, four readers", unit="entries read")
    path = folder / "l.sqlite"
    context = multiprocessing.get_context("spawn")
    acknowledged, halt = context.Value("q", 0), context.Event()
    writer = context.Process(target=_write, args=(path, acknowledged, halt))
    writer.start()
    wrong: list[str] = []
    done = threading.Event()
    while acknowledged.value == 0 and writer.is_alive():
        time.sleep(0.02)

    def read() -> None:
        while not done.is_set():
            before = acknowledged.value
            try:
                ledger = Ledger(path, read_only=True)
                try:
                    newest = ledger.db.execute("select max(seq) from event").fetchone()[0]
                    for row in ledger.jobs(2):
                        ledger.samples(row.job_id)
                finally:
                    ledger.close()
            except (LedgerError, sqlite3.Error) as error:
                wrong.append(f"a reader failed: {error}")
                return
            if newest < before:
                wrong.append(f"a reader saw {newest} entries of {before}")
            seen.values.append(float(newest))

    readers = [threading.Thread(target=read) for _ in range(READERS)]
    for reader in readers:
        reader.start()
    wait_s, lock.WAIT_S = lock.WAIT_S, 0.0
    lock_of = path.with_name(f"{path.name}.lock")
    try:
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s:
            if planted:
                lock_of.unlink(missing_ok=True)
            seen.trials += 1
            try:
                Ledger(path).close()
                wrong.append(f"process {os.getpid()} could write too")
                break
            except LedgerBusy:
                time.sleep(0.02)
    finally:
        lock.WAIT_S = wait_s
        done.set()
        for reader in readers:
            reader.join(10.0)
        halt.set()
        writer.join(30.0)
        if writer.is_alive():
            writer.kill()
    seen.failed += [*wrong[:20], *verify.verify(path).broken]
    return seen
