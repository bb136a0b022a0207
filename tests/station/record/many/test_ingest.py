"""Batches into PostgreSQL: once each, in order, with everything that hangs on them; and what a witness says of the rest."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from station.errors import InputError
from station.record import outbox
from station.record.chain import FIELDS, entry_hash
from station.record.ledger import Ledger, Moment
from station.record.many import derive, lists, wire
from station.record.many.arriving import Batch, Entry
from station.record.many.store import NotKnown, Store
from tests.rolled import COMPANY, add_jobs, bay_of, enter, give, known, record, whole

AT = Moment("boot", 1.0, "2026-02-01T08:00:00.000+00:00", True)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    ledger = record(tmp_path / "bay.sqlite", 12)
    yield ledger
    ledger.close()


def count(store: Store, table: str) -> int:
    with store.connection() as db:
        return int((db.execute(f"select count(*) from {table}".encode()).fetchone() or (0,))[0])


def test_a_record_arrives_once_whatever_its_batches(store: Store, ledger: Ledger) -> None:
    bay, path = known(store), Path(ledger.path)
    newest = outbox.newest(path)
    seq = 0
    while seq < newest:
        batch = outbox.batch(path, seq, 7)
        taken = give(store, bay, batch)
        assert taken.fault is None
        assert give(store, bay, batch) == replace(taken, new=0)  # again, as after an answer that was lost
        assert taken.seq > seq
        seq = taken.seq
    whole_again = outbox.batch(path, 0, 10_000)
    assert give(store, bay, whole_again).new == 0
    assert [count(store, table) for table in ("event", "job", "movement")] == [newest, 12, 3]
    with store.connection() as db:
        kept = dict(db.execute("select size, note from checkpoint order by size").fetchall())
    notes = whole_again.notes
    assert kept.items() <= notes.items()  # the newest of each batch
    assert (len(kept), max(kept)) == (9, max(notes))
    assert whole(store) == []
    [told] = store.bays()
    assert (told.seq, told.behind, told.fault) == (newest, 0, "")


def test_an_edit_of_a_row_or_a_sum_is_seen(store: Store, ledger: Ledger) -> None:
    give(store, known(store), outbox.batch(Path(ledger.path), 0, 1000))
    for table, edit in (
        ("use_day", "jobs = jobs + 1"),
        ("use_month", "filled_ul = filled_ul - 1"),
        ("use_year", "waste_ul = waste_ul + 1"),
        ("tally_month", "deviation_ppm = deviation_ppm + 1"),
        ("tally_year", "short = short + 1"),
        ("taken", "opened_seq = opened_seq + 1"),
        ("container", "counted_l = counted_l + 0.1, seq = seq + 1"),
        ("event", "body = '{}' where seq = 20 --"),
    ):
        with store.connection() as db:
            db.execute(f"update {table} set {edit}".encode())
        assert any(text.startswith((table, "harbour")) for text in whole(store)), table


def test_two_bays_of_a_shop_add_up(store: Store, tmp_path: Path) -> None:
    closed = 0
    for n in (1, 2):
        ledger = record(tmp_path / f"{n}.sqlite", 6, seed=n, bay=f"Bay {n}")
        closed += sum(row.stage == "closed" for row in ledger.jobs(100))
        give(store, known(store, f"bay-{n}"), outbox.batch(tmp_path / f"{n}.sqlite", 0, 1000))
        ledger.close()
    assert whole(store) == []
    with store.connection() as db:
        assert db.execute("select sum(jobs) from use_month").fetchone() == (closed,)


# --- the witness -------------------------------------------------------------------------------------------


def tamper(path: Path, script: str) -> None:
    with sqlite3.connect(path) as db:
        for (name,) in db.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            db.execute(f"drop trigger {name}")
        db.executescript(script)
    db.close()


def test_a_changed_entry_is_named_and_what_was_good_before_it_stays(store: Store, ledger: Ledger) -> None:
    bay, path = known(store), Path(ledger.path)
    tamper(path, "update event set body = body || ' ' where seq = 20")
    for _ in range(2):
        taken = give(store, bay, outbox.batch(path, 0, 1000))
        assert taken.seq == 19
        assert taken.fault is not None
        assert taken.fault.startswith("entry 20 does not go with its hash")
    assert count(store, "event") == 19
    assert whole(store) == []
    [told] = store.bays()
    assert (told.fault, told.behind > 0) == (taken.fault, True)


def test_an_entry_that_comes_again_as_another_is_named(store: Store, ledger: Ledger) -> None:
    bay, path = known(store), Path(ledger.path)
    seq = give(store, bay, outbox.batch(path, 0, 1000)).seq
    tamper(path, "update event set body = body || ' '")
    with sqlite3.connect(path) as db:  # the patient forger: a chain that holds
        previous = ""
        for fields in db.execute(f"select {', '.join(FIELDS)} from event order by seq").fetchall():
            previous = entry_hash(previous, fields)
            db.execute("update event set hash = ? where seq = ?", [previous, fields[0]])
    db.close()
    taken = give(store, bay, outbox.batch(path, seq, 10))
    assert taken.fault is not None
    assert taken.fault.startswith(f"entry {seq} is another one than arrived here")


def test_a_record_that_was_cut_is_named(store: Store, ledger: Ledger) -> None:
    bay, path = known(store), Path(ledger.path)
    seq = give(store, bay, outbox.batch(path, 0, 1000)).seq
    tamper(path, f"delete from event where seq > {seq - 3}")
    taken = give(store, bay, outbox.batch(path, seq, 100))
    assert taken.fault is not None
    assert taken.fault.startswith(
        f"the bay's record ends at entry {seq - 3}, but entry {seq} had arrived here"
    )


def test_a_restored_record_that_went_on_is_named(store: Store, tmp_path: Path) -> None:
    """An older copy, restored, on which the bay went on working beyond where the roll-up is."""
    path = tmp_path / "bay.sqlite"
    record(path, 4).close()
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(path.read_bytes())
    ledger = Ledger(path)
    add_jobs(ledger, 3, seed=2)
    ledger.close()
    bay = known(store)
    seq = give(store, bay, outbox.batch(path, 0, 1000)).seq
    for beside in (path, Path(f"{path}-wal"), Path(f"{path}.head")):
        beside.unlink(missing_ok=True)
    path.write_bytes(copy.read_bytes())
    ledger = Ledger(path)
    add_jobs(ledger, 9, seed=3)
    ledger.close()
    taken = give(store, bay, outbox.batch(path, seq, 100))
    assert taken.fault is not None
    assert taken.fault.startswith(f"entry {seq} is another one than arrived here")
    assert taken.seq == seq


def test_two_boards_with_one_record_are_told_of_in_turn_and_so_is_one_record_under_two_names(
    store: Store, tmp_path: Path
) -> None:
    """A card was cloned: whichever board is ahead is in order, and the other one's jobs are not lost without a word."""
    path, clone = tmp_path / "bay.sqlite", tmp_path / "clone.sqlite"
    record(path, 4).close()
    clone.write_bytes(path.read_bytes())
    bay = known(store)
    begun = give(store, bay, outbox.batch(path, 0, 1000)).seq
    for board, seed in ((path, 2), (clone, 3)):
        with closing(Ledger(board)) as ledger:
            add_jobs(ledger, seed, seed)
    assert give(store, bay, outbox.batch(path, begun, 1000)).fault is None
    fault = give(store, bay, outbox.batch(clone, begun, 1000)).fault
    assert fault is not None
    assert give(store, bay, outbox.batch(path, begun, 1000)).fault is None
    [told] = store.bays()
    assert (told.fault, told.refused, told.refused_at is not None) == ("", fault, True)
    assert (told.witnessed_seq, told.witnessed is not None, told.doubled) == (begun, True, False)
    moved = known(store, "bay-1", "quay")  # the bay is another shop's now, and brings all that it has
    give(store, moved, outbox.batch(path, 0, 1000))
    other = record(tmp_path / "other.sqlite", 1, seed=7)
    other.close()
    give(store, known(store, "bay-2"), outbox.batch(tmp_path / "other.sqlite", 0, 1000))
    assert {(one.shop, one.bay): one.doubled for one in store.bays()} == {
        ("harbour", "bay-1"): True,
        ("harbour", "bay-2"): False,
        ("quay", "bay-1"): True,
    }


