"""A bay's batch into PostgreSQL: one transaction, and in it everything that hangs on the entries.

The bay's head is locked, the chain is checked on from it, what came again is compared, new entries and the rows drawn from
them are added, the sums are added up, the head moves. An entry's key is shop, bay and number: what comes twice, or comes
again because an answer was lost, changes nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Any

from psycopg import Connection, sql
from psycopg.rows import tuple_row

from station.errors import InputError
from station.record.many import derive
from station.record.many.arriving import Arrived, Batch, Entry, Head, arrived
from station.record.many.derive import Drawn
from station.record.merkle import Frontier
from station.record.note import VerifierKey

Db = Connection[tuple[Any, ...]]
EVENT = "company shop bay seq job_id kind body boot_id t_s utc clock_synced hash".split()
JOB_FACTS = (
    "job_id opened_utc closed_utc stage verdict vehicle compartment compartment_type technician grade meter container fluid "
    "method listed_capacity_l expected_fill_l expected_fill_u95_l drained_l drained_u95_l metered_l overflow_l "
    "overflow_u95_l filled_l filled_u95_l"
).split()
"""What the table has of a bay's own row, under the same names."""
JOB = ["company", "shop", "bay", "seq", "month", "day", *JOB_FACTS, "deviation_percent", "proved"]
MOVEMENT = (
    "company shop bay seq month day utc kind container fluid vehicle technician volume_l u95_l note".split()
)
CERTIFICATE = "company shop bay seq number kind instrument made_at valid_until replaces".split()


@dataclass(frozen=True)
class Bay:
    """Whose batch it is. zone: whose days its shop counts in. verifier: its public key as known here; "" before the first."""

    company: str
    shop: str
    bay: str
    zone: tzinfo
    verifier: str = ""


@dataclass(frozen=True)
class Taken:
    """What came of a batch. seq, hash: the head now. new: how many entries were. fault: why no more was taken. lists:
    the newest version of its shop's lists."""

    seq: int
    hash: str
    new: int
    fault: str | None = None
    lists: int = 0

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def take(db: Db, bay: Bay, batch: Batch) -> Taken:
    """Take a batch in. On disk when it returns: what is in order, and beside it the fault that ended it.

    Raises psycopg.Error where the database does not answer; then nothing of the batch was taken.
    """
    with db.transaction():
        head = locked_head(db, bay)
        said = _known_key(db, bay, batch)
        if isinstance(said, str):
            found = Arrived((), head, {}, said)
        else:
            found = arrived(batch, head, _here(db, bay, head, batch.entries), said)
        if found.new:
            _add(db, bay, found)
        _note(db, bay, batch, found.fault)
        lists = db.execute("select max(version) from issue where shop = %s", [bay.shop]).fetchone()
    return Taken(found.head.seq, found.head.hash, len(found.new), found.fault, (lists and lists[0]) or 0)


def head_of(db: Db, bay: Bay) -> Head:
    """How far a bay's record is here."""
    return _head(db.execute(_HEAD, [bay.shop, bay.bay]).fetchone())


_HEAD = "select seq, hash, frontier from head where shop = %s and bay = %s"


def _head(row: Sequence[Any] | None) -> Head:
    return Head() if row is None else Head(row[0], row[1], Frontier.from_bytes(row[0], bytes(row[2])))


def locked_head(db: Db, bay: Bay) -> Head:
    """A bay's head, nobody else's until the transaction ends: a bay that sends twice at once is taken in one after the
    other."""
    db.execute(
        "insert into head values (%s, %s, %s, 0, '', '') on conflict do nothing",
        [bay.company, bay.shop, bay.bay],
    )
    return _head(db.execute(f"{_HEAD} for update", [bay.shop, bay.bay]).fetchone())


def _known_key(db: Db, bay: Bay, batch: Batch) -> list[VerifierKey] | str:
    """With what the bay's checkpoints are checked; why not, where it shows another key than before."""
    try:
        shown = VerifierKey.parse(batch.verifier) if batch.verifier else None
    except InputError as error:
        return str(error).rstrip(".")
    if shown is not None and not bay.verifier:
        db.execute(
            "update bay set verifier = %s where shop = %s and bay = %s", [str(shown), bay.shop, bay.bay]
        )
        return [shown]
    if shown is not None and str(shown) != bay.verifier:
        return (
            f"the bay signs with the key {shown.name}, and was known by {bay.verifier.partition('+')[0]}: its record was "
            "set up anew, or another one stands in its place"
        )
    return [VerifierKey.parse(bay.verifier)] if bay.verifier else []


def _here(db: Db, bay: Bay, head: Head, entries: Iterable[Entry]) -> dict[int, str]:
    again = [entry.seq for entry in entries if entry.seq <= head.seq]
    if not again:
        return {}
    rows = db.execute(
        "select seq, hash from event where shop = %s and bay = %s and seq = any(%s)",
        [bay.shop, bay.bay, again],
    )
    return {row[0]: row[1] for row in rows}


