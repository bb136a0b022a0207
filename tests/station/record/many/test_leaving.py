"""A bay that is retired, brought back, or moved to another shop: each entry counts under one name, and none is lost."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from station.errors import InputError, StationError
from station.record import outbox
from station.record.ledger import Moment
from station.record.many import certified, ingest, leaving, queries, wire
from station.record.many.accept import accept
from station.record.many.derive import USE
from station.record.many.embedded import Embedded
from station.record.many.ingest import Taken, head_of
from station.record.many.leaving import bring_back, left, move, retire
from station.record.many.queries import Scope
from station.record.many.store import Store, reporting
from station.shop.movement import Movement
from tests.rolled import (
    COMPANY,
    ZONE,
    add_jobs,
    bay_of,
    certificate,
    enter,
    fresh,
    give,
    known,
    record,
    whole,
)

HARBOUR, QUAY = ("harbour", "bay-1"), ("quay", "bay-7")
THEN = "2026-02-10T00:00:00.000+00:00"
"""In the middle of the invented jobs, which begin with January."""
WHO = ("E. Brandvold", "the pit was closed")
SHOPS = ("harbour", "quay")
YEAR = Scope(COMPANY, SHOPS, date(2026, 1, 1), date(2027, 1, 1))
SUMS = ("use_day", "use_month", "use_year", "tally_month", "tally_year")


@dataclass
class Sending:
    """A bay, its record and where it sends: with the token that it was given once."""

    store: Store
    path: Path
    token: str
    batch: int = 40

    def send(self, most: int | None = None) -> Taken:
        """Send from where the roll-up is, to the record's end or so many batches."""
        n = 0
        while True:
            with self.store.bay(self.token) as (db, bay):
                after = head_of(db, bay).seq
                batch = outbox.batch(self.path, after, self.batch, "Bay 1", "5a")
                taken = ingest.take(db, bay, wire.batch_of(wire.batch_text(batch)))
            n += 1
            if taken.fault or taken.seq == batch.newest_seq or n == most:
                return taken


def rows(store: Store, sql: str, *values: object) -> list[Any]:
    with store.connection() as db:
        return db.execute(sql.encode(), list(values)).fetchall()


def jobs(store: Store) -> dict[str, set[str]]:
    """Shop → its jobs."""
    found: dict[str, set[str]] = {}
    for shop, job in rows(store, "select shop, job_id from job"):
        found.setdefault(shop, set()).add(job)
    return found


def counted(stores: Sequence[Store]) -> list[Any]:
    """What all shops' sums come to together, whoever they stand under."""
    found = []
    for table in SUMS:
        names = USE if table.startswith("use") else ("jobs", "short", "over", "undecided", "measured")
        at = table.partition("_")[2]
        by = "fluid" if table.startswith("use") else "dimension, name"
        where = "" if table.startswith("use") else "where dimension <> 'bay'"
        sums: dict[Any, list[int]] = {}
        for store in stores:
            of = ", ".join(f"sum({name})::bigint" for name in names)
            for day, *line in rows(
                store, f"select {at}, {by}, {of} from {table} {where} group by {at}, {by}"
            ):
                key, values = (day, *line[: -len(names)]), line[-len(names) :]
                sums[key] = [a + b for a, b in zip(sums.get(key, [0] * len(values)), values, strict=True)]
        found.append({key: values for key, values in sums.items() if any(values)})
    return found


@pytest.fixture
def bay(store: Store, tmp_path: Path) -> Sending:
    """A bay of sixty jobs, from January into March, all of them here; a sister in its shop, and one in another."""
    for n, shop in enumerate(SHOPS):
        with closing(record(tmp_path / f"{shop}.sqlite", 5, seed=7 + n, bay=f"Bay {8 + n}")) as ledger:
            give(store, known(store, f"bay-{8 + n}", shop), outbox.batch(Path(ledger.path), 0, 1000))
    return a_bay(store, tmp_path / "bay.sqlite")


