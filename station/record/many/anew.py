"""What hangs on entries that are here already, drawn from them anew: where some of them are put under another name, or aside."""

from collections.abc import Iterator

from psycopg import RawCursor

from station.record.chain import entry_leaf
from station.record.many import adding, derive, verify
from station.record.many.arriving import Entry, Head
from station.record.many.ingest import Bay, Db
from station.record.merkle import Frontier, leaf_hash

AT_A_TIME = 2000
"""Entries that are drawn from at a time."""
DRAWN = (
    "job",
    "movement",
    "certificate",
    "unread",
    "taken",
    "container",
    "use_day",
    "use_month",
    "use_year",
    "fluid_name",
)
"""What hangs on a bay's entries, under its own key."""


def head_before(db: Db, bay: Bay, cut: int) -> Head:
    """Where a bay's record was before an entry."""
    seq, newest, frontier = db.execute(
        "select begins, begins_hash, begins_frontier from bay where shop = %s and bay = %s",
        [bay.shop, bay.bay],
    ).fetchone() or (0, "", b"")
    tree = Frontier.from_bytes(seq, bytes(frontier))
    for entries in _entries(db, bay, cut, seq):
        leaves = []
        for one in entries:
            leaves.append(leaf_hash(entry_leaf(newest, *one[:-1])))
            seq, newest = one.seq, one.hash
        tree = tree.add(leaves)
    return Head(seq, newest, tree)


def _entries(db: Db, bay: Bay, before: int, after: int = 0) -> Iterator[list[Entry]]:
    """A bay's entries under this name, in order, so many at a time."""
    while True:
        rows = db.execute(
            "select seq, job_id, kind, body, boot_id, t_s, utc, clock_synced::int, hash from event where shop = %s and bay = %s "
            "and seq > %s and seq < %s order by seq limit %s",
            [bay.shop, bay.bay, after, before, AT_A_TIME],
        ).fetchall()
        if not rows:
            return
        yield [Entry(*row) for row in rows]
        after = rows[-1][0]


_OWN = """(seq > {begins} or exists (select from stay s where s.shop = certificate.shop and s.bay = certificate.bay
    and certificate.seq > s.begins and certificate.seq <= s.seq))"""
"""What is drawn from a name's own entries, and did not come along."""


def drawn_anew(db: Db, bay: Bay) -> None:
    """Draw all that hangs on a bay's entries from these; what went along with it stays."""
    (begins,) = db.execute(
        "select coalesce(begins, 0) from bay where shop = %s and bay = %s", [bay.shop, bay.bay]
    ).fetchone() or (0,)
    for table in DRAWN:
        along = {"certificate": f"and {_OWN.format(begins=begins)}", "fluid_name": f"and {begins} = 0"}.get(
            table, ""
        )
        db.execute(f"delete from {table} where shop = %s and bay = %s {along}".encode(), [bay.shop, bay.bay])
    back = []
    for entries in _entries(db, bay, 1 << 62):
        drawn = derive.drawn(entries, bay.zone)
        back += [one.seq for one in drawn.moved if one.back]
        rows = adding.rows_of(bay.bay, drawn, {})
        rows = {table: lines for table, lines in rows.items() if not table.startswith("tally_")}
        query, names = adding.statement(tuple(rows), "nothing as (select 1) select 1")
        values = {"company": bay.company, "shop": bay.shop, "bay": bay.bay, **adding.values(rows)}
        with RawCursor(db) as cursor:
            cursor.execute(query, [values[name] for name in names])
    db.execute(adding.IN_FORCE, {"shop": bay.shop, "bay": bay.bay})
    db.execute(adding.BACK, {"shop": bay.shop, "bay": bay.bay, "back": back})
    tallies_anew(db, bay.shop)
    db.execute("update bay set fills_drawn = null where shop = %s and bay = %s", [bay.shop, bay.bay])


def tallies_anew(db: Db, shop: str) -> None:
    """Add up what a shop's jobs share from these. Its heads are held."""
    for table in ("tally_month", "tally_year"):
        columns = ", ".join(verify.columns_of(table))
        db.execute(f"delete from {table} where shop = %s".encode(), [shop])
        db.execute(
            f"insert into {table} ({columns}) select * from ({verify.recomputed()[table]}) as anew "
            f"({columns}) where shop = %s".encode(),
            [shop],
        )
