"""Bays that move: a record goes on under another name, in another shop, and may come back to the one that it had."""

from dataclasses import dataclass, replace

from station.common import days
from station.common.words import _
from station.errors import InputError
from station.record.many import stays
from station.record.many.accept import log
from station.record.many.anew import DRAWN, drawn_anew, head_before, tallies_anew
from station.record.many.arriving import Head
from station.record.many.entering import check_keys, enter_shop
from station.record.many.ingest import EVENT, Db, begin, head_of
from station.record.many.leaving import held, known, name_of, said, where
from station.record.many.stays import Name


@dataclass(frozen=True)
class Going:
    """What a move comes to. utc: its moment. cut: number of the first entry that is the new name's, as far as it is here. seq: the
    newest that is here. undone: whether it undoes the move by which the bay came, said with its very moment; again: whether the bay
    comes back to a name that it had; twice: whether its whole record is under both names. waits: whether nothing of its time under
    the present name is here."""

    utc: str
    cut: int
    seq: int
    waits: bool
    undone: bool
    again: bool
    twice: bool

    @property
    def entries(self) -> int:
        """So many that are here already go over."""
        return 0 if self.waits else self.seq - self.cut + 1


@dataclass(frozen=True)
class Looked:
    """A move before it is made. stay, go: closed jobs that stay and that go over, with the litres that were filled. first: when the
    first entry that goes over was made, by its bay's clock, and whether that was set; None where none of them is here. earlier:
    entries behind it that say an earlier time than the move's. ahead: the newest time that an entry here says and that is still to
    come; "" where none does."""

    going: Going
    stay: tuple[int, float]
    go: tuple[int, float]
    first: tuple[str, bool] | None
    earlier: int
    ahead: str


def move(
    db: Db,
    source: Name,
    target: Name,
    who: str,
    because: str,
    utc: str = "",
    time_zone: str = "",
) -> int:
    """Have a bay's record go on under another name from a moment on; how many entries of after it were here already, and are the
    new name's now. source, target: shop and bay. utc: the moment, as the record writes times; "" for now: then all that is here
    was recorded before it, whatever its clock says. time_zone: of a shop that is new. A bay that comes back to a name that it
    had goes on there. Moved back with the very moment of its move it never left: that undoes the move.
    A target that has the same record already, so that all of it counts twice, keeps what is its own.

    Raises InputError.
    """
    who, because = said(who, because)
    now = days.now().isoformat(timespec="milliseconds")
    with db.transaction():
        going = _going(db, source, target, utc, time_zone)
        if going.twice:
            _under_one(db, source, target, going.utc)
            going = replace(going, cut=_cut(db, source, utc), seq=head_of(db, known(db, source)).seq)
        elif going.again:
            _begin_again(db, source, target, going.utc)
        elif not going.undone:
            _begin_anew(db, source, target, going.utc)
        if going.undone:
            _return(db, source, target)
        else:
            _go_on(db, source, target, going.utc, who, because, going.cut)
        told = {"shop": source[0], "bay": source[1], "to_shop": target[0], "to_bay": target[1]}
        log(db, now, who, "moved", {**told, "because": because, "from": going.utc, "entries": going.entries})
    return going.entries


def look(db: Db, source: Name, target: Name, utc: str = "", time_zone: str = "") -> Looked:
    """What a move would come to, as things stand; nothing is changed, and no bay waits for it. Raises InputError where it would be
    refused."""
    with db.transaction(force_rollback=True):
        going = _going(db, source, target, utc, time_zone, alone=False)
        now = days.now().isoformat(timespec="milliseconds")
        at = {"shop": source[0], "bay": source[1], "cut": going.cut, "utc": going.utc, "now": now}
        of = "where shop = %(shop)s and bay = %(bay)s"
        stays_n, stays_l, n, filled_l = db.execute(
            "select count(*) filter (where seq < %(cut)s and stage = 'closed'), coalesce(sum(filled_l) filter (where seq < %(cut)s), 0), "
            "count(*) filter (where seq >= %(cut)s and stage = 'closed'), coalesce(sum(filled_l) filter (where seq >= %(cut)s), 0) "
            f"from job {of}",
            at,
        ).fetchone() or (0, 0.0, 0, 0.0)
        first = db.execute(f"select utc, clock_synced from event {of} and seq = %(cut)s", at).fetchone()
        earlier, ahead = db.execute(
            'select count(*) filter (where seq > %(cut)s and utc collate "C" < %(utc)s), '
            f'max(utc collate "C") filter (where utc collate "C" > %(now)s) from event {of}',
            at,
        ).fetchone() or (0, None)
    of_first = None if first is None else (str(first[0]), bool(first[1]))
    return Looked(going, (stays_n, stays_l), (n, filled_l), of_first, earlier, ahead or "")


