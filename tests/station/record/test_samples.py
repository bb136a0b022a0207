"""Raw samples lie in blocks, what is newer in small rows; nothing is added behind a gap, nothing goes but by rule."""

import random
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from station.errors import InputError, LedgerError
from station.record import retain, samples, verify
from station.record.ledger import Ledger, now
from tests.station.record.filled import BATCH, filled, play_job, row_of
from tests.station.record.live_stream import live_stream


def rows(ledger: Ledger, table: str, job_id: str) -> int:
    return int(ledger.db.execute(f"select count(*) from {table} where job_id = ?", [job_id]).fetchone()[0])


def test_a_job_is_packed_as_it_goes_and_whole_when_it_closes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(samples, "BLOCK", 200)
    stream = live_stream(random.Random(1), 0.5)
    ledger = Ledger(tmp_path / "l.sqlite")
    play_job(ledger, "open", stream, close=False)
    assert rows(ledger, "block", "open") == len(stream) // (
        7 * BATCH
    )  # the first multiple of 33 above 200 is 231
    assert 0 < rows(ledger, "tail", "open") < 7
    assert ledger.samples("open") == stream
    play_job(ledger, "closed", stream)
    assert rows(ledger, "tail", "closed") == 0
    assert ledger.samples("closed") == stream
    assert ledger.verify() is None
    ledger.close()


def test_a_kill_takes_what_was_not_written_and_no_more(tmp_path: Path) -> None:
    stream = live_stream(random.Random(2), 0.2)
    ledger = Ledger(tmp_path / "l.sqlite")
    for first in range(0, 99, BATCH):
        ledger.add_samples("j", first, stream[first : first + BATCH])
    reader = Ledger(tmp_path / "l.sqlite", read_only=True)  # as after a kill: nothing was closed
    assert reader.samples("j") == stream[:99]
    reader.close()
    ledger.close()


def test_nothing_is_added_behind_a_gap(tmp_path: Path) -> None:
    """What a full disk refused must not leave a hole in a job that goes on."""
    stream = live_stream(random.Random(3), 0.1)
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.add_samples("j", 0, stream[:33])
    for first in (0, 32, 34, 66):
        with pytest.raises(LedgerError, match="do not follow the 33"):
            ledger.add_samples("j", first, stream[first : first + 33])
    ledger.add_samples("j", 33, stream[33:66])
    assert ledger.samples("j") == stream[:66]
    ledger.close()


