"""A bay that tells other systems by itself: its record loses no notice, tells none twice, and keeps nobody waiting."""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from random import Random
from threading import Event, Thread
from typing import Any

import pytest

from calibration.certificates import Certificate, Reference
from station.bay import notifying
from station.bay.beside import Beside
from station.bay.doctor import examine_file
from station.bay.engine import Engine
from station.bay.health import ROLL_UP_LATE_S, notices_check
from station.bay.notice_book import EVENT, LONGEST_S, NoticeBook
from station.errors import InputError
from station.given.config import BayConfig
from station.given.receivers import KINDS, Kind, Receiver, ReceiverRules
from station.given.reporting import NoticeRules
from station.given.shop_head import ShopHead
from station.record.ledger import Ledger, now
from station.record.many import tries
from station.record.many.tries import AWAY, GONE, LATE
from tests.rolled import add_jobs, report_of, row
from tests.station.bay.fake_rig import config, engine_on, until

SECRET = bytes(range(32))


class Bay:
    """A bay's record, and its book of notices as after each start."""

    def __init__(self, folder: Path) -> None:
        self.config = replace(config(folder), name="Bay 7", shop=ShopHead("Reedbank"))
        self.ledger, self.now_s = Ledger(self.config.ledger), 0.0
        self.ledger.db.execute("pragma synchronous = off")
        self.today, self.noting = date(2026, 3, 1), True
        self.start()

    def start(self) -> None:
        self.book = NoticeBook(self.config, self._tell, lambda: self.now_s, lambda: self.today)

    def _tell(self, body: Mapping[str, Any]) -> None:
        if self.noting:
            self.ledger.append(None, EVENT, body, now())

    def draw(self, of: Receiver, due: bool = False) -> None:
        self.book.draw(of, due)

    def sent(self, answer: str = "204", most: int = 1000) -> list[dict[str, Any]]:
        """What is to be tried now, each answered so."""
        found: list[dict[str, Any]] = []
        while len(found) < most and (claimed := self.book.claim("accounts")):
            found.append({**json.loads(claimed.body), "id": claimed.id})
            self.book.settle("accounts", claimed, answer, 0.0)
        return found

    def closed(self) -> list[str]:
        rows = self.ledger.db.execute("select job_id from job where stage = 'closed' order by rowid")
        return [row[0] for row in rows]


def accounts(kinds: tuple[Kind, ...] = ("job closed",)) -> Receiver:
    return Receiver("accounts", ReceiverRules("http://127.0.0.1:9", "/x", kinds), (SECRET,))


@pytest.fixture
def bay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bay]:
    monkeypatch.setattr(tries, "KEPT_DAYS", 100_000)  # the invented jobs are of one year
    found = Bay(tmp_path)
    add_jobs(found.ledger, 5, seed=1, notes=0)
    found.draw(accounts())
    yield found
    found.ledger.close()


