"""A bay that is retired and brought back: it is silent nowhere, its jobs count on, and what it recorded offline still comes."""

import pytest

from station.errors import InputError
from station.record import outbox
from station.record.many import certified, queries
from station.record.many.accept import accept
from station.record.many.leaving import bring_back, left, retire
from station.record.many.store import reporting
from tests.rolled import enter, whole
from tests.station.record.many.leaving.conftest import HARBOUR, SHOPS, THEN, WHO, YEAR, Sending, counted, rows


def test_a_retired_bay_is_silent_nowhere_and_its_jobs_count_on(bay: Sending) -> None:
    store = bay.store
    bay.send()
    before = counted([store])
    with store.connection() as db:
        retire(db, *HARBOUR, *WHO)
        assert [(one.bay, one.gone_because) for one in left(db, ["harbour"])[0]] == [("bay-1", WHO[1])]
        assert "bay-1" not in {one.bay for one in reporting(db, SHOPS)}
        assert certified.certificates(db, YEAR) == []
        assert "bay-1" not in {one.bay for one in certified.without(db, YEAR, 9)}
        assert queries.how_many(db, SHOPS).bays == 2
    assert store.how_many_bays() == (2, 0)
    assert counted([store]) == before
    assert whole(store) == []
    for wrong in (
        ("retired at", lambda db: retire(db, *HARBOUR, *WHO)),
        ("bring it back", lambda _db: enter(store)),
    ):
        with store.connection() as db, pytest.raises(InputError, match=wrong[0]):
            wrong[1](db)


def test_what_was_recorded_offline_still_comes_and_what_comes_behind_waits_at_the_bay(bay: Sending) -> None:
    store = bay.store
    bay.send(most=2)
    with store.connection() as db:
        retire(db, *HARBOUR, *WHO)
        db.execute("update bay set gone_at = %s where gone_at is not null", [THEN])
    taken = bay.send()
    assert (taken.lists, taken.fills) == (0, 0), "a bay that was sold hears nothing more"
    assert "retired here" in str(taken.fault)
    here = {job for (job,) in rows(store, "select job_id from job where bay = 'bay-1'")}
    last, newest = rows(store, "select max(seq), max(utc) from event where bay = 'bay-1'")[0]
    assert (len(here), newest < THEN, last) == (37, True, taken.seq)
    with store.connection() as db:
        [gone], _n = left(db, ["harbour"])
        assert gone.behind == outbox.newest(bay.path) - taken.seq > 0
        assert "bay-1" in {one.bay for one in reporting(db, SHOPS)}, "it speaks, and that is said"
        with pytest.raises(InputError, match="brought back"):
            accept(db, *HARBOUR, *WHO)
    with store.connection() as db:
        bring_back(db, *HARBOUR, "E. Brandvold", "it was the one beside it")
    assert bay.send().fault is None
    assert len(rows(store, "select 1 from job where bay = 'bay-1'")) == 60
    assert whole(store) == []
    with store.connection() as db, pytest.raises(InputError, match="not retired"):
        bring_back(db, *HARBOUR, *WHO)
    logged = rows(store, "select who, kind, body from log order by seq")
    assert [(who, kind) for who, kind, _body in logged] == [(WHO[0], "retired"), (WHO[0], "brought back")]
    assert "the one beside it" in logged[1][2]
