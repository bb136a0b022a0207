"""``python -m tests.depot``: plays the two years anew and writes the seed. Some minutes of processor time.

Do that where a figure of the engine was meant to move, or the depot's story; say in the commit which.
"""

import json
import sys
import tempfile
import time
import zipfile
from dataclasses import replace
from datetime import UTC
from pathlib import Path

from station.given.config import demo_path, read_config
from station.record.blocks import encode
from station.record.ledger import Ledger
from station.rehearsing.depot import seed_path
from tests.depot.playing import Depot
from tests.depot.timetable import timetable


def play(most: int | None = None) -> Depot:
    """The depot after its two years, or its first so many deeds."""
    with tempfile.TemporaryDirectory(prefix="depot-") as folder:
        config = replace(read_config(demo_path()), ledger=Path(folder) / "depot.sqlite", zone=UTC)
        ledger = Ledger(config.ledger)
        depot = Depot(config, ledger)
        for n, deed in enumerate(timetable()[:most]):
            depot.do(deed)
            if sys.stdout.isatty() or n % 10 == 0:
                print(f"{n} {deed.day} {time.process_time():.0f} s", flush=True)
        ledger.close()
    return depot


def write(depot: Depot, path: Path) -> None:
    """The seed: entries as text, and the raw samples of each job as blocks."""
    kept = sorted(depot.book.samples)
    told = {
        "jobs": [[day, at_s, f"{n:06x}"] for n, (day, at_s, _) in enumerate(depot.jobs)],
        "held_l": depot.held_l,
        "samples": kept,
        "events": [[e.day, e.at_s, e.job, e.kind, e.text()] for e in depot.book.events],
    }
    with zipfile.ZipFile(path, "w") as archive:
        text = json.dumps(told, ensure_ascii=False, separators=(",", ":"))
        archive.writestr("record.json", text, zipfile.ZIP_LZMA)
        for n in kept:
            archive.writestr(f"samples/{n}", encode(depot.book.samples[n]), zipfile.ZIP_STORED)


if __name__ == "__main__":
    write(play(int(sys.argv[1]) if len(sys.argv) > 1 else None), seed_path())
    print(f"{seed_path()}: {seed_path().stat().st_size / 1000:.0f} kB")
