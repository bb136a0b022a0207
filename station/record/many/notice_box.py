"""The durable box of notices that go out: drawn from the bays' entries as they stand in PostgreSQL, and kept until they were
taken.

The record itself is where notices come from, so nothing waits for them when entries arrive, and what was not drawn before a
server died is drawn after. A notice's key is its id: it is in the box once. One that was sent and whose answer was lost goes
out again, under the same id. In which order they go is said in ``tries``.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from psycopg.rows import class_row

from station.common import days
from station.given.receivers import Receiver
from station.record.many import certified, queries, tries
from station.record.many.accept import log
from station.record.many.arriving import Entry
from station.record.many.ingest import Db
from station.record.many.notices import Notice, Whose, of_certificate, of_entries
from station.record.many.store import Store
from station.record.many.tries import GONE, Claimed

LEASE_S = 60
"""Whoever takes a notice out settles it within this, or it is tried again."""
DRAWN_MOST = 5000
"""Entries of a bay that are looked through in one transaction."""
_WAITING = "notice where shop = %(shop)s and bay = %(bay)s and receiver = %(receiver)s and state = 'waiting'"
_NEXT = f"(select min(coalesce(next_at, now())) from {_WAITING})"


@dataclass(frozen=True)
class Sent:
    """A notice and what became of it. state: "waiting", "sent" or "failed". answer: to the last try."""

    receiver: str
    shop: str
    bay: str
    kind: str
    id: str
    made: datetime
    state: str
    tries: int
    tried: datetime | None
    answer: str


@dataclass(frozen=True)
class Standing:
    """How a receiver stands. sent: how many it has taken; the newest of them at sent_at. next_at: when the next try is."""

    receiver: str
    since: datetime
    sent: int
    sent_at: datetime | None
    waiting: int
    failed: int
    answer: str
    tried_at: datetime | None
    next_at: datetime | None


def enrol(db: Db, company: str, receiver: Receiver) -> None:
    """Begin with a receiver, unless it was begun with: it is told what is recorded from now on."""
    with db.transaction():
        new = db.execute(
            "insert into receiver (company, receiver, since) values (%s, %s, now()) on conflict do nothing returning 1",
            [company, receiver.name],
        ).fetchone()
        if new:
            db.execute(
                "insert into lane select company, shop, bay, %s, seq, null from head where company = %s on conflict do nothing",
                [receiver.name, company],
            )


def draw(db: Db, company: str, receiver: Receiver) -> int:
    """Draw what arrived since; how many notices that gave."""
    found = db.execute(
        "select h.shop, h.bay, s.time_zone from head h join shop s on s.shop = h.shop left join lane l on l.shop = h.shop and "
        "l.bay = h.bay and l.receiver = %(receiver)s where h.company = %(company)s and h.seq > coalesce(l.seq, 0) "
        "and (%(shops)s::text[] = '{}' or h.shop = any(%(shops)s))",
        {"receiver": receiver.name, "company": company, "shops": list(receiver.rules.shops)},
    ).fetchall()
    return sum(_draw_bay(db, company, receiver, *one) for one in found)


def _draw_bay(db: Db, company: str, receiver: Receiver, shop: str, bay: str, zone: str) -> int:
    of, made = [shop, bay, receiver.name], 0
    while True:
        with db.transaction():
            after = _lane(db, company, shop, bay, receiver.name)
            rows = db.execute(
                "select seq, job_id, kind, body, boot_id, t_s, utc, clock_synced, hash from event where shop = %s and bay = %s "
                "and seq > %s and seq <= %s and kind = 'result' order by seq",
                [shop, bay, after, after + DRAWN_MOST],
            ).fetchall()
            (since,) = db.execute(
                "select greatest(since, now() - make_interval(days => %s)) from receiver where company = %s and receiver = %s",
                [tries.KEPT_DAYS, company, receiver.name],
            ).fetchone() or (datetime.max.replace(tzinfo=UTC),)
            entries = [entry for entry in (Entry(*row) for row in rows) if not _earlier(entry, since)]
            told = of_entries(Whose(company, shop, bay), entries, days.zone_of(zone), receiver.rules.kinds)
            made += _put(db, company, shop, bay, receiver.name, told)
            newest = db.execute(
                "select least(seq, %s) from head where shop = %s and bay = %s",
                [after + DRAWN_MOST, shop, bay],
            ).fetchone()
            upto = after if newest is None else int(newest[0])
            db.execute("update lane set seq = %s where shop = %s and bay = %s and receiver = %s", [upto, *of])
        if upto < after + DRAWN_MOST:
            return made


def _earlier(entry: Entry, since: datetime) -> bool:
    """Whether an entry was surely made before a receiver began. A clock that was not set says nothing."""
    return bool(entry.clock_synced) and datetime.fromisoformat(entry.utc) < since


def _lane(db: Db, company: str, shop: str, bay: str, receiver: str) -> int:
    """Up to where a bay's notices are drawn; nobody else draws or takes from them until the transaction ends."""
    db.execute(
        "insert into lane values (%s, %s, %s, %s, 0, null) on conflict do nothing",
        [company, shop, bay, receiver],
    )
    found = db.execute(
        "select seq from lane where shop = %s and bay = %s and receiver = %s for update",
        [shop, bay, receiver],
    ).fetchone()
    return 0 if found is None else int(found[0])


