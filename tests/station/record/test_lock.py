"""One process writes a record: a second station and the entering commands are turned away, in words, while one runs."""

import json
import os
import re
import sqlite3
import subprocess
import sys
import threading
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from station.__main__ import main
from station.errors import LedgerBusy, LedgerError
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.shop import catalogue

ROOT = Path(__file__).parents[3]
SERVE = [sys.executable, "-m", "station", "serve", "--simulated", "--empty", "--port", "0"]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT)}


@pytest.fixture
def station(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A running station and its address; its ledger is the demo bay's, below the folder."""
    with (tmp_path / "log").open("w") as log:
        process = subprocess.Popen(
            SERVE, cwd=tmp_path, env=environment(), stdout=subprocess.PIPE, stderr=log, text=True
        )
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found is not None, (tmp_path / "log").read_text()
        yield process, found[0]
    finally:
        process.kill()
        process.communicate()


def run(folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "station", *command],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def refused_in_words(said: str, address: str, pid: int) -> None:
    assert f"the station at {address} (process {pid}) writes it" in said
    assert "page, or stop the station first" in said


def entered(folder: Path) -> list[str]:
    ledger = Ledger(folder / "var/demo-ledger.sqlite", read_only=True)
    try:
        assert ledger.verify() is None
        return [row["note"] for row in ledger.db.query("select note from movement order by seq")]
    finally:
        ledger.close()


def test_beside_a_running_station_nothing_else_writes_until_it_is_gone(
    tmp_path: Path,
    station: tuple[subprocess.Popen[str], str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The commands run here, beside the station's process; a second station as a process of its own."""
    process, address = station
    monkeypatch.chdir(tmp_path)
    (tmp_path / "v.csv").write_text("vehicle\nBus 40\n", encoding="utf-8")
    move = [
        "move",
        "waste",
        "1 L",
        "--fluid",
        "gear_75w90",
        "--note",
        "by command",
        "--technician",
        "J. Lindqvist",
    ]
    for command in (
        move,
        ["catalogue", "vehicle", "--import", "v.csv", "--apply"],
        ["catalogue", "vehicle", "--retire", "Bus 12"],
    ):
        assert main(command) == 1, command
        refused_in_words(capsys.readouterr().err, address, process.pid)
    second = run(tmp_path, *SERVE[3:])
    assert second.returncode == 1
    refused_in_words(second.stderr, address, process.pid)
    for command in (["stock"], ["catalogue", "vehicle"], ["catalogue", "vehicle", "--import", "v.csv"]):
        assert main(command) == 0, command  # reading needs no lock
    body = {
        "kind": "waste",
        "fluid": "gear_75w90",
        "volume": "1 L",
        "note": "on the page",
        "technician": "J. Lindqvist",
    }
    request = urllib.request.Request(
        f"{address}api/movement",
        json.dumps(body).encode(),
        {"Content-Type": "application/json", "X-Tallypan": "1"},
    )
    with urllib.request.urlopen(request, timeout=60) as reply:
        assert reply.status == 200
    assert entered(tmp_path) == ["on the page"]  # on disk as soon as the station has answered
    process.kill()
    process.wait()
    assert main(move) == 0
    assert entered(tmp_path) == ["on the page", "by command"]


def test_a_second_writer_is_refused_and_readers_are_not(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    first = Ledger(path)
    with pytest.raises(LedgerBusy, match=f"process {os.getpid()} writes it"):
        Ledger(path)
    Ledger(path, read_only=True).close()
    first.close()
    Ledger(path).close()


def test_a_ledger_that_cannot_be_opened_keeps_no_lock(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    path.write_text("not a database, but long enough to be mistaken for one" * 20)
    for _ in range(2):
        with pytest.raises(LedgerError, match="cannot be opened"):
            Ledger(path)


def test_a_command_waits_for_another_that_is_soon_through(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    first = Ledger(path)
    held, first._lock = first._lock, None
    assert held is not None
    soon = threading.Timer(0.3, held.release)
    soon.start()
    use = ["--ledger", str(path), "--fluid", "gear"]
    assert main(["move", "waste", "1 L", "--technician", "J. Lindqvist", *use]) == 0
    soon.join()
    first.db.close()


def refusing(path: Path) -> Callable[[], None]:
    """Have the ledger refuse as a full disk would; what ends it."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("create trigger full before insert on event begin select raise(abort, 'disk is full'); end")

    def end() -> None:
        other.execute("drop trigger full")
        other.close()

    return end


def test_waiting_for_the_disk_ends_when_it_is_written_and_fails_when_it_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    mended = threading.Event()
    recorder = Recorder(path, lambda text: mended.set() if text is None else None)
    recorder.event(None, catalogue.EVENT, catalogue.body([], "test"), now(0.0))
    recorder.wait_written(recorder.seal(), 5.0)
    reader = Ledger(path, read_only=True)
    assert len(list(reader.events())) == 1
    mend = refusing(path)
    recorder.event(None, "notice", {"text": "kept"}, now(0.1))
    ticket = recorder.seal()
    with pytest.raises(LedgerError, match=r"disk is full.*do not enter it a second time"):
        recorder.wait_written(ticket, 5.0)
    mend()
    assert mended.wait(60.0)
    recorder.wait_written(ticket, 5.0)
    assert [event["kind"] for event in reader.events()] == ["catalogue", "notice"]
    reader.close()
    recorder.close()
