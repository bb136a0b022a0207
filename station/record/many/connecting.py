"""Connections to the roll-up's database: none waits for ever, whatever became of its server, or of somebody who holds a lock there."""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Final

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg.errors import LockNotAvailable, ReadOnlySqlTransaction
from psycopg_pool import ConnectionPool, PoolTimeout

from station.common.words import _
from station.errors import StationError
from station.record.many.ingest import Db

log = logging.getLogger(__name__)

WAIT_S = 10.0
"""For a connection, and for as long a server that went away is tried again at growing intervals before each question tries it."""
LOCK_S = 2.0
"""For what somebody else holds. Two that take batches in wait so for one bay's head, and meanwhile for no other bay's."""
FELT: Final = {
    "connect_timeout": "10",
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "20000",
}
"""Where the server's machine lost its power, nothing ends a connection to it: Linux asks after two hours, and sends again for a
quarter of an hour (its tcp(7), from memory). What is told here, in seconds and the last in milliseconds, makes it half a minute."""
SERVING = 7355610
"""The lock of whoever serves a database (``Alone``)."""
LOOK_S = 5.0


class NoAnswer(StationError):
    """The database does not answer."""


class Held(StationError):
    """Somebody else holds what was asked for."""


def connected(dsn: str) -> Db:
    """A connection outside of any pool. Raises NoAnswer."""
    try:
        db = psycopg.connect(_felt(dsn))
        _patient(db)
    except psycopg.Error as error:
        raise no_service(error) from error
    return db


def no_service(error: psycopg.Error) -> NoAnswer:
    return NoAnswer(f"The roll-up's database does not serve ({str(error).strip()}). Check --dsn.")


def _felt(dsn: str) -> str:
    told = {name: value for name, value in FELT.items() if name not in conninfo_to_dict(dsn)}
    return make_conninfo(dsn, **told)


def _patient(db: Db) -> None:
    db.execute("select set_config('lock_timeout', %s, false)", [f"{LOCK_S * 1000.0:.0f}"])
    db.commit()


class Connections:
    """So many at most. revive: what has a server of one's own answer again."""

    def __init__(self, dsn: str, most: int, revive: Callable[[], None]) -> None:
        self._revive = revive
        self._pool = ConnectionPool(
            _felt(dsn),
            min_size=1,
            max_size=most,
            timeout=WAIT_S,
            reconnect_timeout=WAIT_S,
            configure=_patient,
            open=False,
        )

    def open(self) -> None:
        self._pool.open()

    def close(self) -> None:
        self._pool.close()

    @contextmanager
    def one(self) -> Iterator[Db]:
        """A connection of one's own for the length of a with block, and in it one transaction.

        Raises NoAnswer where the database does not answer; a server that died is being started again then. Held where somebody
        else holds what was asked for."""
        try:
            with self._pool.connection() as db:
                yield db
        except LockNotAvailable as error:
            raise Held(
                _(
                    "Somebody else holds what this needs in the roll-up's database: another change that takes long, or an open "
                    "transaction of a person. Nothing was changed. Try again."
                )
            ) from error
        except (psycopg.OperationalError, ReadOnlySqlTransaction, PoolTimeout) as error:
            self._revive()
            self._pool.check()
            raise NoAnswer(
                f"The roll-up's database did not answer ({str(error).strip().splitlines()[0]}). Try again."
            ) from error


class Alone:
    """That one server alone serves a database, for as long as this is not closed: two would each have sessions, tries at a secret
    and people of their own, and tell the bays different ones. Raises StationError where another does."""

    def __init__(self, dsn: str) -> None:
        self._dsn, self._halt = dsn, threading.Event()
        self._db: Db | None = None
        self._thread = threading.Thread(target=self._run, name="alone", daemon=True)
        until_s = time.monotonic() + LOOK_S  # one that was just killed may not be felt yet
        while (other := self._look()) is not None:
            if time.monotonic() > until_s:
                self._let_go()
                raise StationError(
                    f"Another roll-up serves this database already, {other}. Let bays and people come to that one, or end it first."
                )
            time.sleep(0.1)
        self._thread.start()

    def close(self) -> None:
        self._halt.set()
        self._thread.join()  # or it may take the lock once more behind this
        self._let_go()

    def _let_go(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    def _run(self) -> None:
        """Hold it again where the connection was lost."""
        while not self._halt.wait(LOOK_S):
            with suppress(StationError, psycopg.Error):
                if (other := self._look()) is not None:
                    log.error("another roll-up serves this database too, %s: end one of the two", other)

    def _look(self) -> str | None:
        """None where this one alone serves it; else who does, and since when."""
        if self._db is not None:
            try:
                self._db.execute("select 1")
            except psycopg.OperationalError:
                self._let_go()
        if self._db is None:
            self._db = _held_while_alive(self._dsn)
        if self._db.execute(_MINE, {"key": SERVING}).fetchone() == (True,):
            return None
        found = self._db.execute(_OTHER, {"key": SERVING}).fetchone()
        return "from where it does not say" if found is None else f"from {found[0]}, since {found[1]}"


def _held_while_alive(dsn: str) -> Db:
    """A connection that the database, too, ends where this machine is gone: it would keep what was held for hours."""
    db = connected(dsn)
    db.autocommit = True
    for name in ("keepalives_idle", "keepalives_interval", "keepalives_count"):
        db.execute("select set_config(%s, %s, false)", [f"tcp_{name}", FELT[name]])
    return db


_MINE = """select exists (select from pg_locks where locktype = 'advisory' and classid = 0 and objid = %(key)s and pid = pg_backend_pid())
    or pg_try_advisory_lock(%(key)s)"""
_OTHER = """select coalesce(host(a.client_addr), 'its own machine'), to_char(a.backend_start at time zone 'UTC', 'YYYY-MM-DD HH24:MI') ||
        ' UTC' from pg_locks l join pg_stat_activity a on a.pid = l.pid
    where l.locktype = 'advisory' and l.classid = 0 and l.objid = %(key)s and l.granted
        and l.database = (select oid from pg_database where datname = current_database())"""
