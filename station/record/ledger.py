"""The append-only record: every event chained to the one before, every raw sample of a job.

One connection writes, in one thread; readers open their own. Nothing is updated or deleted: triggers refuse it.
"""

import hashlib
import json
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from hardware.sample import Sample
from station.errors import InputError, LedgerError
from station.record.lock import WriterLock

SCHEMA_VERSION = 1
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
_TABLES = ("event", "sample", "job", "movement")
_LABELS = "vehicle compartment technician grade".split()
_MORE_LABELS = "bay meter container fluid compartment_type".split()
_FIGURES = (
    "listed_capacity_l expected_fill_l drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l"
).split()
_MORE_FIGURES = "expected_fill_u95_l tolerance_minus_l tolerance_plus_l overflow_u95_l".split()
JOB_COLUMNS = [
    *("job_id", "opened_utc", "closed_utc", "stage", *_LABELS, *_FIGURES, "verdict", *_MORE_LABELS, "method"),
    *(*_MORE_FIGURES, "level_seen", "distance_km"),
]
"""What a job's row has."""


@dataclass(frozen=True)
class Moment:
    """When something happened, by every clock there is. Order is by sequence number, never by wall clock."""

    boot_id: str
    t_s: float
    utc: str
    clock_synced: bool


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


BOOT_ID = _boot_id()


def clock_synced() -> bool:
    """Whether the wall clock has been set from the network since boot (systemd-timesyncd's own flag)."""
    return Path("/run/systemd/timesync/synchronized").exists()


def now(t_s: float | None = None) -> Moment:
    utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Moment(BOOT_ID, time.monotonic() if t_s is None else t_s, utc, clock_synced())


def _hash(previous: str, fields: Sequence[object]) -> str:
    return hashlib.sha256(json.dumps([previous, *fields], ensure_ascii=False).encode()).hexdigest()


