"""Notices: what they say, how they are signed, and that the box loses none and keeps their order."""

import base64
import json
from collections.abc import Sequence
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest

from station.given.receivers import KINDS, Kind, Receiver, ReceiverRules
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import ingest, notice_box, notices, tries
from station.record.many.accept import accept
from station.record.many.certified import Certified
from station.record.many.ingest import Db
from station.record.many.moving import move
from station.record.many.notices import Whose
from station.record.many.store import Store
from tests.rolled import COMPANY, add_jobs, give, known, record

SECRET = bytes(range(32))


def receiver(kinds: Sequence[Kind] = KINDS, shops: Sequence[str] = (), name: str = "accounts") -> Receiver:
    return Receiver(name, ReceiverRules("http://127.0.0.1:9", "/x", tuple(kinds), tuple(shops)), (SECRET,))


@pytest.fixture(autouse=True)
def _in_any_year(monkeypatch: pytest.MonkeyPatch) -> None:
    """The invented jobs are of one year, and notices of what is long past are not made."""
    monkeypatch.setattr(tries, "KEPT_DAYS", 100_000)


def begun(store: Store, of: Receiver, since: str = "2025-01-01") -> None:
    with store.connection() as db:
        notice_box.enrol(db, COMPANY, of)
        db.execute("update receiver set since = %s", [since])


def drawn(store: Store, of: Receiver) -> int:
    with store.connection() as db:
        return notice_box.draw(db, COMPANY, of)


def take_out(db: Db, answer: str = "204") -> dict[str, object]:
    claimed = notice_box.claim(db, COMPANY, "accounts")
    if claimed is None:
        return {}
    state = notice_box.settle(db, COMPANY, "accounts", claimed, answer)
    return {**json.loads(claimed.body), "tries": claimed.tries, "state": state}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with closing(record(tmp_path / "bay.sqlite", 40, notes=1)) as ledger:
        return Path(ledger.path)


def closed(path: Path) -> list[tuple[str, str]]:
    """Job and verdict of each closed job of a bay's own record, in its order."""
    with closing(Ledger(path)) as ledger:
        rows = ledger.db.execute("select job_id, verdict from job where stage = 'closed' order by job_id")
        return [tuple(row) for row in rows]


def test_the_signature_is_that_of_the_published_example() -> None:
    """Standard Webhooks, its own test of ``sign`` (libraries/python/tests/test_webhooks.py, test_sign_function)."""
    secret = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    head = notices.headers(
        "msg_p5jXN8AQM9LWM0D4loKWxJek", b'{"test": 2432232314}', 1614265330, [secret, SECRET]
    )
    first, second = head["webhook-signature"].split(" ")
    assert first == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert second != first
    assert (head["webhook-id"], head["webhook-timestamp"]) == ("msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330")


def test_every_closed_job_is_told_once_in_order_and_a_short_one_twice(store: Store, path: Path) -> None:
    of, bay = receiver(), known(store)
    begun(store, of)
    for after in (0, 60):  # as the bay brings it, in two parts, of which the second comes twice
        give(store, bay, outbox.batch(path, after, 60 + after))
    give(store, bay, outbox.batch(path, 60, 1000))
    expected = [
        (job_id, kind)
        for job_id, verdict in closed(path)
        for kind in ("tallypan.job.closed", *(["tallypan.fill.short"] if verdict == "short" else []))
    ]
    assert drawn(store, of) == len(expected) > len(closed(path))
    assert drawn(store, of) == 0
    with store.connection() as db:
        told = [take_out(db) for _ in range(len(expected) + 1)]
        [standing] = notice_box.standings(db, COMPANY)
    assert told.pop() == {}
    assert [(one["subject"], one["type"]) for one in told] == expected
    assert len({one["id"] for one in told}) == len(expected)
    assert (standing.sent, standing.waiting, standing.failed) == (len(expected), 0, 0)
    first = told[0]
    # CloudEvents 1.0.2, required context attributes; and nothing says who did the work.
    assert (first["specversion"], first["source"]) == ("1.0", "/estuary-buses/harbour/bay-1")
    assert "Lindqvist" not in json.dumps(told)
    assert "Okafor" not in json.dumps(told)
    data = first["data"]
    assert isinstance(data, dict)
    assert {"filled_l", "filled_u95_l", "deviation_percent", "verdict"} <= set(data)
    assert data["page"] == f"/jobs/harbour/bay-1/{first['subject']}"


