"""A record as version 1 wrote it: one row for each raw sample, no checkpoints."""

import json
import sqlite3
from pathlib import Path
from typing import Any

from hardware.sample import Sample
from station.record.chain import SamplesDigest, entry_hash

_SCHEMA = """
create table event (
    seq integer primary key,
    job_id text,
    kind text not null,
    body text not null,
    boot_id text not null,
    t_s real not null,
    utc text not null,
    clock_synced integer not null,
    previous text not null,
    hash text not null unique
) strict;
create index event_of_job on event (job_id, seq);
create index event_of_shop on event (kind, seq) where job_id is null;
create index event_opening on event (job_id) where kind = 'job_open';
create table sample (
    job_id text not null,
    n integer not null,
    t_s real not null,
    source text not null,
    value any not null,
    primary key (job_id, n)
) strict, without rowid;
create table job (
    job_id text primary key,
    opened_utc text not null,
    closed_utc text not null,
    stage text not null,
    vehicle text, compartment text, technician text, grade text,
    listed_capacity_l real, expected_fill_l real,
    drained_l real, drained_u95_l real,
    metered_l real, overflow_l real,
    filled_l real, filled_u95_l real,
    verdict text not null,
    bay text, meter text, container text, fluid text, compartment_type text, method text,
    expected_fill_u95_l real, tolerance_minus_l real, tolerance_plus_l real, overflow_u95_l real,
    level_seen integer, distance_km real
) strict;
create index job_by_time on job (opened_utc);
create index job_by_verdict on job (verdict, opened_utc);
create index job_of_compartment on job (vehicle, compartment, opened_utc);
create index job_of_type on job (compartment_type, opened_utc);
create index job_of_bay on job (bay, opened_utc);
create index job_of_meter on job (meter, opened_utc);
create index job_of_technician on job (technician, opened_utc);
create index job_of_container on job (container, opened_utc, metered_l, filled_u95_l);
create table movement (
    seq integer primary key,
    utc text not null,
    kind text not null,
    container text, fluid text not null, vehicle text, technician text,
    volume_l real not null,
    u95_l real not null,
    note text not null
) strict;
create index movement_by_time on movement (utc);
create index movement_of_container on movement (container, kind, utc);
"""


UTC = "2026-01-01T08:00:00.000+00:00"


def write(path: Path, jobs: dict[str, list[Sample]], open_jobs: tuple[str, ...] = ()) -> None:
    """A record of closed jobs with these samples, a movement after each, and jobs that are still open."""
    db = sqlite3.connect(path)
    for statement in _SCHEMA.split(";\n"):
        if statement.strip():
            db.execute(statement)
    for table in ("event", "sample", "job", "movement"):
        for verb in ("update", "delete"):
            db.execute(
                f"create trigger {table}_no_{verb} before {verb} on {table} "
                "begin select raise(abort, 'the ledger only grows'); end"
            )
    db.execute("pragma user_version = 1")
    db.execute("pragma journal_mode = wal")
    last, seq = "", 0

    def event(job_id: str | None, kind: str, body: dict[str, Any]) -> None:
        nonlocal last, seq
        seq += 1
        fields = [seq, job_id, kind, json.dumps(body, ensure_ascii=False), "boot", float(seq), UTC, 1]
        own = entry_hash(last, fields)
        db.execute("insert into event values (?,?,?,?,?,?,?,?,?,?)", [*fields, last, own])
        last = own

    for job_id, samples in jobs.items():
        event(job_id, "job_open", {"job": {}})
        digest = SamplesDigest()
        for n, sample in enumerate(samples):
            digest.add(sample)
            db.execute("insert into sample values (?,?,?,?,?)", [job_id, n, *sample])
        if job_id in open_jobs:
            continue
        row = {"job_id": job_id, "opened_utc": UTC, "closed_utc": UTC, "stage": "closed", "verdict": "full"}
        event(
            job_id,
            "result",
            {"report": {}, "row": row, "samples": len(samples), "samples_sha256": digest.hexdigest()},
        )
        db.execute(f"insert into job ({', '.join(row)}) values (?,?,?,?,?)", list(row.values()))
        body = {"kind": "waste", "fluid": "oil", "volume_l": 0.5, "u95_l": 0.01, "note": job_id}
        event(None, "movement", body)
        db.execute(
            "insert into movement (seq, utc, kind, fluid, volume_l, u95_l, note) values (?,?,?,?,?,?,?)",
            [seq, UTC, *body.values()],
        )
    db.commit()
    db.close()