def _put(db: Db, company: str, shop: str, bay: str, receiver: str, told: Sequence[Notice]) -> int:
    """Put notices into the box, those that are not in it; how many. The lane is held."""
    made = 0
    for one in told:
        made += db.execute(
            "insert into notice (company, shop, bay, receiver, id, kind, body) values (%s, %s, %s, %s, %s, %s, %s) "
            "on conflict do nothing",
            [company, shop, bay, receiver, one.id, one.kind, one.body],
        ).rowcount
    if made:  # where others only stand aside, or none waits, these go at once
        db.execute(
            f"update lane set next_at = case when next_at = 'infinity' or (select count(*) from {_WAITING} and next_at is null) > %(made)s then "
            "coalesce(next_at, now()) else now() end where shop = %(shop)s and bay = %(bay)s and receiver = %(receiver)s",
            {"shop": shop, "bay": bay, "receiver": receiver, "made": made},
        )
    return made


def draw_due(
    db: Db,
    company: str,
    receiver: Receiver,
    today: Callable[[str], date] = lambda zone: days.today(days.zone_of(zone)),
) -> int:
    """Draw what became due among the certificates; how many notices that gave. And let go what was sent long ago. today: of a
    zone. Of a bay whose record is refused, or still arriving, nobody knows which certificate is its newest."""
    made = 0
    whole = set(
        db.execute(
            "select b.shop, b.bay from bay b join head h on h.shop = b.shop and h.bay = b.bay "
            "where b.company = %s and b.fault = '' and b.gone_at is null and h.seq >= b.newest_seq",
            [company],
        ).fetchall()
    )
    if "calibration due" in receiver.rules.kinds:
        zones = queries.shops(db, company)
        shops = tuple(shop for shop in zones if not receiver.rules.shops or shop in receiver.rules.shops)
        scope = queries.Scope(company, shops, date.min, date.max)
        for one in certified.certificates(db, scope):
            told = of_certificate(
                Whose(company, one.shop, one.bay), one, one.valid_until, today(zones[one.shop])
            )
            if told is not None and (one.shop, one.bay) in whole:
                with db.transaction():
                    _lane(db, company, one.shop, one.bay, receiver.name)
                    made += _put(db, company, one.shop, one.bay, receiver.name, [told])
    db.execute(
        "delete from notice where company = %s and receiver = %s and state = 'sent' and made < now() - make_interval(days => %s)",
        [company, receiver.name, tries.KEPT_DAYS],
    )
    return made


def claim(db: Db, company: str, receiver: str) -> Claimed | None:
    """Take out the next notice that is to be tried; None where none is. It stays in the box until it is settled."""
    with db.transaction():
        of = db.execute(
            "select shop, bay from lane where company = %s and receiver = %s and next_at <= now() order by next_at limit 1 "
            "for update skip locked",
            [company, receiver],
        ).fetchone()
        if of is None:
            return None
        values = {"shop": of[0], "bay": of[1], "receiver": receiver, "lease_s": LEASE_S}
        found = db.execute(
            f"update notice set tries = tries + 1, tried = now() where shop = %(shop)s and bay = %(bay)s and "
            f"receiver = %(receiver)s and id = (select id from {_WAITING} and coalesce(next_at, now()) <= now() order by nth "
            "limit 1) returning shop, bay, id, body, tries, next_at is not null",
            values,
        ).fetchone()
        after = _NEXT if found is None else "now() + make_interval(secs => %(lease_s)s)"
        db.execute(
            f"update lane set next_at = {after} where shop = %(shop)s and bay = %(bay)s and receiver = %(receiver)s",
            values,
        )
    return None if found is None else Claimed(*found)


