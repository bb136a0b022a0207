"""The door by which bays bring their records: who is let in, what waits, and what is told where nothing can be kept."""

import random
import time
from collections.abc import AsyncIterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import psycopg
import pytest

from station.record import outbox
from station.record.ledger import Ledger, Moment
from tests.rolled import enter, report_of, row, whole
from tests.web.shop.many.conftest import MONTHS, SHOW, Roll
from web.frame.gate import LARGEST_BODY
from web.shop.many.in_line import Line


def test_a_bay_brings_its_record_by_its_token_alone(roll: Roll, path: Path) -> None:
    newest = outbox.newest(path)
    headers = {"Authorization": f"Bearer {roll.tokens[0]}"}
    assert roll.send("GET", "/api/bays/head", headers=headers).json() == {"seq": 0}
    reply = roll.take(path, roll.tokens[0])
    assert (reply.status_code, reply.json()["seq"], reply.json()["new"]) == (200, newest, newest)
    assert roll.take(path, roll.tokens[0]).json()["new"] == 0
    assert roll.send("GET", "/api/bays/head", headers=headers).json() == {"seq": newest}
    for token in ("", "tallypan.harbour.bay-1.x", roll.tokens[0][:-1]):
        assert roll.take(path, token).status_code == 401
        assert roll.send("GET", "/api/bays/head", headers={"Authorization": token}).status_code == 401
    sent = {"X-Tallypan": "1", "Content-Type": "application/json", **headers}
    reply = roll.send("POST", "/api/bays/take", content=b"[1]", headers=sent)
    assert (reply.status_code, "no batch" in reply.json()["text"]) == (400, True)
    assert roll.send("POST", "/api/bays/take", content=b"{}", headers=headers).status_code == 403
    assert whole(roll.store) == []


