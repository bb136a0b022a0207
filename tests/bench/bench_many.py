"""How fast the roll-up takes records in: parse, verify, tree, events, rows, sums and commit, one process, no HTTP.

Run from the repository's root: `python tests/bench/bench_many.py`. The database is the embedded one, with its sync on.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from station.record import outbox
from station.record.many import ingest, wire
from station.record.many.store import Store
from tests.rolled import enter, fresh, record, whole
from tests.soak.rolling import engine

JOBS, NOTES = 300, 16
"""Of 18 entries each, as a real job has about; a movement beside every fifth."""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, engine() as server:
        path = Path(folder) / "bay.sqlite"
        record(path, JOBS, notes=NOTES).close()
        newest = outbox.newest(path)
        print("| entries a batch | entries/s | jobs/s |\n|---|---|---|")
        for size in (2000, 500, 100, 20):
            store = Store(fresh(server.dsn))
            bay = store.bay_of(enter(store))
            batches, seq = [], 0
            while seq < newest:
                batch = outbox.batch(path, seq, size)
                batches.append(wire.batch_text(batch))
                seq = batch.entries[-1].seq
            begun_s = time.perf_counter()
            for data in batches:
                with store.connection() as db:
                    taken = ingest.take(db, bay, wire.batch_of(data))
                bay = ingest.Bay(bay.company, bay.shop, bay.bay, bay.zone, batch.verifier)
            took_s = time.perf_counter() - begun_s
            if taken.seq != newest or whole(store):
                raise SystemExit(f"{taken}: not whole")
            print(f"| {size} | {newest / took_s:,.0f} | {JOBS / took_s:,.0f} |", flush=True)
            store.close()


if __name__ == "__main__":
    main()
