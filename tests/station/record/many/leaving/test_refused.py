"""What is refused around a move: a move that cannot be, a batch that meets one, a record that is another; and a broken move is found."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from station.errors import InputError, StationError
from station.record import outbox
from station.record.many import moving
from station.record.many.accept import accept
from station.record.many.leaving import bring_back
from station.record.many.moving import move
from tests.rolled import bay_of, give, record, whole
from tests.station.record.many.leaving.conftest import HARBOUR, QUAY, THEN, WHO, Sending, rows


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
