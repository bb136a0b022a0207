"""The record only grows, says when it was tampered with, and gives back what it took."""

import csv
import io
import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlite_utils import Database

from hardware.sample import Sample
from station.__main__ import main
from station.errors import InputError, LedgerError
from station.given.report import Report
from station.record.finding import Wanted
from station.record.ledger import JOB_COLUMNS, JobRow, Ledger, SamplesDigest, now
from station.record.recorder import Recorder
from tests.station.shop_rows import shop

REPORT: dict[str, Any] = {
    "stage": "closed",
    "verdict": "full",
    **dict.fromkeys(
        "listed_capacity_l expected_fill_l drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l".split(),
        1.5,
    ),
}
ROW = {
    "job_id": "j1",
    "opened_utc": "2026-01-01T00:00:00.000+00:00",
    "closed_utc": "2026-01-01T01:00:00.000+00:00",
    "stage": "closed",
    "vehicle": "Bus 12",
    "compartment": "rear axle",
    "technician": None,
    "grade": "75W-90",
    **{k: v for k, v in REPORT.items() if k.endswith("_l")},
    "verdict": "full",
}
SAMPLES = [
    Sample(0.1, "pan", 84213),
    Sample(0.15, "fluid_supply_c", 17.0625),
    Sample(0.1 + 0.2, "mark", "drain_open"),
    Sample(0.4, "pan", -5),
]


def filled(path: Path) -> Path:
    def fault(text: str | None) -> None:
        raise AssertionError(text)

    recorder = Recorder(path, fault)
    recorder.event("j1", "job_open", {"job": {}}, now(0.0))
    for sample in SAMPLES:
        recorder.sample("j1", sample)
    recorder.event("j1", "notice", {"text": "kicked"}, now(0.3))
    recorder.result("j1", Report.read({**REPORT, "reference_temperature_c": 20.0}), JobRow.of(ROW), now(0.5))
    recorder.close()
    return path


def test_samples_come_back_with_their_very_values_and_types(tmp_path: Path) -> None:
    ledger = Ledger(filled(tmp_path / "l.sqlite"), read_only=True)
    got = ledger.samples("j1")
    assert got == SAMPLES
    assert [type(s.value) for s in got] == [int, float, str, int]
    ledger.close()


