"""Notices over real sockets of this machine: a receiver that fails, hangs, is off, redirects; and the page that tells of it."""

import asyncio
import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest

from station.bay import notifying
from station.bay.notifying import Notifying
from station.given.receivers import Receiver, ReceiverRules
from station.people.access import Access
from station.record import outbox
from station.record.ledger import Ledger
from station.record.many import notice_box, tries
from station.record.many.store import Store
from tests.rolled import COMPANY, give, known, record
from tests.web.conftest import CHANGE, HOST
from web.many import create_app

SECRET = bytes(range(32))
PATIENCE_S = 60.0


def verified(head: Any, body: bytes) -> bool:
    """As a receiver checks it by the text of Standard Webhooks 1.0, with nothing of the station's."""
    content = head["webhook-id"] + "." + head["webhook-timestamp"] + "." + body.decode()
    mark = base64.b64encode(hmac.new(SECRET, content.encode(), hashlib.sha256).digest()).decode()
    fresh = abs(time.time() - int(head["webhook-timestamp"])) < 300
    return fresh and any(
        hmac.compare_digest(one, f"v1,{mark}") for one in head["webhook-signature"].split(" ")
    )


class Taking(ThreadingHTTPServer):
    """A receiver. answers: statuses, the next first, then 204; "hang" keeps the sender waiting after all of it has arrived."""

    daemon_threads = True

    def __init__(self, port: int = 0, answers: list[int | str] | None = None) -> None:
        super().__init__(("127.0.0.1", port), _Handler)
        self.answers, self.got = answers or [], list[tuple[str, dict[str, Any], bool, int | str]]()
        self.over, self.lock = threading.Event(), threading.Lock()
        self.thread = threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True)
        self.thread.start()

    @property
    def taken(self) -> list[dict[str, Any]]:
        return [event for _, event, _, answer in self.got if answer == 204]

    def end(self) -> None:
        self.over.set()
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Taking

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        with self.server.lock:
            answer = self.server.answers.pop(0) if self.server.answers else 204
            self.server.got.append((self.path, json.loads(body), verified(self.headers, body), answer))
        if answer == "hang":
            self.server.over.wait()
            return
        self.send_response(int(answer))
        self.send_header("Content-Length", "0")
        self.send_header("Location", f"http://127.0.0.1:{self.server.server_port}/elsewhere")
        self.end_headers()

    do_GET = do_POST

    def log_message(self, format: str, *args: Any) -> None:
        pass


@pytest.fixture(autouse=True)
def _hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tries, "PAUSES_S", (0.02,) * 200)
    monkeypatch.setattr(tries, "KEPT_DAYS", 100_000)
    # A receiver that answers late because the computer is busy is none that hangs.
    for name, value in (("LOOK_S", 0.02), ("AWAY_S", 0.02), ("ANSWER_S", PATIENCE_S)):
        monkeypatch.setattr(notifying, name, value)


@pytest.fixture
def shop(store: Store, tmp_path: Path) -> Callable[[], dict[str, list[str]]]:
    """Brings two bays' records when called; the closed jobs of each, in order."""

    def bring() -> dict[str, list[str]]:
        found = {}
        for n in (1, 2):
            path, bay = tmp_path / f"{n}.sqlite", f"bay-{n}"
            with closing(record(path, 12, seed=n, notes=0)):
                give(store, known(store, bay), outbox.batch(path, 0, 1000))
            with closing(Ledger(path)) as ledger:
                rows = ledger.db.execute("select job_id from job where stage = 'closed' order by job_id")
                found[bay] = [row[0] for row in rows]
        return found

    known(store)
    with store.connection() as db:
        for name in ("accounts", "deaf"):
            db.execute(
                "insert into receiver (company, receiver, since) values (%s, %s, '2025-01-01')",
                [COMPANY, name],
            )
    return bring


def to(port: int, name: str = "accounts") -> Receiver:
    rules = ReceiverRules(f"http://127.0.0.1:{port}/take", "/x", ("job closed",))
    return Receiver(name, rules, (SECRET,))


def sent_until(store: Store, receivers: list[Receiver], done: Callable[[], bool]) -> None:
    async def run() -> None:
        on = Notifying(notice_box.StoreBox(store), receivers)
        await on.start()
        try:
            async with asyncio.timeout(PATIENCE_S):
                while not done():
                    await asyncio.sleep(0.02)
        finally:
            await on.close()

    asyncio.run(run())


