"""A bay's batch into PostgreSQL: one transaction, and in it everything that hangs on the entries.

The bay's head is locked, the chain is checked on from it, what came again is compared, new entries and the rows drawn from
them are added, the sums are added up, the head moves. An entry's key is shop, bay and number: what comes twice, or comes
again because an answer was lost, changes nothing.

A record that moved to another shop is under two names, each entry under one of them: up to the first one that its bay made
at the moment of the move, whenever that arrives, they are the former name's. Of a batch as much is taken as is of one name.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Any

from psycopg import Connection, RawCursor

from station.common.days import zone_of
from station.common.words import _
from station.errors import InputError, StationError
from station.record.many import adding, derive
from station.record.many.arriving import Arrived, Batch, Entry, Head, arrived, first_since
from station.record.merkle import Frontier
from station.record.note import VerifierKey

Db = Connection[tuple[Any, ...]]
EVENT = "company shop bay seq job_id kind body boot_id t_s utc clock_synced hash".split()


@dataclass(frozen=True)
class Bay:
    """Whose batch it is. zone: whose days its shop counts in. verifier: its public key as known here; "" before the first.
    series: of the versions that its shop tells (``station.record.versions``). gone: the moment from which on nothing is taken
    under this name; "" while it is in use. since: the moment at which it moved here, as long as nothing of its time here has come;
    former: under which name what came before that is, where it is here. moved: the moment at which it moved here, also later on;
    "" of one that did not."""

    company: str
    shop: str
    bay: str
    zone: tzinfo
    verifier: str = ""
    series: str = ""
    gone: str = ""
    since: str = ""
    former: tuple[str, str] | None = None
    moved: str = ""


_NAMED = """select t.company, t.shop, t.bay, s.time_zone, t.verifier, s.series, coalesce(t.gone_at, ''),
        case when t.begins is null then t.since else '' end, t.from_shop, t.from_bay, coalesce(t.since, ''), t.token_hash
    from bay b join bay t on (t.shop, t.bay) = ({at}) join shop s on s.shop = t.shop where b.shop = %s and b.bay = %s"""
_ITSELF = _NAMED.format(at="b.shop, b.bay")
_AS_IT_IS_NOW = _NAMED.format(at="coalesce(b.at_shop, b.shop), coalesce(b.at_bay, b.bay)")


def named(db: Db, shop: str, bay: str, now: bool = False) -> tuple[Bay, bytes] | None:
    """A bay and the hash of its token; None where there is none of this name. now: under the name that it moved to since."""
    row = db.execute((_AS_IT_IS_NOW if now else _ITSELF).encode(), [shop, bay]).fetchone()
    if row is None:
        return None
    company, of_shop, name, zone, verifier, series, gone, since, from_shop, from_bay, moved, token_hash = row
    former = None if from_shop is None else (from_shop, from_bay)
    known = Bay(company, of_shop, name, zone_of(zone), verifier, series, gone, since, former, moved)
    return known, bytes(token_hash)


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

    Raises psycopg.Error where the database does not answer, StationError where the bay is moved or retired meanwhile; then
    nothing of the batch was taken.
    """
    return _take_moved(db, bay, batch) if bay.since else _take(db, bay, batch)


def _take(db: Db, bay: Bay, batch: Batch, others: bool = False) -> Taken:
    """others: whether the entries are another roll-up's; they are checked and not kept."""
    head = locked_head(db, bay)
    new = [entry for entry in batch.entries if entry.seq > head.seq] if bay.gone else []
    beyond = first_since(new, bay.gone)
    if beyond is not None:
        batch = replace(batch, entries=_before(batch.entries, new[beyond]))
    said = _known_key(db, bay, batch)
    if isinstance(said, str):
        found = Arrived((), head, {}, said)
    else:
        found = arrived(batch, head, _here(db, bay, head, batch.entries), *said)
    if beyond is not None and found.fault is None:
        found = replace(
            found,
            fault=_(
                "the bay was retired here, and has recorded more since: that stays in its own record, and is taken from there "
                "once the bay is brought back"
            ),
        )
    if found.new and not others:
        _copy(db, bay, found.new)
    versions = _add(db, bay, batch, found, others)
    if bay.gone:
        versions = (0, 0)  # a bay that was sold is told nothing more
    return Taken(found.head.seq, found.head.hash, len(found.new), found.fault, *versions, series=bay.series)


def _take_moved(db: Db, bay: Bay, batch: Batch) -> Taken:
    """Of a bay that moved here, before anything of its time here has come."""
    found = None if bay.former is None else named(db, *bay.former)
    former = bay if found is None else found[0]
    head = locked_head(db, former)
    waits = db.execute(_WAITS, [bay.shop, bay.bay, bay.since]).fetchone() is not None
    if not waits:  # the same batch came twice at once
        raise StationError(_moved_meanwhile())
    new = [entry for entry in batch.entries if entry.seq > head.seq]
    first = first_since(new, bay.since)
    if first == 0:
        begin(db, bay, former, head)
        return _take(db, replace(bay, since="", verifier=former.verifier), batch)
    if first is not None:
        batch = replace(batch, entries=_before(batch.entries, new[first]))
    if found is None:
        return _take(db, bay, batch, others=True)
    taken = _take(db, former, batch)
    db.execute(
        "update bay set fault = '', fault_since = null where shop = %s and bay = %s",
        [former.shop, former.bay],
    )
    said = {**_said(bay, batch, taken.fault), "first": False}
    lists, fills = db.execute(_HEARD.encode(), said).fetchone() or (0, 0)
    return replace(taken, lists=lists or 0, fills=fills or 0, series=bay.series)