def _add(db: Db, bay: Bay, found: Arrived) -> None:
    own = (bay.company, bay.shop, bay.bay)
    _copy(
        db,
        "event",
        EVENT,
        (
            (*own, e.seq, e.job_id, e.kind, e.body, e.boot_id, e.t_s, e.utc, bool(e.clock_synced), e.hash)
            for e in found.new
        ),
    )
    if found.notes:
        _copy(db, "checkpoint", [*EVENT[:3], "size", "note"], ((*own, *one) for one in found.notes.items()))
    add_drawn(db, bay, derive.drawn(found.new, bay.zone))
    db.execute(
        "update head set seq = %s, hash = %s, frontier = %s where shop = %s and bay = %s",
        [found.head.seq, found.head.hash, found.head.tree.to_bytes(), bay.shop, bay.bay],
    )


def add_drawn(db: Db, bay: Bay, drawn: Drawn) -> None:
    """Add the rows that were drawn from entries, and add them up."""
    own = (bay.company, bay.shop, bay.bay)
    if drawn.unread:
        _copy(db, "unread", [*EVENT[:4], "text"], ((*own, *one) for one in drawn.unread.items()))
    if drawn.jobs:
        _copy(
            db,
            "job",
            JOB,
            (
                (
                    *own, job.seq, derive.month_of(job.day), job.day,
                    *(getattr(job.row, name) for name in JOB_FACTS), job.deviation_percent, job.proved,
                )
                for job in drawn.jobs
            ),
        )  # fmt: skip
    if drawn.moved:
        facts = MOVEMENT[7:]
        _copy(
            db,
            "movement",
            MOVEMENT,
            (
                (*own, m.seq, derive.month_of(m.day), m.day, m.utc, *(m.facts[name] for name in facts))
                for m in drawn.moved
            ),
        )
    if drawn.certified:
        _copy(
            db,
            "certificate",
            CERTIFICATE,
            (
                (
                    *own,
                    one.seq,
                    c.number,
                    c.kind,
                    c.instrument,
                    c.made_at,
                    date.fromisoformat(c.valid_until),
                    c.replaces,
                )
                for one in drawn.certified
                for c in (one.certificate,)
            ),
        )
    sums = derive.sums(bay.bay, drawn)
    _add_up(
        db, "use_day", ("shop", "bay", "day", "fluid"), derive.USE, bay, (bay.shop, bay.bay), sums.use_day
    )
    _add_up(
        db,
        "use_month",
        ("shop", "bay", "month", "fluid"),
        derive.USE,
        bay,
        (bay.shop, bay.bay),
        sums.use_month,
    )
    _add_up(
        db,
        "tally_month",
        ("shop", "month", "dimension", "name"),
        derive.TALLY,
        bay,
        (bay.shop,),
        sums.tally_month,
    )


def _copy(db: Db, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    into = sql.SQL("copy {} ({}) from stdin").format(
        sql.Identifier(table), sql.SQL(", ").join(map(sql.Identifier, columns))
    )
    with db.cursor(row_factory=tuple_row) as cursor, cursor.copy(into) as copy:
        for row in rows:
            copy.write_row(row)


def _add_up(
    db: Db,
    table: str,
    key: Sequence[str],
    figures: Sequence[str],
    bay: Bay,
    own: tuple[str, ...],
    lines: Mapping[Any, list[int]],
) -> None:
    """Add lines to a table of sums, in the order of their keys: two bays of a shop never wait for each other in a circle."""
    if not lines:
        return
    columns = ["company", *key, *figures]
    statement = sql.SQL("insert into {} ({}) values ({}) on conflict ({}) do update set {}").format(
        sql.Identifier(table),
        sql.SQL(", ").join(map(sql.Identifier, columns)),
        sql.SQL(", ").join(sql.Placeholder() * len(columns)),
        sql.SQL(", ").join(map(sql.Identifier, key)),
        sql.SQL(", ").join(
            sql.SQL("{0} = {1}.{0} + excluded.{0}").format(sql.Identifier(name), sql.Identifier(table))
            for name in figures
        ),
    )
    with db.cursor(row_factory=tuple_row) as cursor:
        cursor.executemany(statement, [(bay.company, *own, *at, *lines[at]) for at in sorted(lines)])


def _note(db: Db, bay: Bay, batch: Batch, fault: str | None) -> None:
    """When the bay was heard, and what it said of itself. A fault keeps the moment at which it was first seen."""
    db.execute(
        "update bay set heard = now(), newest_seq = %s, name = %s, software = %s, fault = %s, fault_since = "
        "case when %s = '' then null when fault = %s then fault_since else now() end where shop = %s and bay = %s",
        [
            batch.newest_seq,
            batch.name,
            batch.software,
            fault or "",
            fault or "",
            fault or "",
            bay.shop,
            bay.bay,
        ],
    )