class SamplesDigest:
    """SHA-256 over a job's samples in order, kept in its result event so that a changed sample shows."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()

    def add(self, sample: Sample) -> None:
        self._sha.update(json.dumps([float(sample.t_s), sample.source, sample.value]).encode())

    def hexdigest(self) -> str:
        return self._sha.hexdigest()


class Ledger:
    """A connection to the record. Create it in the thread that uses it.

    Raises LedgerError where the file cannot be opened, or was written by a newer station; LedgerBusy where it is to be
    written and somebody writes it already.
    """

    def __init__(self, path: Path | str, read_only: bool = False) -> None:
        self.path = path
        self._lock: WriterLock | None = None
        try:
            self._open(path, read_only)
        except BaseException:
            self._unlock()
            raise

    def _open(self, path: Path | str, read_only: bool) -> None:
        try:
            if read_only:
                connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
            else:
                if str(path) != ":memory:":
                    Path(path).parent.mkdir(parents=True, exist_ok=True)
                    self._lock = WriterLock(path)
                connection = sqlite3.connect(path)
            self.db = Database(connection)
            self.db.execute("pragma busy_timeout = 5000")
            if not read_only:
                self._prepare()
            version = self.db.execute("pragma user_version").fetchone()[0]
        except (sqlite3.Error, OSError) as error:
            raise LedgerError(
                f"ledger {path}: cannot be opened ({error}). Check the path and its permissions."
            ) from error
        if version != SCHEMA_VERSION:
            raise LedgerError(
                f"ledger {path}: schema version {version}, this station knows {SCHEMA_VERSION}. "
                "Use the station that wrote it, or another file."
            )

    def _prepare(self) -> None:
        self.db.enable_wal()
        self.db.execute("pragma synchronous = full")
        self.db.execute("pragma foreign_keys = on")
        if self.db.execute("pragma synchronous").fetchone()[0] != 2:
            raise LedgerError(f"ledger {self.path}: SQLite would not take synchronous=FULL.")
        if self.db.execute("pragma user_version").fetchone()[0] == 0 and not self.db.table_names():
            with self.db.atomic():
                for statement in _SCHEMA.split(";\n"):
                    if statement.strip():
                        self.db.execute(statement)
                for table in _TABLES:
                    for verb in ("update", "delete"):
                        self.db.execute(
                            f"create trigger {table}_no_{verb} before {verb} on {table} "
                            f"begin select raise(abort, 'the ledger only grows'); end"
                        )
                self.db.execute(f"pragma user_version = {SCHEMA_VERSION}")

    def close(self) -> None:
        self.db.close()
        self._unlock()

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    # --- writing -------------------------------------------------------------------------------------------

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written within is on disk together when this ends. Raises LedgerError when it is not, and then
        none of it is."""
        try:
            with self.db.atomic():
                yield
        except sqlite3.Error as error:
            raise LedgerError(f"ledger {self.path}: not written ({error}).") from error

    def append(
        self,
        job_id: str | None,
        kind: str,
        body: Mapping[str, Any],
        at: Moment,
        job_row: Mapping[str, Any] | None = None,
    ) -> int:
        """Add one event to the chain and, where given, the job's row, or neither; its sequence number.

        A ``movement`` (``station.shop.audit.movement`` makes its body) gets its row in the table of that name.
        Raises LedgerError when it is not on disk.
        """
        text = json.dumps(body, ensure_ascii=False)
        try:
            with self.db.atomic():
                last = self.db.execute("select seq, hash from event order by seq desc limit 1").fetchone()
                seq, previous = (last[0] + 1, last[1]) if last else (1, "")
                fields = [seq, job_id, kind, text, at.boot_id, at.t_s, at.utc, int(at.clock_synced)]
                self.db.execute(
                    "insert into event values (?,?,?,?,?,?,?,?,?,?)",
                    [*fields, previous, _hash(previous, fields)],
                )
                if job_row is not None:
                    self.db.table("job").insert(dict(job_row))
                if kind == "movement":
                    self.db.table("movement").insert({"seq": seq, "utc": at.utc, **body})
        except sqlite3.Error as error:
            raise LedgerError(f"ledger {self.path}: {kind} was not written ({error}).") from error
        return int(seq)

    def add_samples(self, job_id: str, first: int, samples: Sequence[Sample]) -> None:
        """Add a batch of raw samples, the first of them numbered ``first``."""
        try:
            with self.db.atomic():
                self.db.conn.executemany(
                    "insert into sample values (?,?,?,?,?)",
                    [(job_id, first + i, float(s.t_s), s.source, s.value) for i, s in enumerate(samples)],
                )
        except sqlite3.Error as error:
            raise LedgerError(f"ledger {self.path}: samples were not written ({error}).") from error

    # --- reading -------------------------------------------------------------------------------------------

    def samples(self, job_id: str) -> list[Sample]:
        rows = self.db.execute("select t_s, source, value from sample where job_id = ? order by n", [job_id])
        return [Sample(*row) for row in rows]

    def events(self, job_id: str | None = None) -> Iterator[dict[str, Any]]:
        """Events in order, of one job or all, their bodies as objects."""
        where, values = ("where job_id = ?", [job_id]) if job_id is not None else ("", [])
        for row in self.db.query(f"select * from event {where} order by seq", values):
            yield {**row, "body": json.loads(row["body"])}

    def shop_events(self, kind: str, newest_first: bool = False, after: int = 0) -> Iterator[dict[str, Any]]:
        """Events of one kind that belong to no job, in order, their bodies as objects; read as they are asked for.

        after: only those with a higher sequence number.
        """
        order = " desc" if newest_first else ""
        for row in self.db.query(
            f"select * from event where job_id is null and kind = ? and seq > ? order by seq{order}",
            [kind, after],
        ):
            yield {**row, "body": json.loads(row["body"])}

    def jobs(
        self, limit: int = 50, before: str | None = None, vehicle: str | None = None
    ) -> list[dict[str, Any]]:
        """Closed and abandoned jobs, newest first: those older than the job ``before``, of one vehicle, where given.

        Raises InputError where ``before`` is no such job.
        """
        where, values = ["1"], []
        if vehicle is not None:
            where.append("vehicle = ?")
            values.append(vehicle)
        if before is not None:
            opened = self.db.execute("select opened_utc from job where job_id = ?", [before]).fetchone()
            if opened is None:
                raise InputError(f"before is {before!r}; expected the id of a closed job.")
            where.append("(opened_utc, job_id) < (?, ?)")
            values += [opened[0], before]
        sql = f"select * from job where {' and '.join(where)} order by opened_utc desc, job_id desc limit ?"
        return list(self.db.query(sql, [*values, limit]))

    def has_row(self, job_id: str) -> bool:
        """Whether a job is closed, and on disk."""
        return self.db.execute("select 1 from job where job_id = ?", [job_id]).fetchone() is not None

    def unfinished(self) -> list[str]:
        """Jobs that were opened and have no row of their own yet."""
        rows = self.db.execute(
            "select job_id from event where kind = 'job_open' and job_id not in (select job_id from job) order by seq"
        )
        return [row[0] for row in rows]

    def verify(self) -> str | None:
        """Walk the chain and every finished job's samples. The first broken entry in words; None when whole."""
        previous, expected = "", 1
        empty = {name: dict.fromkeys(self.db.table(name).columns_dict) for name in ("job", "movement")}
        for row in self.db.query("select * from event order by seq"):
            if row["seq"] != expected:
                return f"event {expected} is missing"
            fields = [
                row[name]
                for name in ("seq", "job_id", "kind", "body", "boot_id", "t_s", "utc", "clock_synced")
            ]
            if row["previous"] != previous or row["hash"] != _hash(previous, fields):
                return f"event {expected} ({row['kind']}, job {row['job_id']}) was changed"
            if row["kind"] == "result":
                body = json.loads(row["body"])
                digest = SamplesDigest()
                for sample in self.samples(row["job_id"]):
                    digest.add(sample)
                if digest.hexdigest() != body["samples_sha256"]:
                    return f"the samples of job {row['job_id']} were changed"
                if self._row("job", "job_id", row["job_id"]) != {**empty["job"], **body["row"]}:
                    return f"the row of job {row['job_id']} was changed"
            if row["kind"] == "movement":
                written = {**empty["movement"], "seq": expected, "utc": row["utc"], **json.loads(row["body"])}
                if self._row("movement", "seq", expected) != written:
                    return f"the row of movement {expected} was changed"
            previous, expected = row["hash"], expected + 1
        for table, kind in (("job", "result"), ("movement", "movement")):
            rows = self.db.execute(f"select count(*) from {table}").fetchone()[0]
            events = self.db.execute("select count(*) from event where kind = ?", [kind]).fetchone()[0]
            if rows != events:
                return f"the table {table} holds {rows} rows, the chain {events}"
        return None

    def _row(self, table: str, key: str, value: object) -> dict[str, Any] | None:
        return next(iter(self.db.query(f"select * from {table} where {key} = ?", [value])), None)