def test_a_receiver_is_told_of_its_own_shops_and_kinds_and_of_nothing_before_it_began(
    store: Store, path: Path, tmp_path: Path
) -> None:
    bay = known(store)
    give(store, bay, outbox.batch(path, 0, 1000))
    of = receiver(["short fill"], ["harbour"])
    begun(store, of, "2030-01-01")
    assert drawn(store, of) == 0, "what is here already is not told"
    with closing(Ledger(path)) as ledger:
        add_jobs(ledger, 20, seed=7, notes=1)
    give(store, bay, outbox.batch(path, outbox.newest(path) - 70, 1000))
    assert drawn(store, of) == 0, "recorded before the receiver began, whenever it comes"
    begun(store, of)
    with store.connection() as db:
        db.execute("update lane set seq = 0")
        short = db.execute("select count(*) from job where verdict = 'short' and stage = 'closed'").fetchone()
    with closing(record(tmp_path / "quay.sqlite", 20, seed=9)):
        give(store, known(store, "bay-9", "quay"), outbox.batch(tmp_path / "quay.sqlite", 0, 1000))
    assert short is not None
    assert drawn(store, of) == short[0] > 3


def test_a_clock_that_was_not_set_keeps_nothing_back(store: Store, tmp_path: Path) -> None:
    of, bay = receiver(), known(store)
    begun(store, of, "2030-01-01")
    with closing(record(tmp_path / "one.sqlite", 1)) as ledger:
        [result] = [e for e in outbox.batch(tmp_path / "one.sqlite", 0, 9).entries if e.kind == "result"]
        at = Moment("boot", 9.0, "1970-01-01T00:10:00.000+00:00", False)
        ledger.append("again", "result", json.loads(result.body), at)
    give(store, bay, outbox.batch(tmp_path / "one.sqlite", 0, 9))
    assert drawn(store, of) == 1
    with store.connection() as db:
        assert take_out(db)["data"]["clock_synced"] is False  # type: ignore[index]


def test_a_bay_that_is_taken_anew_repeats_no_notice(store: Store, path: Path) -> None:
    of, bay = receiver(), known(store)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    first = drawn(store, of)
    with store.connection() as db:
        db.execute("update bay set fault = 'its record ends before what is here'")
        accept(db, "harbour", "bay-1", "E. Brandvold", "its card was changed")
    with closing(Ledger(path)) as ledger:
        add_jobs(ledger, 1, seed=8, notes=1)
    give(store, bay, outbox.batch(path, 0, 1000))
    more = drawn(store, of)
    assert 1 <= more <= 2 < first


def test_pauses_grow_the_order_holds_and_what_failed_is_sent_again(store: Store, path: Path) -> None:
    of, bay = receiver(["job closed"]), known(store)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    n, ids, pauses = drawn(store, of), set(), []
    with store.connection() as db:
        for _ in tries.PAUSES_S:
            told = take_out(db, tries.AWAY)
            ids.add(told["id"])
            assert told["state"] == "waiting"
            assert take_out(db) == {}, "while the receiver is away no later notice of the bay goes before it"
            (pause,) = db.execute("select extract(epoch from next_at - now()) from lane").fetchone() or (0,)
            pauses.append(round(pause))
            db.execute("update lane set next_at = now()")
        assert pauses == list(tries.PAUSES_S) == sorted(pauses)
        told = take_out(db, tries.LATE)
        assert (told["state"], len(ids | {told["id"]})) == ("failed", 1)
        assert take_out(db)["id"] not in ids, "the others go on"
        [standing] = notice_box.standings(db, COMPANY)
        assert (standing.sent, standing.waiting, standing.failed) == (1, n - 2, 1)
        assert notice_box.again(db, COMPANY, "accounts", "E. Brandvold") == n - 1
        told = take_out(db)
        assert (ids, told["tries"], told["state"]) == ({told["id"]}, 1, "sent")
        assert db.execute("select who, kind from log").fetchone() == ("E. Brandvold", "notices again")


def test_what_is_refused_stands_aside_and_the_others_go_on(store: Store, path: Path) -> None:
    of, bay = receiver(["job closed"]), known(store)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    n, held_s, poison = drawn(store, of), 0.0, None
    with store.connection() as db:

        def pause_s() -> float:
            (pause,) = db.execute("select extract(epoch from next_at - now()) from lane").fetchone() or (0,)
            return float(pause)

        while True:
            told = take_out(db, "400")
            assert poison in (None, told["id"])
            poison = told["id"]
            if pause_s() <= 0:
                break
            held_s += pause_s()
            assert take_out(db) == {}
            db.execute("update lane set next_at = now()")
        assert round(held_s) == 305, "some minutes"
        second = take_out(db, "400")["id"]
        rest = [take_out(db) for _ in range(n - 2)]
        assert pause_s() == pytest.approx(tries.PAUSES_S[0]), "the one refused last is the next"
        assert take_out(db) == {}
    with closing(Ledger(path)) as ledger:
        add_jobs(ledger, 3, seed=8, notes=1)
    give(store, bay, outbox.batch(path, 0, 1000))
    more = drawn(store, of)
    with store.connection() as db:
        rest += [take_out(db) for _ in range(more)]
        assert more > 0
        places = [str(one["sequence"]) for one in rest]
        assert places == sorted(places), "what is new waits for none that stands aside"
        assert not {poison, second} & {one["id"] for one in rest}
        [standing] = notice_box.standings(db, COMPANY)
        assert (standing.sent, standing.waiting) == (n - 2 + more, 2)
        db.execute("update notice set next_at = now() where state = 'waiting'")
        db.execute("update lane set next_at = now()")
        late = [take_out(db, tries.AWAY), take_out(db)]
        assert [one["id"] for one in late] == [poison, second]
        assert [one["tries"] for one in late] == [4, 2]
        assert take_out(db) == {}
        db.execute("update notice set next_at = now() where state = 'waiting'")
        db.execute("update lane set next_at = now()")
        assert take_out(db)["id"] == poison
        [standing] = notice_box.standings(db, COMPANY)
        assert (standing.sent, standing.waiting, standing.failed) == (n + more, 0, 0)


