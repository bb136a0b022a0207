"""The real server in a process of its own, on a free loopback port."""

import contextlib
import gc
import http.client
import json
import re
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import fastapi.routing
import pytest

from station.errors import StationError
from station.people.access import Access
from tests.web import conftest
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web import server
from web.app import create_app
from web.frame.connections import Limits
from web.server import address_of, serve


class Running:
    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.web.serving"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", line)
        assert found is not None, line
        self.host, self.port = "127.0.0.1", int(found[1])
        self.opened = contextlib.ExitStack()

    def stream(self) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection(self.host, self.port, timeout=60)
        self.opened.callback(connection.close)
        connection.request("GET", "/live", headers={"Accept": "text/event-stream", "Accept-Encoding": "gzip"})
        stream = connection.getresponse()
        self.opened.callback(stream.close)
        return stream

    def stop(self, number: int) -> tuple[int, str, str]:
        """Exit status, output, errors. Raises TimeoutExpired where it does not stop."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, out, err


@contextlib.contextmanager
def serving() -> Iterator[Running]:
    server = Running()
    try:
        yield server
    finally:
        server.opened.close()
        if server.process.poll() is None:
            server.process.kill()
            server.process.communicate()


@pytest.fixture(scope="module")
def shared() -> Iterator[Running]:
    with serving() as server:
        yield server


@pytest.fixture
def running(shared: Running) -> Iterator[Running]:
    """For whoever leaves it as it was."""
    yield shared
    shared.opened.close()


def _event(stream: http.client.HTTPResponse) -> dict[str, object]:
    lines: dict[str, str] = {}
    while True:
        line = stream.readline().decode().rstrip("\r\n")
        if not line and "id" in lines:  # a view; the first event only says who speaks
            return {"id": lines["id"], "event": lines["event"], "live": json.loads(lines["data"])}
        name, _, value = line.partition(": ")
        if name:
            lines[name] = value


def _seq(event: dict[str, object]) -> int:
    return int(str(event["id"]))


def test_pages_follow_over_http_and_a_slow_one_skips(running: Running) -> None:
    streams = [running.stream() for _ in range(8)]
    for stream in streams:
        assert stream.headers["Content-Type"].startswith("text/event-stream")
        assert stream.headers["Content-Security-Policy"]
        assert stream.headers["Cache-Control"] == "no-store"
    first = [_event(stream) for stream in streams]
    assert {event["event"] for event in first} == {"view"}
    for stream in streams[:7]:
        numbers = [_seq(_event(stream)) for _ in range(4)]
        assert numbers == sorted(set(numbers))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_before_the_server_listens_for_them_ends_it_too(
    monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    """Whoever starts a station may stop it as soon as it says that it is ready."""
    monkeypatch.setattr(server, "_settle", lambda _app: None)  # is for the life of a process
    rescue = threading.Timer(60.0, signal.raise_signal, [number])
    before = signal.getsignal(number)

    def stop_at_once(_address: str) -> None:
        rescue.start()
        signal.raise_signal(number)

    serve(FakeEngine(), Access(None), "127.0.0.1", 0, stop_at_once)
    assert rescue.is_alive(), "the first signal was lost"
    rescue.cancel()
    assert signal.getsignal(number) is before


def test_a_signal_ends_the_serving_cleanly_with_pages_open() -> None:
    with serving() as running:
        _ends_cleanly(running)


def _ends_cleanly(running: Running) -> None:
    streams = [running.stream() for _ in range(4)]
    for stream in streams:
        _event(stream)
    status, out, err = running.stop(signal.SIGTERM)
    assert (status, out) == (0, "closed, 0 subscribers\n"), err
    assert err == ""
    for stream in streams:
        stream.read()  # to its end: an answer that was cut short raises IncompleteRead


def test_a_page_that_stopped_reading_holds_nobody_up(running: Running) -> None:
    stuck = socket.create_connection((running.host, running.port))
    stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    stuck.sendall(f"GET /live HTTP/1.1\r\nHost: {running.host}:{running.port}\r\n\r\n".encode())
    stream = running.stream()
    for _ in range(20):  # two seconds of a station that has the computer to itself
        assert _event(stream)["event"] == "view"
    stuck.close()


def test_a_name_that_was_made_to_point_here_is_refused_on_the_wire(running: Running) -> None:
    connection = http.client.HTTPConnection(running.host, running.port, timeout=60)
    connection.request("GET", "/view.json", headers={"Host": "elsewhere.example"})
    assert connection.getresponse().status == 421
    connection.close()


def test_a_port_that_is_taken_is_told_in_one_sentence() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(StationError, match=rf"port {port}.*Is the station running already"):
            serve(FakeEngine(), Access(None), "127.0.0.1", port)


def test_an_address_that_is_none_is_told() -> None:
    with pytest.raises(StationError, match=r"no address to listen on"):
        serve(FakeEngine(), Access(None), "not a host", 0)


@pytest.mark.parametrize(
    ("host", "name"), [("127.0.0.1", "127.0.0.1"), ("0.0.0.0", "localhost"), ("bay-1.shop", "bay-1.shop")]
)
def test_the_address_told_can_be_typed_into_a_browser(host: str, name: str) -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        parts = urlsplit(address_of(host, listener))
        assert (parts.hostname, parts.port) == (name, listener.getsockname()[1])


def test_there_are_files_for_all_connections_that_may_be_open(running: Running) -> None:
    """1,024 by default would be used up by half requests before any has to make way."""
    limits = Path(f"/proc/{running.process.pid}/limits").read_text(encoding="ascii")
    found = re.search(r"Max open files\s+(\d+)\s+(\d+)", limits)
    assert found is not None
    assert int(found[1]) >= min(server.FILES, int(found[2]))
    assert Limits.most <= server.FILES - server.FILES_ELSEWHERE


def test_a_first_stop_waits_neither_for_its_route_nor_for_pythons_cleaning(
    open_bay: Callable[..., Bay], monkeypatch: pytest.MonkeyPatch
) -> None:
    app = create_app(FakeEngine(), Access(None))
    monkeypatch.setattr(conftest, "create_app", lambda *_: app)
    bay, before_s = open_bay(), sys.getswitchinterval()
    try:
        server._settle(app)
        assert sys.getswitchinterval() == pytest.approx(server.SWITCH_S)
        assert gc.get_freeze_count() > len(app.routes)
    finally:
        gc.unfreeze()
        sys.setswitchinterval(before_s)

    def late(**_: object) -> None:
        raise AssertionError("put together when the stop came")

    monkeypatch.setattr(fastapi.routing, "get_dependant", late)
    assert bay.post("/api/stop", {}).status_code == 200