def settle(db: Db, company: str, receiver: str, claimed: Claimed, answer: str, later_s: float = 0.0) -> str:
    """Say what came of a try, and what the notice's state is then. answer: the status that it was answered with, or a word.
    later_s: how long the receiver asks to be left alone."""
    taken = tries.taken(answer)
    left = tries.PAUSES_S[claimed.tries - 1 :]
    state = "sent" if taken else "waiting" if left or answer == GONE else "failed"
    pause_s = 0.0 if state != "waiting" else max(later_s, float(left[0]) if left else 0.0)
    values = {**vars(claimed), "receiver": receiver, "state": state, "answer": answer, "pause_s": pause_s}
    with db.transaction():
        _lane(db, company, claimed.shop, claimed.bay, receiver)
        others = db.execute(f"select 1 from {_WAITING} and next_at is not null limit 1", values).fetchone()
        held = state == "waiting" and tries.holds(claimed, answer, others is not None)
        db.execute(
            "update notice set state = %(state)s, answer = %(answer)s, next_at = case when %(stands)s then now() + "
            "make_interval(secs => %(pause_s)s) end where shop = %(shop)s and bay = %(bay)s and receiver = %(receiver)s and id = %(id)s",
            {**values, "stands": state == "waiting" and not held},
        )
        after = "now() + make_interval(secs => %(pause_s)s)" if held else _NEXT
        db.execute(
            f"update lane set next_at = {after} where shop = %(shop)s and bay = %(bay)s and receiver = %(receiver)s",
            values,
        )
        db.execute(
            "update receiver set answer = %s, tried_at = now(), sent = sent + %s, sent_at = case when %s then now() else sent_at "
            "end where company = %s and receiver = %s",
            [answer, int(taken), taken, company, receiver],
        )
        if answer == GONE:  # it wants no more: what waits stays, until somebody sends it again
            db.execute(
                "update lane set next_at = 'infinity' where company = %s and receiver = %s and next_at is not null",
                [company, receiver],
            )
    return state


def again(db: Db, company: str, receiver: str, who: str) -> int:
    """Have everything that waits or has failed tried at once; how many that is. It stays in the roll-up's log who did it."""
    with db.transaction():
        n = db.execute(
            "update notice set state = 'waiting', tries = 0, next_at = null where company = %s and receiver = %s and state <> 'sent'",
            [company, receiver],
        ).rowcount
        db.execute(
            "update lane l set next_at = now() where company = %s and receiver = %s and exists (select 1 from notice n where "
            "n.shop = l.shop and n.bay = l.bay and n.receiver = l.receiver and n.state = 'waiting')",
            [company, receiver],
        )
        utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        log(db, utc, who, "notices again", {"company": company, "receiver": receiver, "notices": n})
    return n


def standings(db: Db, company: str) -> list[Standing]:
    """How every receiver stands, also those that the file names no longer."""
    with db.cursor(row_factory=class_row(Standing)) as cursor:
        return cursor.execute(
            "select r.receiver, r.since, r.sent, r.sent_at, coalesce(n.waiting, 0) as waiting, coalesce(n.failed, 0) as failed, "
            "r.answer, r.tried_at, nullif(l.next_at, 'infinity') as next_at from receiver r left join (select receiver, "
            "count(*) filter (where state = 'waiting') as waiting, count(*) filter (where state = 'failed') as failed "
            "from notice where company = %(company)s and state <> 'sent' group by receiver) n on n.receiver = r.receiver "
            "left join (select receiver, min(next_at) as next_at from lane where company = %(company)s and next_at is not null "
            "group by receiver) l on l.receiver = r.receiver where r.company = %(company)s order by r.receiver",
            {"company": company},
        ).fetchall()


def newest(db: Db, company: str, most: int) -> list[Sent]:
    """Notices, the newest first."""
    with db.cursor(row_factory=class_row(Sent)) as cursor:
        return cursor.execute(
            "select receiver, shop, bay, kind, id, made, state, tries, tried, answer from notice where company = %s "
            "order by made desc, nth desc limit %s",
            [company, most],
        ).fetchall()


class StoreBox:
    """The box of a company in PostgreSQL, see ``tries.Box``. company: the first one where it is empty."""

    def __init__(self, store: Store, company: str = "") -> None:
        self._store, self._company = store, company

    def draw(self, receiver: Receiver, due: bool) -> None:
        with self._store.connection() as db:
            if company := self._whose(db):
                enrol(db, company, receiver)
                draw(db, company, receiver)
                if due:
                    draw_due(db, company, receiver)

    def claim(self, receiver: str) -> Claimed | None:
        with self._store.connection() as db:
            return claim(db, self._whose(db), receiver)

    def settle(self, receiver: str, claimed: Claimed, answer: str, later_s: float) -> str:
        with self._store.connection() as db:
            return settle(db, self._whose(db), receiver, claimed, answer, later_s)

    def _whose(self, db: Db) -> str:
        return self._company or next(iter(queries.companies(db)), "")
