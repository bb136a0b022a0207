"""What systemd hears: a datagram socket stands in for it, as sd_notify(3) describes."""

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from station.__main__ import _open_engine
from station.bay.watchdog import notify
from station.given.config import demo_path, read_config


@pytest.fixture(params=["a path", "an abstract name"])
def listener(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[socket.socket]:
    path = str(tmp_path / "notify") if request.param == "a path" else f"@tallypan-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as bound:
        bound.bind(path.replace("@", "\0", 1))
        bound.settimeout(60.0)
        monkeypatch.setenv("NOTIFY_SOCKET", path)
        yield bound


def test_a_word_arrives(listener: socket.socket) -> None:
    assert notify("READY=1")
    assert listener.recv(100) == b"READY=1"


def test_nobody_who_listens_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not notify("READY=1")


def test_an_engine_that_turns_says_so_and_one_that_hangs_does_not(
    listener: socket.socket, tmp_path: Path
) -> None:
    config = replace(read_config(demo_path()), ledger=tmp_path / "ledger.sqlite")
    engine, close = _open_engine(config, simulated=True)
    try:
        for _ in range(3):
            assert listener.recv(100) == b"WATCHDOG=1"
        hangs, go_on = threading.Event(), threading.Event()

        def hang() -> None:
            hangs.set()
            go_on.wait(60.0)

        stuck = threading.Thread(target=lambda: engine._call(hang))
        stuck.start()
        assert hangs.wait(60.0)
        listener.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:  # what was on its way
                listener.recv(100)
        time.sleep(2.5)
        with pytest.raises(BlockingIOError):
            listener.recv(100)
        go_on.set()
        stuck.join(60.0)
        listener.settimeout(60.0)
        assert listener.recv(100) == b"WATCHDOG=1"
    finally:
        close()
