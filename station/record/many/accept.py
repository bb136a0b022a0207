"""The way back for a bay that is refused: what is here of it is set aside whole, and its record is taken anew from its
first entry.

Nothing of the two is merged, and nothing is thrown away: entries and checkpoints of the record that was set aside stay as
they arrived, and the roll-up's own log says who decided it, when and why. What was drawn from them, and their part of the
sums, goes; the record that the bay has now is drawn from as it arrives.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from psycopg.rows import class_row

from station.errors import InputError
from station.record.chain import entry_hash
from station.record.many import stays
from station.record.many.anew import DRAWN, tallies_anew
from station.record.many.ingest import EVENT, Db

KIND = "accepted"


@dataclass(frozen=True)
class Aside:
    """A record that was set aside. nth: of its bay. seq, hash: where it ended. jobs: closed or given up in it. lost: those of
    them that the bay's present record has not, as far as it has arrived."""

    shop: str
    bay: str
    nth: int
    utc: str
    who: str
    because: str
    fault: str
    seq: int
    hash: str
    verifier: str
    jobs: int
    lost: int


def accept(db: Db, shop: str, bay: str, who: str, because: str) -> int:
    """Take a refused bay's record anew; how many entries were set aside.

    Raises InputError where there is no such bay, where it is not refused, or where nobody or no reason is named.
    """
    who, because = (" ".join(text.split()) for text in (who, because))
    if not who or not because:
        raise InputError(
            "who accepts the bay, and because of what? Name both; they stay in the roll-up's log."
        )
    with db.transaction():
        # The sums of a shop's names are over all its bays: none of them may add to them meanwhile.
        db.execute("select 1 from head where shop = %s order by bay for update", [shop])
        found = db.execute(
            "select b.company, b.fault, b.verifier, coalesce(h.seq, 0), coalesce(h.hash, ''), coalesce(b.begins, 0), "
            "b.begins_hash, b.gone_at from bay b left join head h on h.shop = b.shop and h.bay = b.bay "
            "where b.shop = %s and b.bay = %s for update of b",
            [shop, bay],
        ).fetchone()
        if found is None:
            raise InputError(f"there is no bay {bay!r} of a shop {shop!r}. See tallypan roll-up bays.")
        company, fault, verifier, seq, newest, *begins, gone_at = found
        if gone_at is not None:
            raise InputError(
                f"{shop}, {bay} is in use there no more: see tallypan roll-up bays. One that was retired by mistake is brought "
                "back with tallypan roll-up bring-back."
            )
        if not fault:
            raise InputError(f"{shop}, {bay} is not refused: its record goes on where it is.")
        (nth,) = db.execute(
            "select count(*) + 1 from aside where shop = %s and bay = %s", [shop, bay]
        ).fetchone() or (1,)
        utc = datetime.now(UTC).isoformat(timespec="milliseconds")
        db.execute(
            "insert into aside values (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)",
            [company, shop, bay, nth, utc, who, because, fault, seq, newest, verifier, *begins],
        )
        before = stays.set_apart(db, (shop, bay))
        _set_aside(db, shop, bay, nth)
        told = {
            "shop": shop,
            "bay": bay,
            "nth": nth,
            "because": because,
            "fault": fault,
            "seq": seq,
            "hash": newest,
        }
        log(db, utc, who, KIND, {**told, "verifier": verifier, **({"before": before} if before else {})})
    return int(seq)


def _set_aside(db: Db, shop: str, bay: str, nth: int) -> None:
    for table, columns in (("event", ", ".join(EVENT[3:])), ("checkpoint", "size, note")):
        db.execute(
            f"insert into aside_{table} select company, shop, bay, %s, {columns} from {table} "
            "where shop = %s and bay = %s".encode(),
            [nth, shop, bay],
        )
    for table in ("event", "checkpoint", "head", *DRAWN):
        db.execute(f"delete from {table} where shop = %s and bay = %s".encode(), [shop, bay])
    # Its present record is told of anew: an entry that was in the former one too has its notice's id, and is not sent twice.
    db.execute("update lane set seq = 0 where shop = %s and bay = %s", [shop, bay])
    tallies_anew(db, shop)
    # Of a bay that moved here, what its present record has from before is another shop's still.
    db.execute(
        "update bay set fault = '', fault_since = null, refused = '', verifier = '', fills_drawn = null, from_shop = null, "
        "from_bay = null, begins_hash = '', begins_frontier = '', begins = case when since is null then 0 end "
        "where shop = %s and bay = %s",
        [shop, bay],
    )


def log(db: Db, utc: str, who: str, kind: str, body: dict[str, object]) -> None:
    """Add a line to the roll-up's own log; on disk with the transaction that it stands in."""
    db.execute("select pg_advisory_xact_lock(7355609)")  # one line after the other
    seq, previous = db.execute("select seq, hash from log order by seq desc limit 1").fetchone() or (0, "")
    line = [seq + 1, utc, who, kind, json.dumps(body, ensure_ascii=False)]
    db.execute("insert into log values (%s, %s, %s, %s, %s, %s)", [*line, entry_hash(previous, line)])


_ASIDE = """
    select a.shop, a.bay, a.nth, a.utc, a.who, a.because, a.fault, a.seq, a.hash, a.verifier, count(e.seq) as jobs,
        count(e.seq) filter (where not exists (select 1 from job j where j.shop = e.shop and j.bay = e.bay
            and j.job_id = e.job_id)) as lost
    from aside a left join aside_event e on e.shop = a.shop and e.bay = a.bay and e.nth = a.nth and e.kind = 'result'
    where a.shop = any(%(shops)s) group by a.shop, a.bay, a.nth order by a.utc desc"""


def set_aside(db: Db, shops: Sequence[str]) -> list[Aside]:
    """Every record of these shops that was set aside, the newest first."""
    with db.cursor(row_factory=class_row(Aside)) as cursor:
        return cursor.execute(_ASIDE.encode(), {"shops": shops}).fetchall()
