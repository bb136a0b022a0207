"""An answer is given when the disk has it; a disk that is slow, nearly full or full is told to whoever asked."""

import logging
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from station.bay.engine import Engine
from station.bay.views import BayView
from station.errors import InputError, LedgerError
from station.given.said import Mark
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.record.unsaved import ROOM, SideNote
from tests.station.bay.fake_rig import FORM, PATIENCE_S, config, engine_on, until


def texts(folder: Path, kind: str) -> list[str]:
    ledger = Ledger(config(folder).ledger, read_only=True)
    found = [event["body"].get("text", "") for event in ledger.events() if event["kind"] == kind]
    ledger.close()
    return found


class Card:
    """Every commit on it takes until something is so. commits: how many ended."""

    def __init__(self) -> None:
        self.commits = 0
        self.takes_until: Callable[[], bool] = lambda: True

    def wait(self) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not self.takes_until() and time.monotonic() < end_s:
            time.sleep(0.002)


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Card:
    card = Card()
    quick = Ledger.transaction

    @contextmanager
    def transaction(self: Ledger) -> Iterator[None]:
        outermost = not self.db.conn.in_transaction
        with quick(self):
            yield
            if outermost:
                card.wait()
        card.commits += outermost

    monkeypatch.setattr(Ledger, "transaction", transaction)
    return card


@contextmanager
def refusing(path: Path) -> Iterator[None]:
    """The ledger refuses as on a full disk: the same error path in SQLite's own words."""
    other = sqlite3.connect(path, isolation_level=None, timeout=5.0)
    other.execute("create trigger full before insert on event begin select raise(abort, 'disk is full'); end")
    try:
        yield
    finally:
        other.execute("drop trigger full")
        other.close()


CHANGES: dict[str, Callable[[Engine], Any]] = {
    "note": lambda engine: engine.note("remark", "here"),
    "check": lambda engine: engine.check(engine.view().checklist[0].key, True),
    "mark": lambda engine: engine.mark(Mark.PAN_PLACED),
    "drum": lambda engine: engine.connect_drum("Drum 9", "gear_75w90", 20.0),
    "abandoned": lambda engine: engine.abandon("only a test"),
}


@pytest.mark.parametrize("kind", CHANGES)
def test_a_change_is_answered_after_the_disk_has_it_and_the_engine_goes_on_meanwhile(
    kind: str, tmp_path: Path, slow: Card
) -> None:
    engine, _ = engine_on(tmp_path)
    engine.open_job(FORM)
    turns: list[BayView] = []
    end = engine.subscribe(turns.append)
    slow.takes_until = lambda: len(turns) > 4  # were it the engine's thread that waits, there would be none
    slow.commits = 0
    CHANGES[kind](engine)
    committed = slow.commits
    assert committed
    assert len(texts(tmp_path, kind)) == 1
    assert slow.takes_until()
    end()
    engine.close()


