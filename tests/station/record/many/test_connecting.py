"""The roll-up over a database that does not do what is asked: nobody waits for ever, and nobody for another bay's sake."""

import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from station.errors import StationError
from station.record import outbox
from station.record.many import connecting, moving
from station.record.many.arriving import Batch
from station.record.many.connecting import Alone, Held, NoAnswer
from station.record.many.store import STEPS, Store
from station.record.many.wire import batch_text
from tests.rolled import ZONE, enter, record, whole
from web.shop.many.taking import taken

HEAD = "select * from head where shop = 'harbour' and bay = 'bay-1' for update"


@contextmanager
def held(dsn: str, sql: str) -> Iterator[psycopg.Connection]:
    """What a person's open transaction holds; let go after a while, or whoever waits for ever would never tell."""
    with closing(psycopg.connect(dsn)) as db:
        db.execute(sql.encode())
        after = threading.Timer(20.0, db.close)
        after.start()
        yield db
        after.cancel()


@pytest.fixture
def batches(tmp_path: Path) -> tuple[Batch, Batch]:
    with closing(record(tmp_path / "bay.sqlite", 4)):
        return outbox.batch(tmp_path / "bay.sqlite", 0, 5), outbox.batch(tmp_path / "bay.sqlite", 5, 500)


def test_what_somebody_else_holds_is_not_waited_for_and_the_other_bays_go_on(
    store: Store, batches: tuple[Batch, Batch], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connecting, "LOCK_S", 0.2)
    first, second = map(batch_text, batches)
    with closing(Store(store.dsn, connections=1)) as hasty:
        tokens = [enter(hasty), enter(hasty, bay="bay-2")]
        taken(hasty, tokens[0], first)
        with held(store.dsn, HEAD):
            with pytest.raises(Held, match="Somebody else holds"):
                taken(hasty, tokens[0], second)
            assert taken(hasty, tokens[1], first)["new"] == 5
        assert taken(hasty, tokens[0], second)["fault"] is None
    assert whole(store) == []


def test_a_look_at_what_a_move_comes_to_holds_no_bays_head(
    store: Store, batches: tuple[Batch, Batch], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connecting, "LOCK_S", 0.2)
    with closing(Store(store.dsn, connections=1)) as hasty:
        taken(hasty, enter(hasty), batch_text(batches[0]))
        with held(store.dsn, HEAD), hasty.connection() as db:
            assert moving.look(db, ("harbour", "bay-1"), ("quay", "bay-7"), "", ZONE).going.seq == 5


def test_a_database_that_only_reads_has_not_answered(store: Store, batches: tuple[Batch, Batch]) -> None:
    token = enter(store)
    with closing(Store(store.dsn, connections=1)) as late:
        with late.connection() as db:
            db.execute("set session characteristics as transaction read only")
        with pytest.raises(NoAnswer, match="read-only"):
            taken(late, token, batch_text(batches[0]))


def test_what_a_newer_roll_up_brought_up_an_older_one_does_not_fill(
    store: Store, batches: tuple[Batch, Batch]
) -> None:
    token = enter(store)
    with store.connection() as db:
        db.execute("update version set schema = %s", [len(STEPS) + 1])
    with pytest.raises(StationError, match="A newer roll-up"):
        taken(store, token, batch_text(batches[0]))
    with store.connection() as db:
        assert db.execute("select count(*) from event").fetchone() == (0,)


def test_one_server_alone_serves_a_database_and_holds_it_again_after_it_died(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connecting, "LOOK_S", 0.1)
    with closing(Alone(store.dsn)):
        with pytest.raises(
            StationError, match=r"serves this database already, from its own machine, since 2"
        ):
            Alone(store.dsn)
        [died] = holders(store)
        with store.connection() as db:
            db.execute("select pg_terminate_backend(%s)", [died])
        until_s = time.monotonic() + 60.0
        while holders(store) in ([], [died]) and time.monotonic() < until_s:
            time.sleep(0.01)
        with pytest.raises(StationError, match="serves this database already"):
            Alone(store.dsn)
    Alone(store.dsn).close()


def holders(store: Store) -> list[int]:
    with store.connection() as db:
        found = db.execute("select pid from pg_locks where objid = %s and granted", [connecting.SERVING])
        return [row[0] for row in found]


def test_a_server_whose_machine_is_gone_is_felt_unless_its_address_says_otherwise(store: Store) -> None:
    with closing(connecting.connected(f"{store.dsn}&keepalives_idle=77")) as db:
        said = conninfo_to_dict(db.info.dsn)
    assert (said["keepalives_idle"], said["tcp_user_timeout"]) == ("77", connecting.FELT["tcp_user_timeout"])


def test_who_ends_while_it_takes_the_lock_again_does_not_keep_it(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    connected, trying, may = connecting.connected, threading.Event(), threading.Event()
    monkeypatch.setattr(connecting, "LOOK_S", 0.05)
    one = Alone(store.dsn)

    def slowly(dsn: str) -> psycopg.Connection:
        trying.set()
        assert may.wait(20.0)
        return connected(dsn)

    monkeypatch.setattr(connecting, "connected", slowly)
    with store.connection() as db:
        db.execute("select pg_terminate_backend(pid) from pg_locks where objid = %s", [connecting.SERVING])
    assert trying.wait(20.0)
    threading.Timer(0.2, may.set).start()
    one.close()
    one._thread.join()
    Alone(store.dsn).close()