def test_it_is_not_well_while_nothing_can_be_kept(
    roll: Roll, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A disk that is full, or a server that only reads, answers every page all the same. What the database said of it is for the
    log: it may name paths of the server, and whoever asks need not have signed in."""
    with roll.store.connection() as db:
        name = db.info.dbname
    alter = "alter database {} set default_transaction_read_only = {}"
    for only_reads, status in (("on", 503), ("off", 200)):
        with psycopg.connect(roll.store.dsn, autocommit=True) as db:
            db.execute("set default_transaction_read_only = off")
            db.execute(alter.format(name, only_reads).encode())
        roll.store._connections._pool.drain()
        caplog.clear()
        reply = roll.take(path, roll.tokens[0])
        assert reply.status_code == status
        assert "read-only" not in reply.text
        assert ("read-only" in caplog.text) == (status == 503)
        assert roll.send("GET", "/jobs", headers=SHOW).status_code == 200
        reply = roll.send("GET", "/health")
        assert (reply.status_code, reply.json()["ok"]) == (status, status == 200)


def test_of_a_stranger_no_body_is_waited_for_and_no_place_is_held(roll: Roll, path: Path) -> None:
    """Bodies as long as a batch may be, which never come: a few of them kept every bay out that had much to send."""
    came: list[int] = []

    async def body() -> AsyncIterator[bytes]:
        came.append(1)
        yield b"{"

    for token, status in (("tallypan.harbour.bay-1.x", 401), (roll.tokens[0], 400)):
        headers = {"Authorization": f"Bearer {token}", "X-Tallypan": "1", "Content-Type": "application/json"}
        headers["Content-Length"] = f"{1 << 24}"
        assert roll.send("POST", "/api/bays/take", content=body(), headers=headers).status_code == status
        assert bool(came) == (status == 400)
    enter(roll.store)  # its token is another one now, and what was known of the former opens nothing
    assert roll.take(path, roll.tokens[0]).status_code == 401


def test_where_many_bays_come_at_once_one_is_told_when_to_come_again_and_a_few_entries_pass(
    roll: Roll, path: Path
) -> None:
    line: Line = roll.client._transport.app.state.line  # type: ignore[attr-defined]
    newest = outbox.newest(path)
    with ExitStack() as places:
        lane = places.enter_context(line.place(LARGEST_BODY + 1))
        while lane.in_hand < lane.most:
            places.enter_context(line.place(LARGEST_BODY + 1))
        reply = roll.take(path, roll.tokens[0])
        assert (reply.status_code, reply.json()["title"]) == (503, "Many bays at once")
        assert int(reply.headers["retry-after"]) >= 1
        for newest_seq, status in ((0, 200), (100, 200), (101, 503)):
            of_me = {"Authorization": f"Bearer {roll.tokens[0]}"}
            reply = roll.send("GET", f"/api/bays/head?newest={newest_seq}", headers=of_me)
            assert reply.status_code == status, newest_seq
        assert int(reply.headers["retry-after"]) >= 1
        few = roll.take(path, roll.tokens[1], most=20)
        assert (few.status_code, few.json()["seq"], few.json()["rest_s"]) == (200, 20, 0)
    assert lane.in_hand == 0
    for _ in range(1000):
        lane.again_s(time.monotonic())
    told = roll.take(path, roll.tokens[0]).json()
    assert (told["seq"], told["rest_s"] >= 1) == (newest, True), (
        "those that were sent away have their turn first"
    )


def test_whatever_a_record_holds_goes_up_and_every_page_answers(roll: Roll, path: Path) -> None:
    """Two files of many rows that one may have were imported, one after the other; a volume and two times are none."""
    rows = [
        {"table": "vehicle", "key": [f"B{n}"], "action": "add", "fields": {"note": "é" * 150}}
        for n in range(20_000)
    ]
    odd: tuple[dict[str, Any], ...] = (
        {"filled_l": 1e300},
        {"opened_utc": "0001-01-01T00:00:00+14:00"},
        {"opened_utc": "0001-01-02T00:00:00.000+00:00", "closed_utc": "9998-12-31T08:00:00.000+00:00"},
        {"opened_utc": "9999-12-30T08:00:00.000+00:00"},
    )
    no_field = {"table": "drone", "key": ["1"], "field": "none", "bay": "a", "shop": "b", "stands": "moon"}
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-11-20T08:00:00.000+00:00", True)
        for _file in range(2):
            ledger.append(None, "catalogue", {"changes": rows}, at)
        for told in ({}, {"differed": 3}, {"differed": [{"stands": "bay"}]}, {"differed": [no_field]}):
            ledger.append(None, "catalogue", {"changes": [], "version": 10**15, **told}, at)
        ledger.append(None, "people", {"stands": "shop"}, at)
        for n, more in enumerate(odd):
            told = row(
                f"odd-{n}", random.Random(n), 300, bay="Bay 1", meter="Bay 1 meter", stage="closed", **more
            )
            ledger.append(f"odd-{n}", "result", {"row": told, "report": report_of(told)}, at)
    at_seq = 0
    while at_seq < outbox.newest(path):
        reply = roll.take(path, roll.tokens[0], at_seq)
        assert (reply.status_code, reply.json().get("fault")) == (200, None), reply.text
        at_seq = reply.json()["seq"]
    asked = f"{MONTHS}&shop=harbour&meter=Bay%201%20meter"
    for address in (
        "/",
        "/jobs",
        "/usage",
        "/usage.json",
        "/quality",
        "/quality/meter",
        "/calibrations",
        "/lists.json",
        "/lists/harbour",
    ):
        reply = roll.send("GET", f"{address}?{asked}", headers=SHOW)
        assert reply.status_code == 200, (address, reply.text)
    assert "drone" in roll.send("GET", "/lists", headers=SHOW).text
    for n in (0, 2, 3):
        assert roll.send("GET", f"/jobs/harbour/bay-1/odd-{n}", headers=SHOW).status_code == 200, n
    left_out = roll.send("GET", "/", headers=SHOW).text.partition("What counts in no figure")[2]
    assert "filled_l is 1e+300" in left_out
    assert [one["job_id"] for one in roll.send("GET", "/uncounted.json").json()] == ["odd-0", "odd-1"]
    assert whole(roll.store) == []