def test_what_was_taken_is_not_told_again_after_any_start(bay: Bay) -> None:
    of = accounts(KINDS)
    assert bay.sent() == [], "nothing of what was recorded before it began"
    before = len(bay.closed())
    add_jobs(bay.ledger, 60, seed=2, notes=1)
    told: list[dict[str, Any]] = []
    for most in (1, 2, 7, 20, 1000):
        bay.start()
        for _ in range(1 + most // 999):
            bay.draw(of)
            told += bay.sent(most=most)
    of_jobs = [one["subject"] for one in told if one["type"] == "tallypan.job.closed"]
    assert of_jobs == bay.closed()[before:], "each once, in its order"
    assert len(told) > len(of_jobs), "and the short ones once more"
    assert len({one["id"] for one in told}) == len(told)
    assert {one["source"] for one in told} == {"/Reedbank/Bay%207"}
    assert told[0]["data"]["page"] == f"/jobs/{told[0]['subject']}"
    assert bay.ledger.verify() is None


def test_what_was_sent_when_the_power_failed_comes_again_under_its_id(bay: Bay) -> None:
    add_jobs(bay.ledger, 3, seed=2, notes=0)
    bay.draw(accounts())
    bay.noting = False
    first = bay.sent(most=1)
    bay.noting = True
    bay.start()
    bay.draw(accounts())
    assert bay.sent()[0] == first[0]


def test_a_receiver_that_is_away_for_a_week_loses_nothing_and_is_back_within_the_hour(bay: Bay) -> None:
    before, ids, tried = len(bay.closed()), set(), 0
    add_jobs(bay.ledger, 90, seed=2, notes=0)
    while bay.now_s < 7 * 86_400.0:
        bay.draw(accounts())
        now_tried = bay.sent(AWAY if tried % 2 else "503", most=1)
        ids |= {one["id"] for one in now_tried}
        tried += len(now_tried)
        bay.now_s += 1800.0
    assert len(ids) == 1, "nothing overtakes"
    assert 7 * 24 <= tried <= 7 * 24 + 4
    [lacking] = bay.book.lacking()
    assert lacking.waiting >= 40
    assert lacking.aside == 0
    bay.now_s += 3600.0
    told = []
    for _ in range(3):  # so many at a time are in memory
        bay.draw(accounts())
        told += bay.sent()
    assert [one["subject"] for one in told] == bay.closed()[before:]


def test_what_is_refused_stands_aside_across_a_start_and_is_never_given_up(bay: Bay) -> None:
    add_jobs(bay.ledger, 6, seed=2, notes=0)
    bay.draw(accounts())
    [bad] = bay.sent("400", most=1)
    for pause_s in (5.0, 300.0):
        assert bay.sent() == [], "some minutes the others wait"
        bay.now_s += pause_s
        assert bay.sent("400", most=1)[0]["id"] == bad["id"]
    rest = bay.sent()
    assert bad["id"] not in {one["id"] for one in rest}
    assert len(rest) > 3
    [lacking] = bay.book.lacking()
    assert (lacking.waiting, lacking.aside) == (0, 1)
    assert not notices_check([lacking]).ok
    bay.start()
    bay.draw(accounts())
    add_jobs(bay.ledger, 2, seed=3, notes=0)
    bay.draw(accounts())
    assert bay.sent("400", most=1)[0]["id"] != bad["id"], "what is new waits for none that stands aside"
    for _ in range(40):
        bay.now_s += LONGEST_S
        bay.sent("400")
    again = bay.sent() if bay.now_s else []
    bay.now_s += LONGEST_S
    again += bay.sent()
    assert bad["id"] in {one["id"] for one in again}, "tried once a day for as long as it takes"
    assert bay.book.lacking()[0].aside == 0


def test_one_that_wants_no_more_is_asked_again_after_a_start_alone(bay: Bay) -> None:
    add_jobs(bay.ledger, 2, seed=2, notes=0)
    bay.draw(accounts())
    assert len(bay.sent(GONE)) == 1
    bay.now_s += 30 * LONGEST_S
    assert bay.sent() == []
    bay.start()
    bay.draw(accounts())
    assert bay.sent() != []


def test_somebody_has_all_of_it_sent_again_at_once_and_in_its_order(bay: Bay) -> None:
    before = len(bay.closed())
    add_jobs(bay.ledger, 6, seed=2, notes=0)
    bay.draw(accounts())
    [bad] = bay.sent("400", most=1)
    for pause_s in (5.0, 300.0):
        bay.now_s += pause_s
        assert bay.sent("400", most=1)[0]["id"] == bad["id"]
    bay.sent("503", most=1)
    assert (bay.sent(), bay.book.lacking()[0].stuck) == ([], True)
    waiting = len(bay.closed()) - before
    assert bay.book.again("accounts") == waiting
    assert [one["subject"] for one in bay.sent(GONE, most=1)] == bay.closed()[before : before + 1]
    bay.now_s += LONGEST_S
    assert bay.sent() == [], "it wants no more"
    assert bay.book.again("accounts") == waiting
    assert [one["subject"] for one in bay.sent()] == bay.closed()[before:]
    assert not bay.book.lacking()[0].stuck
    told = [body for event in bay.ledger.shop_events(EVENT) if (body := event["body"])["did"] == "again"]
    assert [body["notices"] for body in told] == [waiting, waiting]
    bay.start()
    bay.draw(accounts())
    assert bay.sent() == [], "a start tells nothing of it twice"


def test_a_calibration_is_told_when_it_is_due_and_once_more_when_it_is_overdue(bay: Bay) -> None:
    weights = Reference("weights", 5.0, 0.00005, "kg", "W1")
    for number, ends, instead in (("P-1", "2026-03-05", None), ("P-2", "2026-06-01", "P-1")):
        made = Certificate(
            number, "pan", "Bay 7 pan", "2025-06-01T08:00:00+00:00", "T. Vasquez-Ito", ends, (weights,), {}, {}, {},
            "Within its limits.", instead,
        )  # fmt: skip
        bay.ledger.append(None, "certificate", {"certificate": made.to_json(), "sha256": made.digest}, now())
    told = []
    for day in (-31, -30, -29, 0, 1, 2):
        bay.today = date(2026, 6, 1) + timedelta(day)
        bay.start()
        bay.draw(accounts(KINDS), due=True)
        told.append([one["data"]["state"] for one in bay.sent()])
    assert told == [[], ["due soon"], [], [], ["overdue"], []]


def test_what_a_check_says_and_when(bay: Bay) -> None:
    add_jobs(bay.ledger, 2, seed=2, notes=0)
    bay.draw(accounts())
    bay.sent(LATE, most=1)
    assert notices_check(bay.book.lacking()).ok
    bay.now_s += ROLL_UP_LATE_S + 1.0
    check = notices_check(bay.book.lacking())
    assert (check.ok, check.vital) == (False, False)
    assert check.text.startswith("are not all taken, and wait here: accounts lacks ")
    assert check.text.endswith("(no answer in time)")


def _file(folder: Path, port: int, more: str = "") -> NoticeRules:
    (folder / "secret").write_text("whsec_AAECAwQFBgcICQoLDA0ODxAREhMUFRYXGBkaGxwdHh8=\n")
    path = folder / "receivers.toml"
    path.write_text(
        f'[receiver.accounts]\naddress = "http://127.0.0.1:{port}/n"\nsecret_file = "{folder / "secret"}"\n{more}\n'
    )
    return NoticeRules(str(path))


def test_a_running_bay_tells_and_a_receiver_that_hangs_keeps_it_from_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(notifying, "LOOK_S", 0.02)
    got: list[dict[str, Any]] = []
    over = Event()

    class Hangs(BaseHTTPRequestHandler):
        """With its first notice until it is over; the others it takes."""

        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            if len(got) == 1:
                over.wait(20.0)
                return
            self.send_response(204)
            self.end_headers()

        def log_message(self, *words: object) -> None:
            pass

    def result(engine: Engine, job_id: str) -> None:
        told = row(job_id, Random(1), 1, stage="closed", verdict="full")
        engine.entries.note("result", {"report": report_of(told), "row": told, "samples": 0})

    with ThreadingHTTPServer(("127.0.0.1", 0), Hangs) as server:
        Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        bay = replace(config(tmp_path), notices=_file(tmp_path, server.server_port))
        with _running(bay, tmp_path) as engine:
            until(lambda: [body["did"] for body in _told(engine)] == ["began"])
            result(engine, "one")
            until(lambda: len(got) == 1)
            turns = engine.health().turns.n
            result(engine, "two")
            until(lambda: engine.health().turns.n > turns + 5)
            assert engine.health().checks["notices to other systems"].text == "2 are on their way"
        over.set()
        with _running(bay, tmp_path) as engine:
            until(lambda: [body["did"] for body in _told(engine)] == ["began", "sent", "sent"])
            assert engine.health().checks["notices to other systems"].text == "all taken"
        server.shutdown()
    assert [one["subject"] for one in got] == ["one", "one", "two"]
    assert got[0] == got[1]


@contextmanager
def _running(bay: BayConfig, folder: Path) -> Iterator[Engine]:
    beside = Beside(bay)
    engine, _rig = engine_on(folder)
    try:
        beside.begin(engine)
        yield engine
    finally:
        beside.hush()
        engine.close()
        beside.close()


def _told(engine: Engine) -> list[dict[str, Any]]:
    with engine.reading() as ledger:
        return [event["body"] for event in ledger.shop_events(EVENT)]


def test_the_doctor_and_the_start_name_what_is_wrong(tmp_path: Path) -> None:
    bay = config(tmp_path)
    rules = _file(tmp_path, 9)
    [found] = [one for one in examine_file(replace(bay, notices=rules), True) if one.what == "notices"]
    assert found.ok
    assert "accounts at http://127.0.0.1:9/n of job closed" in found.text
    for more, wrong in (
        ('shops = ["quay"]', "a bay tells of itself alone"),
        ('certificate = "/none.pem"', "/none.pem"),
    ):
        rules = _file(tmp_path, 9, more)
        [found] = [one for one in examine_file(replace(bay, notices=rules), True) if one.what == "notices"]
        assert not found.ok
        assert wrong in found.text
    with pytest.raises(InputError, match="no such file"):
        Beside(replace(bay, notices=NoticeRules(str(tmp_path / "none.toml"))))