_WAITS = "select 1 from bay where shop = %s and bay = %s and since = %s and begins is null"


def _moved_meanwhile() -> str:
    return _("The bay was moved or retired while its entries came. Send them again.")


def _before(entries: Sequence[Entry], first: Entry) -> tuple[Entry, ...]:
    return tuple(entry for entry in entries if entry.seq < first.seq)


def begin(db: Db, bay: Bay, former: Bay, head: Head) -> None:
    """Have a bay's own time here begin behind an entry. former: under which name the record is up to there; the bay itself where
    that is in another roll-up. What a former name's instruments are certified with goes along, and what its fluids are called."""
    at = {"shop": bay.shop, "bay": bay.bay, "company": bay.company, "seq": head.seq, "hash": head.hash}
    at |= {"frontier": head.tree.to_bytes(), "of_shop": former.shop, "of_bay": former.bay}
    # An earlier stay under the name left a head.
    db.execute(
        "insert into head values (%(company)s, %(shop)s, %(bay)s, %(seq)s, %(hash)s, %(frontier)s) on conflict (shop, bay) do update "
        "set seq = excluded.seq, hash = excluded.hash, frontier = excluded.frontier",
        at,
    )
    db.execute(
        "update bay b set begins = %(seq)s, begins_hash = %(hash)s, begins_frontier = %(frontier)s, verifier = f.verifier, "
        "witnessed = f.witnessed, witnessed_seq = f.witnessed_seq from bay f where f.shop = %(of_shop)s and f.bay = %(of_bay)s "
        "and b.shop = %(shop)s and b.bay = %(bay)s and b.begins is null",
        at,
    )
    for table, columns in _ALONG.items():
        db.execute(
            f"insert into {table} (company, shop, bay, {columns}) select company, %(shop)s, %(bay)s, {columns} from {table} "
            "where shop = %(of_shop)s and bay = %(of_bay)s on conflict do nothing".encode(),
            at,
        )
    db.execute(adding.IN_FORCE, {"shop": bay.shop, "bay": bay.bay})


_ALONG = {
    "certificate": "seq, number, kind, instrument, made_at, valid_until, replaces, in_force",
    "fluid_name": "fluid, name",
}


def head_of(db: Db, bay: Bay) -> Head:
    """How far a bay's record is here."""
    shop, name = bay.former if bay.since and bay.former else (bay.shop, bay.bay)
    return _head(db.execute(_HEAD, [shop, name]).fetchone())


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


SISTER = """f.bay <> {bay} and (select o.at_bay from bay o where o.shop = f.shop and o.bay = f.bay and o.at_shop = {shop})
    is distinct from {bay}"""
"""Whether what a name of a shop filled is another bay's than this one's, and not its own under a name that it had."""
_EVENTS = f"copy event ({', '.join(EVENT)}) from stdin".encode()
_HEARD = f"""update bay set heard = now(), newest_seq = %(newest_seq)s, name = %(name)s, software = %(software)s, fault = %(fault)s,
        fault_since = case when %(fault)s = '' then null when fault = %(fault)s then fault_since else now() end,
        witnessed = case when %(first)s then now() else witnessed end,
        witnessed_seq = case when %(first)s then %(newest_seq)s else witnessed_seq end,
        refused = case when %(fault)s = '' then refused else %(fault)s end,
        refused_at = case when %(fault)s = '' then refused_at else now() end
    where shop = %(shop)s and bay = %(bay)s and coalesce(gone_at, '') = %(gone)s returning
        (select max(version) from issue where issue.shop = bay.shop),
        (select max(f.version) from fills_of_type f where f.shop = bay.shop and {SISTER.format(shop="bay.shop", bay="bay.bay")})"""
_NOTE = f"""moved as (update head set seq = %(seq)s, hash = %(hash)s, frontier = %(frontier)s where shop = %(shop)s and bay = %(bay)s)
    {_HEARD}"""


def _said(bay: Bay, batch: Batch, fault: str | None) -> dict[str, Any]:
    """What a bay says of itself, and what came of it."""
    return {
        "shop": bay.shop,
        "bay": bay.bay,
        "gone": bay.gone,
        "fault": fault or "",
        "newest_seq": batch.newest_seq,
        "name": batch.name,
        "software": batch.software,
    }


def _add(db: Db, bay: Bay, batch: Batch, found: Arrived, others: bool = False) -> tuple[int, int]:
    """Add what is drawn from the new entries, move the head, note when the bay was heard and what it said of itself; the newest
    versions as ``Taken`` has them. A fault keeps the moment at which it was first seen. others: of their entries only what
    goes along with the bay is drawn."""
    drawn = derive.drawn(found.new, bay.zone)
    if others:
        drawn = replace(drawn, jobs=(), moved=(), unread={})
    rows = adding.rows_of(bay.bay, drawn, {} if others else found.notes)
    head = found.head
    values = {
        **_said(bay, batch, found.fault),
        "company": bay.company,
        "seq": head.seq,
        "hash": head.hash,
        "frontier": head.tree.to_bytes(),
        "first": bool(found.new) and found.new[0].seq == 1,
        **adding.values(rows),
    }
    query, names = adding.statement(tuple(rows), _NOTE)
    with RawCursor(db) as cursor:
        row = cursor.execute(query, [values[name] for name in names]).fetchone()
    if row is None:
        raise StationError(_moved_meanwhile())
    if drawn.certified:
        db.execute(adding.IN_FORCE, {"shop": bay.shop, "bay": bay.bay})
    back = [one.seq for one in drawn.moved if one.back]
    if back:
        db.execute(adding.BACK, {"shop": bay.shop, "bay": bay.bay, "back": back})
    lists, fills = row
    return lists or 0, fills or 0
