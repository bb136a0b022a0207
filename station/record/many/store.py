"""The roll-up's database: its tables, who reports to it, and connections that come back when the server does."""

import hashlib
import hmac
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from importlib import resources
from typing import Any, Final

import psycopg

from station.errors import StationError
from station.record.many import ingest, verify
from station.record.many.adding import array
from station.record.many.connecting import Connections, connected, no_service
from station.record.many.entering import enter
from station.record.many.ingest import Bay, Db
from station.record.many.queries import HEAD, HERE, OF

STEPS = (
    "schema.sql",
    "schema_2.sql",
    "schema_3.sql",
    "schema_4.sql",
    "schema_5.sql",
    "schema_6.sql",
    "schema_7.sql",
    "schema_8.sql",
    "schema_9.sql",
    "schema_10.sql",
    "schema_11.sql",
    "schema_12.sql",
    "schema_13.sql",
    "schema_14.sql",
    "schema_15.sql",
    "schema_16.sql",
    "schema_17.sql",
    "schema_18.sql",
    "schema_19.sql",
    "schema_20.sql",
    "schema_21.sql",
    "schema_22.sql",
    "schema_23.sql",
    "schema_24.sql",
)
"""What makes the tables of each version out of those of the one before."""
TOKEN = "tallypan"
DATED_BACK = 11
"""From this version on a movement counts when it happened; what was summed before is drawn anew for bays where that differs."""
CONNECTIONS = 12
MONTHS_BACK, MONTHS_AHEAD = 24, 12
"""Months that have a part of the table of jobs to themselves; others share one."""


class NotKnown(StationError):
    """A token that belongs to no bay."""


@dataclass(frozen=True)
class Reporting:
    """A bay that reports here. heard: when last, ISO, in UTC; None before the first time. behind: entries that it has and
    the roll-up has not. witnessed, witnessed_seq: since when its record is held to what had arrived, and where it ended then. refused,
    refused_at: why and when last, also where it is taken again. doubled: whether another bay brings the same record. gone_at: from
    when on it is retired or goes on under another name; None while it is in use."""

    company: str
    shop: str
    bay: str
    name: str
    page: str
    software: str
    heard: str | None
    seq: int
    behind: int
    fault: str
    fault_since: str | None
    witnessed: str | None
    witnessed_seq: int | None
    refused: str
    refused_at: str | None
    doubled: bool
    gone_at: str | None


@dataclass(frozen=True)
class Uncounted:
    """An entry of which nothing could be drawn, or not all: it is kept, and what it says so counts in no figure. why: of what it
    is, and what of it is none."""

    shop: str
    bay: str
    seq: int
    job_id: str | None
    why: str


class Store:
    """Connections to one database. revive: what has a server of one's own answer again. connections: at most.

    Raises NoAnswer where the database does not answer, StationError where it was made by a newer roll-up.
    """

    def __init__(
        self, dsn: str, revive: Callable[[], None] = lambda: None, connections: int = CONNECTIONS
    ) -> None:
        self.dsn, self.revive = dsn, revive
        self._connections = Connections(dsn, connections, revive)
        try:
            with connected(dsn) as db:
                _prepare(db)
        except psycopg.Error as error:
            raise no_service(error) from error
        self._connections.open()

    def close(self) -> None:
        self._connections.close()

    @contextmanager
    def connection(self) -> Iterator[Db]:
        """As ``Connections.one``."""
        with self._connections.one() as db:
            yield db

    # --- who reports ---------------------------------------------------------------------------------------

    def enter_bay(
        self,
        company: str,
        shop: str,
        bay: str,
        time_zone: str = "",
        page: str = "",
        since: str = "",
        who: str = "",
        known_here: bool | None = None,
    ) -> str:
        """Have a bay report here; the token that it shows from now on, in place of one that it had before.

        time_zone: of its shop; needed for a shop's first bay. page: the address of the bay's own pages. since: the moment up to
        which its record is another roll-up's, as the record writes times; "" where all of it is taken. who: says so, for the
        roll-up's log. known_here: whether the bay is thought to be here already; None for either. Raises InputError.
        """
        secret = secrets.token_urlsafe(32)
        with self.connection() as db:
            enter(db, (company, shop, bay), _hashed(secret), time_zone, page, since, who, known_here)
        return f"{TOKEN}.{shop}.{bay}.{secret}"

    @contextmanager
    def bay(self, token: str) -> Iterator[tuple[Db, Bay]]:
        """A connection as ``connection`` has it, and whose token this is. Raises NotKnown."""
        parts = token.split(".")
        with self.connection() as db:
            if db.execute("select schema from version").fetchone() != (len(STEPS),):
                raise StationError(
                    "A newer roll-up has brought this database up, which this one does not know how to fill. Start the newer one."
                )
            if len(parts) == 4 and parts[0] == TOKEN:
                found = ingest.named(db, parts[1], parts[2], now=True)
                if found is not None and hmac.compare_digest(found[1], _hashed(parts[3])):
                    yield db, found[0]
                    return
        raise NotKnown(
            "No bay has this token. Enter the bay with tallypan roll-up enter, and give it the token that this prints."
        )

    def bays(self) -> list[Reporting]:
        """Every bay, by company, shop and name."""
        with self.connection() as db:
            return reporting(db)

    def how_many_bays(self) -> tuple[int, int]:
        """How many bays there are, and how many of them are refused."""
        with self.connection() as db:
            counted = db.execute(
                f"select count(*), count(*) filter (where fault <> '') from bay b where {HERE}".encode()
            ).fetchone()
            return counted or (0, 0)


