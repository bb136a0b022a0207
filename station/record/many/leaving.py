"""Bays that leave: retired and brought back; ``moving`` has those that go on in another shop.

One rule holds for all of them: a name takes what its bay recorded before the moment at which it left, whenever that arrives,
and nothing after it. Where a record goes on under another name, that one takes what was recorded from that moment on. So each
entry is under one name, and what hangs on it counts there; no sum is ever told that something is not to count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from station.common import days
from station.common.words import _
from station.errors import InputError
from station.record.many.accept import log
from station.record.many.adding import array
from station.record.many.ingest import Bay, Db, named
from station.record.many.queries import HEAD, OF


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


@dataclass(frozen=True)
class Standing:
    """A bay as whoever looks after it sees it. name: as it calls itself. seq, newest: its newest entry here, and of those that it
    has. jobs, filled_l: closed under this name, and what they were filled with. gone_…: as of ``Left``. at: under which name its
    record goes on. since, former: from which moment on it is here, and under which name it was before. lent: from when until when
    its record went on elsewhere meanwhile, the newest first."""

    shop: str
    bay: str
    name: str
    heard: str | None
    fault: str
    seq: int
    newest: int
    jobs: int
    filled_l: float
    gone_at: str | None
    gone_by: str | None
    gone_because: str | None
    at: tuple[str, str] | None
    since: str | None
    former: tuple[str, str] | None
    lent: tuple[tuple[str, str], ...] = ()


_STANDING = f"""select b.name, to_char(b.heard at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"+00:00"'), b.fault, coalesce(h.seq, 0),
        b.newest_seq, (select coalesce(sum(jobs), 0) from use_year u where u.shop = b.shop and u.bay = b.bay),
        (select coalesce(sum(filled_ul), 0) from use_year u where u.shop = b.shop and u.bay = b.bay), b.gone_at, b.gone_by,
        b.gone_because, b.at_shop, b.at_bay, b.since, b.from_shop, b.from_bay
    from bay b {HEAD} where b.shop = %s and b.bay = %s"""


def standing(db: Db, shop: str, bay: str) -> Standing | None:
    """None where there is no such bay."""
    row = db.execute(_STANDING, [shop, bay]).fetchone()
    if row is None:
        return None
    name, heard, fault, seq, newest, jobs, filled_ul, gone_at, gone_by, why, *names = row
    at_shop, at_bay, since, from_shop, from_bay = names
    at = None if at_shop is None else (at_shop, at_bay)
    former = None if from_shop is None else (from_shop, from_bay)
    filled_l = float(filled_ul) * 1e-6
    own = (shop, bay, name, heard, fault, seq, newest)
    lent = db.execute(
        "select gone_at, lead(since, 1, %s::text) over (order by nth) from stay where shop = %s and bay = %s order by nth desc",
        [since, shop, bay],
    ).fetchall()
    return Standing(*own, int(jobs), filled_l, gone_at, gone_by, why, at, since, former, tuple(lent))


STATEMENTS: Final = {
    "left": f"""select b.shop, b.bay, b.gone_at, b.gone_by, b.gone_because, coalesce(h.seq, 0) as seq,
            to_char(b.heard at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"+00:00"') as heard,
            case when b.fault <> '' then greatest(0, b.newest_seq - coalesce(h.seq, 0)) else 0 end as behind,
            b.at_shop is not null as moved, case when b.at_shop = any(%(shops)s::text[]) then b.at_shop end as at_shop,
            case when b.at_shop = any(%(shops)s::text[]) then b.at_bay end as at_bay, count(*) over () as total
        from bay b {HEAD}
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
    who, because = said(who, because)
    with db.transaction():
        row = held(db, (shop, bay))[shop, bay]
        if row["gone_at"] is not None:
            raise InputError(where((shop, bay), row))
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
    who, because = said(who, because)
    with db.transaction():
        row = held(db, (shop, bay))[shop, bay]
        if row["gone_at"] is None:
            raise InputError(_("{bay} is not retired.").format(bay=name_of((shop, bay))))
        if row["at_shop"] is not None:
            raise InputError(where((shop, bay), row))
        db.execute(
            "update bay set gone_at = null, gone_by = null, gone_because = null, fault = '', fault_since = null "
            "where shop = %s and bay = %s",
            [shop, bay],
        )
        utc = days.now().isoformat(timespec="milliseconds")
        told = {"shop": shop, "bay": bay, "because": because, "gone_at": row["gone_at"]}
        log(db, utc, who, "brought back", told)


def known(db: Db, of: tuple[str, str]) -> Bay:
    found = named(db, *of)
    if found is None:
        raise InputError(
            _("there is no bay {bay!r} of a shop {shop!r}. See the page Bays.").format(
                bay=of[1][:40], shop=of[0][:40]
            )
        )
    return found[0]


def held(db: Db, *of: tuple[str, str], alone: bool = True) -> dict[tuple[str, str], dict[str, Any]]:
    """Bays by their names. alone: nobody else's until the transaction ends; and no bay of their shops adds to their sums
    meanwhile. Raises InputError where there is none of the first name."""
    if alone:
        shops = sorted({shop for shop, _bay in of})
        db.execute("select 1 from head where shop = any(%s) order by shop, bay for update", [shops])
    names = "company gone_at at_shop at_bay since from_shop from_bay begins fault seq".split()
    found = {}
    for shop, bay in sorted(set(of)):
        row = db.execute(
            "select b.company, b.gone_at, b.at_shop, b.at_bay, b.since, b.from_shop, b.from_bay, b.begins, b.fault, "
            "coalesce(h.seq, 0) from bay b left join head h on h.shop = b.shop and h.bay = b.bay "
            f"where b.shop = %s and b.bay = %s {'for update of b' if alone else ''}".encode(),
            [shop, bay],
        ).fetchone()
        if row is not None:
            found[shop, bay] = dict(zip(names, row, strict=True))
    if of[0] not in found:
        known(db, of[0])
    return found


def said(who: str, because: str) -> tuple[str, str]:
    who, because = (" ".join(text.split()) for text in (who, because))
    if not who or not because:
        raise InputError(_("who says so, and because of what? Name both; they stay in the roll-up's log."))
    return who, because


def name_of(of: tuple[str, str]) -> str:
    return f"{of[0]}, {of[1]}"


def where(of: tuple[str, str], row: dict[str, Any]) -> str:
    """What became of a bay that left, and what to do."""
    if row["at_shop"] is not None:
        told = _("{bay} is {now} now. Move it from there.")
        return told.format(bay=name_of(of), now=name_of((row["at_shop"], row["at_bay"])))
    return _("{bay} was retired at {utc}. Bring it back first.").format(bay=name_of(of), utc=row["gone_at"])