def _going(db: Db, source: Name, target: Name, utc: str, time_zone: str, alone: bool = True) -> Going:
    """What a move comes to. alone: as of ``held``. Raises InputError."""
    check_keys(shop=target[0], bay=target[1])
    rows = held(db, source, target, alone=alone)
    row, there = rows[source], rows.get(target)
    at = utc or days.now().isoformat(timespec="milliseconds")
    if source == target:
        raise InputError(_("{bay} is there already.").format(bay=name_of(source)))
    if row["gone_at"] is not None:
        raise InputError(where(source, row))
    if row["fault"]:
        raise InputError(
            _("{bay} is refused: {why}. Clear that up, and accept it, first.").format(
                bay=name_of(source), why=row["fault"].rstrip(".")
            )
        )
    if row["since"] is not None and at < row["since"]:
        raise InputError(
            _("{bay} came there at {utc}; expected a later time.").format(
                bay=name_of(source), utc=row["since"]
            )
        )
    enter_shop(db, row["company"], target[0], time_zone)
    waits = row["begins"] is None
    cut = _cut(db, source, utc)
    undone = (row["from_shop"], row["from_bay"]) == target and at == row["since"]
    if undone and not waits:
        cut = row["begins"] + 1
    again = not undone and there is not None and (there["at_shop"], there["at_bay"]) == source
    twice = there is not None and not undone and not again and _is_one_record(db, source, target)
    if there is not None and not (undone or again or twice):
        raise InputError(
            _(
                "{bay} is a bay already, or was another one, and its jobs stand under that name; expected a name that was never "
                "used, or one that this bay had."
            ).format(bay=name_of(target))
        )
    if waits and not undone:
        raise InputError(
            _(
                "nothing that {bay} recorded since it came there has arrived yet. Let it send first; or undo that move: move it back with "
                "its own time, {utc}."
            ).format(bay=name_of(source), utc=row["since"])
        )
    return Going(at, cut, row["seq"], waits, undone, again, twice)


def _is_one_record(db: Db, source: Name, target: Name) -> bool:
    """Whether a bay was entered under both names, and has brought its whole record under each: then all of it counts twice."""
    found = db.execute(
        "select count(distinct e.hash), count(*) from event e where (e.shop, e.bay) in ((%(shop)s, %(bay)s), (%(to_shop)s, "
        "%(to_bay)s)) and e.seq = (select min(h.seq) from head h join bay b on b.shop = h.shop and b.bay = h.bay where "
        "(h.shop, h.bay) in ((%(shop)s, %(bay)s), (%(to_shop)s, %(to_bay)s)) and b.begins = 0 and b.fault = '' and b.gone_at is null)",
        {"shop": source[0], "bay": source[1], "to_shop": target[0], "to_bay": target[1]},
    ).fetchone()
    return found == (1, 2)


def _under_one(db: Db, source: Name, target: Name, utc: str) -> None:
    """Put one record that is under two names under the first alone, so that it goes on from there under the second."""
    old, new = known(db, source), known(db, target)
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


def _begin_anew(db: Db, source: Name, target: Name, utc: str) -> None:
    db.execute(
        "insert into bay (company, shop, bay, token_hash, verifier, page, name, software, heard, newest_seq, since, from_shop, "
        "from_bay, begins) select company, %s, %s, token_hash, verifier, page, name, software, heard, newest_seq, %s, shop, bay, "
        "null from bay where shop = %s and bay = %s",
        [*target, utc, *source],
    )


def _begin_again(db: Db, source: Name, target: Name, utc: str) -> None:
    """Have a name that the bay had be ready for what it records from now on."""
    stays.put_by(db, target)
    db.execute(
        "update bay t set gone_at = null, gone_by = null, gone_because = null, at_shop = null, at_bay = null, since = %s, "
        "from_shop = s.shop, from_bay = s.bay, begins = null, begins_hash = '', begins_frontier = '', "
        f"{_TAKEN_OVER} from bay s where (s.shop, s.bay) = (%s, %s) and (t.shop, t.bay) = (%s, %s)".encode(),
        [utc, *source, *target],
    )


_TAKEN_OVER = """token_hash = s.token_hash, page = s.page, name = s.name, software = s.software, heard = s.heard,
    newest_seq = s.newest_seq, fault = '', fault_since = null"""


