"""A bay that was lent and comes back: its old name has what is before and behind its time away."""

import random
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import certified
from station.record.many.accept import accept
from station.record.many.leaving import left
from station.record.many.moving import move
from station.record.many.store import Store, reporting
from tests.rolled import (
    ZONE,
    certificate,
    enter,
    record,
    report_of,
    row,
    whole,
)
from tests.station.record.many.leaving.conftest import (
    BACK,
    HARBOUR,
    LENT,
    QUAY,
    SHOPS,
    WHO,
    YEAR,
    Sending,
    rows,
)


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
