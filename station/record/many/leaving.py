"""Bays that leave: retired, brought back, or moved to another shop with their record.

One rule holds for all of them: a name takes what its bay recorded before the moment at which it left, whenever that arrives,
and nothing after it. Where a record goes on under another name, that one takes what was recorded from that moment on. So each
entry is under one name, and what hangs on it counts there; no sum is ever told that something is not to count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from station.common import days
from station.errors import InputError
from station.record.many.accept import log
from station.record.many.adding import array
from station.record.many.anew import DRAWN, drawn_anew, head_before, tallies_anew
from station.record.many.arriving import Head
from station.record.many.ingest import EVENT, Bay, Db, begin, head_of, named
from station.record.many.queries import OF
from station.record.many.store import check_keys, enter_shop


@dataclass(frozen=True)
class Left:
    """A bay that is in use no more under this name. gone_at: from which moment on. seq: its newest entry here. heard: when it was
    last heard; behind: entries that it has recorded since it was retired, as it says. moved: whether its record goes on under
    another name: at_shop, at_bay, where that may be seen."""

    shop: str
    bay: str
    gone_at: str
    gone_by: str
    gone_because: str
    seq: int
    heard: str | None
    behind: int
    moved: bool
    at_shop: str | None
    at_bay: str | None


STATEMENTS: Final = {
    "left": f"""select b.shop, b.bay, b.gone_at, b.gone_by, b.gone_because, coalesce(h.seq, 0) as seq,
            to_char(b.heard at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"+00:00"') as heard,
            case when b.fault <> '' then greatest(0, b.newest_seq - coalesce(h.seq, 0)) else 0 end as behind,
            b.at_shop is not null as moved, case when b.at_shop = any(%(shops)s::text[]) then b.at_shop end as at_shop,
            case when b.at_shop = any(%(shops)s::text[]) then b.at_bay end as at_bay, count(*) over () as total
        from bay b left join head h on h.shop = b.shop and h.bay = b.bay
        where b.{OF} and b.gone_at is not null order by b.gone_at desc, b.shop, b.bay limit %(most)s""",
}


def left(db: Db, shops: Sequence[str], most: int | None = None) -> tuple[list[Left], int]:
    """Bays of these shops that left, the newest first, so many of them; and how many there are. Where one went is said only of
    these shops."""
    values = {"shops": array(shops), "most": most}
    rows = db.execute(STATEMENTS["left"].encode(), values, prepare=False).fetchall()
    return [Left(*row[:-1]) for row in rows], rows[0][-1] if rows else 0


def retire(db: Db, shop: str, bay: str, who: str, because: str) -> str:
    """Have a bay count as gone from now on; the moment of that. What it recorded before is still taken. Raises InputError."""
    who, because = _said(who, because)
    with db.transaction():
        row = _held(db, (shop, bay))[shop, bay]
        if row["gone_at"] is not None:
            raise InputError(f"{shop}, {bay} {_where(row)}.")
        utc = days.now().isoformat(timespec="milliseconds")
        db.execute(
            "update bay set gone_at = %s, gone_by = %s, gone_because = %s, fault = '', fault_since = null "
            "where shop = %s and bay = %s",
            [utc, who, because, shop, bay],
        )
        told = {"shop": shop, "bay": bay, "because": because, "seq": row["seq"], "fault": row["fault"]}
        log(db, utc, who, "retired", told)
    return utc


def bring_back(db: Db, shop: str, bay: str, who: str, because: str) -> None:
    """Have a retired bay be in use as if it had been all the time: what it recorded meanwhile is taken when it sends the next
    time. Raises InputError."""
    who, because = _said(who, because)
    with db.transaction():
        row = _held(db, (shop, bay))[shop, bay]
        if row["gone_at"] is None:
            raise InputError(f"{shop}, {bay} is not retired.")
        if row["at_shop"] is not None:
            raise InputError(
                f"{shop}, {bay} {_where(row)}. Move it back from there with tallypan roll-up move."
            )
        db.execute(
            "update bay set gone_at = null, gone_by = null, gone_because = null, fault = '', fault_since = null "
            "where shop = %s and bay = %s",
            [shop, bay],
        )
        utc = days.now().isoformat(timespec="milliseconds")
        told = {"shop": shop, "bay": bay, "because": because, "gone_at": row["gone_at"]}
        log(db, utc, who, "brought back", told)


def move(
    db: Db,
    source: tuple[str, str],
    target: tuple[str, str],
    who: str,
    because: str,
    utc: str = "",
    time_zone: str = "",
) -> int:
    """Have a bay's record go on under another name from a moment on; how many entries of after it were here already, and are the
    new name's now. source, target: shop and bay. utc: the moment, as the record writes times; "" for now. time_zone: of a shop
    that is new. A bay that comes back to the name that it had, as if it had never left, ends the name that it leaves. A target that
    has the same record already, so that all of it counts twice, keeps what is its own.

    Raises InputError.
    """
    who, because = _said(who, because)
    now = days.now().isoformat(timespec="milliseconds")
    utc = utc or now
    check_keys(shop=target[0], bay=target[1])
    with db.transaction():
        rows = _held(db, source, target)
        row, there = rows[source], rows.get(target)
        if source == target:
            raise InputError(f"{_name(source)} is there already.")
        if row["gone_at"] is not None:
            hint = "" if row["at_shop"] is not None else " Bring it back first."
            raise InputError(f"{_name(source)} {_where(row)}.{hint}")
        if row["fault"]:
            raise InputError(
                f"{_name(source)} is refused: {row['fault']}. Clear that up, and accept it, first."
            )
        if row["since"] is not None and utc < row["since"]:
            raise InputError(f"{_name(source)} came there at {row['since']}; expected a later time.")
        enter_shop(db, row["company"], target[0], time_zone)
        cut = _cut(db, source, utc)
        unused = row["begins"] is None or cut == row["begins"] + 1
        back = unused and there is not None and (row["from_shop"], row["from_bay"]) == target
        twice = there is not None and not back and _is_one_record(db, source, target)
        if there is not None and not back and not twice:
            raise InputError(
                f"{_name(target)} is a bay already, or was one, and its jobs stand under that name; expected a name that was "
                "never used."
            )
        if row["begins"] is None and not back:
            raise InputError(
                f"nothing that {_name(source)} recorded since it came there has arrived yet. Let it send first, or move it back."
            )
        if twice:
            _under_one(db, source, target, utc)
            cut = _cut(db, source, utc)
        elif not back:
            _begin_anew(db, source, target, utc)
        moved = 0 if row["begins"] is None else head_of(db, _known(db, source)).seq - cut + 1
        if back:
            _return(db, source, target)
        else:
            _go_on(db, source, target, utc, who, because, cut)
        told = {"shop": source[0], "bay": source[1], "to_shop": target[0], "to_bay": target[1]}
        log(db, now, who, "moved", {**told, "because": because, "from": utc, "entries": moved})
    return moved


def _is_one_record(db: Db, source: tuple[str, str], target: tuple[str, str]) -> bool:
    """Whether a bay was entered under both names, and has brought its whole record under each: then all of it counts twice."""
    found = db.execute(
        "select count(distinct e.hash), count(*) from event e where (e.shop, e.bay) in ((%(shop)s, %(bay)s), (%(to_shop)s, "
        "%(to_bay)s)) and e.seq = (select min(h.seq) from head h join bay b on b.shop = h.shop and b.bay = h.bay where "
        "(h.shop, h.bay) in ((%(shop)s, %(bay)s), (%(to_shop)s, %(to_bay)s)) and b.begins = 0 and b.fault = '' and b.gone_at is null)",
        {"shop": source[0], "bay": source[1], "to_shop": target[0], "to_bay": target[1]},
    ).fetchone()
    return found == (1, 2)


def _under_one(db: Db, source: tuple[str, str], target: tuple[str, str], utc: str) -> None:
    """Put one record that is under two names under the first alone, so that it goes on from there under the second."""
    old, new = _known(db, source), _known(db, target)
    head, other = head_of(db, old), head_of(db, new)
    _copy(db, target, source, head.seq + 1)
    if other.seq > head.seq:
        _set_head(db, source, other)
    for table in ("event", "checkpoint", "head", *DRAWN):
        db.execute(f"delete from {table} where shop = %s and bay = %s".encode(), target)
    db.execute(
        "update bay set since = %s, from_shop = %s, from_bay = %s, begins = null where shop = %s and bay = %s",
        [utc, *source, *target],
    )
    drawn_anew(db, old)
    drawn_anew(db, new)


def _begin_anew(db: Db, source: tuple[str, str], target: tuple[str, str], utc: str) -> None:
    db.execute(
        "insert into bay (company, shop, bay, token_hash, verifier, page, name, software, heard, newest_seq, since, from_shop, "
        "from_bay, begins) select company, %s, %s, token_hash, verifier, page, name, software, heard, newest_seq, %s, shop, bay, "
        "null from bay where shop = %s and bay = %s",
        [*target, utc, *source],
    )


def _go_on(
    db: Db, source: tuple[str, str], target: tuple[str, str], utc: str, who: str, because: str, cut: int
) -> None:
    db.execute(
        "update bay set gone_at = %s, gone_by = %s, gone_because = %s where shop = %s and bay = %s",
        [utc, who, because, *source],
    )
    db.execute(
        "update bay set at_shop = %s, at_bay = %s where (at_shop, at_bay) = (%s, %s)", [*target, *source]
    )
    db.execute("update bay set at_shop = %s, at_bay = %s where (shop, bay) = (%s, %s)", [*target, *source])
    _lanes(db, source, target)
    old, new = _known(db, source), _known(db, target)
    head = head_of(db, old)
    if cut <= head.seq:
        end = head_before(db, old, cut)
        begin(db, new, old, end)
        _hand_over(db, source, target, cut)
        _set_head(db, source, end)
        _set_head(db, target, head)
        drawn_anew(db, old)
        drawn_anew(db, new)


def _return(db: Db, source: tuple[str, str], target: tuple[str, str]) -> None:
    """All that is under the name that a bay leaves is the former name's again; the name that it leaves was never used."""
    left_behind = _known(db, source)
    head = head_of(db, left_behind)
    db.execute(
        "update bay t set gone_at = null, gone_by = null, gone_because = null, at_shop = null, at_bay = null, "
        "token_hash = s.token_hash, page = s.page, name = s.name, software = s.software, heard = s.heard, "
        "newest_seq = s.newest_seq from bay s where (s.shop, s.bay) = (%s, %s) and (t.shop, t.bay) = (%s, %s)",
        [*source, *target],
    )
    db.execute(
        "update bay set at_shop = %s, at_bay = %s where (at_shop, at_bay) = (%s, %s) and (shop, bay) <> (%s, %s)",
        [*target, *source, *target],
    )
    _lanes(db, source, target)
    _hand_over(db, source, target, 1)
    _set_head(db, target, head)
    for table in ("bay", "head", "fills_of_type", *DRAWN):
        db.execute(f"delete from {table} where shop = %s and bay = %s".encode(), source)
    tallies_anew(db, source[0])
    drawn_anew(db, _known(db, target))


def _hand_over(db: Db, source: tuple[str, str], target: tuple[str, str], first: int) -> None:
    _copy(db, source, target, first)
    for table, number in (("event", "seq"), ("checkpoint", "size")):
        db.execute(
            f"delete from {table} where shop = %s and bay = %s and {number} >= %s".encode(), [*source, first]
        )


def _copy(db: Db, source: tuple[str, str], target: tuple[str, str], first: int) -> None:
    for table, number, rest in (("event", "seq", EVENT[3:]), ("checkpoint", "size", ("size", "note"))):
        columns = ", ".join(rest)
        db.execute(
            f"insert into {table} (company, shop, bay, {columns}) select company, %s, %s, {columns} from {table} "
            f"where shop = %s and bay = %s and {number} >= %s".encode(),
            [*target, *source, first],
        )


def _lanes(db: Db, source: tuple[str, str], target: tuple[str, str]) -> None:
    """What was told of a record is not told again under its new name."""
    db.execute(
        "insert into lane (company, shop, bay, receiver, seq) select company, %s, %s, receiver, seq from lane "
        "where shop = %s and bay = %s on conflict (shop, bay, receiver) do update set seq = greatest(lane.seq, excluded.seq)",
        [*target, *source],
    )


def _set_head(db: Db, of: tuple[str, str], head: Head) -> None:
    db.execute(
        "update head set seq = %s, hash = %s, frontier = %s where shop = %s and bay = %s",
        [head.seq, head.hash, head.tree.to_bytes(), *of],
    )


def _cut(db: Db, of: tuple[str, str], utc: str) -> int:
    """Number of the first entry that is the new name's, as far as it is here; behind them all where none is."""
    (first,) = db.execute(
        'select coalesce((select min(seq) from event where shop = %(shop)s and bay = %(bay)s and utc collate "C" >= %(utc)s), '
        "(select seq + 1 from head where shop = %(shop)s and bay = %(bay)s), 1)",
        {"shop": of[0], "bay": of[1], "utc": utc},
    ).fetchone() or (1,)
    return int(first)


def _known(db: Db, of: tuple[str, str]) -> Bay:
    found = named(db, *of)
    if found is None:
        raise InputError(f"there is no bay {of[1]!r} of a shop {of[0]!r}. See tallypan roll-up bays.")
    return found[0]


def _held(db: Db, *of: tuple[str, str]) -> dict[tuple[str, str], dict[str, Any]]:
    """Bays by their names, nobody else's until the transaction ends; and no bay of their shops adds to their sums meanwhile.
    Raises InputError where there is none of the first name."""
    shops = sorted({shop for shop, _bay in of})
    db.execute("select 1 from head where shop = any(%s) order by shop, bay for update", [shops])
    names = "company gone_at at_shop at_bay since from_shop from_bay begins fault seq".split()
    found = {}
    for shop, bay in sorted(set(of)):
        row = db.execute(
            "select b.company, b.gone_at, b.at_shop, b.at_bay, b.since, b.from_shop, b.from_bay, b.begins, b.fault, "
            "coalesce(h.seq, 0) from bay b "
            "left join head h on h.shop = b.shop and h.bay = b.bay where b.shop = %s and b.bay = %s for update of b",
            [shop, bay],
        ).fetchone()
        if row is not None:
            found[shop, bay] = dict(zip(names, row, strict=True))
    if of[0] not in found:
        _known(db, of[0])
    return found


def _said(who: str, because: str) -> tuple[str, str]:
    who, because = (" ".join(text.split()) for text in (who, because))
    if not who or not because:
        raise InputError("who says so, and because of what? Name both; they stay in the roll-up's log.")
    return who, because


def _name(of: tuple[str, str]) -> str:
    return f"{of[0]}, {of[1]}"


def _where(row: dict[str, Any]) -> str:
    """What became of a bay that left."""
    if row["at_shop"] is not None:
        return f"is {row['at_shop']}, {row['at_bay']} now"
    return f"was retired at {row['gone_at']}"
