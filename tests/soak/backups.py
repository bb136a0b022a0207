"""Goal D7: copies made while the record is written hold everything that was acknowledged before they began."""

import multiprocessing
import random
import shutil
import time
from multiprocessing.sharedctypes import Synchronized
from multiprocessing.synchronize import Event
from pathlib import Path

from station.errors import InputError, LedgerError
from station.record import backup, verify
from station.record.ledger import Ledger, now
from tests.soak.proofs import Seen
from tests.station.record.filled import play_job
from tests.station.record.live_stream import live_stream

MOST_BYTES = 8_000_000


def _write(path: Path, acknowledged: "Synchronized[int]", halt: Event) -> None:
    """A busy shop: short jobs, one after the other; from ``MOST_BYTES`` on notes alone, so that what is copied a hundred times
    stays a record and does not become a day's work to copy."""
    ledger = Ledger(path)
    stream = live_stream(random.Random(7), 0.1)
    n = 0
    while not halt.is_set():
        n += 1
        if path.stat().st_size < MOST_BYTES:
            play_job(ledger, f"job-{n}", stream)
        acknowledged.value = ledger.append(None, "note", {"text": f"after job {n}"}, now())
    ledger.close()


def backups_under_load(folder: Path, copies: int, planted: bool = False) -> Seen:
    """D7. planted: the database file is simply copied."""
    seen = Seen("D7 backup under load, restored", unit="s")
    path, place = folder / "l.sqlite", folder / "stick"
    # A new interpreter, not a fork: SQLite's connections and locks must not come along.
    context = multiprocessing.get_context("spawn")
    acknowledged, halt = context.Value("q", 0), context.Event()
    writer = context.Process(target=_write, args=(path, acknowledged, halt))
    writer.start()
    try:
        while acknowledged.value < 10 and writer.is_alive():
            time.sleep(0.02)
        for n in range(copies):
            before, began_s = acknowledged.value, time.monotonic()
            if planted:
                place.mkdir(exist_ok=True)
                shutil.copyfile(path, place / f"l-{n:06}Z.sqlite")
            else:
                backup.make(path, place)
            seen.values.append(time.monotonic() - began_s)
            seen.trials += 1
            back = folder / f"restored-{n}" / "l.sqlite"
            try:
                backup.restore(place, back)
                verdict = verify.verify(back)
                if verdict.broken or verdict.entries <= before:
                    seen.failed.append(
                        f"copy {n}: {verdict.entries} entries of {before}, {verdict.broken[:1]}"
                    )
                ledger = Ledger(back, read_only=True)
                if len(list(ledger.shop_events("restored"))) != 1:
                    seen.failed.append(f"copy {n}: its return is not in the record")
                ledger.close()
            except (LedgerError, InputError) as error:
                seen.failed.append(f"copy {n}: {error}")
            shutil.rmtree(back.parent, ignore_errors=True)
    finally:
        halt.set()
        writer.join(30.0)
        if writer.is_alive():
            writer.kill()
    return seen
