"""A bay that is moved to another shop: each entry counts under one name, and none is lost."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from station.errors import InputError, StationError
from station.learning import teaching
from station.record import outbox
from station.record.many import certified, ingest
from station.record.many.embedded import Embedded
from station.record.many.leaving import left, retire, standing
from station.record.many.moving import look, move
from station.record.many.store import Store, reporting
from tests.rolled import (
    COMPANY,
    ZONE,
    add_jobs,
    bay_of,
    enter,
    fresh,
    give,
    known,
    record,
    whole,
)
from tests.station.record.many.leaving.conftest import (
    HARBOUR,
    QUAY,
    SHOPS,
    SUMS,
    THEN,
    WHO,
    YEAR,
    Sending,
    a_bay,
    counted,
    jobs,
    rows,
)


@pytest.mark.parametrize("arrived", [0, 2, 4, None])
def test_a_bay_that_moved_has_each_job_once_with_the_shop_that_it_stood_in(
    bay: Sending, arrived: int | None
) -> None:
    """Whatever of its record was here when it was said: nothing, entries of before it alone, some from after it, or all."""
    store, sums = bay.store, None
    if arrived is None:
        bay.send()
        sums = counted([store])
    elif arrived:
        bay.send(most=arrived)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    assert whole(store) == []
    assert bay.send().fault is None, "its token stays"
    assert whole(store) == []
    assert sums is None or counted([store]) == sums
    places = {shop: {job for job in of if job.startswith("001-")} for shop, of in jobs(store).items()}
    assert [len(places[shop]) for shop in SHOPS] == [37, 23]
    assert not places["harbour"] & places["quay"]
    entries = rows(
        store, "select seq, bay, utc >= %s from event where bay in ('bay-1', 'bay-7') order by seq", THEN
    )
    assert [seq for seq, _bay, _after in entries] == list(range(1, outbox.newest(bay.path) + 1))
    assert [name == "bay-7" for _seq, name, _after in entries] == [
        any(after for _seq, _bay, after in entries[: n + 1]) for n in range(len(entries))
    ]
    with closing(record(bay.path, 0)) as ledger:
        add_jobs(ledger, 3, seed=2, notes=1)
    bay.send()
    assert {job for job in jobs(store)["quay"] if job.startswith("002")} == {f"002-{n:05d}" for n in range(3)}
    with store.connection() as db:
        assert [one.bay for one in left(db, ["harbour"])[0]] == ["bay-1"]
        assert {one.bay for one in reporting(db, SHOPS)} == {"bay-7", "bay-8", "bay-9"}
        assert not any(one.doubled for one in reporting(db, SHOPS))
        of = {(one.shop, one.bay, one.number) for one in certified.certificates(db, YEAR)}
        assert of == {("quay", "bay-7", "P-1"), ("quay", "bay-7", "M-1")}, (
            "the papers go with the instruments"
        )
    assert whole(store) == []


def test_in_two_roll_ups_the_record_is_brought_to_both_and_each_job_counts_in_one(
    postgres: Embedded, tmp_path: Path
) -> None:
    with closing(Store(fresh(postgres.dsn))) as old, closing(Store(fresh(postgres.dsn))) as new:
        alone = a_bay(old, tmp_path / "bay.sqlite")
        with closing(Store(fresh(postgres.dsn))) as one:
            sending = replace(alone, store=one, token=enter(one))
            sending.send()
            expected = counted([one])
        alone.send(most=2)
        with old.connection() as db:
            retire(db, *HARBOUR, *WHO)
            db.execute("update bay set gone_at = %s where gone_at is not null", [THEN])
        assert "retired" in str(alone.send().fault)
        token = new.enter_bay(COMPANY, *QUAY, ZONE, since=THEN)
        there = replace(alone, store=new, token=token)
        assert there.send(most=3).fault is None
        assert (whole(new), jobs(new)) == ([], {})
        assert there.send().fault is None
        assert [whole(store) for store in (old, new)] == [[], []]
        assert [len(jobs(store)[shop]) for store, shop in ((old, "harbour"), (new, "quay"))] == [37, 23]
        assert not jobs(old)["harbour"] & jobs(new)["quay"]
        assert counted([old, new]) == expected
        with new.connection() as db:
            assert {one.number for one in certified.certificates(db, YEAR)} == {"P-1", "M-1"}
        with pytest.raises(InputError, match="entered already"):
            new.enter_bay(COMPANY, *QUAY, ZONE, since=THEN)


def test_a_move_by_mistake_is_moved_back_and_leaves_no_trace_but_in_the_log(bay: Sending) -> None:
    store = bay.store
    bay.send()
    tables = [*SUMS, "job", "movement", "certificate", "taken", "container", "event", "checkpoint", "head"]

    def everything() -> list[list[Any]]:
        return [sorted(rows(store, f"select t::text from {table} t")) for table in tables]

    before = everything()
    for when in (THEN, "2026-11-01T00:00:00.000+00:00"):  # with entries of behind it, and with none
        with store.connection() as db:
            move(db, HARBOUR, QUAY, *WHO, when)
        with store.connection() as db:
            move(db, QUAY, HARBOUR, "E. Brandvold", "it was bay 2", when)
        assert everything() == before
        with store.connection() as db:
            assert left(db, list(SHOPS)) == ([], 0)
            assert "bay-7" not in {one.bay for one in reporting(db, SHOPS)}
    assert bay.send().fault is None
    assert (whole(store), len(rows(store, "select 1 from log"))) == ([], 4)


@pytest.mark.parametrize(("first", "second"), [(None, 2), (2, None), (4, 4), (None, None)])
@pytest.mark.parametrize("when", [THEN, "2026-11-01T00:00:00.000+00:00"])
def test_a_record_that_is_under_two_names_is_put_under_each_for_its_time(
    postgres: Embedded, bay: Sending, first: int | None, second: int | None, when: str
) -> None:
    """As when a bay was entered in its new shop and not moved there: it brings all of its past once more."""
    store = bay.store
    with closing(Store(fresh(postgres.dsn))) as other:
        alone = replace(bay, store=other, token=enter(other))
        for n, shop in enumerate(SHOPS):
            give(
                other,
                known(other, f"bay-{8 + n}", shop),
                outbox.batch(bay.path.parent / f"{shop}.sqlite", 0, 1000),
            )
        alone.send()
        expected = counted([other])
    bay.send(most=first)
    there = replace(bay, token=enter(store, *QUAY))
    there.send(most=second)
    with store.connection() as db:
        assert {one.bay for one in reporting(db, SHOPS) if one.doubled} == {"bay-1", "bay-7"}
        move(db, HARBOUR, QUAY, *WHO, when)
        assert not any(one.doubled for one in reporting(db, SHOPS))
    assert whole(store) == []
    assert there.send().fault is None, "it goes on with the token of its new name"
    with pytest.raises(StationError, match="token"):
        bay.send()
    assert whole(store) == []
    assert counted([store]) == expected
    entries = [
        seq for (seq,) in rows(store, "select seq from event where bay in ('bay-1', 'bay-7') order by seq")
    ]
    assert entries == list(range(1, outbox.newest(bay.path) + 1))
    assert len([job for job in jobs(store)["harbour"] if job.startswith("001-")]) == (
        37 if when == THEN else 60
    )


def test_a_bay_moves_on_and_its_former_names_stay_what_they_were(bay: Sending) -> None:
    store, later = bay.store, "2026-02-20T00:00:00.000+00:00"
    bay.send(most=1)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
        with pytest.raises(InputError, match="has arrived yet"):
            move(db, QUAY, ("pier", "bay-1"), *WHO, later, ZONE)
    bay.send()
    with store.connection() as db:
        move(db, QUAY, ("pier", "bay-1"), *WHO, later, ZONE)
    assert bay.send().fault is None, "the token of its first name still leads to it"
    assert whole(store) == []
    of = rows(
        store, "select shop, count(*) from job where bay in ('bay-1', 'bay-7') group by shop order by shop"
    )
    assert of == [("harbour", 37), ("pier", 13), ("quay", 10)]
    with store.connection() as db:
        assert [(one.bay, one.at_shop) for one in left(db, ["harbour"])[0]] == [("bay-1", None)], (
            "it sees no other shop"
        )
        told = {(one.bay, one.at_shop) for one in left(db, ["harbour", "quay", "pier"])[0]}
    assert told == {("bay-1", "pier"), ("bay-7", "pier")}
    token = enter(store, "pier")
    with pytest.raises(StationError, match="token"):
        bay.send()
    assert replace(bay, token=token).send().fault is None


def test_nothing_waits_of_a_bay_that_moved_and_has_recorded_nothing_since(bay: Sending) -> None:
    """Its new name has no entry yet; all of its record is here, under the former one."""
    store = bay.store
    bay.send()
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO)
        [one] = [one for one in reporting(db, ["quay"]) if one.bay == "bay-7"]
        told = standing(db, *QUAY)
        assert told is not None
        newest = outbox.newest(bay.path)
        assert (one.seq, one.behind, told.seq, told.newest, told.jobs) == (newest, 0, newest, newest, 0)
        retire(db, *QUAY, *WHO)
    bay.send()
    with store.connection() as db:
        assert [one.behind for one in left(db, ["quay"])[0]] == [0]


def test_a_bay_that_has_another_name_in_its_shop_is_not_told_of_its_own_fills(bay: Sending) -> None:
    """They are in its own record, and would count twice there."""
    store = bay.store
    bay.send()
    sister = Sending(store, bay.path.parent / "harbour.sqlite", enter(store, bay="bay-8"))
    with store.connection() as db:
        move(db, HARBOUR, ("harbour", "bay-2"), *WHO, THEN)
    bay.send()
    for name in ("bay-1", "bay-2"):
        with store.connection() as db:
            found = ingest.named(db, "harbour", name)
            assert found is not None
            teaching.draw(db, found[0])
    with store.connection() as db:
        assert {one.bay for one in teaching.every(db, ["harbour"])} == {"bay-1", "bay-2"}
        assert teaching.told(db, bay_of(store, bay.token), 0) == []
        assert teaching.newest(db, "harbour", "bay-2") == 0
        of_both = teaching.told(db, bay_of(store, sister.token), 0)
    assert {fills.bay for told in of_both for fills in told.fills} == {"bay-1", "bay-2"}
    taken = bay.send()
    assert (taken.fills, sister.send().fills > 0) == (0, True)


def test_what_a_move_comes_to_is_said_before_it_is_made(bay: Sending) -> None:
    store = bay.store
    bay.send()
    with store.connection() as db:
        looked = look(db, HARBOUR, QUAY, THEN)
    with store.connection() as db:
        assert move(db, HARBOUR, QUAY, *WHO, THEN) == looked.going.entries > 0
    for shop, (n, litres) in (("harbour", looked.stay), ("quay", looked.go)):
        name = "bay-1" if shop == "harbour" else "bay-7"
        [(jobs_n, ul)] = rows(
            store,
            "select sum(jobs)::bigint, sum(filled_ul)::bigint from use_year where shop = %s and bay = %s",
            shop,
            name,
        )
        assert (n, round(litres, 4)) == (jobs_n, round(ul * 1e-6, 4))
    assert looked.first is not None
    assert looked.first[0] >= THEN
    assert (looked.earlier, looked.ahead) == (0, "")
