"""Processes beside the server that take batches in: answers and refusals as without them; one is killed, the server is killed."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from station.common import words
from station.errors import InputError, StationError
from station.record import outbox
from station.record.many import wire
from station.record.many.store import NotKnown, Store
from tests.rolled import enter, gone, record, whole
from web.shop.many.taking import Takers, processes, taken


@pytest.fixture
def german() -> Iterator[None]:
    before = words.spoken()
    words.speak("de")
    yield
    words.use(before)


@pytest.fixture
def takers(german: None, store: Store) -> Iterator[Takers]:
    takers = Takers(store.dsn, 1)
    yield takers
    takers.close()
    assert gone(takers.pids)


def test_a_process_answers_and_refuses_as_the_server_does_and_a_killed_one_is_replaced(
    takers: Takers, store: Store, tmp_path: Path
) -> None:
    path = tmp_path / "bay.sqlite"
    record(path, 8).close()
    one, other = enter(store), enter(store, "quay", "bay-9")
    newest = outbox.newest(path)
    first, rest = outbox.batch(path, 0, 10), wire.batch_text(outbox.batch(path, 10, 1000))
    for token in (one, other):
        take = takers.take if token == one else lambda *batch: taken(store, *batch)
        told = take(token, wire.batch_text(first))
        with store.connection() as db:
            [(series,)] = db.execute(
                "select series from shop where shop = %s", [token.split(".")[1]]
            ).fetchall()
        assert told == {
            "seq": 10, "hash": first.entries[-1].hash, "new": 10, "fault": None, "lists": 0, "fills": 0, "series": series, "gone": "", "moved": "",
        }  # fmt: skip
        with pytest.raises(NotKnown, match="No bay has this token"):
            take(f"{token}x", rest)
        with pytest.raises(InputError, match="no batch of entries"):
            take(token, b"[1]")
        changed = replace(first, entries=(first.entries[0]._replace(hash="0" * 64),))
        assert "ist ein anderer" in take(token, wire.batch_text(changed))["fault"]

    shop, bay = one.split(".")[1:3]
    before = takers.pids
    with ThreadPoolExecutor(1) as thread:
        with store.connection() as db:
            db.execute("select 1 from head where shop = %s and bay = %s for update", [shop, bay])
            asked = thread.submit(takers.take, one, rest)
            while store_waits(store) == 0:
                time.sleep(0.01)
            os.kill(before[0], signal.SIGKILL)
            with pytest.raises(StationError, match="noch einmal"):
                asked.result(20)
        assert gone(before)
        assert (len(takers.pids), takers.pids == before) == (1, False)
        assert takers.take(one, rest)["seq"] == newest
    taken(store, other, rest)
    assert whole(store) == []


def store_waits(store: Store) -> int:
    with store.connection() as db:
        (n,) = db.execute(
            "select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'"
        ).fetchone() or (0,)
    return int(n)


KILLED = """
import sys
from web.shop.many.taking import Takers
if __name__ == "__main__":
    takers = Takers(sys.argv[1], 2)
    print(*takers.pids, flush=True)
    sys.stdin.read()
"""


def test_no_process_outlives_a_server_that_was_killed(tmp_path: Path) -> None:
    server = subprocess.Popen(
        [sys.executable, "-c", KILLED, "no database"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with server:
        assert server.stdout is not None
        pids = [int(text) for text in server.stdout.readline().split()]
        children = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text().split()
        assert len(pids) == 2
        assert not gone(pids, 0.3)
        server.kill()
    assert gone([*pids, *map(int, children)])


def test_as_many_as_there_are_cores_four_at_most_and_none_on_one(monkeypatch: pytest.MonkeyPatch) -> None:
    for cores, count in ((1, 0), (2, 2), (16, 4)):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _pid, n=cores: set(range(n)))
        assert (processes(None), processes(0), processes(3)) == (count, 0, 3)
    with pytest.raises(InputError, match="processes is -1"):
        processes(-1)
