"""A bay's batch into PostgreSQL: one transaction, and in it everything that hangs on the entries.

The bay's head is locked, the chain is checked on from it, what came again is compared, new entries and the rows drawn from
them are added, the sums are added up, the head moves. An entry's key is shop, bay and number: what comes twice, or comes
again because an answer was lost, changes nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from operator import attrgetter
from typing import Any

from psycopg import Connection

from station.errors import InputError
from station.record.many import derive
from station.record.many.arriving import Arrived, Batch, Entry, Head, arrived
from station.record.many.derive import Drawn, Sums
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
_facts = attrgetter(*JOB_FACTS)
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
    """Take a batch in, within the transaction that the connection is in: on disk once that is committed are what is in order,
    and beside it the fault that ended it.

    Raises psycopg.Error where the database does not answer; then nothing of the batch was taken.
    """
    head = locked_head(db, bay)
    said = _known_key(db, bay, batch)
    if isinstance(said, str):
        found = Arrived((), head, {}, said)
    else:
        found = arrived(batch, head, _here(db, bay, head, batch.entries), said)
    if found.new:
        _add(db, bay, found)
    lists = _note(db, bay, batch, found)
    return Taken(found.head.seq, found.head.hash, len(found.new), found.fault, lists)


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
        [
            (*own, seq, job_id, kind, body, boot_id, t_s, utc, bool(clock_synced), hash_)
            for seq, job_id, kind, body, boot_id, t_s, utc, clock_synced, hash_ in found.new
        ],
    )
    _copy(db, "checkpoint", [*EVENT[:3], "size", "note"], [(*own, *one) for one in found.notes.items()])
    drawn = derive.drawn(found.new, bay.zone)
    for table, (columns, rows) in rows_of(bay, drawn).items():
        _copy(db, table, columns, rows)
    _hold(db, bay, drawn)
    _name(db, bay, drawn)
    _add_up(db, bay, derive.sums(bay.bay, drawn))
    if drawn.named:
        with db.cursor() as cursor:
            cursor.executemany(
                "insert into fluid_name values (%s, %s, %s, %s, %s) on conflict (shop, bay, fluid) do update set name = "
                "excluded.name",
                [(bay.company, bay.shop, bay.bay, *one) for one in sorted(drawn.named.items())],
            )


def rows_of(bay: Bay, drawn: Drawn) -> dict[str, tuple[Sequence[str], list[tuple[Any, ...]]]]:
    """Table → its columns, and its rows of what was drawn."""
    own = (bay.company, bay.shop, bay.bay)
    jobs = [
        (
            *own,
            one.seq,
            derive.month_of(one.day),
            one.day,
            *_facts(one.row),
            one.deviation_percent,
            one.proved,
        )
        for one in drawn.jobs
    ]
    moved = [
        (
            *own,
            one.seq,
            derive.month_of(one.day),
            one.day,
            one.utc,
            *(one.facts[name] for name in MOVEMENT[7:]),
        )
        for one in drawn.moved
    ]
    certified = [
        (*own, seq, c.number, c.kind, c.instrument, c.made_at, date.fromisoformat(c.valid_until), c.replaces)
        for seq, c in ((one.seq, one.certificate) for one in drawn.certified)
    ]
    return {
        "unread": ([*EVENT[:4], "text"], [(*own, *one) for one in drawn.unread.items()]),
        "job": (JOB, jobs),
        "movement": (MOVEMENT, moved),
        "certificate": (CERTIFICATE, certified),
    }


def _copy(db: Db, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    if not rows:
        return
    with (
        db.cursor() as cursor,
        cursor.copy(f"copy {table} ({', '.join(columns)}) from stdin".encode()) as copy,
    ):
        for row in rows:
            copy.write_row(row)


TAKEN = "company shop bay container opened_seq seq metered_l u95_l".split()
CONTAINER = "company shop bay container seq fluid counted_seq counted_utc counted_l counted_u95_l".split()
_TAKEN = b"""
    insert into taken select %s, %s, %s, t.container, e.seq, t.seq, t.metered_l, t.u95_l
    from unnest(%s::text[], %s::text[], %s::bigint[], %s::float8[], %s::float8[]) as t (container, job_id, seq, metered_l, u95_l),
        lateral (select min(seq) as seq from event where shop = %s and bay = %s and job_id = t.job_id) as e
    where e.seq is not null"""
_CONTAINER = b"""
    insert into container select %s, %s, %s, * from unnest(
        %s::text[], %s::bigint[], %s::text[], %s::bigint[], %s::text[], %s::float8[], %s::float8[])
    on conflict (shop, bay, container) do update set seq = excluded.seq, fluid = excluded.fluid,
        counted_seq = coalesce(excluded.counted_seq, container.counted_seq),
        counted_utc = coalesce(excluded.counted_utc, container.counted_utc),
        counted_l = coalesce(excluded.counted_l, container.counted_l),
        counted_u95_l = coalesce(excluded.counted_u95_l, container.counted_u95_l)"""


def _hold(db: Db, bay: Bay, drawn: Drawn) -> None:
    """What jobs took out of containers, and how movements left these; the jobs' entries are there already."""
    own = [bay.company, bay.shop, bay.bay]
    rows = [(one.seq, one.row) for one in drawn.jobs if one.row.container is not None]
    if rows:
        taken = [(row.container, row.job_id, seq, row.metered_l, row.filled_u95_l) for seq, row in rows]
        db.execute(_TAKEN, [*own, *map(list, zip(*taken, strict=True)), bay.shop, bay.bay])
    left: dict[str, tuple[Any, ...]] = {}
    for one in drawn.moved:
        name, fluid = one.facts["container"], one.facts["fluid"]
        if one.facts["kind"] == "counted":
            counted: tuple[Any, ...] = (one.seq, one.utc, one.facts["volume_l"], one.facts["u95_l"])
        else:
            counted = left[name][3:] if name in left else (None, None, None, None)
        if name is not None:
            left[name] = (name, one.seq, fluid, *counted)
    if left:
        db.execute(_CONTAINER, [*own, *map(list, zip(*left.values(), strict=True))])


