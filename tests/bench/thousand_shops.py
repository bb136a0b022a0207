"""A roll-up of a thousand shops with four bays each, and as many closed jobs as asked for, for `bench_shops.py`.

One shop's four records are taken in by the roll-up itself, from the first entry to the sums, and checked. The other shops are
copies of its rows under their own names, made by PostgreSQL within the schema's own tables, with jobs opened at other minutes
of the same hours; they lie in the order of time, as they would have come, not shop by shop. So each bay can go on where its
record ends. Of a copy the texts of results and all checkpoints but the first shop's are left out, which no question of many
jobs reads: a copy's chain cannot be checked.
Equal jobs of the copies make equal keys, which PostgreSQL packs; a real roll-up's indexes are larger.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import psycopg

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.certificates import KINDS
from station.record import outbox
from station.record.ledger import Ledger, now
from station.record.many.ingest import Db
from station.record.many.store import Store
from station.record.many.verify import check, columns_of, recomputed
from tests.rolled import add_jobs, certificate, enter, give, known, record

SHOPS, BAYS = 1000, 4
FIRST = "shop-0000"
GOING_ON, NOTES = 60, 16
"""Jobs that each record has beyond those that are loaded, and the notes of each."""
TABLES = (
    "event",
    "job",
    "movement",
    "certificate",
    "head",
    "taken",
    "container",
    "use_day",
    "use_month",
    "use_year",
    "tally_month",
    "tally_year",
    "named",
)
_MINUTE = "overlay(opened_utc placing lpad((s.n % 60)::text, 2, '0') from 15 for 2)"
_OTHER = {
    "shop": "'shop-' || lpad(s.n::text, 4, '0')",
    ("event", "body"): "case kind when 'result' then '{}' else body end",
    ("job", "opened_utc"): _MINUTE,
}
"""What a copy has that is its own."""
_ORDER = {"event": "seq, bay", "job": "opened_utc, bay", "use_day": "day, bay"}


def load(dsn: str, folder: Path, jobs: int, say: Callable[[str], None]) -> None:
    """Fill a database, and go on with one whose filling broke off. folder: for the records of the first shop's bays, which any
    shop's bays can go on from."""
    paths = [folder / f"bay-{n}.sqlite" for n in range(BAYS)]
    with closing(Store(dsn)) as store, closing(psycopg.connect(dsn, autocommit=True)) as db:
        db.execute("create table if not exists loaded (what text primary key)")
        if not _is_loaded(db, "first"):
            for n, path in enumerate(paths):
                with closing(
                    record(path, jobs // SHOPS // BAYS, seed=n + 1, bay=f"Bay {n}", notes=0)
                ) as ledger:
                    _certify(ledger, n)
                    bay, seq = known(store, f"bay-{n}", FIRST), 0
                    while seq < outbox.newest(path):
                        seq = give(store, bay, outbox.batch(path, seq, 2000)).seq
            with store.connection() as own:
                if wrong := check(own):
                    raise SystemExit(f"not whole: {wrong}")
            db.execute("insert into loaded values ('first')")
            say("one shop taken in and checked")
        _spread(db, say)


def _is_loaded(db: Db, what: str) -> bool:
    return db.execute("select 1 from loaded where what = %s", [what]).fetchone() is not None


def _certify(ledger: Ledger, n: int) -> None:
    """A pan and a meter, each calibrated in two years."""
    for kind in KINDS:
        for year in (2025, 2026):
            made = certificate(
                f"{kind}-{n}-{year}",
                kind,
                f"Bay {n} {kind}",
                f"{year}-02-0{n + 1}T09:00:00+00:00",
                f"{year + 1}-02-0{n + 1}",
            )
            ledger.append(None, "certificate", {"certificate": made.to_json()}, now())


def go_on(path: Path, n: int, seed: int) -> None:
    """More jobs in a record, none of which is loaded. n: which of a shop's bays."""
    with closing(Ledger(path)) as ledger:
        ledger.db.execute("pragma synchronous = off")
        add_jobs(ledger, GOING_ON, seed=1000 + seed, bay=f"Bay {n}", notes=NOTES)


def tokens(dsn: str, count: int) -> list[str]:
    """Of so many bays, each of another shop; all are the same bay of their shops."""
    with closing(Store(dsn)) as store:
        token = enter(store, FIRST, "bay-0")
        with store.connection() as db:
            db.execute(
                "update bay set token_hash = (select token_hash from bay where shop = %s and bay = 'bay-0') where bay = 'bay-0'",
                [FIRST],
            )
    shops = range(1, SHOPS, SHOPS // count)
    return [token.replace(FIRST, f"shop-{n:04d}") for n in shops][:count]


def _spread(db: Db, say: Callable[[str], None]) -> None:
    """Copy the first shop's rows, a table in one transaction. Keys and indexes are made anew behind them, which takes a third of
    the time."""
    db.execute("set synchronous_commit = off")
    db.execute("set maintenance_work_mem = '1GB'")
    db.execute("set max_parallel_maintenance_workers = 1")
    db.execute("set jit = off")
    for table in ("shop", "bay", *TABLES):
        if not _is_loaded(db, table):
            begun_s = time.monotonic()
            with db.transaction():
                rows = _copies(db, table)
                db.execute("insert into loaded values (%s)", [table])
            say(f"{table}: {rows:,} copies, {time.monotonic() - begun_s:.0f} s")
    begun_s = time.monotonic()
    db.execute("vacuum analyze")
    say(f"vacuum analyze, {time.monotonic() - begun_s:.0f} s")


def _copies(db: Db, table: str) -> int:
    made = _definitions(db, table) if table in ("event", "job", "taken") else []
    for drop, _create in made:
        db.execute(drop.encode())
    columns = [
        row[0]
        for row in db.execute(
            "select attname from pg_attribute where attrelid = %s::regclass and attnum > 0 and not attisdropped "
            "order by attnum",
            [table],
        )
    ]
    values = ", ".join(_OTHER.get((table, name)) or _OTHER.get(name) or f"t.{name}" for name in columns)
    order = f" order by {_ORDER[table]}" if table in _ORDER else ""
    rows = db.execute(
        f"insert into {table} ({', '.join(columns)}) select {values} from (select * from {table} where shop = '{FIRST}'"
        f"{order}) as t, lateral generate_series(1, {SHOPS - 1} + 0 * length(t.shop)) as s (n)".encode()
    ).rowcount
    for _drop, create in made:
        db.execute(create.encode())
    return rows


def _definitions(db: Db, table: str) -> list[tuple[str, str]]:
    """How to drop each index and key of a table, and to make it again just as the schema has it."""
    keys = db.execute(
        "select conname, pg_get_constraintdef(oid) from pg_constraint where conrelid = %s::regclass and contype = 'p'",
        [table],
    ).fetchall()
    indexes = db.execute(
        "select indexrelid::regclass::text, pg_get_indexdef(indexrelid) from pg_index where indrelid = %s::regclass "
        "and not indisprimary",
        [table],
    ).fetchall()
    return [
        *(
            (f"alter table {table} drop constraint {name}", f"alter table {table} add {text}")
            for name, text in keys
        ),
        # Of a partitioned table the definition says "on only": that would leave its parts without.
        *((f"drop index {name}", text.replace(" ON ONLY ", " ON ")) for name, text in indexes),
    ]


def unlike(dsn: str, count: int) -> list[str]:
    """Which sums of every so-many-th shop are not what its rows add up to."""
    wrong = []
    with closing(psycopg.connect(dsn)) as db:
        shops = [f"shop-{n:04d}" for n in range(0, SHOPS, SHOPS // count)]
        # A view of some shops under the tables' own names, which the statements that compute anew read.
        for table in ("job", "movement", "certificate"):
            db.execute(
                f"create temporary table {table} as select * from public.{table} where shop = any(%s)".encode(),
                [shops],
            )
        for table, statement in recomputed().items():
            names = ", ".join(columns_of(table))
            own = f"select {names} from public.{table} where shop = any(%(shops)s)"
            found = db.execute(
                f"select count(*) from (({own} except all ({statement})) union all (({statement}) except all {own})) as other".encode(),
                {"shops": shops},
            ).fetchone()
            if found != (0,):
                wrong.append(f"{table}: {found}")
        db.rollback()
    return wrong
