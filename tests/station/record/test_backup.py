"""A backup holds all that was on disk before it began, comes back by one command, and its return is in the record."""

import os
import shutil
import sqlite3
import stat
import tempfile
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from station.__main__ import main
from station.bay import health
from station.errors import InputError, LedgerBusy, LedgerError
from station.record import anchor, backup, verify
from station.record.copying import copy_database
from station.record.ledger import Ledger, now
from tests.soak.backups import backups_under_load
from tests.station.record.filled import filled


@pytest.fixture
def path(tmp_path: Path) -> Path:
    photos = tmp_path / "l-photos"
    photos.mkdir()
    (photos / "one.jpg").write_bytes(b"first")
    return filled(tmp_path / "l.sqlite", minutes=0.05)


def test_there_and_back_by_command(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "stick"
    assert main(["backup", "--ledger", str(path), "--to", str(place)]) == 0
    assert "14 entries, 1 new photos" in capsys.readouterr().out
    new = tmp_path / "other machine" / "l.sqlite"
    assert main(["restore", "--ledger", str(new), str(place)]) == 0
    assert "restored from" in capsys.readouterr().out
    ledger = Ledger(new, read_only=True)
    assert [row.job_id for row in ledger.jobs()] == ["job-2", "job-1", "job-0"]
    (said,) = ledger.shop_events("restored")
    assert said["body"]["entries"] == 14
    ledger.close()
    assert verify.verify(new).broken == []
    assert (new.parent / "l-photos" / "one.jpg").read_bytes() == b"first"
    assert stat.S_IMODE(new.stat().st_mode) == 0o600


def test_the_private_key_stays_and_old_checkpoints_can_still_be_checked(path: Path, tmp_path: Path) -> None:
    place = tmp_path / "stick"
    backup.make(path, place)
    assert not any("key.pem" in name for name in os.listdir(place))
    new = tmp_path / "other" / "l.sqlite"
    backup.restore(place, new)
    assert len(anchor.public_keys(new)) == 2
    assert verify.verify(new).notes == [next(t for t in verify.verify(new).notes if "restored" in t)]


def test_what_was_there_is_kept_and_its_log_does_not_get_into_the_new_one(path: Path, tmp_path: Path) -> None:
    place = tmp_path / "stick"
    backup.make(path, place)
    writer = Ledger(path)
    writer.append(None, "note", {"text": "after the backup"}, now(0.0))
    left = tmp_path / "log"
    shutil.copyfile(f"{path}-wal", left)
    writer.close()
    shutil.copyfile(left, f"{path}-wal")  # a station that was killed leaves its log
    text = backup.restore(place, path)
    assert "had 15" in text
    (aside,) = tmp_path.glob("l-before-restore-*.sqlite")
    assert verify.verify(aside).entries == 15
    assert verify.verify(path).entries == 15  # 14 and the restoring
    assert verify.verify(path).broken == []
    ledger = Ledger(path)
    assert [e["kind"] for e in ledger.events()][-1] == "restored"
    ledger.close()


def test_a_restore_killed_at_any_step_leaves_the_old_record_whole_or_the_restored_one(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The newest entry of a station that was killed lies in its log alone: the log must not go before the record does."""
    backup.make(path, tmp_path / "stick")
    killed = tmp_path / "killed"
    writer = Ledger(path)
    writer.append(None, "note", {"text": "in the log alone"}, now(0.0))
    shutil.copytree(tmp_path, killed, ignore=shutil.ignore_patterns("stick", "killed"))
    writer.close()
    left: list[int] = []

    def counted(name: str) -> None:
        inner = getattr(Path, name)

        def step(*given: Any, **more: Any) -> Any:
            left[0] -= 1
            if left[0] < 0:
                raise KeyboardInterrupt
            return inner(*given, **more)

        monkeypatch.setattr(Path, name, step)

    for name in ("unlink", "replace", "hardlink_to"):
        counted(name)
    outcomes = set()
    for steps in range(100):
        here = tmp_path / str(steps) / "l.sqlite"
        left[:] = [10_000]
        shutil.copytree(killed, here.parent)
        left[:] = [steps]
        try:
            backup.restore(tmp_path / "stick", here)
            break
        except KeyboardInterrupt:
            left[:] = [10_000]
        verdict = verify.verify(here)
        ledger = Ledger(here, read_only=True)
        newest = list(ledger.events())[-1]
        ledger.close()
        outcomes.add((newest["kind"], newest["body"].get("text", "")[:16], *verdict.broken))
    assert outcomes == {("note", "in the log alone"), ("restored", "this record was ")}


def test_nothing_is_taken_from_under_somebody_who_reads(path: Path, tmp_path: Path) -> None:
    backup.make(path, tmp_path / "stick")
    reader = sqlite3.connect(path)
    reader.execute("begin")
    reader.execute("select count(*) from event").fetchone()
    writer = Ledger(path)
    writer.append(None, "note", {"text": "in the log alone"}, now(0.0))
    writer.close()
    with pytest.raises(LedgerError, match="somebody reads it"):
        backup.restore(tmp_path / "stick", path)
    reader.close()
    assert verify.verify(path).entries == 15
    backup.restore(tmp_path / "stick", path)
    assert verify.verify(path).broken == []


def test_a_record_that_is_none_any_more_is_restored_over(path: Path, tmp_path: Path) -> None:
    backup.make(path, tmp_path / "stick")
    for file in (path, Path(f"{path}-wal")):
        file.write_bytes(b"no record " * 1000)
    assert "could not be read" in backup.restore(tmp_path / "stick", path)
    assert verify.verify(path).broken == []


def test_a_running_station_is_not_restored_over(path: Path, tmp_path: Path) -> None:
    backup.make(path, tmp_path / "stick")
    writer = Ledger(path)
    with pytest.raises(LedgerBusy):
        backup.restore(tmp_path / "stick", path)
    writer.close()


def test_a_damaged_backup_is_refused_and_nothing_is_touched(path: Path, tmp_path: Path) -> None:
    copy = backup.make(path, tmp_path / "stick").path
    connection = sqlite3.connect(copy)
    connection.execute("drop trigger event_no_update")
    connection.execute("update event set body = '{}' where seq = 2")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(LedgerError, match="not whole: event 2"):
        backup.restore(tmp_path / "stick", path)
    assert path.read_bytes() == before


def test_no_backup_is_named(path: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="holds no backup named l-"):
        backup.restore(tmp_path / "empty", path)


def test_a_copy_of_a_record_of_another_name_is_put_back_by_its_file_with_its_photos(
    path: Path, tmp_path: Path
) -> None:
    made = backup.make(path, tmp_path / "stick")
    other = tmp_path / "new-card" / "bay-2.sqlite"
    with pytest.raises(InputError) as refused:
        backup.restore(tmp_path / "stick", other)
    for words in (
        f"holds copies of {path.stem}.sqlite, and none of bay-2.sqlite",
        "--ledger",
        "one of the files",
    ):
        assert words in str(refused.value), words
    assert not other.exists()
    assert "restored from" in backup.restore(made.path, other)
    assert (backup.photos_of(other) / "one.jpg").read_bytes() == b"first"
    assert verify.verify(other).broken == []


def test_old_copies_go_when_newer_ones_are_whole(path: Path, tmp_path: Path) -> None:
    made = [backup.make(path, tmp_path / "stick", keep=3).path for _ in range(5)]
    assert backup.copies(tmp_path / "stick", "l") == made[-3:]


def test_a_copy_made_while_the_clock_is_wrong_is_the_newest_all_the_same(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A Pi without a clock of its own starts in the past: its copies went at once, and an older one came back."""
    for _ in range(3):
        backup.make(path, tmp_path / "stick", keep=3)
    writer = Ledger(path)
    writer.append(None, "note", {"text": "newest"}, now(0.0))
    writer.close()
    monkeypatch.setattr(
        backup, "datetime", SimpleNamespace(now=lambda zone: datetime(1970, 1, 1, tzinfo=zone))
    )
    made = backup.make(path, tmp_path / "stick", keep=3)
    assert made.path.exists()
    assert backup.newest(tmp_path / "stick", "l") == made.path


def test_copies_from_before_they_had_numbers_are_older(path: Path, tmp_path: Path) -> None:
    first = backup.make(path, tmp_path / "stick").path
    old = first.rename(first.with_name("l-20380119T031407.000000Z.sqlite"))
    made = backup.make(path, tmp_path / "stick").path
    assert backup.copies(tmp_path / "stick", "l") == [old, made]


def test_a_medium_without_room_says_so_and_leaves_the_older_copies(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = backup.make(path, tmp_path / "stick").path

    def full(*_: object) -> None:
        raise OSError("No space left on device")

    monkeypatch.setattr(backup, "copy_database", full)
    at_s = [100.0]
    keeper = backup.Keeper(path, tmp_path / "stick", every_s=3600.0, clock=lambda: at_s[0])
    keeper.close()
    at_s[0] += 900.0
    standing = keeper.standing
    assert "No space left" in (standing.fault or "")
    assert standing.behind_s == 900.0
    assert standing.newest.replace("-", "").replace(":", "")[:15] == made.stem[9:24]
    assert backup.copies(tmp_path / "stick", "l") == [made]
    monkeypatch.undo()
    keeper.look()
    assert keeper.standing.fault is None
    assert keeper.standing.behind_s == 0.0


def test_a_new_card_does_not_write_over_the_copies_of_the_old_one(path: Path, tmp_path: Path) -> None:
    """A station started on an empty card before anybody restored: its copies pushed the only ones of the old record out."""
    made = backup.make(path, tmp_path / "stick", keep=1).path
    fresh = filled(tmp_path / "new card" / "l.sqlite", jobs=0, minutes=0.01)
    with pytest.raises(LedgerError, match="of another record"):
        backup.make(fresh, tmp_path / "stick", keep=1)
    assert backup.copies(tmp_path / "stick", "l") == [made]
    backup.restore(tmp_path / "stick", fresh)
    backup.make(fresh, tmp_path / "stick", keep=1)


def test_a_second_place_on_the_records_own_disk_is_none(path: Path, tmp_path: Path) -> None:
    """A stick that is not plugged in leaves its folder, which lies on the card: copies there die with the card."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as elsewhere:
        for folder, shared in ((tmp_path / "stick", True), (Path(elsewhere), False)):
            keeper = backup.Keeper(path, folder, every_s=3600.0)
            keeper.close()
            assert keeper.standing.same_disk is shared
            assert health.backup_check(keeper.standing, 2700.0).ok is not shared


def test_the_keeper_copies_what_came_and_nothing_twice(path: Path, tmp_path: Path) -> None:
    keeper = backup.Keeper(path, tmp_path / "stick", every_s=3600.0)
    keeper.look()
    keeper.look()
    assert len(backup.copies(tmp_path / "stick", "l")) == 1
    writer = Ledger(path)
    writer.append(None, "note", {"text": "more"}, now(0.0))
    writer.close()
    keeper.close()
    assert verify.verify(backup.copies(tmp_path / "stick", "l")[-1]).entries == 15


def test_backups_under_load_are_whole_and_complete(tmp_path: Path) -> None:
    seen = backups_under_load(tmp_path, 4)
    assert (seen.trials, seen.failed) == (4, [])


def test_a_plain_copy_under_load_would_be_caught(tmp_path: Path) -> None:
    assert backups_under_load(tmp_path, 4, planted=True).failed != []


def test_a_copy_that_the_medium_has_damaged_is_told_at_once(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(source: sqlite3.Connection, target: Path) -> None:
        copy_database(source, target)
        with target.open("r+b") as file:
            file.seek(-4096, os.SEEK_END)  # its last page
            file.write(b"\xff" * 4096)

    monkeypatch.setattr("station.record.backup.copy_database", damaged)
    with pytest.raises(LedgerError, match="is not whole"):
        backup.make(path, tmp_path / "stick")
