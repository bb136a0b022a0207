"""What a bay sends to the roll-up, and tells other systems: its own record, read again from where the roll-up's head is. Nothing is kept beside it.

A bay remembers nothing of what it sent: the roll-up says how far it is, so an answer that was lost, a roll-up that was put
back to an older copy, or a bay that was away for a week are all the same case.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

from station.errors import LedgerError
from station.record.anchor import public_keys
from station.record.chain import FIELDS
from station.record.many.arriving import Batch, Entry

BATCH_BYTES = 1_500_000
"""Bytes of bodies in a batch, before their quotes. One entry that is longer goes alone."""
OVERLAP = 1
"""So many entries that the roll-up has are sent again, so that it sees whether they are the same still."""


def batch(ledger: Path, after: int, most: int, name: str = "", software: str = "") -> Batch:
    """Up to so many entries behind one, and the checkpoints that sign for them. Raises LedgerError where the record
    cannot be read."""
    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as db:
            db.execute("pragma busy_timeout = 5000")
            db.execute("begin")  # one moment of the record
            newest = db.execute("select seq, hash from event order by seq desc limit 1").fetchone() or (0, "")
            entries: list[Entry] = []
            size = 0
            begin = max(0, min(after, newest[0]) - OVERLAP)
            for row in db.execute(
                f"select {', '.join(FIELDS)}, hash from event where seq > ? order by seq limit ?",
                [begin, most + after - begin],
            ):
                entry = Entry(*row)
                size += len(entry.body.encode())
                if size > BATCH_BYTES and any(one.seq > after for one in entries):
                    break
                entries.append(entry)
            last = entries[-1].seq if entries else 0
            notes = dict(
                db.execute("select size, note from checkpoint where size > ? and size <= ?", [after, last])
            )
            keys = public_keys(ledger)
    except (sqlite3.Error, OSError) as error:
        raise LedgerError(f"ledger {ledger}: cannot be read for the roll-up ({error}).") from error
    *former, verifier = map(str, keys) if keys else ("",)
    return Batch(tuple(entries), newest[0], newest[1], notes, verifier, name, software, tuple(former))


def results(ledger: Path, after: int, upto: int, most: int) -> list[Entry]:
    """How jobs ended: up to so many of those entries behind one, up to and with another. Raises LedgerError."""
    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as db:
            db.execute("pragma busy_timeout = 5000")
            rows = db.execute(
                f"select {', '.join(FIELDS)}, hash from event where seq > ? and seq <= ? and kind = 'result' order by seq limit ?",
                [after, upto, most],
            )
            return [Entry(*row) for row in rows]
    except sqlite3.Error as error:
        raise LedgerError(f"ledger {ledger}: cannot be read for notices ({error}).") from error


def newest(ledger: Path) -> int:
    """Number of the record's newest entry; 0 in an empty one. Raises LedgerError."""
    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as db:
            return int(db.execute("select coalesce(max(seq), 0) from event").fetchone()[0])
    except sqlite3.Error as error:
        raise LedgerError(f"ledger {ledger}: cannot be read for the roll-up ({error}).") from error
