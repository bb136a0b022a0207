"""Where a job's raw samples lie: in blocks, and what is newer than the last block in small rows behind it.

Every write of the recorder is one row of ``tail``. Once these hold ``BLOCK`` samples, or the job is closed, they are
packed into one row of ``block`` and go, in one transaction. A kill or a power cut takes what was not yet written
(``station.record.recorder.BATCH_S``), never what was packed.
"""

import hashlib
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from hardware.sample import Sample
from station.errors import LedgerError
from station.record.blocks import BrokenBlock, decode, encode
from station.record.sqlite import Database

BLOCK = 8192
"""Some four minutes at the usual pace. Half of it costs 6 % more room, twice of it gains 4 % (tests/FIGURES.md)."""


@dataclass(frozen=True)
class Piece:
    """A run of a job's samples as it lies in the record. data: None where the retention rule let it go."""

    job_id: str
    first: int
    samples: int
    sha256: str
    data: bytes | None
    table: str

    def read(self) -> list[Sample]:
        """Raises BrokenBlock where it is not what was written."""
        if self.data is None:
            raise BrokenBlock("the samples were let go by the retention rule")
        if digest(self.data) != self.sha256:
            raise BrokenBlock("the bytes are not those that were written")
        samples = decode(self.data)
        if len(samples) != self.samples:
            raise BrokenBlock(f"{len(samples)} samples, expected {self.samples}")
        return samples


def digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def add(db: Database, job_id: str, first: int, samples: Sequence[Sample]) -> None:
    """Add a batch, the first of it numbered ``first``. To be called within a transaction.

    Raises LedgerError where the batch does not follow what is there: after a gap nothing may be added.
    """
    if not samples:
        return
    held = count(db, job_id)
    if first != held:
        raise LedgerError(f"job {job_id}: samples from {first} on do not follow the {held} that are stored.")
    data = encode(samples)
    _insert(db, "tail", job_id, first, len(samples), data)
    waiting = db.execute("select sum(samples) from tail where job_id = ?", [job_id]).fetchone()[0]
    if waiting >= BLOCK:
        pack(db, job_id)


def pack(db: Database, job_id: str) -> None:
    """Make a block of what waits behind the last one. To be called within a transaction. Raises LedgerError."""
    waiting = [piece for piece in pieces(db, job_id) if piece.table == "tail"]
    if not waiting:
        return
    try:
        samples = [sample for piece in waiting for sample in piece.read()]
    except BrokenBlock as error:
        raise LedgerError(f"job {job_id}: its newest samples cannot be read back ({error}).") from error
    _insert(db, "block", job_id, waiting[0].first, len(samples), encode(samples))
    db.execute("delete from tail where job_id = ?", [job_id])


def count(db: Database, job_id: str) -> int:
    """How many samples are stored of a job."""
    held = 0
    for table in ("block", "tail"):
        last = db.execute(
            f"select first + samples from {table} where job_id = ? order by first desc limit 1", [job_id]
        ).fetchone()
        held = max(held, last[0] if last else 0)
    return held


def pieces(db: Database, job_id: str) -> Iterator[Piece]:
    """A job's samples as they lie, in order; of one moment, though the writer may be packing some right now."""
    rows = db.execute(
        "select job_id, first, samples, sha256, data, 'block' from block where job_id = :job union all "
        "select job_id, first, samples, sha256, data, 'tail' from tail where job_id = :job order by first",
        {"job": job_id},
    )
    for row in rows:
        yield Piece(*row)


def read(db: Database, job_id: str) -> list[Sample]:
    """A job's samples in order; none where they were let go. Raises LedgerError where they are damaged."""
    found: list[Sample] = []
    for piece in pieces(db, job_id):
        if piece.data is None:
            return []
        try:
            found += piece.read()
        except BrokenBlock as error:
            raise LedgerError(
                f"The samples of job {job_id} are damaged from number {piece.first} on: {error}. Its figures stand in "
                "the record; restore a backup to have the samples back."
            ) from error
    return found


def let_go(db: Database, job_id: str) -> int:
    """Let go of a closed job's samples; how many. To be called within a transaction that also says so in the chain."""
    gone = db.execute(
        "select coalesce(sum(samples), 0) from block where job_id = ? and data is not null", [job_id]
    )
    number = int(gone.fetchone()[0])
    db.execute("update block set data = null where job_id = ? and data is not null", [job_id])
    return number


def _insert(db: Database, table: str, job_id: str, first: int, n: int, data: bytes) -> None:
    db.execute(
        f"insert into {table} (job_id, first, samples, sha256, data) values (?,?,?,?,?)",
        [job_id, first, n, digest(data), sqlite3.Binary(data)],
    )