_NAME = b"""
    insert into named select %s, %s, * from unnest(%s::text[], %s::text[]) on conflict (shop, name) do update
    set folded = excluded.folded where named.folded <> excluded.folded"""


def _name(db: Db, bay: Bay, drawn: Drawn) -> None:
    """By what jobs are looked for; in order, as the lines of sums are added."""
    names = sorted(
        {
            name
            for one in drawn.jobs
            for name in (one.row.vehicle, one.row.compartment, one.row.technician)
            if name
        }
    )
    if names:
        db.execute(_NAME, [bay.company, bay.shop, names, [name.casefold() for name in names]])


SUMS: dict[str, tuple[Sequence[str], Sequence[str], Sequence[str]]] = {
    "use_day": (("company", "shop", "bay"), ("day date", "fluid text"), derive.USE),
    "use_month": (("company", "shop", "bay"), ("month date", "fluid text"), derive.USE),
    "tally_month": (("company", "shop"), ("month date", "dimension text", "name text"), derive.TALLY),
}
"""Table of sums → whose it is, what its lines are told apart by, its figures."""


def _adding(table: str) -> str:
    """Lines come as one array a column: PostgreSQL plans and runs it once for all of them."""
    own, key, figures = SUMS[table]
    names = [*own, *(one.split()[0] for one in key)]
    kinds = [one.split()[1] for one in key] + [
        "numeric" if n == "deviation_ppm2" else "bigint" for n in figures
    ]
    return (
        f"insert into {table} ({', '.join([*names, *figures])}) select {', '.join(['%s'] * len(own))}, * from unnest("
        f"{', '.join(f'%s::{kind}[]' for kind in kinds)}) on conflict ({', '.join(names[1:])}) do update set "
        f"{', '.join(f'{name} = {table}.{name} + excluded.{name}' for name in figures)}"
    )


_ADD_UP = (
    f"with day as ({_adding('use_day')}), month as ({_adding('use_month')}) {_adding('tally_month')}"
).encode()


def _add_up(db: Db, bay: Bay, sums: Sums) -> None:
    """Add lines to the tables of sums, in the order of their keys: two bays of a shop, which share the last table, never wait
    for each other in a circle."""
    values: list[Any] = []
    for table, lines in vars(sums).items():
        own, key, figures = SUMS[table]
        columns = zip(*((*at, *lines[at]) for at in sorted(lines)), strict=True)
        values += [vars(bay)[name] for name in own]
        values += map(list, columns) if lines else [[] for _ in (*key, *figures)]
    db.execute(_ADD_UP, values)


_NOTE = b"""
    with moved as (update head set seq = %s, hash = %s, frontier = %s where shop = %s and bay = %s)
    update bay set heard = now(), newest_seq = %s, name = %s, software = %s, fault = %s,
        fault_since = case when %s = '' then null when fault = %s then fault_since else now() end
    where shop = %s and bay = %s returning (select max(version) from issue where issue.shop = bay.shop)"""


def _note(db: Db, bay: Bay, batch: Batch, found: Arrived) -> int:
    """Move the head; note when the bay was heard and what it said of itself; the newest version of its shop's lists. A fault
    keeps the moment at which it was first seen."""
    head, said = found.head, found.fault or ""
    row = db.execute(
        _NOTE,
        [
            *(head.seq, head.hash, head.tree.to_bytes(), bay.shop, bay.bay),
            *(batch.newest_seq, batch.name, batch.software, said, said, said, bay.shop, bay.bay),
        ],
    ).fetchone()
    return (row and row[0]) or 0
