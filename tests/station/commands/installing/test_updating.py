"""A new version on the machine itself: it stands beside the old one, is watched, and is taken back where it is not well."""

import json
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from station.__main__ import main
from station.commands.installing import doing, shell
from station.commands.installing.system import System, look
from station.errors import StationError
from tests.station.commands.installing.conftest import set_up, tree


class Pi:
    """A running Pi: what its station says of itself, by the release that the link stands for."""

    def __init__(self, root: Path, run: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> None:
        self.root, self.run = root, run
        self.well: dict[str, dict[str, bool] | None] = {}
        self.job_open = False
        monkeypatch.setattr(doing, "look", self.look)
        monkeypatch.setattr(os, "geteuid", lambda: 1000)  # owners are the other tests' subject
        for module in (doing, shell):
            monkeypatch.setattr(
                module, "checks", lambda _: self.well.get(self.release, {"engine": True, "guard": True})
            )
        monkeypatch.setattr(doing, "job_is_open", lambda _: self.job_open)

    def look(self, root: Path) -> System:
        return replace(look(self.root), native=True)

    @property
    def release(self) -> str:
        return os.readlink(self.root / "opt/tallypan/current").split("/")[-1]


@pytest.fixture
def running(root: Path, run: list[list[str]], monkeypatch: pytest.MonkeyPatch) -> Pi:
    set_up(root)
    running = Pi(root, run, monkeypatch)
    run.clear()
    return running


def update(running: Pi, *more: str) -> int:
    return main(["update", "--root", str(running.root), "--yes", *more])


def test_a_new_version_stands_beside_the_old_and_the_way_back_is_one_command(running: Pi) -> None:
    first = running.release
    assert update(running) == 0
    second = running.release
    assert second != first
    assert ["systemctl", "restart", "tallypan.service"] in running.run
    assert update(running, "--back") == 0
    assert running.release == first
    assert update(running, "--back") == 0
    assert running.release == second
    assert update(running) == 0
    assert {one.name for one in (running.root / "opt/tallypan/releases").iterdir()} == {
        second,
        running.release,
    }


def test_apt_brings_what_a_sheets_pdf_needs_and_without_a_network_it_is_told(
    capsys: pytest.CaptureFixture[str], running: Pi
) -> None:
    both = ["apt-get", "install", "-y", "libpango-1.0-0", "libpangoft2-1.0-0"]
    assert (
        "needs Debian's libpango-1.0-0 and libpangoft2-1.0-0" in capsys.readouterr().out
    )  # into a card's image
    assert update(running) == 0
    assert both in running.run
    assert "libpangoft2-1.0-0, with which a sheet becomes a PDF" in capsys.readouterr().out
    running.run.clear()
    assert update(running, "--dry-run", "--wheels", str(running.root)) == 0
    assert "all else works without" in capsys.readouterr().out
    libraries = running.root / "usr/lib/aarch64-linux-gnu"
    libraries.mkdir()
    for name in ("libpango-1.0.so.0", "libpangoft2-1.0.so.0"):
        (libraries / name).touch()
    assert update(running) == 0
    assert not [words for words in running.run if words[0] == "apt-get"]


@pytest.mark.parametrize("says", [None, {"engine": True, "guard": False}])
def test_a_version_that_is_not_well_is_taken_back(
    says: dict[str, bool] | None, running: Pi, capsys: pytest.CaptureFixture[str]
) -> None:
    first = running.release
    unit = running.root / "etc/systemd/system/tallypan.service"
    before = unit.read_text() + "# by hand\n"
    unit.write_text(before)
    running.well["0002-0.1.0"] = says
    assert update(running) == 1
    assert running.release == first
    assert unit.read_text() == before
    assert f"the new version was not well, and {first} runs again." in capsys.readouterr().err
    assert running.run[-1] == ["systemctl", "restart", "tallypan.service"]
    # What failed is no way back, and gone.
    assert [one.name for one in (running.root / "opt/tallypan/releases").iterdir()] == [first]
    assert update(running, "--back") == 2


def test_a_version_that_failed_leaves_the_way_back_as_it_was(running: Pi) -> None:
    assert update(running) == 0
    running.well["0003-0.1.0"] = None
    assert update(running) == 1
    assert running.release == "0002-0.1.0"
    assert update(running, "--back") == 0
    assert running.release == "0001-0.1.0"


def test_what_ailed_before_is_no_fault_of_the_new_version(running: Pi) -> None:
    running.well = {name: {"engine": True, "guard": False} for name in ("0001-0.1.0", "0002-0.1.0")}
    assert update(running) == 0
    assert running.release == "0002-0.1.0"


def test_a_record_that_the_new_version_changed_goes_back_with_it(
    running: Pi, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = running.root / "var/lib/tallypan/ledger-version-2-20260101-000000.sqlite"
    note = shell.Shell.__init__.__defaults__[0]  # type: ignore[index]  # the fixture put it there

    def brings_up(words: Sequence[str]) -> None:
        note(words)
        if words[1:2] == ["restart"] and running.release != "0001-0.1.0":
            copy.touch()

    monkeypatch.setattr(doing, "run_it", brings_up)
    running.well["0002-0.1.0"] = None
    assert update(running) == 1
    restored = next(words for words in running.run if "restore" in words)
    assert restored[0] == "/opt/tallypan/releases/0001-0.1.0/bin/tallypan"
    assert restored[2] == str(copy)
    running.well.clear()
    copy.unlink()
    assert update(running) == 0
    assert copy.exists()
    assert update(running, "--back") == 2  # jobs may have been entered since: a person decides


def test_what_fails_before_the_switch_leaves_the_old_one_running(
    running: Pi, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_network(words: Sequence[str]) -> None:
        if "pip" in words:
            raise StationError("pip failed.")

    monkeypatch.setattr(doing, "run_it", no_network)
    before = tree(running.root / "etc")
    assert update(running) == 1
    assert (running.release, tree(running.root / "etc")) == ("0001-0.1.0", before)


def test_an_open_job_is_not_interrupted(running: Pi, capsys: pytest.CaptureFixture[str]) -> None:
    running.job_open = True
    assert update(running) == 2
    assert "a job is open" in capsys.readouterr().err
    assert update(running, "--during-a-job") == 0


def test_nothing_to_go_back_to_or_to_renew_is_told(
    root: Path, running: Pi, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert update(running, "--back") == 2
    assert "no earlier release" in capsys.readouterr().err
    (root / "etc/tallypan/bay.toml").unlink()
    assert update(running) == 2
    assert "no station is installed here" in capsys.readouterr().err


def test_the_installed_command_asks_for_the_new_versions_folder(
    running: Pi, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doing, "HOUSE", running.root)
    assert update(running) == 2
    assert "sudo python3 -m station install, or update" in capsys.readouterr().err


@pytest.fixture
def station() -> Iterator[tuple[str, dict[str, object]]]:
    """A page that answers for its health as the station's does."""
    said: dict[str, object] = {"status": 200}

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(int(str(said["status"])))
            self.end_headers()
            self.wfile.write(str(said[self.path]).encode())

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Page)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/health", said
    server.shutdown()
    thread.join()
    server.server_close()


def test_health_is_what_the_page_says(station: tuple[str, dict[str, object]]) -> None:
    address, said = station
    checked = {
        "engine": {"ok": True, "vital": True},
        "guard": {"ok": False, "vital": True},
        "clock": {"ok": False, "vital": False},
    }
    said |= {
        "status": 503,
        "/health": json.dumps({"checks": checked}),
        "/metrics": "# x\ntallypan_job_open 1.0\n",
    }
    assert shell.checks(address) == {"engine": True, "guard": False}
    assert shell.job_is_open(address)
    said |= {"status": 200, "/health": "[]", "/metrics": "# tallypan_job_open 1\ntallypan_job_open 0.0\n"}
    assert shell.checks(address) is None
    assert not shell.job_is_open(address)
    assert shell.checks("http://127.0.0.1:9/health") is None