def test_a_result_that_counts_other_samples_is_refused(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.add_samples("j", 0, live_stream(random.Random(4), 0.1)[:33])
    from station.record.ledger import now

    with pytest.raises(LedgerError, match="counts 34 samples, stored are 33"):
        ledger.append("j", "result", {"samples": 34}, now(0.0))
    assert list(ledger.events()) == []
    ledger.close()


@pytest.mark.parametrize(
    "statement",
    [
        "delete from block",
        "update block set data = x'00'",
        "update block set sha256 = 'x'",
        "delete from tail",
        "update tail set data = x'00'",
        "delete from checkpoint",
        "update checkpoint set note = 'x'",
    ],
)
def test_the_tables_refuse_what_is_not_growth(statement: str, tmp_path: Path) -> None:
    connection = sqlite3.connect(filled(tmp_path / "l.sqlite"))
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        connection.execute(statement)
    connection.close()


def later(months: float) -> datetime:
    return datetime(2026, 1, 1, 9, 0, tzinfo=UTC) + timedelta(days=30.44 * months, minutes=1)


def test_old_samples_go_by_rule_and_figures_stay(tmp_path: Path) -> None:
    path = filled(tmp_path / "l.sqlite")
    ledger = Ledger(path)
    before = ledger.jobs()
    assert retain.may_go(ledger, 24, lambda: later(23.9)) == []
    assert retain.may_go(ledger, 24, lambda: later(24)) == ["job-0", "job-1", "job-2"]
    jobs, gone = retain.apply(ledger, 24, lambda: later(24))
    assert (jobs, gone > 1000) == (3, True)
    assert retain.may_go(ledger, 24, lambda: later(24)) == []
    assert ledger.samples("job-0") == []
    assert ledger.samples("job-open") != []
    assert ledger.jobs() == before
    said = list(ledger.shop_events("samples_let_go"))[-1]["body"]
    assert said["rule"] == "raw samples of jobs closed more than 24 months ago"
    assert sum(said["jobs"].values()) == gone
    ledger.close()
    verdict = verify.verify(path)
    assert verdict.broken == []
    assert verdict.notes == [
        "the raw samples of 3 jobs were let go by the retention rule; their digests stay"
    ]


@pytest.mark.parametrize(
    ("closes", "is_set", "go"),
    [
        ([("2026-06", True), ("2024-01", False)], False, []),  # as the job before it, at the earliest
        ([("2024-01", False), ("2026-06", True)], False, []),  # as the job behind it
        ([("2024-01", False)], True, []),  # who sets the clock makes nothing old
        ([("2024-01", False), ("2024-02", False)], False, ["job-0", "job-1"]),  # a shop without a network
        ([("2024-01", True), ("2026-06", True)], True, ["job-0"]),
    ],
)
def test_a_clock_that_was_not_set_makes_no_job_old(
    closes: list[tuple[str, bool]],
    is_set: bool,
    go: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    for n, (month, was_set) in enumerate(closes):
        row = {**row_of(f"job-{n}"), "closed_utc": f"{month}-01T09:00:00.000+00:00"}
        ledger.append(f"job-{n}", "job_open", {}, now(0.0))
        ledger.add_samples(f"job-{n}", 0, live_stream(random.Random(n), 0.01))
        ledger.append(f"job-{n}", "result", {}, replace(now(1.0), clock_synced=was_set), row)
    monkeypatch.setattr(retain, "clock_synced", lambda: is_set)
    assert retain.may_go(ledger, 12, lambda: datetime(2026, 7, 1, tzinfo=UTC)) == go
    ledger.close()


def test_a_clock_that_nobody_set_and_stands_ahead_lets_nothing_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("station.record.moment.clock_synced", lambda: True)
    ledger = Ledger(filled(tmp_path / "l.sqlite", jobs=1))
    ahead = SimpleNamespace(
        now=lambda zone: datetime(2038, 1, 19, tzinfo=zone), fromisoformat=datetime.fromisoformat
    )
    monkeypatch.setattr(retain, "datetime", ahead)
    monkeypatch.setattr(retain, "clock_synced", lambda: False)
    assert retain.may_go(ledger, 24) == []
    monkeypatch.setattr(retain, "clock_synced", lambda: True)
    assert retain.may_go(ledger, 24) != [], "a set clock is believed"
    ledger.close()


def test_samples_that_went_without_the_rule_are_missed(tmp_path: Path) -> None:
    path = filled(tmp_path / "l.sqlite")
    connection = sqlite3.connect(path)
    connection.execute("update block set data = null where job_id = 'job-1'")  # the trigger lets that pass
    connection.commit()
    connection.close()
    assert verify.verify(path).broken == [
        "the samples of job job-1 were changed: the samples were let go by the retention rule"
    ]


@pytest.mark.parametrize("months", [0, -1, float("nan")])
def test_a_rule_that_is_none_is_refused(months: float, tmp_path: Path) -> None:
    ledger = Ledger(filled(tmp_path / "l.sqlite", jobs=1))
    with pytest.raises(InputError, match="expected 1 or more"):
        retain.apply(ledger, months)
    ledger.close()


def test_damaged_samples_are_not_let_go(tmp_path: Path) -> None:
    path = filled(tmp_path / "l.sqlite")
    ledger = Ledger(path)
    ledger.db.execute("drop trigger block_no_update")
    ledger.db.execute("update block set sha256 = 'another' where job_id = 'job-1'")
    ledger.db.conn.commit()
    jobs, _ = retain.apply(ledger, 24, lambda: later(24))
    assert jobs == 2
    assert ledger.db.execute("select data is null from block where job_id = 'job-1'").fetchone() == (0,)
    ledger.close()