def test_a_gap_and_another_bays_entries_are_named(store: Store, ledger: Ledger, tmp_path: Path) -> None:
    bay, path = known(store), Path(ledger.path)
    give(store, bay, outbox.batch(path, 0, 10))  # as from the beginning: nothing comes twice
    gap = outbox.batch(path, 20, 10)
    taken = give(store, bay, gap)
    assert taken.fault is not None
    assert taken.fault.startswith("entry 11 is missing")
    other = record(tmp_path / "other.sqlite", 5, seed=7)
    other.close()
    taken = give(store, bay, outbox.batch(tmp_path / "other.sqlite", 10, 10))
    assert taken.fault is not None
    assert "another" in taken.fault


def test_a_checkpoint_for_another_tree_and_a_new_key_are_named(
    store: Store, ledger: Ledger, tmp_path: Path
) -> None:
    bay, path = known(store), Path(ledger.path)
    batch = outbox.batch(path, 0, 1000)
    size, note = min(batch.notes.items())
    other = record(tmp_path / "other.sqlite", 5, seed=7)
    strange = outbox.batch(tmp_path / "other.sqlite", 0, 1000)
    other.close()
    last, newest = max(batch.notes.items())
    forged = newest[:-12] + ("A" if newest[-12] != "A" else "B") + newest[-11:]
    for notes, verifier, said, taken_to in (
        (
            {size: strange.notes[size]},
            batch.verifier,
            f"the checkpoint at entry {size} is not this bay's",
            size - 1,
        ),
        (
            {size + 1: note},
            batch.verifier,
            f"the checkpoint at entry {size + 1} signs for another record",
            size,
        ),
        ({}, strange.verifier, "the bay signs with the key", size),
        # among others, of which the newest would do
        ({10: strange.notes[size]}, batch.verifier, "the checkpoint at entry 10 is not this bay's", 9),
        ({10: note}, batch.verifier, "the checkpoint at entry 10 signs for another record", 9),
        # only its signature is wrong
        (
            {last: forged},
            batch.verifier,
            f"the checkpoint at entry {last} is not this bay's: it was changed",
            last - 1,
        ),
    ):
        others = batch.notes if taken_to > size else {}
        taken = give(store, bay, replace(batch, notes={**others, **notes}, verifier=verifier))
        assert taken.fault is not None
        assert taken.fault.startswith(said)
        assert taken.seq == taken_to
    assert give(store, bay, batch).fault is None
    assert whole(store) == []