def a_bay(store: Store, path: Path) -> Sending:
    with closing(record(path, 60, notes=1)) as ledger:
        at = Moment("boot", 9.0, "2026-03-05T08:00:00.000+00:00", True)
        for number, kind in (("P-1", "pan"), ("M-1", "meter")):
            told = certificate(number, kind, made_at="2026-01-15T09:00:00+00:00")  # type: ignore[arg-type]
            ledger.append(None, "certificate", {"certificate": told.to_json()}, at)
        for volume_l, utc in ((20.0, "2026-01-20T08:00:00.000+00:00"), (9.0, None)):
            moved = Movement("counted" if utc else "received", "ATF", volume_l, 0.1, "drum 1", utc=utc)
            ledger.append(None, "movement", moved.to_dict(), at)
    return Sending(store, path, enter(store))


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
        ("bring-back", lambda _db: enter(store)),
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


def test_what_is_refused_of_a_bay_that_moved_is_taken_anew_without_what_was_another_shops(
    bay: Sending, tmp_path: Path
) -> None:
    store = bay.store
    bay.send()
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    shorter = tmp_path / "copy.sqlite"
    with closing(record(shorter, 58, notes=1)):
        copy = replace(bay, path=shorter)
    assert "ends at entry" in str(copy.send().fault) or "key" in str(copy.send().fault)
    with store.connection() as db, pytest.raises(InputError, match="is refused"):
        move(db, QUAY, HARBOUR, *WHO, THEN)
    with store.connection() as db:
        accept(db, *QUAY, "E. Brandvold", "the card was changed")
    assert whole(store) == []
    assert copy.send().fault is None
    assert whole(store) == []
    of = rows(
        store, "select shop, count(*) from job where bay in ('bay-1', 'bay-7') group by shop order by shop"
    )
    assert of == [("harbour", 37), ("quay", 21)]
    with store.connection() as db:
        db.execute("update aside_event set body = '{}' where seq = (select max(seq) from aside_event)")
    assert any("set aside 1" in text for text in whole(store))


def test_a_move_is_refused_with_what_is_wrong(bay: Sending) -> None:
    store = bay.store
    bay.send()
    for source, target, because, says in (
        (("harbour", "bay-2"), QUAY, "x", "no bay"),
        (HARBOUR, HARBOUR, "x", "there already"),
        (HARBOUR, ("quay", "bay-9"), "x", "is a bay already"),
        (HARBOUR, ("quay", "Bay 9"), "x", "small letters"),
        (HARBOUR, ("pier", "bay-9"), "x", "time zone"),
        (HARBOUR, QUAY, " ", "because of what"),
    ):
        with store.connection() as db, pytest.raises(InputError, match=says):
            move(db, source, target, "E. Brandvold", because, THEN)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    for source, target, utc, says in (
        (HARBOUR, ("quay", "bay-2"), THEN, "is quay, bay-7 now"),
        (QUAY, ("quay", "bay-2"), "2026-01-01T00:00:00.000+00:00", "expected a later time"),
        (QUAY, HARBOUR, "2026-02-20T00:00:00.000+00:00", "never used"),
    ):
        with store.connection() as db, pytest.raises(InputError, match=says):
            move(db, source, target, *WHO, utc)
    with store.connection() as db, pytest.raises(InputError, match="Move it back"):
        bring_back(db, *HARBOUR, *WHO)
    assert whole(store) == []


def test_a_batch_that_meets_a_move_is_taken_under_one_name(bay: Sending) -> None:
    """Its bay was looked up before the move was said, and its entries are taken after it."""
    store = bay.store
    bay.send(most=3)
    before = bay_of(store, bay.token)
    batch = outbox.batch(bay.path, 119, 40)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    with pytest.raises(StationError, match="Send them again"):
        give(store, before, batch)
    assert bay.send().fault is None
    assert whole(store) == []


def test_what_is_under_two_names_or_none_is_found(bay: Sending, monkeypatch: pytest.MonkeyPatch) -> None:
    store = bay.store
    bay.send()
    monkeypatch.setattr(leaving, "_set_head", lambda db, of, head: None)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    broken = whole(store)
    assert any("its former name harbour, bay-1 ends at" in text for text in broken)
