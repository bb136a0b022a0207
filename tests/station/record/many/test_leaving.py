"""A bay that is retired, brought back, or moved to another shop: each entry counts under one name, and none is lost."""

import random
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from station.errors import InputError, StationError
from station.learning import teaching
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import certified, ingest, moving, queries, wire
from station.record.many.accept import accept
from station.record.many.derive import USE
from station.record.many.embedded import Embedded
from station.record.many.ingest import Taken, head_of
from station.record.many.leaving import bring_back, left, retire, standing
from station.record.many.moving import look, move
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
    report_of,
    row,
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
        (QUAY, ("quay", "bay-9"), "2026-02-20T00:00:00.000+00:00", "never used"),
    ):
        with store.connection() as db, pytest.raises(InputError, match=says):
            move(db, source, target, *WHO, utc)
    with store.connection() as db, pytest.raises(InputError, match="Move it from there"):
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


def test_a_batch_that_comes_twice_at_once_behind_a_move_is_taken_once(bay: Sending) -> None:
    """Both times its bay was looked up before anything of its time under the new name was there."""
    store = bay.store
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, "2026-01-01T00:00:00.000+00:00")
    before, batch = bay_of(store, bay.token), outbox.batch(bay.path, 0, 40)
    assert give(store, before, batch).new == 40
    with pytest.raises(StationError, match="Send them again"):
        give(store, before, batch)
    assert bay.send().fault is None
    assert whole(store) == []


def test_what_is_under_two_names_or_none_is_found(bay: Sending, monkeypatch: pytest.MonkeyPatch) -> None:
    store = bay.store
    bay.send()
    monkeypatch.setattr(moving, "_set_head", lambda db, of, head: None)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, THEN)
    broken = whole(store)
    assert any("no stay of its former name harbour, bay-1 ends" in text for text in broken)


LENT, BACK = "2026-02-05T00:00:00.000+00:00", "2026-02-20T00:00:00.000+00:00"


@pytest.mark.parametrize("arrived", [1, 4, None])
def test_a_bay_that_was_lent_comes_back_under_its_old_name(bay: Sending, arrived: int | None) -> None:
    """Whatever had arrived when it was lent, and all or little of its time there when it came back."""
    store = bay.store
    bay.send(most=arrived)
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, LENT)
    bay.send(most=None if arrived is None else 6)
    with store.connection() as db:
        assert move(db, QUAY, HARBOUR, "E. Brandvold", "the pit is open again", BACK) >= 0
    assert whole(store) == []
    assert bay.send().fault is None
    assert whole(store) == []
    found = rows(store, "select seq, shop, utc from event where bay in ('bay-1', 'bay-7') order by seq")
    assert [seq for seq, _shop, _utc in found] == list(range(1, outbox.newest(bay.path) + 1))
    of_jobs = rows(store, "select shop, opened_utc from job where bay in ('bay-1', 'bay-7')")
    assert len(of_jobs) == 60
    assert {(shop, LENT <= utc < BACK) for shop, utc in of_jobs} == {("harbour", False), ("quay", True)}
    with store.connection() as db:
        assert {one.bay for one in reporting(db, SHOPS)} == {"bay-1", "bay-8", "bay-9"}
        assert [(one.bay, one.at_bay) for one in left(db, list(SHOPS))[0]] == [("bay-7", "bay-1")]
        of = {(one.shop, one.bay, one.number) for one in certified.certificates(db, YEAR)}
    assert of == {("harbour", "bay-1", "P-1"), ("harbour", "bay-1", "M-1")}
    with store.connection() as db:  # and once more to where it was lent
        move(db, HARBOUR, QUAY, *WHO, "2026-03-01T00:00:00.000+00:00")
    assert bay.send().fault is None
    assert whole(store) == []
    assert len(rows(store, "select 1 from stay")) == 2
    of_jobs = rows(store, "select shop from job where bay in ('bay-1', 'bay-7') and opened_utc > '2026-03'")
    assert {shop for (shop,) in of_jobs} == {"quay"}
    with store.connection() as db:
        move(db, QUAY, HARBOUR, "E. Brandvold", "it was bay 8", "2026-03-01T00:00:00.000+00:00")
    assert (whole(store), len(rows(store, "select 1 from stay"))) == ([], 1), "that was undone"
    assert bay.send().fault is None


def test_an_instrument_that_was_calibrated_while_it_was_lent_has_that_certificate_in_force(
    store: Store, tmp_path: Path
) -> None:
    with closing(Ledger(tmp_path / "bay.sqlite")) as ledger:

        def certify(number: str, day: str) -> None:
            told = certificate(number, "pan", made_at=f"2026-{day}T09:00:00+00:00")
            at = Moment("boot", 9.0, f"2026-{day}T09:00:00.000+00:00", True)
            ledger.append(None, "certificate", {"certificate": told.to_json()}, at)

        certify("P-1", "01-10")
        bay = Sending(store, tmp_path / "bay.sqlite", enter(store))
        bay.send()
        with store.connection() as db:
            move(db, HARBOUR, QUAY, *WHO, LENT, ZONE)
        certify("P-2", "02-10")
        bay.send()
        with store.connection() as db:
            move(db, QUAY, HARBOUR, *WHO, BACK)
        ledger.append(
            None, "note", {"text": "back"}, Moment("boot", 9.0, "2026-02-21T09:00:00.000+00:00", True)
        )
        bay.send()
    with store.connection() as db:
        assert [(one.shop, one.number) for one in certified.certificates(db, YEAR)] == [("harbour", "P-2")]
    assert whole(store) == []


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


def test_what_is_refused_of_a_bay_that_came_back_leaves_its_earlier_stay_in_every_figure(
    bay: Sending, tmp_path: Path
) -> None:
    """Also where its card was changed, so that its present record begins with entry 1 again."""
    store = bay.store
    bay.send()
    with store.connection() as db:
        move(db, HARBOUR, QUAY, *WHO, LENT)
        move(db, QUAY, HARBOUR, "E. Brandvold", "the pit is open again", BACK)
    fresh_one = tmp_path / "fresh.sqlite"
    with closing(record(fresh_one, 4, seed=5, notes=1)):
        pass
    with closing(record(fresh_one, 0)) as ledger:
        told = row("009-00001", random.Random(3), 70)
        at = Moment("boot", 9.0, "2026-11-01T08:00:00.000+00:00", True)
        ledger.append(
            told["job_id"], "result", {"report": report_of(told), "row": told, "samples": 0}, at, told
        )
    there = replace(bay, path=fresh_one)
    assert there.send().fault is not None
    with store.connection() as db:
        accept(db, *HARBOUR, "E. Brandvold", "the card was changed")
    assert whole(store) == []
    assert there.send().fault is None
    assert whole(store) == []
    of = dict(rows(store, "select bay, count(*) from job where shop in ('harbour', 'quay') group by bay"))
    assert (of["bay-1-before"], of["bay-7"], of["bay-1"]) == (32, 15, 1)
    with store.connection() as db:
        gone = {(one.bay, one.at_bay) for one in left(db, list(SHOPS))[0]}
    assert gone == {("bay-7", "bay-1"), ("bay-1-before", "bay-1")}


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