def type_of(vehicle: str, compartment: str, compartment_type: str) -> str:
    """What jobs are compared by: the compartment's type, or where none is stated that one compartment alone."""
    return compartment_type or f"{vehicle} / {compartment}"


def job_row(
    job_id: str,
    opened_utc: str,
    closed_utc: str,
    labels: Mapping[str, str],
    report: Mapping[str, Any],
    distance_km: float | None = None,
) -> dict[str, Any]:
    """The line that lists and charts need, drawn from a job's labels and its report.

    labels: texts. Beside what names the job, ``bay``, ``meter``, ``container``, ``fluid``, ``compartment_type`` and
    ``method`` are taken where they are given. distance_km: what the vehicle has run.
    """
    return {
        "job_id": job_id,
        "opened_utc": opened_utc,
        "closed_utc": closed_utc,
        "stage": report["stage"],
        **{name: labels.get(name) for name in _LABELS},
        **{name: report[name] for name in _FIGURES},
        "verdict": report["verdict"],
        **{name: labels.get(name) for name in _MORE_LABELS},
        "compartment_type": type_of(
            labels.get("vehicle", ""), labels.get("compartment", ""), labels.get("compartment_type", "")
        ),
        "method": labels.get("method"),
        **{name: report[name] for name in _MORE_FIGURES},
        "level_seen": int(report["level_seen"]),
        "distance_km": distance_km,
    }