def test_a_roll_up_that_was_put_back_gives_no_version_out_again(store: Store, ledger: Ledger) -> None:
    """Its bays have had them: they say so in their records. What another roll-up told them does not count."""
    bay, change = known(store), {"table": "vehicle", "key": ["Bus 7"], "action": "add", "fields": {}}
    for version, series in ((4, ""), (7, bay.series), (90, "another")):
        body = {"version": version, "series": series, "differed": [], "issued": [], "changes": []}
        body = body if series else {name: said for name, said in body.items() if name != "series"}
        ledger.append(None, "catalogue", body, AT)
    give(store, bay, outbox.batch(Path(ledger.path), 0, 1000))
    with store.connection() as db:
        assert lists.add(db, "harbour", "E. Brandvold", "buses.csv", [change]) == 8
        assert [one.told()["series"] for one in lists.issued(db, ["harbour"])] == [bay.series]
    assert bay.series != known(store, "bay-1", "quay").series


# --- what is let in ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "drawn"), [(r"\ud83d\uDE00", True), (r"\uD83d", False)])
def test_half_a_character_is_not_drawn(name: str, drawn: bool) -> None:
    change = f'{{"table": "fluid", "key": ["gear"], "fields": {{"name": "{name}"}}}}'
    entry = Entry(1, None, "catalogue", f'{{"changes": [{change}]}}', "boot", 1.0, AT.utc, 1, "")
    found = derive.drawn([entry], UTC)
    assert (bool(found.named), bool(found.unread)) == (drawn, not drawn)


