"""The append-only record: every event chained to the one before, every raw sample of a job.

One connection writes, in one thread; readers open their own. Nothing is updated or deleted: triggers refuse it.
"""

import json
import logging
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hardware.sample import Sample
from station.errors import InputError, LedgerError
from station.record import anchor, changes, finding, samples, schema, verify
from station.record.author import unsigned
from station.record.chain import FIELDS, SamplesDigest, entry_hash
from station.record.finding import EVERY, Wanted
from station.record.lock import WriterLock
from station.record.migrate import migrate
from station.record.moment import BOOT_ID, Moment, clock_synced, now
from station.record.note import SigningKey
from station.record.rows import JOB_COLUMNS, JobRow, job_row, type_of
from station.record.sqlite import Database

log = logging.getLogger(__name__)

__all__ = [
    "BOOT_ID", "JOB_COLUMNS", "JobRow", "Ledger", "Moment", "SamplesDigest", "clock_synced", "job_row", "now", "type_of",
]  # fmt: skip


class Ledger:
    """A connection to the record. Create it in the thread that uses it.

    One that writes brings an older record up to date, has the station's key, and keeps the head file. Raises LedgerError
    where the file cannot be opened, or was written by a newer station; LedgerBusy where it is to be written and somebody
    writes it already.
    """

    def __init__(self, path: Path | str, read_only: bool = False) -> None:
        self.path = path
        self._lock: WriterLock | None = None
        self._head: anchor.HeadFile | None = None
        self._key: SigningKey | None = None
        self._doubted = False
        self._connection: sqlite3.Connection | None = None
        try:
            self._open(path, read_only)
        except BaseException:
            self.close()
            raise

    def _open(self, path: Path | str, read_only: bool) -> None:
        schema.need_sqlite(sqlite3.sqlite_version_info)
        try:
            if read_only:
                connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
            else:
                if str(path) != ":memory:":
                    Path(path).parent.mkdir(parents=True, exist_ok=True)
                    self._lock = WriterLock(path)
                    _keep_private(Path(path))
                connection = sqlite3.connect(path)
            self._connection = connection
            self.db = Database(connection)
            self.db.execute("pragma busy_timeout = 5000")
            if not read_only:
                self._prepare()
            version = self.db.execute("pragma user_version").fetchone()[0]
        except (sqlite3.Error, OSError, UnicodeDecodeError) as error:
            raise LedgerError(
                f"ledger {path}: cannot be opened ({error}). Check the path and its permissions."
            ) from error
        if version < schema.SCHEMA_VERSION:
            raise LedgerError(
                f"ledger {path}: schema version {version}, this station writes {schema.SCHEMA_VERSION}. Start the "
                "station once, or enter something by command: that brings it up to date, with a backup first."
            )
        if version > schema.SCHEMA_VERSION:
            raise LedgerError(
                f"ledger {path}: schema version {version}, this station knows {schema.SCHEMA_VERSION}. "
                "Use the station that wrote it, or another file."
            )
        if not read_only:
            try:
                self._take_up()
            except sqlite3.Error as error:
                raise LedgerError(
                    f"ledger {path}: it is damaged ({error}). Run tallypan verify, and restore a backup."
                ) from error

    def _prepare(self) -> None:
        self.db.enable_wal()
        self.db.execute("pragma synchronous = full")
        self.db.execute("pragma foreign_keys = on")
        if self.db.execute("pragma synchronous").fetchone()[0] != 2:
            raise LedgerError(f"ledger {self.path}: SQLite would not take synchronous=FULL.")
        if self.db.execute("pragma user_version").fetchone()[0] == 0 and not self.db.table_names():
            schema.create(self.db)
        elif (backup := migrate(self.db, self.path)) is not None:
            log.warning("the record was brought up to date; as it was before it lies in %s", backup)

    def _take_up(self) -> None:
        """Go on from where the last writer ended, and say so in the record where that is not where it ended."""
        self._key = anchor.own_key(self.path)
        lost = None if str(self.path) == ":memory:" else anchor.behind_head(self.db, self.path)
        self._head = anchor.HeadFile(self.path)
        if lost is not None:
            log.error("ledger %s: %s", self.path, lost)
            self._head.clear()
            self.append(None, "lost", {"text": lost}, now())
        self._note_head()
        newest = self.db.execute("select coalesce(max(seq), 0) from event").fetchone()[0]
        signed = anchor.last_frontier(self.db).size
        older = signed == 0 and self.db.execute("select 1 from job limit 1").fetchone() is not None
        if older or newest - signed > anchor.UNANCHORED_MOST:
            with self.transaction():
                anchor.anchor(self.db, self._key, anchor.BEGINNING if older else None)

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
        if self._head is not None:
            self._head.close()
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    # --- writing -------------------------------------------------------------------------------------------

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written within is on disk together when this ends. Raises LedgerError when it is not, and then
        none of it is."""
        outermost = not self.db.conn.in_transaction
        if outermost and self._doubted:
            self._open_anew()
        try:
            with self.db.atomic():
                yield
        except sqlite3.Error as error:
            # After a failed sync the system may have thrown away what it did not write, and say no more of it. What was opened
            # while the card was read-only never writes, not even once the card does.
            self._doubted = self._doubted or (error.sqlite_errorcode & 0xFF) in (
                sqlite3.SQLITE_IOERR,
                sqlite3.SQLITE_READONLY,
            )
            raise LedgerError(f"ledger {self.path}: not written ({error}).") from error
        if outermost:
            self._note_head()

    def _open_anew(self) -> None:
        """After the disk failed: nothing is written before the record was read back from it and found whole."""
        try:
            if self._connection is not None:
                self._connection.close()
            self._connection = sqlite3.connect(self.path)
            self.db = Database(self._connection)
            self.db.execute("pragma busy_timeout = 5000")
            self._prepare()
            self.db.execute("begin immediate")  # raises on a card that is still read-only
            self.db.execute("rollback")
            fault = self.db.execute("pragma quick_check(1)").fetchone()[0]
        except (sqlite3.Error, OSError) as error:
            raise LedgerError(f"ledger {self.path}: the disk failed, and still does ({error}).") from error
        if fault != "ok":
            raise LedgerError(
                f"ledger {self.path}: the disk failed and damaged the record ({fault}). Stop the station, change the "
                "card, and restore a backup."
            )
        self._doubted = False
        log.warning("ledger %s: opened anew and checked after the disk failed", self.path)

    def append(
        self,
        job_id: str | None,
        kind: str,
        body: Mapping[str, Any],
        at: Moment,
        job_row: Mapping[str, Any] | None = None,
    ) -> int:
        """Add one event to the chain and, where given, the job's row, or neither; its sequence number.

        A ``movement`` (``station.shop.audit.movement`` makes its body) gets its row in the table of that name. A
        ``result`` packs the job's samples and is signed for. Raises LedgerError when it is not on disk.
        """
        try:
            with self.transaction():
                text = json.dumps(changes.numbered(self.db, kind, body), ensure_ascii=False)
                last = self.db.execute("select seq, hash from event order by seq desc limit 1").fetchone()
                seq, previous = (last[0] + 1, last[1]) if last else (1, "")
                fields = [seq, job_id, kind, text, at.boot_id, float(at.t_s), at.utc, int(at.clock_synced)]
                self.db.execute(
                    "insert into event values (?,?,?,?,?,?,?,?,?,?)",
                    [*fields, previous, entry_hash(previous, fields)],
                )
                if job_row is not None:
                    self.db.table("job").insert(dict(job_row))
                if kind == "movement":
                    self.db.table("movement").insert({"seq": seq, "utc": at.utc, **unsigned(body)})
                if kind == "result" and job_id is not None:
                    self._seal(job_id, body)
        except LedgerError as error:
            raise LedgerError(f"ledger {self.path}: {kind} was not written ({error}).") from error
        return int(seq)

    def _seal(self, job_id: str, result: Mapping[str, Any]) -> None:
        """Pack a closed job's samples, and sign for the record as of now."""
        stored = samples.count(self.db, job_id)
        if stored != result.get("samples", stored):
            raise LedgerError(f"its result counts {result['samples']} samples, stored are {stored}")
        samples.pack(self.db, job_id)
        if self._key is not None:
            anchor.anchor(self.db, self._key, job_id)

    def add_samples(self, job_id: str, first: int, batch: Sequence[Sample]) -> None:
        """Add a batch of raw samples, the first of them numbered ``first``. Raises LedgerError, also where it does not
        follow what is stored: behind a gap nothing is added."""
        with self.transaction():
            samples.add(self.db, job_id, first, batch)

    def let_samples_go(self, job_ids: Sequence[str], rule: str, at: Moment) -> int:
        """Let go of closed jobs' raw samples, and say in the chain by which rule; how many. Figures, events and the
        samples' digest stay."""
        with self.transaction():
            gone = {job_id: samples.let_go(self.db, job_id) for job_id in job_ids}
            gone = {job_id: number for job_id, number in gone.items() if number}
            if gone:
                self.append(None, "samples_let_go", {"rule": rule, "jobs": gone}, at)
        return sum(gone.values())

    def _note_head(self) -> None:
        if self._head is not None and not self.db.conn.in_transaction:
            last = self.db.execute("select seq, hash from event order by seq desc limit 1").fetchone()
            if last is not None:
                self._head.write(*last)

    # --- reading -------------------------------------------------------------------------------------------

    def samples(self, job_id: str) -> list[Sample]:
        """A job's raw samples in order; none where the retention rule let them go. Raises LedgerError where they are
        damaged."""
        return samples.read(self.db, job_id)

    def checkpoint(self, job_id: str) -> str | None:
        """The signed checkpoint made when a job was closed; None of one that is open or older than checkpoints."""
        row = self.db.execute(
            "select note from checkpoint where job_id = ? order by size", [job_id]
        ).fetchone()
        return None if row is None else str(row[0])

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

    def jobs(self, limit: int = 50, before: str | None = None, wanted: Wanted = EVERY) -> list[JobRow]:
        """Closed and abandoned jobs that are wanted, newest first: those older than the job ``before``, where given.

        Raises InputError where ``before`` is no such job.
        """
        last = None
        if before is not None:
            opened = self.db.execute("select rowid from job where job_id = ?", [before]).fetchone()
            if opened is None:
                raise InputError(f"before is {before!r}; expected the id of a closed job.")
            last = int(opened[0])
        places = finding.rows(self.db, wanted, limit, last)
        found = (next(self.db.query("select * from job where rowid = ?", [place])) for place in places)
        return [JobRow.of(self._as_told(row)) for row in found]

    def _as_told(self, row: dict[str, Any]) -> dict[str, Any]:
        """A job's row as the chain has it: a list shows what was recorded, also where the row beside it was altered."""
        told = self.db.execute(
            f"select previous, hash, {', '.join(FIELDS)} from event where job_id = ? and kind = 'result'",
            [row["job_id"]],
        ).fetchone()
        if told is None:
            return row
        written = json.loads(told[5]).get("row", {})
        if told[1] != entry_hash(told[0], told[2:]) or {**dict.fromkeys(row), **written} != row:
            log.error(
                "ledger %s: the row of job %s was changed; run tallypan verify", self.path, row["job_id"]
            )
        return {**dict.fromkeys(row), **written}

    def first_job_opened_after(self, seq: int) -> int:
        """The lowest rowid of a closed job that was opened after an entry of the chain; one beyond the last if none was.

        Jobs of a bay follow each other, so their rows stand in the order in which they were opened: half of what is
        left is looked away from at each step.
        """
        low, high = 1, self.db.execute("select coalesce(max(rowid), 0) from job").fetchone()[0] + 1
        while low < high:
            middle = (low + high) // 2
            row = self.db.execute(
                """select job.rowid, event.seq from job cross join event on event.job_id = job.job_id
                   and event.kind = 'job_open' where job.rowid >= ? order by job.rowid limit 1""",
                [middle],
            ).fetchone()
            if row is None or row[1] > seq:
                high = middle
            else:
                low = row[0] + 1
        return int(low)

    def newest_utc(self) -> str | None:
        """When the newest entry says it was made; None in an empty record."""
        row = self.db.execute("select utc from event order by seq desc limit 1").fetchone()
        return None if row is None else str(row[0])

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
        """The first thing that is wrong with the record, in words; None when it is whole. See ``station.record.verify``."""
        return next(iter(verify.check(self.db, self.path).broken), None)


def _keep_private(path: Path) -> None:
    """The record is the service's alone to read: it names people. SQLite gives its log the mode of the file itself."""
    os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600))
    for file in (path, Path(f"{path}-wal"), Path(f"{path}-shm"), Path(f"{path}.lock")):
        if file.exists():
            os.chmod(file, 0o600)
