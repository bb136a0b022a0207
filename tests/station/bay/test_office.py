"""The way to the roll-up over a real server: a token, a record, a stranger; and what answers there and is no roll-up."""

import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from station.bay.office import LATER_MOST_S, HttpOffice, Later, Unreachable
from station.bay.sender import BETWEEN_S, Sender
from station.errors import InputError
from station.given.reporting import RollUpRules
from station.record import outbox
from station.record.many.arriving import Batch
from station.record.many.embedded import Embedded
from station.record.many.store import Store
from tests.rolled import enter, fresh, gone, record, whole


def office_at(address: str, token: str, folder: Path) -> HttpOffice:
    file = folder / "token"
    file.write_text(f"{token}\n")
    return HttpOffice(RollUpRules(address, str(file)))


def test_a_record_goes_over_the_network_whole(postgres: Embedded, tmp_path: Path) -> None:
    path, dsn = tmp_path / "bay.sqlite", fresh(postgres.dsn)
    record(path, 30).close()
    words = ["roll-up", "serve", "--simulated", "--dsn", dsn, "--data", str(tmp_path / "data"), "--port", "0"]
    words += ["--processes", "1"]
    with closing(Store(dsn)) as store:
        token = enter(store)
        child = subprocess.Popen(
            [sys.executable, "-m", "station", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        try:
            assert child.stdout is not None
            found = re.search(r"http://\S+", child.stdout.readline())
            assert found is not None
            sender = Sender(path, office_at(found[0], token, tmp_path), 5.0, 50, "Bay 1", "5a", start=False)
            while sender.turn() == BETWEEN_S:
                pass
            assert sender.standing.fault is None
            assert store.bays()[0].seq == outbox.newest(path)
            assert sender.turn() == 5.0
            with pytest.raises(Unreachable, match="401: No bay has this token"):
                office_at(found[0], f"{token}x", tmp_path).head(0)
            beside = Path(f"/proc/{child.pid}/task/{child.pid}/children").read_text().split()
        finally:
            child.terminate()
            child.wait(60.0)
            if child.stdout is not None:
                child.stdout.close()
        assert whole(store) == []
        assert child.returncode == 0
        assert beside, "processes that took the batches in"
        assert gone(map(int, beside))


@contextmanager
def answering(status: int, body: bytes, **headers: str) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *words: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize(
    ("status", "body", "said"),
    [
        (200, b"<html>", "JSONDecodeError"),
        (200, b"[3]", "answers 200"),
        (200, b'{"seq": -1}', "no roll-up"),
        (200, b'{"seq": true}', "no roll-up"),
        (302, b"", "answers 302"),
        (503, b'{"text": "Try again."}', "503: Try again"),
    ],
)
def test_what_is_no_roll_up_is_told(status: int, body: bytes, said: str, tmp_path: Path) -> None:
    with (
        answering(status, body, Location="http://127.0.0.1:9/") as address,
        pytest.raises(Unreachable, match=said),
    ):
        office_at(address, "tallypan.a.b.c", tmp_path).head(0)


def test_one_that_sends_a_batch_away_before_it_has_all_of_it_is_heard(tmp_path: Path) -> None:
    """It has read the head, answers, and closes the connection while the bay still sends."""
    answer = (
        b"HTTP/1.1 503 Later\r\nRetry-After: %d\r\nContent-Length: 22\r\n\r\n" + b'{"text": "Many bays."}'
    )

    def send_away(listener: socket.socket) -> None:
        for seconds in (7, 86_400):
            with closing(listener.accept()[0]) as line:
                line.recv(1024)
                line.sendall(answer % seconds)
                time.sleep(0.2)

    batch = Batch((), 0, "", {}, "x" * 20_000_000, "", "")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=send_away, args=[listener])
        thread.start()
        with closing(office_at(f"http://127.0.0.1:{listener.getsockname()[1]}", "a", tmp_path)) as office:
            for after_s in (7.0, LATER_MOST_S):
                with pytest.raises(Later, match="503: Many bays") as asked:
                    office.take(batch)
                assert asked.value.after_s == after_s
        thread.join()


def test_a_token_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        HttpOffice(RollUpRules("http://127.0.0.1:9", str(tmp_path / "none")))
    with pytest.raises(InputError, match="no token"):
        office_at("http://127.0.0.1:9", "two words", tmp_path)