def test_what_cannot_be_read_is_kept_all_the_same(store: Store, tmp_path: Path) -> None:
    ledger = record(tmp_path / "bay.sqlite", 1)
    for body in ({"row": {"filled_l": "much"}}, {"row": 3}, {}):
        ledger.append("odd", "result", body, AT)
    ledger.append(
        None,
        "movement",
        {"kind": "waste", "fluid": "ATF", "volume_l": float("inf"), "u95_l": 0, "note": ""},
        AT,
    )
    ledger.append(None, "certificate", {"certificate": "{}"}, AT)
    ledger.append(
        None, "movement", {"kind": "waste", "fluid": "A\0", "volume_l": 1.0, "u95_l": 0, "note": ""}, AT
    )
    ledger.close()
    taken = give(store, known(store), outbox.batch(tmp_path / "bay.sqlite", 0, 1000))
    assert (taken.fault, taken.seq) == (None, outbox.newest(tmp_path / "bay.sqlite"))
    assert (count(store, "unread"), count(store, "job")) == (6, 1)
    assert whole(store) == []


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"entries": 3}', '{"entries": [[1]], "newest_seq": 1}', "\xff"],
)
def test_what_is_no_batch_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="no batch"):
        wire.batch_of(text.encode("latin-1"))


def test_an_entry_of_wrong_types_is_refused(ledger: Ledger) -> None:
    batch = outbox.batch(Path(ledger.path), 0, 3)
    for change in (
        {"seq": "1"},
        {"seq": True},
        {"seq": 0},
        {"t_s": "x"},
        {"clock_synced": 7},
        {"utc": ""},
        {"utc": "2026-02-01T08:00:00"},
        {"utc": "x" * 10_000},
        {"utc": "0001-01-01T00:00:00+00:00"},
        {"body": None},
        {"kind": "a\0"},
        {"job_id": 4},
    ):
        wrong = replace(batch, entries=(batch.entries[0]._replace(**change),))
        with pytest.raises(InputError, match="of the batch"):
            wire.batch_of(wire.batch_text(wrong))


def test_a_whole_number_of_seconds_counts_as_every_station_writes_it(store: Store) -> None:
    """The table has it so, and another hash than the entry's would come of it whenever the chain is checked again."""
    fields = (1, None, "note", "{}", "boot")
    for t_s, taken in ((5, 0), (5.0, 1), (float("inf"), 1), (float("nan"), 1)):
        hash_ = entry_hash("", (*fields, t_s, AT.utc, 1))
        bay = known(store, f"bay-{len(store.bays())}")
        found = give(store, bay, Batch((Entry(*fields, t_s, AT.utc, 1, hash_),), 1, hash_))
        assert (found.seq, found.fault is None) == (taken, taken == 1), t_s
    assert whole(store) == []


def test_a_token_opens_its_own_bay_and_a_new_one_takes_its_place(store: Store) -> None:
    first, second = enter(store), enter(store, bay="bay-2")
    assert (bay_of(store, first).bay, bay_of(store, second).bay) == ("bay-1", "bay-2")
    again = enter(store)
    assert bay_of(store, again).bay == "bay-1"
    for token in (
        first,
        "",
        "tallypan.harbour.bay-1.x",
        "a.b",
        f"{second}x",
        second.replace("bay-2", "bay-1"),
    ):
        with pytest.raises(NotKnown):
            bay_of(store, token)


def test_bays_and_shops_are_entered_with_care(store: Store) -> None:
    with pytest.raises(InputError, match="time zone"):
        store.enter_bay(COMPANY, "harbour", "bay-1")
    enter(store)
    for company, shop, bay, zone, page, said in (
        ("other", "harbour", "bay-1", "", "", "another company's"),
        (COMPANY, "harbour", "bay-1", "Europe/Paris", "", "counts its days"),
        (COMPANY, "Harbour", "bay-1", "", "", "shop is"),
        (COMPANY, "quay", "bay-1", "Nowhere/Land", "", "time_zone"),
        (COMPANY, "harbour", "b", "", "ftp://x", "page is"),
        (COMPANY, "harbour", "b", "", "http://x/what/else", "page is"),
        (COMPANY, "harbour", "b", "", "http://x?what=", "page is"),
        (COMPANY, "harbour", "b", "", "http://x#", "page is"),
        (COMPANY, "harbour", "b", "", "http://bay-1.local@x", "page is"),
    ):
        with pytest.raises(InputError, match=said):
            store.enter_bay(company, shop, bay, zone, page)
