"""A checkpoint kept elsewhere tells of a record that was cut, rolled back or written anew; the head file of lost entries."""

import logging
import shutil
import sqlite3
import stat
from pathlib import Path

import pytest

from station.__main__ import main
from station.errors import LedgerError
from station.record import anchor, verify
from station.record.chain import FIELDS, entry_hash
from station.record.ledger import Ledger, now
from station.record.note import open_note, parse_checkpoint
from tests.station.record.filled import filled, play_job


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return filled(tmp_path / "l.sqlite", minutes=0.1)


def note(path: Path, job_id: str = "job-2") -> str:
    ledger = Ledger(path, read_only=True)
    text = ledger.checkpoint(job_id)
    ledger.close()
    assert text is not None
    return text


def tamper(path: Path, script: str) -> None:
    connection = sqlite3.connect(path)
    for (name,) in connection.execute("select name from sqlite_master where type = 'trigger'").fetchall():
        connection.execute(f"drop trigger {name}")
    connection.executescript(script)
    connection.close()


def whole_again(path: Path) -> None:
    """What a patient forger does: triggers put back, rows and checkpoints after the cut gone, the head file made to fit."""
    from station.record import schema

    connection = sqlite3.connect(path)
    for statement in (*schema.triggers(), *schema.SAMPLE_TRIGGERS):
        connection.execute(statement)
    seq, last = connection.execute("select seq, hash from event order by seq desc limit 1").fetchone()
    connection.commit()
    connection.close()
    anchor.head_path(path).unlink()
    head = anchor.HeadFile(path)
    head.write(seq, last)
    head.close()


def test_every_closed_job_has_a_checkpoint_that_its_key_signed(path: Path) -> None:
    keys = anchor.public_keys(path)
    assert len(keys) == 1
    sizes = []
    for k in range(3):
        stated = parse_checkpoint(open_note(note(path, f"job-{k}"), keys))
        assert stated.origin == keys[0].name
        sizes.append(stated.size)
    assert sizes == [3, 7, 11]
    assert verify.verify(path).broken == []


def test_the_key_is_the_services_alone_and_made_once(path: Path) -> None:
    assert stat.S_IMODE(anchor.key_path(path).stat().st_mode) == 0o600
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    before = anchor.key_path(path).read_bytes()
    Ledger(path).close()
    assert anchor.key_path(path).read_bytes() == before


def test_a_broken_key_is_named(path: Path) -> None:
    anchor.key_path(path).write_text("no key")
    with pytest.raises(LedgerError, match=r"l-key\.pem: the key that signs the record cannot be read"):
        Ledger(path)


CUT = """
delete from event where seq >= 12;
delete from movement where seq >= 12;
delete from tail where job_id = 'job-open';
"""
LAST_JOB_GONE = CUT.replace("12", "9") + (
    "delete from job where job_id = 'job-2'; delete from block where job_id = 'job-2';"
    "delete from checkpoint where job_id = 'job-2';"
)


def test_the_last_job_taken_out_shows_only_against_a_checkpoint(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = path.with_name("sheet.txt")
    kept.write_text(note(path))
    assert main(["verify", "--ledger", str(path), "--against", str(kept)]) == 0
    assert "11 entries are all in the record" in capsys.readouterr().out
    tamper(path, LAST_JOB_GONE)
    whole_again(path)
    assert main(["verify", "--ledger", str(path)]) == 0  # no chain can tell
    assert main(["verify", "--ledger", str(path), "--against", str(kept)]) == 1
    assert "states 11 entries, and the record has 8" in capsys.readouterr().err


def test_a_record_written_anew_shows_against_a_checkpoint(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = path.with_name("sheet.txt")
    kept.write_text(note(path))
    connection = sqlite3.connect(path)
    events = connection.execute(f"select {', '.join(FIELDS)} from event order by seq").fetchall()
    connection.close()
    script, previous = "delete from checkpoint;", ""
    for event in events:
        fields = [
            str(v).replace("a note on job-0", "nothing of note") if k == 3 else v for k, v in enumerate(event)
        ]
        own = entry_hash(previous, fields)
        body = str(fields[3]).replace("'", "''")
        script += f"update event set body = '{body}', previous = '{previous}', hash = '{own}' where seq = {fields[0]};"
        previous = own
    tamper(path, script)
    whole_again(path)
    Ledger(path).close()  # the station signs for what it finds: the forger has its key too
    assert main(["verify", "--ledger", str(path)]) == 0
    assert main(["verify", "--ledger", str(path), "--against", str(kept)]) == 1
    assert "first 11 entries are not those that were signed for" in capsys.readouterr().err


def test_a_checkpoint_that_was_written_by_hand_is_no_proof(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = path.with_name("sheet.txt")
    kept.write_text(note(path).replace("\n11\n", "\n10\n"))
    assert main(["verify", "--ledger", str(path), "--against", str(kept)]) == 1
    assert "is wrong: the note was changed" in capsys.readouterr().err


def test_a_copy_elsewhere_is_held_to_a_checkpoint_by_a_named_key(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["checkpoint", "--ledger", str(path), "--key"]) == 0
    key = capsys.readouterr().out.strip()
    assert main(["checkpoint", "--ledger", str(path)]) == 0
    kept = tmp_path / "sheet.txt"
    kept.write_text(capsys.readouterr().out)
    copy = tmp_path / "elsewhere" / "copy.sqlite"
    copy.parent.mkdir()
    shutil.copyfile(path, copy)
    assert main(["verify", "--ledger", str(copy), "--against", str(kept)]) == 1
    assert "not at hand" in capsys.readouterr().err
    assert main(["verify", "--ledger", str(copy), "--against", str(kept), "--key", key]) == 0


def test_a_lost_log_is_told_by_the_head_file_and_written_into_the_record(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = filled(tmp_path / "l.sqlite", minutes=0.1)
    writer = Ledger(path)
    for k in range(20):
        writer.append(None, "note", {"text": str(k)}, now(0.0))
    stolen = tmp_path / "stolen.sqlite"
    shutil.copyfile(path, stolen)  # without its log: what a deleted WAL leaves
    shutil.copyfile(anchor.head_path(path), anchor.head_path(stolen))
    writer.close()
    assert "newest entries are lost" in verify.verify(stolen).broken[0]
    with caplog.at_level(logging.ERROR):
        again = Ledger(stolen)
    assert "newest entries are lost" in caplog.text
    assert next(iter(again.shop_events("lost")))["body"]["text"].startswith("the record ends at entry")
    play_job(again, "after", [])
    again.close()
    verdict = verify.verify(stolen)
    assert verdict.broken == []
    assert "newest entries are lost" in verdict.notes[0]


def test_a_torn_head_is_passed_over(path: Path) -> None:
    data = bytearray(anchor.head_path(path).read_bytes())
    data[:200] = b"\x00" * 200
    anchor.head_path(path).write_bytes(bytes(data))
    assert verify.verify(path).broken == []
    anchor.head_path(path).write_bytes(b"torn")
    assert anchor.read_head(path) is None
    assert verify.verify(path).broken == []


def test_a_long_record_without_checkpoints_is_signed_for_at_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    ledger = Ledger(path)
    ledger.db.execute("pragma synchronous = off")
    with ledger.transaction():
        for k in range(anchor.UNANCHORED_MOST + 1):
            ledger.append(None, "note", {"text": str(k)}, now(0.0))
    ledger.close()
    again = Ledger(path)
    assert anchor.last_frontier(again.db).size == anchor.UNANCHORED_MOST + 1
    again.close()
    assert verify.verify(path).broken == []