def standing(store: Store, name: str = "accounts") -> notice_box.Standing:
    with store.connection() as db:
        return next(one for one in notice_box.standings(db, COMPANY) if one.receiver == name)


def test_a_receiver_that_is_off_fails_hangs_and_redirects_loses_nothing(
    store: Store, shop: Callable[[], dict[str, list[str]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = shop()
    reserved = Taking()
    port = reserved.server_port
    reserved.end()
    sent_until(store, [to(port)], lambda: standing(store).answer == tries.AWAY)
    assert standing(store).sent == 0
    server = Taking(port, ["hang"] * 1000)
    try:
        with monkeypatch.context() as hurried:
            hurried.setattr(notifying, "ANSWER_S", 0.5)
            sent_until(store, [to(port)], lambda: standing(store).answer == tries.LATE)
        assert standing(store).sent == 0
        server.answers = [500, 307, 429, 404]
        everything = sum(map(len, closed.values()))
        sent_until(store, [to(port)], lambda: standing(store).sent == everything)
    finally:
        server.end()
    assert standing(store).waiting == 0
    for bay, jobs in closed.items():
        of_bay = [event["subject"] for event in server.taken if event["data"]["bay"] == bay]
        assert sorted(of_bay) == jobs, (
            f"{bay}: each job once; one that was refused again and again stood aside"
        )
    assert all(genuine for _, _, genuine, _ in server.got)
    assert {path for path, *_ in server.got} == {"/take"}, "a redirect is not followed"
    answers = [answer for *_, answer in server.got]
    assert answers.count("hang") >= 1
    assert len(answers) == everything + answers.count("hang") + 4
    for _, event, _, answer in server.got:
        if answer != 204:
            [again] = [one for one in server.taken if one["id"] == event["id"]]
            assert again == event, "what comes twice is the same, under the same id"


def test_a_receiver_that_hangs_keeps_no_other_waiting(
    store: Store, shop: Callable[[], dict[str, list[str]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(notifying, "ANSWER_S", PATIENCE_S)
    deaf, server = Taking(answers=["hang"] * 50), Taking()
    everything = 0

    def all_there() -> bool:
        nonlocal everything
        if not everything and deaf.answers and standing(store).since:
            everything = sum(map(len, shop().values()))
        return len(server.taken) == everything > 0 and len(deaf.got) == 1

    try:
        sent_until(store, [to(deaf.server_port, "deaf"), to(server.server_port)], all_there)
    finally:
        deaf.end()
        server.end()
    assert standing(store, "deaf").waiting == everything
    assert {event["id"] for event in server.taken} != set()


def test_the_page_tells_what_failed_and_sends_it_again(
    store: Store, shop: Callable[[], dict[str, list[str]]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tries, "PAUSES_S", ())
    shop()
    server = Taking(answers=[503])
    receiver = to(server.server_port)
    show = {"Accept": "text/html"}
    try:
        sent_until(store, [receiver], lambda: standing(store).failed == 1 and not standing(store).waiting)
        app = create_app(store, Access(None), receivers=[replace(receiver, name="accounts")])
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
        with asyncio.Runner() as runner:
            client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
            page = runner.run(client.get("/notices", headers=show)).text
            again = runner.run(client.post("/api/notices/again", json={"name": "accounts"}, headers=CHANGE))
            wrong = runner.run(client.post("/api/notices/again", json={"name": "deaf"}, headers=CHANGE))
            told = runner.run(client.get("/notices.json")).json()
            csv = runner.run(client.get("/notices.csv")).text
        for words in (
            "answered 503",
            "some failed",
            "Send again to accounts",
            f"127.0.0.1:{server.server_port}",
        ):
            assert words in page, words
        assert "no longer in the file" in page, "a receiver that the file names no longer"
        assert (again.json()["notices"], wrong.status_code) == (1, 400)
        assert [one["state"] for one in told["notices"]].count("waiting") == 1
        assert csv.count("\r\n") == len(told["notices"]) + 1
        sent_until(store, [receiver], lambda: not standing(store).waiting)
    finally:
        server.end()
    assert (standing(store).failed, standing(store).sent) == (0, len(told["notices"]))
    assert server.got[0][1]["id"] == server.got[-1][1]["id"]
