"""A name that a bay has again: what it recorded under it before it was lent is an earlier stay, a stretch of its record of its own.

All that hangs on the entries of a name is drawn from all of its stays; only where each begins and ends is kept stay by stay.
"""

from station.record.many.anew import DRAWN, drawn_anew
from station.record.many.ingest import Db, named

Name = tuple[str, str]
_SAID = "since from_shop from_bay gone_at gone_by gone_because".split()
_KEPT = ("begins", "begins_hash", "begins_frontier", *_SAID)


def put_by(db: Db, of: Name) -> None:
    """Have the stay that a name had until it was left be an earlier one. Its head is held."""
    columns = ", ".join(_KEPT)
    db.execute(
        f"insert into stay (company, shop, bay, nth, {columns}, seq, hash, frontier) "
        "select b.company, b.shop, b.bay, (select count(*) + 1 from stay s where s.shop = b.shop and s.bay = b.bay), "
        f"{', '.join(f'b.{one}' for one in _KEPT)}, coalesce(h.seq, 0), coalesce(h.hash, ''), coalesce(h.frontier, '') "
        "from bay b left join head h on h.shop = b.shop and h.bay = b.bay where b.shop = %s and b.bay = %s".encode(),
        of,
    )


def take_up(db: Db, of: Name, at: Name) -> bool:
    """Have a name's newest earlier stay be the one that it left last, as if it had never come back; whether it has any. at: under
    which name the record goes on."""
    columns = ", ".join(f"{one} = s.{one}" for one in _KEPT)
    newest = "s.nth = (select max(nth) from stay where shop = s.shop and bay = s.bay)"
    of_it = f"s.shop = %s and s.bay = %s and {newest}"
    found = db.execute(
        f"update bay b set {columns}, at_shop = %s, at_bay = %s from stay s where s.shop = b.shop and s.bay = b.bay "
        f"and {of_it}".encode(),
        [*at, *of],
    )
    if not found.rowcount:
        return False
    db.execute(
        "update head h set seq = s.seq, hash = s.hash, frontier = s.frontier from stay s where s.shop = h.shop "
        f"and s.bay = h.bay and {of_it}".encode(),
        of,
    )
    db.execute(f"delete from stay s where {of_it}".encode(), of)
    return True


def set_apart(db: Db, of: Name) -> str:
    """Put the earlier stays of a name under one of their own, so that its present stay can be set aside and be taken anew; that
    name, "" where there are none."""
    if db.execute("select 1 from stay where shop = %s and bay = %s limit 1", of).fetchone() is None:
        return ""
    taken = {row[0] for row in db.execute("select bay from bay where shop = %s", [of[0]])}
    stem = f"{of[1][:29]}-before"
    name = next(
        one for n in range(1, len(taken) + 2) if (one := stem if n == 1 else f"{stem}-{n}") not in taken
    )
    there = (of[0], name)
    db.execute(
        "insert into bay (company, shop, bay, token_hash, verifier, page, name, software, heard, newest_seq, witnessed, "
        "witnessed_seq) select company, shop, %s, token_hash, verifier, page, name, software, heard, newest_seq, witnessed, "
        "witnessed_seq from bay where shop = %s and bay = %s",
        [name, *of],
    )
    (end,) = db.execute("select max(seq) from stay where shop = %s and bay = %s", of).fetchone() or (0,)
    for table, number in (("event", "seq"), ("checkpoint", "size")):
        db.execute(
            f"update {table} set bay = %s where shop = %s and bay = %s and {number} <= %s".encode(),
            [name, *of, end],
        )
    db.execute("update stay set bay = %s where shop = %s and bay = %s", [name, *of])
    for table in ("bay", "stay"):
        db.execute(
            f"update {table} set from_bay = %s where (from_shop, from_bay) = (%s, %s)".encode(), [name, *of]
        )
    db.execute(
        "insert into head select company, shop, bay, 0, '', '' from bay where shop = %s and bay = %s", there
    )
    take_up(db, there, of)
    db.execute(
        "insert into lane (company, shop, bay, receiver, seq) select company, shop, %s, receiver, seq from lane "
        "where shop = %s and bay = %s",
        [name, *of],
    )
    for table in DRAWN:
        db.execute(f"delete from {table} where shop = %s and bay = %s".encode(), of)
    found = named(db, *there)
    if found is not None:
        drawn_anew(db, found[0])
    return name
