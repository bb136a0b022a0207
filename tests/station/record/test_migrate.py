"""An older record is brought up to date with nothing lost, a backup first; killed at any statement it is old or new."""

import os
import random
import sqlite3
from pathlib import Path

import pytest
from sqlite_utils import Database

from hardware.sample import Sample
from station.errors import LedgerError
from station.record import migrate, verify
from station.record.ledger import Ledger
from tests.soak.record import migration_kills
from tests.station.record import version_1
from tests.station.record.filled import play_job
from tests.station.record.live_stream import live_stream

MIXED = [
    Sample(0.1, "pan", 84213),
    Sample(0.1 + 0.2, "fluid_supply_c", 17.0625),
    Sample(0.30000000000000004, "mark", "drain_open"),
    Sample(0.4123456789, "pan", -5),
]


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "l.sqlite"
    jobs = {"j1": MIXED, "j2": live_stream(random.Random(5), 0.2), "j3": live_stream(random.Random(6), 0.1)}
    version_1.write(path, jobs, open_jobs=("j3",))
    return path


def test_nothing_is_lost_and_everything_still_verifies(old: Path) -> None:
    before = sqlite3.connect(old)
    events = before.execute("select * from event order by seq").fetchall()
    before.close()
    ledger = Ledger(old)
    assert ledger.samples("j1") == MIXED
    assert ledger.samples("j2") == live_stream(random.Random(5), 0.2)
    assert ledger.samples("j3") == live_stream(random.Random(6), 0.1)
    assert ledger.db.execute("select * from event order by seq").fetchall() == events
    ledger.close()
    assert verify.verify(old).broken == []


def test_the_backup_holds_the_old_record_and_verifies(old: Path) -> None:
    Ledger(old).close()
    (backup,) = old.parent.glob("l-version-1-*.sqlite")
    connection = sqlite3.connect(backup)
    assert connection.execute("pragma user_version").fetchone() == (1,)
    assert connection.execute("select count(*) from sample where job_id = 'j1'").fetchone() == (len(MIXED),)
    connection.close()
    assert verify.verify(backup).broken == []  # of a copy brought up to date in passing


def test_reading_alone_changes_nothing_and_says_what_to_do(old: Path) -> None:
    with pytest.raises(LedgerError, match="Start the station once"):
        Ledger(old, read_only=True)
    assert verify.verify(old).broken == []
    connection = sqlite3.connect(old)
    assert connection.execute("pragma user_version").fetchone() == (1,)
    connection.close()


def test_without_room_for_a_backup_nothing_is_touched(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError("No space left on device")

    monkeypatch.setattr(migrate, "copy_database", full)
    with pytest.raises(LedgerError, match="no room for a backup"):
        Ledger(old)
    connection = sqlite3.connect(old)
    assert connection.execute("pragma user_version").fetchone() == (1,)
    connection.close()


def test_killed_at_any_statement_it_is_old_or_new(tmp_path: Path) -> None:
    seen = migration_kills(tmp_path, samples=300, every=4)
    assert seen.trials > 10
    assert seen.failed == []


def test_a_migration_without_a_transaction_would_be_caught(tmp_path: Path) -> None:
    seen = migration_kills(tmp_path, samples=300, planted=True)
    assert seen.failed != []


def test_a_record_of_version_2_learns_which_fills_were_proved(old: Path) -> None:
    connection = sqlite3.connect(old)
    migrate._STEPS[1](Database(connection))
    connection.execute("pragma user_version = 2")
    connection.commit()
    before = connection.execute("select * from job order by rowid").fetchall()
    connection.close()
    ledger = Ledger(old)
    after = ledger.db.execute("select * from job order by rowid").fetchall()
    assert [row[: len(before[0])] for row in after] == before
    assert {row[len(before[0]) :] for row in after} == {(None, None)}  # nobody knows of an older one
    play_job(ledger, "j4", MIXED)
    ledger.close()
    assert verify.verify(old).broken == []


def test_the_present_version_needs_nothing(tmp_path: Path) -> None:
    Ledger(tmp_path / "l.sqlite").close()
    Ledger(tmp_path / "l.sqlite").close()
    assert [name for name in os.listdir(tmp_path) if "version" in name] == []
