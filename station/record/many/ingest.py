"""A bay's batch into PostgreSQL: one transaction, and in it everything that hangs on the entries.

The bay's head is locked, the chain is checked on from it, what came again is compared, new entries and the rows drawn from
them are added, the sums are added up, the head moves. An entry's key is shop, bay and number: what comes twice, or comes
again because an answer was lost, changes nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from psycopg import Connection, RawCursor

from station.common.words import _
from station.errors import InputError
from station.record.many import adding, derive
from station.record.many.arriving import Arrived, Batch, Entry, Head, arrived
from station.record.merkle import Frontier
from station.record.note import VerifierKey

Db = Connection[tuple[Any, ...]]
EVENT = "company shop bay seq job_id kind body boot_id t_s utc clock_synced hash".split()


@dataclass(frozen=True)
class Bay:
    """Whose batch it is. zone: whose days its shop counts in. verifier: its public key as known here; "" before the first.
    series: of the versions that its shop tells (``station.record.versions``)."""

    company: str
    shop: str
    bay: str
    zone: tzinfo
    verifier: str = ""
    series: str = ""


@dataclass(frozen=True)
class Taken:
    """What came of a batch. seq, hash: the head now. new: how many entries were. fault: why no more was taken. lists, fills:
    the newest versions of its shop's lists, and of what its shop's other bays filled; series: of these versions."""

    seq: int
    hash: str
    new: int
    fault: str | None = None
    lists: int = 0
    fills: int = 0
    series: str = ""

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def take(db: Db, bay: Bay, batch: Batch) -> Taken:
    """Take a batch in, within the transaction that the connection is in: on disk once that is committed are what is in order,
    and beside it the fault that ended it.

    Raises psycopg.Error where the database does not answer; then nothing of the batch was taken.
    """
    head = locked_head(db, bay)
    said = _known_key(db, bay, batch)
    if isinstance(said, str):
        found = Arrived((), head, {}, said)
    else:
        found = arrived(batch, head, _here(db, bay, head, batch.entries), *said)
    if found.new:
        _copy(db, bay, found.new)
    versions = _add(db, bay, batch, found)
    return Taken(found.head.seq, found.head.hash, len(found.new), found.fault, *versions, series=bay.series)


def head_of(db: Db, bay: Bay) -> Head:
    """How far a bay's record is here."""
    return _head(db.execute(_HEAD, [bay.shop, bay.bay]).fetchone())


_HEAD = "select seq, hash, frontier from head where shop = %s and bay = %s"


def _head(row: Sequence[Any] | None) -> Head:
    return Head() if row is None else Head(row[0], row[1], Frontier.from_bytes(row[0], bytes(row[2])))


def locked_head(db: Db, bay: Bay) -> Head:
    """A bay's head, nobody else's until the transaction ends: a bay that sends twice at once is taken in one after the
    other."""
    locked = f"{_HEAD} for update", [bay.shop, bay.bay]
    found = db.execute(*locked).fetchone()
    if found is None:
        db.execute(
            "insert into head values (%s, %s, %s, 0, '', '') on conflict do nothing",
            [bay.company, bay.shop, bay.bay],
        )
        found = db.execute(*locked).fetchone()
    return _head(found)


def _known_key(db: Db, bay: Bay, batch: Batch) -> tuple[list[VerifierKey], list[VerifierKey]] | str:
    """With what the bay's checkpoints are checked, and its former keys; why not, where it shows another key than before."""
    try:
        shown = VerifierKey.parse(batch.verifier) if batch.verifier else None
        former = [VerifierKey.parse(key) for key in batch.former]
    except InputError as error:
        return str(error).rstrip(".")
    if shown is not None and not bay.verifier:
        db.execute(
            "update bay set verifier = %s where shop = %s and bay = %s", [str(shown), bay.shop, bay.bay]
        )
        return [shown], former
    if shown is not None and str(shown) != bay.verifier:
        return _(
            "the bay signs with the key {shown}, and was known by {known}: its record was set up anew, or another one stands "
            "in its place"
        ).format(shown=shown.name, known=bay.verifier.partition("+")[0])
    return [VerifierKey.parse(bay.verifier)] if bay.verifier else [], former


def _here(db: Db, bay: Bay, head: Head, entries: Iterable[Entry]) -> dict[int, str]:
    again = [entry.seq for entry in entries if entry.seq <= head.seq]
    if again in ([], [head.seq]):  # as it is with every batch that goes on where the one before ended
        return {head.seq: head.hash}
    rows = db.execute(
        "select seq, hash from event where shop = %s and bay = %s and seq = any(%s)",
        [bay.shop, bay.bay, again],
    )
    return {row[0]: row[1] for row in rows}


def _copy(db: Db, bay: Bay, entries: Sequence[Entry]) -> None:
    own = (bay.company, bay.shop, bay.bay)
    with db.cursor() as cursor, cursor.copy(_EVENTS) as copy:
        for seq, job_id, kind, body, boot_id, t_s, utc, clock_synced, hash_ in entries:
            copy.write_row((*own, seq, job_id, kind, body, boot_id, t_s, utc, bool(clock_synced), hash_))


_EVENTS = f"copy event ({', '.join(EVENT)}) from stdin".encode()
_NOTE = """moved as (update head set seq = %(seq)s, hash = %(hash)s, frontier = %(frontier)s where shop = %(shop)s and bay = %(bay)s)
    update bay set heard = now(), newest_seq = %(newest_seq)s, name = %(name)s, software = %(software)s, fault = %(fault)s,
        fault_since = case when %(fault)s = '' then null when fault = %(fault)s then fault_since else now() end,
        witnessed = case when %(first)s then now() else witnessed end,
        witnessed_seq = case when %(first)s then %(newest_seq)s else witnessed_seq end,
        refused = case when %(fault)s = '' then refused else %(fault)s end,
        refused_at = case when %(fault)s = '' then refused_at else now() end
    where shop = %(shop)s and bay = %(bay)s returning
        (select max(version) from issue where issue.shop = bay.shop),
        (select max(f.version) from fills_of_type f where f.shop = bay.shop and f.bay <> bay.bay)"""


def _add(db: Db, bay: Bay, batch: Batch, found: Arrived) -> tuple[int, int]:
    """Add what is drawn from the new entries, move the head, note when the bay was heard and what it said of itself; the newest
    versions as ``Taken`` has them. A fault keeps the moment at which it was first seen."""
    drawn = derive.drawn(found.new, bay.zone)
    rows = adding.rows_of(bay.bay, drawn, found.notes)
    head = found.head
    values = {
        "company": bay.company,
        "shop": bay.shop,
        "bay": bay.bay,
        "fault": found.fault or "",
        "seq": head.seq,
        "hash": head.hash,
        "frontier": head.tree.to_bytes(),
        "newest_seq": batch.newest_seq,
        "first": bool(found.new) and found.new[0].seq == 1,
        "name": batch.name,
        "software": batch.software,
        **adding.values(rows),
    }
    query, names = adding.statement(tuple(rows), _NOTE)
    with RawCursor(db) as cursor:
        row = cursor.execute(query, [values[name] for name in names]).fetchone()
    if drawn.certified:
        db.execute(adding.IN_FORCE, {"shop": bay.shop, "bay": bay.bay})
    back = [one.seq for one in drawn.moved if one.back]
    if back:
        db.execute(adding.BACK, {"shop": bay.shop, "bay": bay.bay, "back": back})
    lists, fills = row or (0, 0)
    return lists or 0, fills or 0