def test_many_who_wait_at_once_share_a_sync(tmp_path: Path, slow: Card) -> None:
    engine, _ = engine_on(tmp_path)
    engine.open_job(FORM)
    slow.commits, given = 0, engine._recorder.given
    slow.takes_until = lambda: engine._recorder.given >= given + 12
    hands = [threading.Thread(target=engine.note, args=("remark", f"{n}")) for n in range(12)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert len(texts(tmp_path, "note")) == 12
    assert slow.commits <= 3
    engine.close()


def test_what_one_turn_gives_is_stored_whole_or_not_at_all(tmp_path: Path) -> None:
    recorder = Recorder(config(tmp_path).ledger, lambda text: None)
    recorder.event("j1", "note", {"text": "first"}, now(0.0))
    recorder.event(None, "movement", {"kind": "waste"}, now(0.0))  # no row of its table can be made of this
    ticket = recorder.seal()
    with pytest.raises(LedgerError, match="does not take the entry yet"):
        recorder.wait_written(ticket, 5.0)
    assert texts(tmp_path, "note") == []
    with pytest.raises(LedgerError, match="2 entries"):
        recorder.close()


def test_a_refused_change_is_told_to_whoever_asked_and_stored_once_there_is_room(tmp_path: Path) -> None:
    engine, _ = engine_on(tmp_path)
    engine.open_job(FORM)
    with refusing(config(tmp_path).ledger):
        with pytest.raises(LedgerError, match=r"disk is full.*kept and tried again"):
            engine.note("remark", "kept")
        engine.calibrations.view()  # the engine goes on
        until(lambda: len(engine.view().faults) > 0, "a fault")
        assert [f.fault for f in engine.view().faults if f.source == "ledger"] == ["failed"]
        assert engine.view().blocked is not None
    until(lambda: texts(tmp_path, "note") != [], "stored")
    assert texts(tmp_path, "note") == ["remark: kept"]
    engine.close()


def test_no_job_begins_on_a_disk_that_is_nearly_full_or_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=40_000_000))
    engine, _ = engine_on(tmp_path)
    with pytest.raises(LedgerError, match=r"has 40 MB free; a job begins with 50 MB"):
        engine.open_job(FORM)
    engine.close()
    monkeypatch.undo()
    engine, _ = engine_on(tmp_path)
    with refusing(config(tmp_path).ledger):
        with pytest.raises(LedgerError):
            engine.entries.retire("technician", ["J. Lindqvist"])
        with pytest.raises(LedgerError, match="No job can begin"):
            engine.open_job(FORM)
    engine.close()


def test_what_a_full_disk_kept_out_at_the_end_is_named_in_the_log_and_at_the_next_start(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    engine, _ = engine_on(tmp_path, backend="simulated")
    with refusing(config(tmp_path).ledger):
        for n in range(2):
            with pytest.raises(LedgerError):
                engine.entries.retire("technician", [engine.catalogue().active("technician")[n].key[0]])
        with (
            caplog.at_level(logging.ERROR),
            pytest.raises(LedgerError, match=r"2 entries and 0 readings could not be stored"),
        ):
            engine.close()
    assert sum("not stored" in line for line in caplog.text.splitlines()) == 2
    engine, _ = engine_on(tmp_path, backend="simulated")
    told = [n for n in engine.view().notices if n.kind == "unsaved"]
    assert "2 entries" in told[0].text
    assert len(texts(tmp_path, "unsaved")) == 1
    engine.close()
    engine, _ = engine_on(tmp_path, backend="simulated")  # told once
    assert [n for n in engine.view().notices if n.kind == "unsaved"] == []
    engine.close()
    ledger = Ledger(config(tmp_path).ledger, read_only=True)
    assert ledger.verify() is None
    ledger.close()


def test_the_note_of_what_was_lost_needs_no_room_that_was_not_taken_before(tmp_path: Path) -> None:
    note = SideNote(tmp_path / "l.sqlite")
    note.blank()
    assert note.path.stat().st_size == ROOM
    many = [{"kind": "note", "text": f"number {n}", "job_id": "j1", "utc": ""} for n in range(5000)]
    note.write(5000, 7, many)
    assert note.path.stat().st_size == ROOM
    left = note.read()
    assert left is not None
    assert (left["events"], left["samples"]) == (5000, 7)
    assert 100 < len(left["lost"]) < 5000
    note.blank()
    assert note.read() is None


def test_a_call_that_is_given_up_on_is_not_done_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import station.bay.engine as module

    engine, _ = engine_on(tmp_path)
    engine.open_job(FORM)
    hangs, go_on = threading.Event(), threading.Event()

    def hang() -> None:
        hangs.set()
        go_on.wait(PATIENCE_S)

    stuck = threading.Thread(target=lambda: engine._call(hang))
    stuck.start()
    assert hangs.wait(PATIENCE_S)
    with monkeypatch.context() as impatient:
        impatient.setattr(module, "CALL_S", 0.2)
        with pytest.raises(Exception, match="nothing was done"):
            engine.note("remark", "too late")
    go_on.set()
    stuck.join()
    engine.note("remark", "in time")
    assert texts(tmp_path, "note") == ["remark: in time"]
    with pytest.raises(InputError):
        engine.open_job(FORM)
    engine.close()
