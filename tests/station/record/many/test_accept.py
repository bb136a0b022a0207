"""A bay that was refused comes back: what was here is set aside whole, its record is taken anew, and it is said who did it."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest

from station.errors import InputError
from station.record import outbox
from station.record.anchor import key_path, public_keys
from station.record.ledger import Ledger, Moment
from station.record.many.accept import accept, set_aside
from station.record.many.embedded import Embedded
from station.record.many.ingest import head_of
from station.record.many.store import STEPS, Store
from station.shop.movement import Movement
from tests.rolled import bay_of, certificate, enter, fresh, give, record, whole

SUMMED = [
    f"select * from {table} order by {key}"
    for table, key in (
        ("use_day", "day, fluid"),
        ("use_month", "month, fluid"),
        ("use_year", "year, fluid"),
        ("container", "container"),
    )
]
PROVED = "select proved_fill_l, proved_by from job order by seq"


def rows(store: Store, sql: str) -> list[tuple[object, ...]]:
    with store.connection() as db:
        return db.execute(sql.encode()).fetchall()


@pytest.fixture
def refused(store: Store, tmp_path: Path) -> Iterator[tuple[str, Ledger]]:
    """A bay whose record was begun anew after 6 jobs, and a sister of it in the same shop; its token, its new record."""
    token = enter(store)
    sister = enter(store, bay="bay-2")
    with closing(record(tmp_path / "sister.sqlite", 5, seed=3, bay="Bay 2")):
        give(store, bay_of(store, sister), outbox.batch(tmp_path / "sister.sqlite", 0, 1000))
    with closing(record(tmp_path / "old.sqlite", 6)):
        give(store, bay_of(store, token), outbox.batch(tmp_path / "old.sqlite", 0, 1000))
    (tmp_path / "anew").mkdir()
    ledger = record(tmp_path / "anew" / "bay.sqlite", 4)
    assert give(store, bay_of(store, token), outbox.batch(Path(ledger.path), 0, 1000)).fault is not None
    yield token, ledger
    ledger.close()


def test_it_is_taken_anew_and_both_records_are_kept(store: Store, refused: tuple[str, Ledger]) -> None:
    token, ledger = refused
    before = rows(store, "select seq, hash from event where bay = 'bay-1' order by seq")
    (fault,) = rows(store, "select fault from bay where bay = 'bay-1'")[0]
    with store.connection() as db:
        assert accept(db, "harbour", "bay-1", " E. Brandvold ", "the card was changed") == len(before)
    assert whole(store) == [], "the sums are those of its sister alone"
    assert rows(store, "select seq, hash from aside_event order by seq") == before
    taken = give(store, bay_of(store, token), outbox.batch(Path(ledger.path), 0, 1000))
    assert (taken.fault, taken.new) == (None, outbox.newest(Path(ledger.path)))
    assert whole(store) == []
    assert rows(store, "select count(*) from job where bay = 'bay-1'") == [(4,)]
    with store.connection() as db:
        [aside] = set_aside(db, ["harbour"])
    assert (aside.who, aside.because, aside.fault) == ("E. Brandvold", "the card was changed", fault)
    assert (aside.jobs, aside.lost, (aside.seq, aside.hash)) == (6, 2, before[-1])
    [(who, body)] = rows(store, "select who, body from log")
    assert who == "E. Brandvold"
    assert str(before[-1][1]) in str(body)
    for wrong, edit in (
        ("set aside 1", "update aside_event set body = '{}' where seq = 3"),
        ("the roll-up's log", "update log set who = 'nobody'"),
    ):
        with store.connection() as db:
            db.execute(edit.encode())
        assert any(wrong in text for text in whole(store)), wrong


def test_a_record_whose_key_went_with_its_card_is_taken_anew_though_other_keys_signed_its_beginning(
    store: Store, tmp_path: Path
) -> None:
    """As when a copy is put on a new card: no key is in a copy. A batch ends at each entry, so also at an old signature."""
    token = enter(store)
    path = tmp_path / "bay.sqlite"

    def sent() -> str | None:
        after = fault = None
        while fault is None and after != outbox.newest(path):
            with store.connection() as db:
                after = head_of(db, bay_of(store, token)).seq
            taken = give(store, bay_of(store, token), outbox.batch(path, after, 1))
            after, fault = taken.seq, taken.fault
        return fault

    for card in (1, 2, 3):
        key_path(path).unlink(missing_ok=True)
        record(path, 2, seed=card).close()
        if sent() is not None:
            with store.connection() as db:
                accept(db, "harbour", "bay-1", "E. Brandvold", "the card was changed")
            assert sent() is None
        assert whole(store) == []
        assert rows(store, "select count(*) from job") == [(2 * card,)]
    signed = rows(store, "select split_part(note, chr(10), 1) from checkpoint")
    assert signed == [(public_keys(path)[-1].name,)] * 2, "what an earlier key signed proves nothing here"
    forged = replace(outbox.batch(path, 0, 1000), notes={3: outbox.batch(path, 0, 1000).notes[5]})
    other = bay_of(store, enter(store, bay="bay-2"))
    assert "another record" in str(give(store, other, forged).fault), "its tree is held all the same"


def test_nothing_is_accepted_that_is_not_refused_or_has_no_reason(
    store: Store, refused: tuple[str, Ledger]
) -> None:
    for shop, bay, because, says in (
        ("harbour", "bay-2", "why not", "not refused"),
        ("harbour", "bay-9", "why not", "no bay"),
        ("harbour", "bay-1", " ", "because of what"),
    ):
        with store.connection() as db, pytest.raises(InputError, match=says):
            accept(db, shop, bay, "E. Brandvold", because)
    assert rows(store, "select count(*) from aside") == rows(store, "select count(*) from log") == [(0,)]


def test_tables_of_the_version_before_are_brought_up(postgres: Embedded, tmp_path: Path) -> None:
    """With what is in them: what newer tables draw from it is there as if they had been there."""
    dsn = fresh(postgres.dsn)
    with closing(Store(dsn)) as store, closing(record(tmp_path / "bay.sqlite", 6)) as ledger:
        for called in ("old", "Axle oil \\ 75W"):
            change = {"table": "fluid", "key": ["gear"], "action": "add", "fields": {"name": called}}
            at = Moment("boot", 9.0, "2026-03-02T08:00:00.000+00:00", True)
            ledger.append(None, "catalogue", {"origin": "page", "changes": [change]}, at)
        late = Movement("received", "ATF", 20.0, 0.1, "drum 1", utc="2026-01-31T23:30:00.000+00:00")
        ledger.append(None, "movement", late.to_dict(), at)
        for number, made_at in (("P-1", "2026-02-01T09:00:00+00:00"), ("P-2", "2026-01-31T09:00:00+00:00")):
            pan = certificate(number, "pan", made_at=made_at)
            ledger.append(None, "certificate", {"certificate": pan.to_json()}, at)
        assert (
            give(store, bay_of(store, enter(store)), outbox.batch(Path(ledger.path), 0, 1000)).fault is None
        )
        before = rows(store, "select * from fluid_name")
        proved, summed = rows(store, PROVED), [rows(store, sql) for sql in SUMMED]
        assert [row[3:] for row in before] == [("gear", "Axle oil \\ 75W")]
    with psycopg.connect(dsn) as db:
        db.execute(
            "drop table log, aside, aside_event, aside_checkpoint, issue, receiver, lane, notice, taken, container"
        )
        db.execute("drop table fluid_name, named, use_year, tally_year")
        db.execute("create index job_of_container on job (shop, bay, container, seq)")
        db.execute("create index job_of_meter on job (company, meter, month, opened_utc)")
        db.execute("drop index event_of_catalogue, event_of_people, event_of_letting_go, event_of_sisters")
        db.execute("drop table fills_of_type, stay")
        db.execute(
            "update movement m set utc = e.utc, day = left(e.utc, 10)::date, month = '2026-03-01' from event e "
            "where e.shop = m.shop and e.bay = m.bay and e.seq = m.seq and m.place <> m.seq"
        )
        db.execute("update use_day set received_ul = 0")  # as of a movement that stood on another day
        db.execute("alter table movement drop column place")
        db.execute("create index movement_of_container on movement (shop, bay, container, seq)")
        db.execute("alter table job drop column proved_fill_l, drop column proved_by")
        db.execute("alter table bay drop column fills_drawn")
        db.execute("alter table shop drop column series")
        db.execute(
            "alter table bay drop column witnessed, drop column witnessed_seq, drop column refused, drop column refused_at"
        )
        db.execute("drop index event_first, movement_out")
        db.execute(
            "alter table bay drop column gone_at, drop column gone_by, drop column gone_because, drop column at_shop, "
            "drop column at_bay, drop column since, drop column from_shop, drop column from_bay, drop column begins, "
            "drop column begins_hash, drop column begins_frontier"
        )
        db.execute("alter table certificate drop column in_force")
        db.execute("create index certificate_due on certificate (company, valid_until)")
        db.execute("update version set schema = 1")
    with closing(Store(dsn)) as store:
        assert rows(store, "select schema from version") == [(len(STEPS),)]
        assert rows(store, "select count(*) from taken") == rows(store, "select count(*) from job") != [(0,)]
        assert rows(store, "select count(*) from container") == [(1,)]
        assert rows(store, "select * from fluid_name") == before
        assert rows(store, PROVED) == proved
        assert [rows(store, sql) for sql in SUMMED] == summed
        assert rows(store, "select day::text from use_day where received_ul = 20000000") == [("2026-02-01",)]
        assert {by for _l, by in proved} == {"level seen", None}
        assert whole(store) == []
