"""Whatever moves are made and whatever clock the record has: each entry is under one name, and all sums are what they were."""

import random
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from station.errors import InputError
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many.embedded import Embedded
from station.record.many.moving import look, move
from station.record.many.store import Store
from station.shop.movement import Movement
from tests.rolled import (
    ZONE,
    add_jobs,
    certificate,
    enter,
    fresh,
    record,
    report_of,
    row,
    whole,
)
from tests.station.record.many.leaving.conftest import HARBOUR, QUAY, WHO, Sending, counted, rows


def test_a_clock_that_was_ahead_cuts_no_earlier_than_an_entry_that_is_surely_older(
    store: Store, tmp_path: Path
) -> None:
    """Five entries say a time that was still to come; then the clock was set."""
    path = tmp_path / "bay.sqlite"
    for n, sent in enumerate((0, None)):
        path = tmp_path / f"{n}.sqlite"
        with closing(record(path, 20, notes=1)) as ledger:
            for k in range(5):
                at = Moment("boot", 99.0 + k, "2026-09-01T08:00:00.000+00:00", False)
                ledger.append(None, "note", {"text": "ahead"}, at)
            last = ledger.append(
                None, "note", {"text": "set"}, Moment("boot", 200.0, "2026-01-25T08:00:00.000+00:00", True)
            )
            add_jobs(ledger, 60, seed=2, notes=1)
        bay = Sending(store, path, enter(store, bay=f"bay-{n}"), batch=2000)
        if sent is None:
            bay.send()
        with store.connection() as db:
            move(
                db, ("harbour", f"bay-{n}"), ("quay", f"bay-{n}"), *WHO, "2026-03-01T00:00:00.000+00:00", ZONE
            )
        bay.send()
        assert last
        [(ahead,)] = rows(
            store,
            "select count(*) from event where shop = 'harbour' and bay = %s and body like '%%ahead%%'",
            f"bay-{n}",
        )
        assert ahead == 5, "they were made before an entry of January"
        assert rows(store, "select count(*) from job where shop = 'quay' and bay = %s", f"bay-{n}") == [(4,)]
    assert whole(store) == []


def test_a_move_of_this_moment_leaves_all_that_is_here_where_it_is_whatever_its_clock_says(
    store: Store, tmp_path: Path
) -> None:
    with closing(record(tmp_path / "bay.sqlite", 6)) as ledger:
        ahead = Moment("boot", 9.0, "2099-01-01T08:00:00.000+00:00", True)
        ledger.append(None, "note", {"text": "ahead"}, ahead)
    bay = Sending(store, tmp_path / "bay.sqlite", enter(store))
    bay.send()
    with store.connection() as db:
        looked = look(db, HARBOUR, QUAY, "", ZONE)
        assert (looked.going.entries, looked.ahead[:4], looked.first) == (0, "2099", None)
        assert rows(store, "select 1 from shop where shop = 'quay'") == [], "a look changes nothing"
        assert move(db, HARBOUR, QUAY, *WHO, "", ZONE) == 0
    assert rows(store, "select 1 from event where shop = 'quay'") == []
    assert whole(store) == []


NAMES = (HARBOUR, QUAY, ("pier", "bay-2"))
DAYS = 24
STEP = st.tuples(st.integers(0, 3), st.sampled_from(NAMES), st.integers(0, 6))
"""So many batches are sent, then it is moved there, as of so many days after the move before."""


@pytest.fixture(scope="module")
def lent(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A record whose clock is right, and one whose clock was wrong again and again."""
    found = []
    for name, wrong in (("right", False), ("wrong", True)):
        path = tmp_path_factory.mktemp("lent") / f"{name}.sqlite"
        draw = random.Random(4)
        with closing(Ledger(path)) as ledger:
            ledger.db.execute("pragma synchronous = off")
            for n in range(DAYS):
                utc = f"2026-01-{n + 1:02d}T12:00:00.000+00:00"
                off = draw.random() < 0.4 if wrong else False
                said = (
                    f"2026-0{draw.choice((1, 5))}-{draw.randrange(1, 28):02d}T12:00:00.000+00:00"
                    if off
                    else utc
                )
                at = Moment("boot", float(n), said, draw.random() < 0.7 if not off else draw.random() < 0.2)
                job = row(f"001-{n:05d}", draw, n, opened_utc=utc, closed_utc=utc)
                ledger.append(job["job_id"], "job_open", {"job": {"capacity": "2.9 L"}}, at)
                result = {"report": report_of(job), "row": job, "samples": 0}
                ledger.append(job["job_id"], "result", result, at, job)
                if n % 6 == 2:
                    told = certificate(f"P-{n}", "pan", made_at=utc)
                    ledger.append(None, "certificate", {"certificate": told.to_json()}, at)
                if n % 4 == 1:
                    kind = "counted" if n % 8 == 1 else "received"
                    moved = Movement(kind, "ATF", 20.0, 0.1, "drum 1")
                    ledger.append(None, "movement", moved.to_dict(), at)
        found.append(path)
    return found[0], found[1]


@settings(max_examples=8)
@given(steps=st.lists(STEP, min_size=4, max_size=7), right=st.booleans())
@example(steps=[(2, QUAY, 3), (1, HARBOUR, 4), (1, QUAY, 5), (0, QUAY, 2), (2, HARBOUR, 4)], right=True)
@example(steps=[(2, QUAY, 3), (3, HARBOUR, 4), (3, HARBOUR, 5), (3, QUAY, 2), (3, HARBOUR, 4)], right=False)
@example(
    steps=[(3, QUAY, 3), (3, NAMES[2], 4), (3, HARBOUR, 5), (3, NAMES[2], 4), (0, HARBOUR, 0)], right=True
)
def test_however_a_bay_is_moved_each_entry_is_under_one_name(
    postgres: Embedded, lent: tuple[Path, Path], steps: list[tuple[int, tuple[str, str], int]], right: bool
) -> None:
    """Of a record whose clock is right under that which the newest move said of its moment; and all sums together are what they are
    under one name."""
    path, day = lent[0] if right else lent[1], 0
    with closing(Store(fresh(postgres.dsn))) as store, closing(Store(fresh(postgres.dsn))) as other:
        Sending(other, path, enter(other)).send()
        bay, at = Sending(store, path, enter(store), batch=7), HARBOUR
        moves: list[tuple[str, tuple[str, str]]] = []
        for batches, target, days_on in steps:
            day = min(day + days_on, DAYS)
            utc = f"2026-01-{day + 1:02d}T00:00:00.000+00:00"
            if batches:
                assert bay.send(most=batches).fault is None, moves
            try:
                with store.connection() as db:
                    move(db, at, target, *WHO, utc, ZONE)
            except InputError:
                continue
            moves.append((utc, target))
            at = target
            assert whole(store) == [], moves
        assert bay.send().fault is None, moves
        assert whole(store) == [], moves
        found = rows(store, "select seq, shop, bay, utc from event order by seq")
        assert [line[0] for line in found] == list(range(1, outbox.newest(path) + 1)), moves
        if right:
            for _seq, shop, name, utc in found:
                last = [target for since, target in moves if since <= utc]
                assert (shop, name) == (last[-1] if last else HARBOUR), (moves, utc)
        assert counted([store]) == counted([other]), moves