def test_what_was_taken_out_and_never_settled_goes_out_again_under_its_id(store: Store, path: Path) -> None:
    of, bay = receiver(), known(store)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    drawn(store, of)
    with store.connection() as db:
        first = notice_box.claim(db, COMPANY, "accounts")
        assert first is not None
        assert notice_box.claim(db, COMPANY, "accounts") is None
        db.execute("update lane set next_at = next_at - make_interval(secs => %s)", [notice_box.LEASE_S])
        second = notice_box.claim(db, COMPANY, "accounts")
    assert second is not None
    assert (second.id, second.body, second.tries) == (first.id, first.body, 2)


def test_a_receiver_that_wants_no_more_is_left_alone(store: Store, path: Path) -> None:
    of, bay = receiver(), known(store)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    n = drawn(store, of)
    with store.connection() as db:
        assert take_out(db, tries.GONE)["state"] == "waiting"
        db.execute("update lane set next_at = next_at - interval '400 days'")
        assert take_out(db) == {}
        assert notice_box.again(db, COMPANY, "accounts", "E. Brandvold") == n
        assert take_out(db)["state"] == "sent"


def test_a_calibration_is_told_when_it_is_due_and_once_more_when_it_is_overdue(
    store: Store, path: Path
) -> None:
    of, bay, end = receiver(), known(store), date(2026, 6, 1)
    begun(store, of)
    give(store, bay, outbox.batch(path, 0, 1000))
    with store.connection() as db:
        db.execute(
            "insert into certificate values (%s, %s, %s, 1, 'P-1', 'pan', 'Pan 1', '2025-06-01T08:00:00+00:00', %s, null)",
            [COMPANY, bay.shop, bay.bay, end],
        )

        def on(days: int) -> int:
            return notice_box.draw_due(db, COMPANY, of, lambda zone: end + timedelta(days))

        for half in ("fault = 'rewritten'", "newest_seq = newest_seq + 1"):
            with db.transaction(force_rollback=True):
                db.execute(f"update bay set {half}".encode())
                assert on(1) == 0, "its newest certificate may not be here"
        assert [on(days) for days in (-31, -30, -29, 0, 1, 2)] == [0, 1, 0, 0, 1, 0]
        told = [take_out(db) for _ in range(2)]
    assert [one["data"]["state"] for one in told] == ["due soon", "overdue"]  # type: ignore[index]
    assert {one["type"] for one in told} == {"tallypan.calibration.due"}
    one = Certified("quay", "bay-2", "meter", "Meter 1", "M-1", "2025-06-01", end)
    of_bays = [Whose(COMPANY, "quay", bay) for bay in ("bay-2", "bay-3")]
    ids = {found.id for whose in of_bays if (found := notices.of_certificate(whose, one, end, end))}
    assert len(ids) == 2


def test_what_was_told_of_a_bay_is_not_told_again_once_it_moved(store: Store, path: Path) -> None:
    of, then = receiver(), "2026-02-01T00:00:00.000+00:00"
    begun(store, of)
    give(store, known(store), outbox.batch(path, 0, 100))
    told = drawn(store, of)
    with store.connection() as db:
        moved = move(db, ("harbour", "bay-1"), ("quay", "bay-7"), "E. Brandvold", "lent", then, "Europe/Oslo")
        assert moved > 0
    assert (told > 0, drawn(store, of)) == (True, 0)
    with store.bay(known_token(store)) as (db, bay):
        ingest.take(db, bay, outbox.batch(path, 99, 1000))
    with closing(record(path, 0)) as ledger:
        one = ledger.db.execute("select count(*) from event where kind = 'result' and seq > 100").fetchone()
    assert drawn(store, of) >= one[0] > 0


def known_token(store: Store) -> str:
    return store.enter_bay(COMPANY, "quay", "bay-7")
