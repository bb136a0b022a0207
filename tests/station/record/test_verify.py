"""What is wrong with a record is said in sentences, and what is not wrong is not said."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from station.__main__ import main
from station.errors import LedgerError
from station.record import verify
from station.record.ledger import Ledger, now
from tests.soak.tamper import tampered
from tests.station.record.filled import filled


def test_sixty_alterations_are_all_told_in_a_sentence(tmp_path: Path) -> None:
    seen = tampered(tmp_path, range(60))
    assert seen.trials > 40
    assert seen.failed == []


def test_a_definition_that_is_no_text_any_more_ends_in_a_sentence_too(tmp_path: Path) -> None:
    """What a full run found: SQLite quotes the damaged word, and Python cannot read the quotation."""
    path = filled(tmp_path / "l.sqlite", minutes=0.05)
    data = path.read_bytes()
    assert data.count(b"text not null") > 1
    path.write_bytes(data.replace(b"text not null", b"text no\xf4 null"))
    (broken,) = verify.verify(path).broken
    assert "the file is damaged" in broken
    with pytest.raises(LedgerError, match="cannot be opened"):
        Ledger(path)


def test_what_is_cut_off_the_end_would_pass_without_the_head_file(tmp_path: Path) -> None:
    """The proof's own proof: with its planted fault it finds what it looks for."""
    assert any("gone" in text or "log" in text for text in tampered(tmp_path, range(80), planted=True).failed)


def test_no_false_alarm_after_a_full_disk(tmp_path: Path) -> None:
    """Two writes were refused at the shutdown, the third was not: nothing may be stored behind the gap."""
    path = tmp_path / "l.sqlite"
    ledger = Ledger(path)
    ledger.append("j", "job_open", {"job": {}}, now(0.0))
    ledger.close()
    limited = sqlite3.connect(path)
    pages = limited.execute("pragma page_count").fetchone()[0]
    limited.close()
    ledger = Ledger(path)
    ledger.db.execute(f"pragma max_page_count = {pages}")  # SQLite's own word for a full disk: SQLITE_FULL
    with pytest.raises(Exception, match="full"):
        ledger.append("j", "note", {"text": "x" * 20000}, now(0.0))
    ledger.db.execute("pragma max_page_count = 1000000")
    ledger.append("j", "note", {"text": "x" * 20000}, now(0.0))
    ledger.close()
    assert verify.verify(path).broken == []


def test_a_copy_that_nobody_may_write_is_checked_too(tmp_path: Path) -> None:
    """As another user, where this one is the administrator, whom no permission holds back."""
    open_to_all = Path(tempfile.mkdtemp())  # pytest closes its own folders to others, time and again
    os.chmod(open_to_all, 0o755)
    copy = open_to_all / "copy"
    shutil.copytree(filled_live(tmp_path), copy)
    os.chmod(copy, 0o555)
    for file in copy.iterdir():
        os.chmod(file, 0o444)
    code = (
        "import os, sys\nfrom pathlib import Path\nfrom station.record.verify import verify\n"
        "verify(Path(sys.argv[2]))\n"  # so that all it needs is loaded: this user's Python may be closed to the other
        "if os.geteuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        "found = verify(Path(sys.argv[1]))\nprint(found.entries, found.broken)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(copy / "l.sqlite"), str(tmp_path / "l.sqlite")],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[3],
        env={**os.environ, "TMPDIR": "/tmp"},
        check=False,
    )
    os.chmod(copy, 0o755)
    shutil.rmtree(open_to_all)
    assert (done.stdout.strip(), done.stderr) == ("15 []", "")


def filled_live(folder: Path) -> Path:
    """A record whose newest entry is still in the log beside it."""
    live = folder / "live"
    live.mkdir()
    path = filled(folder / "l.sqlite", minutes=0.05)
    writer = Ledger(path)
    writer.append(None, "note", {"text": "newest"}, now(5.0))
    for name in ("l.sqlite", "l.sqlite-wal", "l.sqlite.head", "l-keys.pub"):
        shutil.copyfile(folder / name, live / name)
    writer.close()
    return live


@pytest.mark.parametrize("data", [b"", b"no database", b"SQLite format 3\x00" + bytes(500), bytes(8192)])
def test_what_is_no_record_ends_in_a_sentence(
    data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "l.sqlite"
    path.write_bytes(data)
    assert main(["verify", "--ledger", str(path)]) == 1
    assert capsys.readouterr().err.startswith("broken: ")


def test_it_says_as_json_what_it_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = filled(tmp_path / "l.sqlite", minutes=0.05)
    assert main(["verify", "--ledger", str(path), "--json"]) == 0
    assert '"whole": true, "entries": 14' in capsys.readouterr().out