_REPORTING = f"""
    select b.company, b.shop, b.bay, b.name, b.page, b.software, b.heard, coalesce(h.seq, 0) as seq,
        greatest(0, b.newest_seq - coalesce(h.seq, 0)) as behind, b.fault, b.fault_since, b.witnessed, b.witnessed_seq,
        b.refused, b.refused_at, (b.shop, b.bay) in (select shop, bay from event where seq = 1 and hash in (
            select hash from event where seq = 1 group by hash having count(*) > 1)), b.gone_at
    from bay b {HEAD}"""
_PAGE = """select coalesce(nullif(a.page, ''), b.page) from bay b left join bay a on a.shop = b.at_shop and a.bay = b.at_bay
    where b.shop = %s and b.bay = %s"""
_BY_NAME = "order by b.company, b.shop, b.bay"
STATEMENTS: Final = {
    "every bay": f"{_REPORTING} {_BY_NAME}",
    "bays by name": f"{_REPORTING} where b.{OF} and {HERE} {_BY_NAME} limit %(most)s",
    "bays by need": f"{_REPORTING} where b.{OF} and {HERE} order by b.fault = '', b.heard nulls first, behind desc, b.shop, b.bay limit %(most)s",
    "uncounted": """select u.shop, u.bay, u.seq, e.job_id, u.text as why, count(*) over () from unread u
        left join event e on e.shop = u.shop and e.bay = u.bay and e.seq = u.seq where u.shop = any(%(shops)s)
        order by u.shop, u.bay, u.seq limit %(most)s""",
}


def reporting(
    db: Db, shops: Sequence[str] | None = None, most: int | None = None, by_need: bool = False
) -> list[Reporting]:
    """The bays of these shops that are in use, of all without them, by company, shop and name. by_need: what asks for somebody first instead: a
    fault, a long silence. most: so many of the first; all without."""
    name = "every bay" if shops is None else "bays by need" if by_need else "bays by name"
    values = {} if shops is None else {"shops": array(shops), "most": most}
    rows = db.execute(STATEMENTS[name].encode(), values, prepare=False).fetchall()
    told: list[list[Any]] = [
        [_iso(value) if isinstance(value, datetime) else value for value in row] for row in rows
    ]
    return [Reporting(*row) for row in told]


def page_of(db: Db, shop: str, bay: str) -> str:
    """The address of a bay's own pages, also where it goes on under another name; "" where it is not known."""
    found = db.execute(_PAGE, [shop, bay]).fetchone()
    return "" if found is None else str(found[0])


def uncounted(db: Db, shops: Sequence[str], most: int | None = None) -> tuple[list[Uncounted], int]:
    """Entries of these shops that count in no figure, or not whole: the first so many, and how many there are."""
    values = {"shops": list(shops), "most": most}
    rows = db.execute(STATEMENTS["uncounted"].encode(), values, prepare=False).fetchall()
    return [Uncounted(*row[:-1]) for row in rows], rows[0][-1] if rows else 0


def _iso(moment: datetime) -> str:
    return moment.astimezone().isoformat(timespec="seconds")


def _hashed(secret: str) -> bytes:
    """A token has 256 bits of chance in it: nothing slower is needed to keep it from being guessed."""
    return hashlib.sha256(secret.encode()).digest()


def _prepare(db: Db) -> None:
    """Make the tables, or bring older ones up, and the months' parts of the table of jobs; in one transaction."""
    db.execute("select pg_advisory_xact_lock(7355608)")  # two that start at once
    new = db.execute("select to_regclass('version')").fetchone() == (None,)
    (found,) = (0,) if new else db.execute("select schema from version").fetchone() or (0,)
    if found > len(STEPS):
        raise StationError(
            f"The roll-up's database has the tables of version {found}, this roll-up knows {len(STEPS)}. Use the roll-up that "
            "made it."
        )
    for step in STEPS[found:]:
        db.execute((resources.files(__package__) / step).read_text(encoding="utf-8").encode())
    if 0 < found < DATED_BACK:
        _sum_anew(db)
    if new:
        db.execute("insert into version values (%s)", [len(STEPS)])
    else:
        db.execute("update version set schema = %s", [len(STEPS)])
    make_months(db, date.today())


def _sum_anew(db: Db) -> None:
    bays = "(shop, bay) in (select shop, bay from movement where place <> seq)"
    for table in ("use_day", "use_month", "use_year", "container"):
        columns = ", ".join(verify.columns_of(table))
        db.execute(f"delete from {table} where {bays}".encode())
        db.execute(
            f"insert into {table} ({columns}) select * from ({verify.recomputed()[table]}) as anew ({columns}) "
            f"where {bays}".encode()
        )


def make_months(db: Db, today: date) -> None:
    """Give each month around today its own part of the table of jobs, unless jobs of it lie among the others already."""
    this = today.year * 12 + today.month - 1
    there = {row[0] for row in db.execute("select relname from pg_class where relname like 'job\\_20%'")}
    held = {row[0] for row in db.execute("select distinct month from job_other")}
    for n in range(this - MONTHS_BACK, this + MONTHS_AHEAD):
        first, after = (date(k // 12, k % 12 + 1, 1) for k in (n, n + 1))
        name = f"job_{first:%Y_%m}"
        if name not in there and first not in held:
            db.execute(f"create table {name} partition of job for values from ('{first}') to ('{after}')")
