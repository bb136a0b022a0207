"""A PostgreSQL for tests of the roll-up, and records of invented bays to roll up."""

import itertools
import os
import random
import shutil
import signal
import tempfile
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import psycopg

from calibration.certificates import Certificate, Kind, Reference
from station.record.ledger import JOB_COLUMNS, Ledger, Moment
from station.record.many import ingest, verify, wire
from station.record.many.arriving import Batch
from station.record.many.embedded import Embedded
from station.record.many.ingest import Bay, Taken
from station.record.many.store import Store

COMPANY = "estuary-buses"
ZONE = "Europe/Oslo"
_NUMBER = itertools.count()


@contextmanager
def server(programs: Path | None = None) -> Iterator[Embedded]:
    """A server of one's own in a folder that an unprivileged user may reach. programs: of another PostgreSQL."""
    folder = Path(tempfile.mkdtemp(prefix="tallypan-many-"))
    folder.chmod(0o755)
    engine = Embedded(
        folder, ["fsync=off"], programs
    )  # a killed server leaves its pages to the system all the same
    try:
        yield engine
    finally:
        os.kill(engine.pid, signal.SIGQUIT)  # at once: nothing here is needed again
        engine.close()
        shutil.rmtree(folder)


def fresh(dsn: str) -> str:
    """A new database on a server, its tables made: a copy of the first one, which is much quicker than making them."""
    name = f"t{next(_NUMBER)}"
    with psycopg.connect(dsn, autocommit=True) as db:
        if db.execute("select 1 from pg_database where datname = 'pattern'").fetchone() is None:
            db.execute("create database pattern")
            Store(dsn.replace("/postgres?", "/pattern?")).close()
        db.execute(f"create database {name} template pattern".encode())
    return dsn.replace("/postgres?", f"/{name}?")


def gone(pids: Iterable[int], within_s: float = 60.0) -> bool:
    """Whether none of these processes is left, at the latest after a time."""
    left = [Path(f"/proc/{pid}") for pid in pids]
    until_s = time.monotonic() + within_s
    while any(one.exists() for one in left) and time.monotonic() < until_s:
        time.sleep(0.02)
    return not any(one.exists() for one in left)


def row(job_id: str, draw: random.Random, day: int, **more: Any) -> dict[str, Any]:
    """A closed job's row, as a bay writes it."""
    utc = f"2026-{1 + day // 28 % 12:02d}-{1 + day % 28:02d}T{6 + draw.randrange(12):02d}:30:00.000+00:00"
    expected_l = draw.choice((2.842, 1.764, 2.871))
    filled_l = round(expected_l + draw.gauss(0.0, 0.02) - (0.3 if draw.random() < 0.1 else 0.0), 6)
    verdict = "short" if filled_l < expected_l - 0.1 else draw.choice(("full", "full", "full", "undecided"))
    known = {
        "job_id": job_id,
        "opened_utc": utc,
        "closed_utc": utc,
        "stage": "closed" if draw.random() < 0.95 else "abandoned",
        "vehicle": f"Bus {draw.randrange(30)}",
        "compartment": "rear axle",
        "technician": draw.choice(("M. Okafor", "J. Lindqvist")),
        "grade": "75W-90",
        "listed_capacity_l": 2.9,
        "expected_fill_l": expected_l,
        "expected_fill_u95_l": 0.03,
        "drained_l": round(draw.gauss(2.8, 0.05), 6),
        "drained_u95_l": 0.008,
        "metered_l": filled_l + 0.01,
        "overflow_l": 0.01,
        "filled_l": filled_l,
        "filled_u95_l": 0.01,
        "verdict": verdict,
        "fluid": draw.choice(("gear oil 75W-90", "ATF")),
        "container": "drum 1",
        "compartment_type": "rear axle, midibus",
        "method": "cover removed",
        "level_seen": int(draw.random() < 0.7),
    }
    return {**dict.fromkeys(JOB_COLUMNS), **known, **more}


def report_of(row: Mapping[str, Any]) -> dict[str, Any]:
    names = "drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l listed_capacity_l expected_fill_l verdict stage"
    return {**{name: row[name] for name in names.split()}, "reference_temperature_c": 20.0}


def record(path: Path, jobs: int, seed: int = 1, bay: str = "Bay 1", notes: int = 3) -> Ledger:
    """A record of so many closed jobs of ``notes + 2`` entries each, and a movement now and then; open for more."""
    ledger = Ledger(path)
    ledger.db.execute("pragma synchronous = off")  # nothing here is about syncing
    add_jobs(ledger, jobs, seed, bay, notes)
    return ledger


def add_jobs(ledger: Ledger, jobs: int, seed: int = 1, bay: str = "Bay 1", notes: int = 3) -> None:
    draw = random.Random(seed)
    for n in range(jobs):
        job_id = f"{seed:03d}-{n:05d}"
        told = row(job_id, draw, n, bay=bay, meter=f"{bay} meter")
        at = Moment("boot", float(n), str(told["opened_utc"]), True)
        with ledger.transaction():
            ledger.append(job_id, "job_open", {"job": {"capacity": "2.9 L"}}, at)
            for k in range(notes):
                ledger.append(job_id, "note", {"text": f"note {k}: é, 漢, \U0001f6e2"}, at)
            ledger.append(job_id, "result", {"report": report_of(told), "row": told, "samples": 0}, at, told)
        if n % 5 == 0:
            kind = draw.choice(("received", "waste", "purge", "drawn", "counted"))
            body = {
                "kind": kind,
                "container": "drum 1",
                "fluid": "ATF",
                "volume_l": 1.25,
                "u95_l": 0.1,
                "note": "",
            }
            ledger.append(None, "movement", body, at)


def certificate(
    number: str,
    kind: Kind,
    instrument: str = "",
    made_at: str = "2026-02-01T09:00:00+00:00",
    valid_until: str = "2027-02-01",
) -> Certificate:
    """Of an instrument, by default "Bay 1 " and its kind."""
    return Certificate(
        number=number,
        kind=kind,
        instrument=instrument or f"Bay 1 {kind}",
        made_at=made_at,
        made_by="M. Okafor",
        valid_until=valid_until,
        references=(Reference("weight", 5.0, 2e-5, "kg", "W-1"),),
        conditions={},
        data={},
        result={},
        statement="Within its limits.",
    )


def enter(store: Store, shop: str = "harbour", bay: str = "bay-1") -> str:
    return store.enter_bay(COMPANY, shop, bay, ZONE)


def bay_of(store: Store, token: str) -> Bay:
    with store.bay(token) as (_, bay):
        return bay


def known(store: Store, bay: str = "bay-1", shop: str = "harbour") -> Bay:
    return bay_of(store, enter(store, shop, bay))


def give(store: Store, bay: Bay, batch: Batch) -> Taken:
    """As it would come over the network, under the key that is known by now."""
    with store.connection() as db:
        found = db.execute(
            "select verifier from bay where shop = %s and bay = %s", [bay.shop, bay.bay]
        ).fetchone()
        assert found is not None
        return ingest.take(db, replace(bay, verifier=found[0]), wire.batch_of(wire.batch_text(batch)))


def whole(store: Store) -> list[str]:
    with store.connection() as db:
        return verify.check(db)