def _go_on(db: Db, source: Name, target: Name, utc: str, who: str, because: str, cut: int) -> None:
    db.execute(
        "update bay set gone_at = %s, gone_by = %s, gone_because = %s where shop = %s and bay = %s",
        [utc, who, because, *source],
    )
    db.execute(
        "update bay set at_shop = %s, at_bay = %s where (at_shop, at_bay) = (%s, %s)", [*target, *source]
    )
    db.execute("update bay set at_shop = %s, at_bay = %s where (shop, bay) = (%s, %s)", [*target, *source])
    _lanes(db, source, target)
    old, new = known(db, source), known(db, target)
    head = head_of(db, old)
    if cut <= head.seq:
        end = head_before(db, old, cut)
        begin(db, new, old, end)
        _hand_over(db, source, target, cut)
        _set_head(db, source, end)
        _set_head(db, target, head)
        drawn_anew(db, old)
        drawn_anew(db, new)


def _return(db: Db, source: Name, target: Name) -> None:
    """All that is under the name that a bay leaves is the former name's again; the name that it leaves was never used."""
    left_behind = known(db, source)
    head = head_of(db, left_behind)
    db.execute(
        "update bay t set gone_at = null, gone_by = null, gone_because = null, at_shop = null, at_bay = null, "
        f"{_TAKEN_OVER} from bay s where (s.shop, s.bay) = (%s, %s) and (t.shop, t.bay) = (%s, %s)".encode(),
        [*source, *target],
    )
    db.execute(
        "update bay set at_shop = %s, at_bay = %s where (at_shop, at_bay) = (%s, %s) and (shop, bay) <> (%s, %s)",
        [*target, *source, *target],
    )
    _lanes(db, source, target)
    (first,) = db.execute("select begins + 1 from bay where shop = %s and bay = %s", source).fetchone() or (
        None,
    )
    if first is not None:
        _hand_over(db, source, target, first)
    _set_head(db, target, head)
    if stays.take_up(db, source, target):
        drawn_anew(db, known(db, source))
    else:
        for table in ("bay", "head", "fills_of_type", *DRAWN):
            db.execute(f"delete from {table} where shop = %s and bay = %s".encode(), source)
        tallies_anew(db, source[0])
    drawn_anew(db, known(db, target))


def _hand_over(db: Db, source: Name, target: Name, first: int) -> None:
    _copy(db, source, target, first)
    for table, number in (("event", "seq"), ("checkpoint", "size")):
        db.execute(
            f"delete from {table} where shop = %s and bay = %s and {number} >= %s".encode(), [*source, first]
        )


def _copy(db: Db, source: Name, target: Name, first: int) -> None:
    for table, number, rest in (("event", "seq", EVENT[3:]), ("checkpoint", "size", ("size", "note"))):
        columns = ", ".join(rest)
        db.execute(
            f"insert into {table} (company, shop, bay, {columns}) select company, %s, %s, {columns} from {table} "
            f"where shop = %s and bay = %s and {number} >= %s".encode(),
            [*target, *source, first],
        )


def _lanes(db: Db, source: Name, target: Name) -> None:
    """What was told of a record is not told again under its new name."""
    db.execute(
        "insert into lane (company, shop, bay, receiver, seq) select company, %s, %s, receiver, seq from lane "
        "where shop = %s and bay = %s on conflict (shop, bay, receiver) do update set seq = greatest(lane.seq, excluded.seq)",
        [*target, *source],
    )


def _set_head(db: Db, of: Name, head: Head) -> None:
    db.execute(
        "update head set seq = %s, hash = %s, frontier = %s where shop = %s and bay = %s",
        [head.seq, head.hash, head.tree.to_bytes(), *of],
    )


def _cut(db: Db, of: Name, utc: str) -> int:
    """Number of the first entry that is the new name's, as far as it is here; behind them all where none is. Whatever came before an
    entry that says of a set clock that it is older is older, too. utc: the moment; "" for now."""
    own = {"shop": of[0], "bay": of[1], "utc": utc or "~"}
    (first,) = db.execute(
        """with own as (select * from event where shop = %(shop)s and bay = %(bay)s
            and seq > (select coalesce(begins, 0) from bay where shop = %(shop)s and bay = %(bay)s))
        select coalesce((select min(seq) from own where utc collate "C" >= %(utc)s
                and seq > (select coalesce(max(seq), 0) from own where clock_synced and utc collate "C" < %(utc)s)),
            (select seq + 1 from head where shop = %(shop)s and bay = %(bay)s), 1)""",
        own,
    ).fetchone() or (1,)
    return int(first)