def test_a_whole_ledger_verifies(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = filled(tmp_path / "l.sqlite")
    assert main(["verify", "--ledger", str(path)]) == 0
    assert "whole" in capsys.readouterr().out


@pytest.mark.parametrize(
    "statement", ["update event set kind = 'x'", "delete from block", "update job set verdict = 'x'"]
)
def test_nothing_is_changed_or_deleted(statement: str, tmp_path: Path) -> None:
    connection = sqlite3.connect(filled(tmp_path / "l.sqlite"))
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        connection.execute(statement)
    connection.close()


TAMPERED = {
    "an event's text": ("event", "update event set body = replace(body, 'kicked', 'calm')", "event 2"),
    "a missing event": ("event", "delete from event where seq = 2", "event 2 is missing"),
    "two swapped": (
        "event",
        "update event set seq = -1 where seq = 1; update event set seq = 1 where seq = 2; update event set seq = 2 where seq = -1",
        "event 1",
    ),
    "a sample": ("block", "update block set data = x'00'", "samples of job j1"),
    "a deleted sample": ("block", "delete from block", "samples of job j1"),
    "a row": ("job", "update job set filled_l = 1.6", "row of job j1"),
    "a deleted row": ("job", "delete from job", "row of job j1"),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_tampering_behind_the_triggers_is_found_and_named(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, statements, expected = TAMPERED[name]
    path = filled(tmp_path / "l.sqlite")
    connection = sqlite3.connect(path)
    for verb in ("update", "delete"):
        connection.execute(f"drop trigger {table}_no_{verb}")
    connection.executescript(statements)
    connection.close()
    assert main(["verify", "--ledger", str(path)]) == 1
    assert expected in capsys.readouterr().err


def test_an_event_and_its_row_are_written_together_or_not_at_all(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.append("j1", "result", {}, now(0.0), ROW)
    with pytest.raises(LedgerError):
        ledger.append("j1", "result", {}, now(0.0), ROW)  # the row's key is taken
    assert len(list(ledger.events())) == 1
    ledger.close()


def test_what_the_disk_refuses_is_kept_and_written_later(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    told: list[str | None] = []
    recorder = Recorder(path, told.append)
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("pragma busy_timeout = 5000")
    recorder.event("j1", "job_open", {"job": {}}, now(0.0))
    recorder.seal()
    while blocker.execute("select count(*) from event").fetchone()[0] == 0:
        pass
    # A trigger that refuses stands in for a full disk: the same error path in SQLite's own words.
    blocker.execute(
        "create trigger full before insert on event begin select raise(abort, 'disk is full'); end"
    )
    recorder.event("j1", "notice", {"text": "kept"}, now(0.1))
    recorder.seal()
    while not told:
        pass
    assert told[0] is not None
    assert "disk is full" in told[0]
    blocker.execute("drop trigger full")
    blocker.close()
    while len(told) < 2:
        pass
    assert told[1] is None
    recorder.close()
    ledger = Ledger(path, read_only=True)
    assert [event["kind"] for event in ledger.events("j1")] == ["job_open", "notice"]
    assert ledger.verify() is None
    ledger.close()


def test_a_newer_or_foreign_file_is_refused(tmp_path: Path) -> None:
    newer = tmp_path / "newer.sqlite"
    connection = sqlite3.connect(newer)
    connection.execute("pragma user_version = 99")
    connection.close()
    with pytest.raises(LedgerError, match="schema version 99"):
        Ledger(newer)
    text = tmp_path / "text.sqlite"
    text.write_text("not a database, but long enough to be mistaken for one" * 20)
    with pytest.raises(LedgerError, match="cannot be opened"):
        Ledger(text)


def test_a_sqlite_too_old_for_the_record_is_refused_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 34, 1))
    with pytest.raises(LedgerError, match=r"SQLite 3\.34\.1 knows no strict tables; expected 3\.37\.0"):
        Ledger(tmp_path / "l.sqlite")


def test_writes_are_synced_and_one_connection_writes(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    assert ledger.db.execute("pragma synchronous").fetchone()[0] == 2
    assert ledger.db.execute("pragma journal_mode").fetchone()[0] == "wal"
    ledger.close()
    reader = Ledger(tmp_path / "l.sqlite", read_only=True)
    with pytest.raises(LedgerError):
        reader.append(None, "note", {}, now(0.0))
    reader.close()


def test_digest_depends_on_order() -> None:
    one, two = SamplesDigest(), SamplesDigest()
    for sample in SAMPLES:
        one.add(sample)
    for sample in reversed(SAMPLES):
        two.add(sample)
    assert one.hexdigest() != two.hexdigest()


def test_verify_names_a_missing_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "--ledger", "nowhere.sqlite"]) == 2
    assert "no such ledger" in capsys.readouterr().err


def test_jobs_are_paged_in_the_order_of_the_record_and_listed_by_vehicle(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ten jobs, pairs of them opened in the same millisecond; every third is another vehicle's."""
    path = tmp_path / "l.sqlite"
    ledger = shop(
        path,
        *(
            {
                "opened_utc": f"2026-03-{1 + i // 2:02d}T08:00:00.000+00:00",
                "vehicle": "Bus 7" if i % 3 == 0 else "Bus 12",
            }
            for i in range(10)
        ),
    )
    every = [row.job_id for row in ledger.jobs(100)]
    assert every == [f"j{n}" for n in range(10, 0, -1)]
    walked: list[str] = []
    while page := ledger.jobs(3, walked[-1] if walked else None):
        walked += [row.job_id for row in page]
    assert walked == every
    mine = [row.job_id for row in ledger.jobs(100, wanted=Wanted(vehicle="Bus 7"))]
    assert len(mine) == 4
    assert [row.job_id for row in ledger.jobs(100, mine[1], Wanted(vehicle="Bus 7"))] == mine[2:]
    with pytest.raises(InputError, match="before is 'j99'"):
        ledger.jobs(3, "j99")
    ledger.close()
    use = ["jobs", "--ledger", str(path)]
    assert main([*use, "--json", "--vehicle", "Bus 7"]) == 0
    assert [row["job_id"] for row in json.loads(capsys.readouterr().out)["jobs"]] == mine
    assert main([*use, "--csv", "--limit", "2", "--before", every[1]]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["job_id"] for row in rows] == every[2:4]
    assert list(rows[0]) == JOB_COLUMNS
    assert main(use) == 0
    assert main([*use, "--before", "j99"]) == 2


def test_a_list_shows_what_was_recorded_though_its_row_was_altered(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = filled(tmp_path / "l.sqlite")
    connection = sqlite3.connect(path)
    connection.execute("drop trigger job_no_update")
    connection.execute("update job set filled_l = 9.9, verdict = 'short'")
    connection.commit()
    connection.close()
    ledger = Ledger(path, read_only=True)
    (row,) = ledger.jobs()
    ledger.close()
    assert (row.filled_l, row.verdict) == (1.5, "full")
    assert "the row of job j1 was changed" in caplog.text


def test_a_sqlite_that_takes_no_syncing_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Database.execute
    monkeypatch.setattr(
        Database, "execute", lambda self, sql, *more: plain(self, sql.replace("= full", "= normal"), *more)
    )
    with pytest.raises(LedgerError, match="would not take synchronous=FULL"):
        Ledger(tmp_path / "l.sqlite")


def test_after_a_failed_sync_nothing_is_written_before_the_record_was_read_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    failed = sqlite3.OperationalError("disk I/O error")
    failed.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC

    @contextmanager
    def failing(self: Database) -> Iterator[None]:
        yield
        raise failed

    with monkeypatch.context() as card:
        card.setattr(Database, "atomic", failing)
        with pytest.raises(LedgerError, match="disk I/O error"):
            ledger.append(None, "note", {"text": "lost"}, now(0.0))
    before = ledger.db
    ledger.append(None, "note", {"text": "kept"}, now(0.0))
    assert ledger.db is not before, "what the system threw away would not be seen through the old one"
    ledger.close()


def test_a_card_that_turned_read_only_is_written_again_once_it_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite opens for reading what the system will not open for writing, and such a connection never writes."""
    record = Ledger(tmp_path / "l.sqlite")
    record.append(None, "note", {"text": "before"}, now())
    connect = sqlite3.connect
    record.db.conn.close()
    record._connection = connect(f"file:{record.path}?mode=ro", uri=True)
    record.db = Database(record._connection)
    with monkeypatch.context() as read_only:
        read_only.setattr(
            "station.record.ledger.sqlite3.connect", lambda path: connect(f"file:{path}?mode=ro", uri=True)
        )
        for _ in range(3):
            with pytest.raises(LedgerError, match="readonly"):
                record.append(None, "note", {"text": "meanwhile"}, now())
    record.append(None, "note", {"text": "after"}, now())
    assert [event["body"]["text"] for event in record.events()] == ["before", "after"]
    record.close()


def test_a_record_that_others_could_read_is_closed_to_them(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    path.touch()
    path.chmod(0o644)
    ledger = Ledger(path)
    ledger.append(None, "note", {"text": "a name"}, now(0.0))
    modes = {file.name: file.stat().st_mode & 0o777 for file in tmp_path.iterdir() if "l.sqlite" in file.name}
    ledger.close()
    assert set(modes.values()) == {0o600}, modes
