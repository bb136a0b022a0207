"""The pages over many bays, and the door by which bays bring their records."""

import asyncio
import csv
import io
import json
import random
import re
import time
from base64 import b64encode
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from html import escape, unescape
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from jsonschema import Draft202012Validator

from calibration.certificates import KINDS
from station.learning import sisters
from station.people.access import Access
from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many import compartments, leaving, lists, moving, wire
from station.record.many.accept import accept
from station.record.many.certified import Certified
from station.record.many.exporting import TABLES, file_of
from station.record.many.queries import scope_of
from station.record.many.store import Store
from station.shop import lists as lists_of_bay
from station.shop.movement import Movement
from tests.rolled import COMPANY, ZONE, bay_of, certificate, enter, give, record, report_of, row, whole
from tests.web.conftest import CHANGE, HOST
from web.frame import format as fmt
from web.frame.gate import LARGEST_BODY
from web.frame.roles import MANY_RULES
from web.many import ROUTERS, create_app
from web.shop.many import comparing, contexts, jobs, pages, using
from web.shop.many.asked import Asked, Shops
from web.shop.many.in_line import Line
from web.shop.many.wall import BayNow, Wall, read
from web.shop.quality_chart import POINTS

SHOW = {"Accept": "text/html"}
MONTHS = "month=2026-12&months=12"


@dataclass
class Roll:
    store: Store
    tokens: list[str]
    client: httpx.AsyncClient
    runner: asyncio.Runner

    def send(self, method: str, path: str, **more: Any) -> httpx.Response:
        return self.runner.run(self.client.request(method, path, **more))

    def take(self, path: Path, token: str, after: int = 0, most: int = 2000) -> httpx.Response:
        headers = {"Authorization": f"Bearer {token}", "X-Tallypan": "1", "Content-Type": "application/json"}
        data = wire.batch_text(outbox.batch(path, after, most, "Bay <1>", "5a"))
        return self.send("POST", "/api/bays/take", content=data, headers=headers)


@pytest.fixture
def roll(store: Store) -> Iterator[Roll]:
    tokens = [enter(store), store.enter_bay(COMPANY, "quay", "bay-9", ZONE, "http://127.0.0.1:9")]
    app = create_app(store, Access(None))
    with asyncio.Runner() as runner:
        transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
        yield Roll(store, tokens, httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}"), runner)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with closing(record(tmp_path / "bay.sqlite", 60)) as ledger:
        return Path(ledger.path)


def count(path: Path) -> None:
    """A keg is counted twice; 3 L left it meanwhile that nobody booked."""
    with closing(Ledger(path)) as ledger:
        for day, volume_l in (("2026-11-03", 40.0), ("2026-11-17", 37.0)):
            body = Movement("counted", "ATF", volume_l, 0.2, "keg <T>").to_dict()
            ledger.append(None, "movement", body, Moment("boot", 99.0, f"{day}T08:00:00.000+00:00", True))


def test_every_route_has_a_rule_and_every_rule_a_route() -> None:
    routes = [route for router in ROUTERS for route in router.routes]
    addresses = {f"{method} {route.path}" for route in routes for method in route.methods}  # type: ignore[attr-defined]
    assert addresses | {"GET /static"} == set(MANY_RULES)


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


def test_it_is_not_well_while_nothing_can_be_kept(roll: Roll, path: Path) -> None:
    """A disk that is full, or a server that only reads, answers every page all the same."""
    with roll.store.connection() as db:
        name = db.info.dbname
    alter = "alter database {} set default_transaction_read_only = {}"
    for only_reads, status in (("on", 503), ("off", 200)):
        with psycopg.connect(roll.store.dsn, autocommit=True) as db:
            db.execute("set default_transaction_read_only = off")
            db.execute(alter.format(name, only_reads).encode())
        roll.store._connections._pool.drain()
        assert roll.take(path, roll.tokens[0]).status_code == status
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


def test_the_pages_and_their_twins(roll: Roll, path: Path) -> None:
    roll.store._connections._pool.resize(
        1
    )  # a page that wanted a second connection while it has one could wait for itself
    roll.take(path, roll.tokens[0])
    for address in ("/", "/jobs", "/usage", "/quality", "/calibrations", "/wall"):
        html = roll.send("GET", f"{address}?{MONTHS}", headers=SHOW)
        assert html.status_code == 200, (address, html.text)
        assert address == "/wall" or "<strong>Estuary buses</strong><br>Harbour, Quay" in html.text, address
        assert html.headers.get("content-encoding") == "gzip", address
        assert "Bay <1>" not in html.text
    assert "Bay &lt;1&gt;" in roll.send("GET", "/", headers=SHOW).text
    for address in (
        "/bays",
        "/jobs",
        "/usage",
        "/missing",
        "/stock",
        "/quality",
        "/compartments",
        "/technicians",
        "/calibrations",
        "/notices",
    ):
        assert roll.send("GET", f"{address}.json?{MONTHS}").status_code == 200, address
        assert roll.send("GET", f"{address}.csv?{MONTHS}").headers["content-type"].startswith("text/csv")
        if address not in ("/bays", "/notices"):
            assert roll.send("GET", f"{address}.parquet?{MONTHS}").content.startswith(b"PAR1"), address
    told = roll.send("GET", f"/usage.json?{MONTHS}").json()
    with roll.store.connection() as db:
        (closed,) = db.execute("select count(*) from job where stage = 'closed'").fetchone() or (0,)
    assert 0 < closed < 60, "some were given up, and are no use of a month"
    assert sum(line["jobs"] for line in told["lines"]) == closed
    assert sum(line["filled_l"] for line in told["days"]) == pytest.approx(
        sum(line["filled_l"] for line in told["lines"])
    )
    with roll.store.connection() as db:
        scope = scope_of(COMPANY, ["harbour", "quay"], "2026-12", 12, [])
        at_once = file_of(db, scope, TABLES["usage"], "csv").decode()
    by_and_by = roll.send("GET", f"/usage.csv?{MONTHS}")
    assert by_and_by.content.decode() == at_once
    assert by_and_by.headers["content-disposition"].startswith("attachment")
    assert len({line["day"][:7] for line in told["days"]}) > 1
    assert at_once.count("\r\n") == len(told["days"]) + 1
    fills = roll.send("GET", f"/quality.json?{MONTHS}").json()
    assert [f["deviation_percent"] for f in fills["short"]] == sorted(
        f["deviation_percent"] for f in fills["short"]
    )
    text = roll.send("GET", f"/quality?{MONTHS}", headers=SHOW).text
    assert "too few to tell" in text
    meter = roll.send("GET", "/quality/meter?month=2026-12&shop=harbour&meter=Bay%201%20meter", headers=SHOW)
    assert "limits" in meter.text
    assert "/jobs/harbour/bay-1/001-" in meter.text


def test_a_meters_page_lists_the_newest_values_and_every_marked_one_and_its_file_all(
    roll: Roll, tmp_path: Path
) -> None:
    path = tmp_path / "many.sqlite"
    record(path, 400, seed=3, notes=0).close()
    roll.take(path, roll.tokens[0])
    asked = f"{MONTHS}&shop=harbour&meter=Bay%201%20meter"
    text = roll.send("GET", f"/quality/meter?{asked}", headers=SHOW).text
    rows = list(csv.DictReader(io.StringIO(roll.send("GET", f"/quality/meter.csv?{asked}").text)))
    of_level = [one["job_id"] for one in rows if one["chart"] == "meter"]
    every = [
        p["job_id"] for p in roll.send("GET", f"/quality/meter.json?{asked}").json() if not p["contradicted"]
    ]
    assert [job.rpartition("/")[2] for job in of_level] == every
    assert len(of_level) > POINTS + 10
    for chart in {one["chart"] for one in rows}:
        mine = [one for one in rows if one["chart"] == chart]
        wanted = {one["job_id"] for one in mine[-POINTS:]} | {one["job_id"] for one in mine if one["signals"]}
        shown = {one["job_id"] for one in mine if f'/jobs/{one["job_id"]}"' in text}
        assert wanted <= shown
    assert sum(f'/jobs/{job}"' in text for job in of_level) < len(of_level)


def test_short_fills_lead_the_quality_page_with_who_and_why_and_the_rest_is_folded(
    roll: Roll, path: Path
) -> None:
    roll.take(path, roll.tokens[0])
    text = roll.send("GET", f"/quality?{MONTHS}", headers=SHOW).text
    heads = re.findall(r"<h2>(.*?)</h2>", text)
    assert heads[:3] == [
        "Short fills, the worst first",
        "What the short fills share",
        "Which meters need proving?",
    ]
    first = text.partition("What the short fills share")[0]
    worst = roll.send("GET", f"/quality.json?{MONTHS}").json()["short"][0]
    assert worst["technician"] in first
    assert re.search(r'class="whole">[^<]*missing, level not seen[^<]*: top up before', first)
    out, _, folded = text.partition('<details class="more"')
    assert ("like its sisters" in out, "like its sisters" in folded) == (False, True)


def test_a_jobs_page_leads_with_its_verdict_and_folds_its_log(roll: Roll, path: Path) -> None:
    roll.take(path, roll.tokens[0])
    worst = roll.send("GET", f"/quality.json?{MONTHS}").json()["short"][0]
    text = roll.send("GET", f"/jobs/harbour/bay-1/{worst['job_id']}", headers=SHOW).text
    box = text.partition('<div class="verdict" data-tone="short">')[2].partition("</div>")[0]
    assert re.search(r"missing, level not seen.*: top up before the vehicle leaves", box)
    assert text.index("verdict") < text.index("<h2>Figures</h2>") < text.index('<details class="more"')
    assert worst["technician"] in text
    assert "note 0: é" in text.partition('<details class="more"')[2]


def test_a_verdict_that_is_none_is_refused_as_any_other_wrong_word(roll: Roll) -> None:
    reply = roll.send("GET", "/jobs.json?verdict=kurz")
    assert (reply.status_code, "full, short, over" in reply.text) == (400, True)


def test_a_page_that_is_not_there_leads_back_to_the_bays(roll: Roll) -> None:
    text = roll.send("GET", "/jobs/harbour/bay-1/none", headers=SHOW).text
    assert ("To the bays" in text, ">To the bay<" in text) == (True, False)


def test_a_bay_that_is_silent_is_not_said_to_have_everything(roll: Roll, path: Path) -> None:
    roll.take(path, roll.tokens[0])
    assert "has everything" in roll.send("GET", "/", headers=SHOW).text
    with roll.store.connection() as db:
        db.execute("update bay set heard = now() - interval '9 minutes'")
    text = roll.send("GET", "/", headers=SHOW).text
    assert ("not heard for 9 minutes" in text, "has everything" in text) == (True, False)


def test_figures_say_which_bays_record_they_lack(roll: Roll, path: Path) -> None:
    """A bay was off its line for a week, and usage, quality and jobs looked whole."""
    roll.take(path, roll.tokens[0])
    pages = ("/usage", "/quality", "/jobs")
    for away, told in (("2 hours", False), ("3 days", True)):
        with roll.store.connection() as db:
            db.execute(f"update bay set heard = now() - interval '{away}' where bay = 'bay-1'".encode())
        for page in pages:
            text = roll.send("GET", page, headers=SHOW).text
            assert ("Nothing has arrived from harbour · bay-1 since " in text) == told, (page, away)
    assert "Nothing has arrived" not in roll.send("GET", "/usage?month=2020-03", headers=SHOW).text
    with roll.store.connection() as db:
        db.execute("update bay set heard = now(), fault = 'cut', fault_since = now() where bay = 'bay-1'")
    for page in pages:
        assert "Nothing has arrived from harbour · bay-1 since " in roll.send("GET", page, headers=SHOW).text


def test_one_vehicles_compartment_is_told_on_the_pages_of_usage_and_quality_and_adds_up_to_all(
    roll: Roll, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    roll.take(path, roll.tokens[0])
    told = roll.send("GET", f"/compartments.json?{MONTHS}").json()
    jobs = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    by_hand: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for job in jobs:
        by_hand.setdefault((job["vehicle"], job["compartment"]), []).append(job)
    assert len(told) == len(by_hand) > 1
    for one in told:
        mine = by_hand[one["vehicle"], one["compartment"]]
        closed = [job for job in mine if job["stage"] == "closed"]
        verdicts = [job["verdict"] for job in closed]
        assert one["jobs"] == len(closed)
        assert [one[name] for name in ("short", "over", "undecided")] == [
            verdicts.count(name) for name in ("short", "over", "undecided")
        ]
        assert one["filled_l"] == pytest.approx(sum(job["filled_l"] or 0.0 for job in mine), abs=1e-6)
        assert one["newest"] == max(job["day"] for job in mine)
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    for name in ("jobs", "filled_l"):
        assert sum(one[name] for one in told) == pytest.approx(sum(line[name] for line in lines)), name
    usage = roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    section = usage.partition("<h2>By vehicle and compartment, litres</h2>")[2].partition("</section>")[0]
    most = max(told, key=lambda one: one["filled_l"])
    words = f"{most['vehicle']} · {most['compartment']}"
    assert section.index(escape(words)) < section.index("All</th>")
    assert f"{sum(one['filled_l'] for one in told):.2f}" in section
    for to in re.findall(r'href="(/jobs\?[^"]*)"', section):
        found = roll.send("GET", unescape(to).replace("/jobs?", "/jobs.json?")).json()
        of = {(job["vehicle"], job["compartment"]) for job in found}
        assert len(of) == 1, to
        assert {job["job_id"] for job in found} == {job["job_id"] for job in by_hand[of.pop()]}
    quality = roll.send("GET", f"/quality?{MONTHS}", headers=SHOW).text
    section = quality.partition("<h2>Which vehicle&#39;s compartment?</h2>")[2].partition("</section>")[0]
    off = [one for one in told if one["short"] or one["over"]]
    assert section.partition("<details")[0].count("<tr>") == len(off) + 1 > 1
    assert f"{len(told) - len(off)} without a short fill or an overfill" in section
    monkeypatch.setattr(compartments, "SHOP_MONTHS_MOST", 1)
    assert "too many jobs to look through at once" in roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    refused = roll.send("GET", f"/compartments.csv?{MONTHS}")
    assert (refused.status_code, "Ask for one shop, or for fewer months" in refused.text) == (400, True)


def test_a_theft_that_stock_takes_show_stands_on_the_usage_page(roll: Roll, path: Path) -> None:
    count(path)
    roll.take(path, roll.tokens[0])
    text = roll.send("GET", "/usage?month=2026-11", headers=SHOW).text
    assert "3.00 ± 0.29 L left the containers and is booked nowhere" in text
    assert "keg &lt;T&gt;" in text
    head = text.partition('<header class="paper-only">')[2].partition("</header>")[0]
    for words in ("Estuary buses", "Harbour, Quay", "Figures of 20"):
        assert words in head
    assert "<h1>Usage November 2026</h1>" in text
    assert text.count("⚠ 3.00 ± 0.29 L") == 4, "by shop, of all, by bay and by fluid"
    assert "3.00 ± 0.29 L" not in roll.send("GET", "/usage?month=2026-12", headers=SHOW).text
    [told] = roll.send("GET", "/missing.json?month=2026-11").json()
    assert (told["bay"], told["rest_l"], told["explained"]) == ("bay-1", 3.0, False)
    text = roll.send("GET", "/usage?month=2026-10&shop=quay", headers=SHOW).text
    assert "nobody knows" in text


def test_of_very_many_the_first_are_shown_and_files_go_on(
    roll: Roll, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count(path)
    for token in roll.tokens:
        roll.take(path, token)
    monkeypatch.setattr(contexts, "ROWS_MOST", 1)
    monkeypatch.setattr(comparing, "FOLDED_MOST", 1)
    monkeypatch.setattr(contexts, "SHOPS_AS_TABS", 1)
    monkeypatch.setattr(using, "COUNTED_SHOPS_MOST", 1)
    for address, shown in (
        ("/", "The first 1 of 2."),
        ("/quality", "The first 1 of 2."),
        ("/usage", "of 3."),
    ):
        text = roll.send("GET", f"{address}?{MONTHS}", headers=SHOW).text
        assert shown in text, address
        assert ('<option value="quay">quay</option>' in text) == (address != "/"), address
    assert "too many shops" in text
    for ending in ("json", "csv", "parquet"):
        first = roll.send("GET", f"/missing.{ending}?{MONTHS}")
        assert first.headers["link"] == f'</missing.{ending}?{MONTHS}&after=harbour>; rel="next"'
        assert "link" not in roll.send("GET", f"/missing.{ending}?{MONTHS}&after=harbour").headers
    told = [roll.send("GET", f"/missing.json?{MONTHS}{more}").json() for more in ("", "&after=harbour")]
    assert [{one["shop"] for one in part} for part in told] == [{"harbour"}, {"quay"}]
    first, second = (roll.send("GET", f"/bays.json{more}") for more in ("", "?after=harbour"))
    assert first.headers["link"] == '</bays.json?after=harbour>; rel="next"'
    assert ("link" in second.headers, {one["shop"] for one in second.json()}) == (False, {"quay"})
    assert {one["shop"] for one in first.json()} == {"harbour"}


def row_of(text: str, heading: str, first: str) -> list[str]:
    """A row of a page's table as text, cell by cell."""
    table = text.partition(f"<h2>{heading}</h2>")[2].partition("</table>")[0]
    row = table.partition(f'<th scope="row" class="tie">{first}</th>')[2].partition("</tr>")[0]
    return [unescape(cell) for cell in re.findall(r"<td[^>]*>(.*?)</td>", row)]


def test_what_a_page_reads_does_not_grow_with_the_company_and_yet_adds_up_all_of_it(
    roll: Roll, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for the names of its shops, and for the sums of what is compared, which come as a row for each dimension."""
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        for kind in KINDS:
            made = certificate(f"{kind} 1", kind, valid_until="2026-11-30")
            ledger.append(None, "certificate", {"certificate": made.to_json()}, at)
    roll.take(path, roll.tokens[0])
    text = roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    assert row_of(text, "By shop, litres", "quay")[:2] == ["0", "0.00"], "a shop that used nothing is there"
    for name in ("ROWS_MOST", "SHOPS_AS_TABS"):
        monkeypatch.setattr(contexts, name, 2)
    monkeypatch.setattr(using, "COUNTED_SHOPS_MOST", 1)
    monkeypatch.setattr(comparing, "METERS_SHOPS_MOST", 1)
    monkeypatch.setattr(pages, "LISTED", 2)
    read: list[int] = []
    execute: Any = psycopg.Cursor.execute

    def counted(cursor: psycopg.Cursor[Any], *of: Any, **more: Any) -> psycopg.Cursor[Any]:
        execute(cursor, *of, **more)
        read.append(max(0, cursor.rowcount))
        return cursor

    monkeypatch.setattr(psycopg.Cursor, "execute", counted)

    def cost(address: str) -> tuple[int, int]:
        read.clear()
        assert roll.send("GET", address, headers=SHOW).status_code == 200
        return len(read), sum(read)

    def more(shops: range) -> None:
        """As many shops with the harbour's rows."""
        with roll.store.connection() as db:
            tables = "shop bay head container use_month use_year job event tally_month tally_year certificate named"
            for table in tables.split():
                db.execute(
                    f"insert into {table} select (jsonb_populate_record(t, jsonb_build_object('shop', 'far-' || n))).* "
                    f"from {table} t, unnest(%s::int[]) n where t.shop = 'harbour'".encode(),
                    [list(shops)],
                )

    [job, *_] = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    of_all = ("/usage", "/missing.json", "/quality", "/calibrations", "/jobs")
    of_one = (f"/usage?{MONTHS}&shop=harbour", f"/jobs/harbour/bay-1/{job['job_id']}")
    addresses = ("/", "/bays.json", *(f"{address}?{MONTHS}" for address in of_all), *of_one)
    more(range(10, 12))
    before = {address: cost(address) for address in addresses}
    more(range(12, 30))
    assert {address: cost(address) for address in addresses} == {
        address: (statements, rows + 18) for address, (statements, rows) in before.items()
    }
    assert cost("/health") == (1, 1)
    text = roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    fluids: dict[str, list[dict[str, Any]]] = {"All": lines}
    for line in lines:
        fluids.setdefault(line["fluid"], []).append(line)
    for name, of in fluids.items():
        jobs, out, filled = row_of(text, "By shop, litres" if name == "All" else "By fluid, litres", name)[:3]
        assert jobs.replace(",", "") == f"{sum(line['jobs'] for line in of)}", name
        assert float(out) == pytest.approx(sum(line["out_l"] for line in of), abs=0.01)
        assert float(filled) == pytest.approx(sum(line["filled_l"] for line in of), abs=0.01)
    assert "The first 3 of 23." in text, "shops, and all of them"
    assert "The first 2 of 22." in text, "bays"
    held = roll.send("GET", "/stock.json").json()
    assert f"The first 2 of {len(held)}." in text, "containers"


def test_fluids_are_named_as_their_bays_name_them_unless_they_differ(roll: Roll, path: Path) -> None:
    def name(fluid: str, called: str) -> dict[str, object]:
        return {"table": "fluid", "key": [fluid], "action": "add", "fields": {"name": called, "grade": "x"}}

    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        for called in ("Old name", "Axle <oil>"):
            changes = [name("gear oil 75W-90", called), name("ATF", "Gearbox oil")]
            ledger.append(None, "catalogue", {"origin": "page", "changes": changes}, at)
    roll.take(path, roll.tokens[0])
    for address in ("/jobs", "/usage", "/quality"):
        text = roll.send("GET", f"{address}?{MONTHS}", headers=SHOW).text
        assert "Axle &lt;oil&gt;" in text, address
        assert "gear oil 75W-90" not in text, address
        assert "Old name" not in text, address
    assert "Gearbox oil" in roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    told = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    assert "gear oil 75W-90" in {one["fluid"] for one in told}, "programs get the key"
    with roll.store.connection() as db:
        db.execute("insert into fluid_name values (%s, 'quay', 'bay-9', 'ATF', 'another')", [COMPANY])
    text = roll.send("GET", f"/usage?{MONTHS}", headers=SHOW).text
    assert "ATF" in text
    assert "Gearbox oil" not in text
    assert "Gearbox oil" in roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text


def test_one_job_is_reached_from_every_list(roll: Roll, path: Path) -> None:
    with closing(Ledger(path)) as ledger:
        kept, gone = (row.job_id for row in ledger.jobs(2))
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "samples_let_go", {"rule": "old", "jobs": {gone: 12}}, at)
    roll.take(path, roll.tokens[1])
    for job_id, said in ((kept, "Its curve and its sheet"), (gone, "Its sheet")):
        text = roll.send("GET", f"/jobs/quay/bay-9/{job_id}", headers=SHOW).text
        assert f'href="http://127.0.0.1:9/jobs/{job_id}">{said}, at the bay itself<' in text
        assert ("there is no curve of it any more" in text) == (job_id == gone)
    told = roll.send("GET", f"/jobs/quay/bay-9/{gone}.json").json()["samples_let_go"]
    assert told == {"utc": "2026-03-02T08:00:00.000+00:00", "rule": "old"}
    [first, *_] = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    address = f"/jobs/{first['shop']}/{first['bay']}/{first['job_id']}"
    html = roll.send("GET", address, headers=SHOW)
    assert "note 2: é, 漢" in html.text
    assert "± " in html.text
    assert address in roll.send("GET", f"/jobs?{MONTHS}", headers=SHOW).text
    assert roll.send("GET", f"{address}.json").json()["entries"][0]["kind"] == "job_open"
    assert roll.send("GET", "/jobs/quay/bay-9/none", headers=SHOW).status_code == 404
    older = roll.send("GET", f"/jobs?{MONTHS}", headers=SHOW).text.partition("before=")[2].partition('"')[0]
    page = roll.send("GET", f"/jobs?{MONTHS}&before={older}", headers=SHOW)
    assert page.text.count("rear axle") == 10
    for query in ("month=March", "months=99", "shop=hill", "before=x"):
        assert roll.send("GET", f"/jobs?{query}").status_code in (400, 422), query


def test_words_are_looked_for_so_far_and_then_on(
    roll: Roll, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    roll.take(path, roll.tokens[0])
    monkeypatch.setattr(jobs, "LOOKED", 25)
    query, shown = f"{MONTHS}&q=okafor+us+7", []
    page = roll.send("GET", f"/jobs?{query}", headers=SHOW).text
    assert 'name="q" value="okafor us 7"' in page
    assert "The newest 25 jobs were looked through, back to" in page
    assert "in all" not in page
    while True:
        shown += re.findall(r'href="/jobs/harbour/bay-1/(001-[0-9]+)"', page)
        if (further := re.search(r'href="([^"]*)">Go on looking', page)) is None:
            break
        page = roll.send("GET", unescape(further[1]), headers=SHOW).text
    told = roll.send("GET", f"/jobs.json?{query}").json()
    assert {one["vehicle"] for one in told} == {"Bus 7", "Bus 17", "Bus 27"}
    assert {one["technician"] for one in told} == {"M. Okafor"}
    assert shown == [one["job_id"] for one in told]
    rows = roll.send("GET", f"/jobs.csv?{query}").text.splitlines()
    assert len(rows) == 1 + len(told)


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


def test_a_fault_of_a_bay_stands_on_the_first_page(roll: Roll, path: Path, tmp_path: Path) -> None:
    roll.take(path, roll.tokens[0])
    with closing(record(tmp_path / "other.sqlite", 70, seed=5)):
        other = outbox.batch(tmp_path / "other.sqlite", 0, 9)
        give(roll.store, bay_of(roll.store, roll.tokens[0]), other)
        roll.take(path, roll.tokens[0], outbox.newest(path))
        html = roll.send("GET", "/", headers=SHOW).text
        assert ("in order now, refused" in html, "Do two boards have" in html) == (True, True)
        give(roll.store, bay_of(roll.store, roll.tokens[0]), other)
    html = roll.send("GET", "/", headers=SHOW).text
    assert "signs with the key" in html
    assert "set aside" not in html
    assert roll.send("GET", "/health").json()["refused"] == 1
    with roll.store.connection() as db:
        accept(db, "harbour", "bay-1", "E. Brandvold", "the card was <changed>")
    html = roll.send("GET", "/", headers=SHOW).text
    assert "the card was &lt;changed&gt;" in html
    [told] = roll.send("GET", "/asides.json").json()
    assert (told["who"], told["jobs"], told["lost"]) == ("E. Brandvold", 60, 60)


def test_bays_that_left_stand_apart_and_a_retired_one_that_speaks_again_is_named(
    roll: Roll, path: Path
) -> None:
    bearer = {"Authorization": f"Bearer {roll.tokens[0]}"}

    def first_page() -> tuple[str, str]:
        """Of the first page, what reports here and what left."""
        told = roll.send("GET", "/", headers=SHOW).text
        arrived, _by, gone = told.partition("Bays that left")
        return arrived, gone.partition("</section>")[0]

    roll.take(path, roll.tokens[0])
    used = roll.send("GET", f"/usage.csv?{MONTHS}").text
    listed = roll.send("GET", f"/usage?{MONTHS}").text.count("bay-1")
    with roll.store.connection() as db:
        leaving.retire(db, "harbour", "bay-1", "E. Brandvold", "it was <sold>")
    arrived, gone = first_page()
    assert "harbour · bay-1" not in arrived
    assert ("it was &lt;sold&gt;" in gone, "⚠ speaks again" in gone) == (True, False)
    assert {one["bay"] for one in roll.send("GET", "/bays.json").json()} == {"bay-9"}
    assert roll.send("GET", f"/usage.csv?{MONTHS}").text == used
    assert roll.send("GET", f"/usage?{MONTHS}").text.count("bay-1") == listed > 0
    assert "harbour · bay-1" not in roll.send("GET", "/calibrations").text
    assert roll.send("GET", "/health").json() == {"ok": True, "bays": 1, "refused": 0}
    for address in ("lists", "fills", "people"):
        assert roll.send("GET", f"/api/bays/{address}", headers=bearer).status_code == 403, address
    with closing(Ledger(path)) as ledger:
        ledger.append(
            None, "note", {"text": "it runs"}, Moment("boot", 9.0, "2099-01-01T08:00:00.000+00:00", True)
        )
    reply = roll.take(path, roll.tokens[0], outbox.newest(path) - 1).json()
    assert ("retired here" in reply["fault"], reply["people"]) == (True, 0)
    arrived, gone = first_page()
    assert "harbour · bay-1" in arrived, "it asks for somebody"
    assert "speaks again: 1 entry waits" in gone
    [told] = roll.send("GET", "/left.json").json()
    assert (told["behind"], told["moved"]) == (1, False)
    with roll.store.connection() as db:
        leaving.bring_back(db, "harbour", "bay-1", "E. Brandvold", "it is not")
        moving.move(
            db,
            ("harbour", "bay-1"),
            ("quay", "bay-1"),
            "E. Brandvold",
            "lent",
            "2026-02-05T00:00:00.000+00:00",
        )
    arrived, gone = first_page()
    assert ("quay · bay-1" in arrived, "goes on as quay · bay-1" in gone) == (True, True)
    assert roll.take(path, roll.tokens[0], outbox.newest(path) - 1).json()["fault"] is None
    assert whole(roll.store) == []


def test_a_bay_fetches_its_shops_lists_and_the_page_shows_where_it_had_said_otherwise(
    roll: Roll, path: Path
) -> None:
    change = {"table": "vehicle", "key": ["Bus <7>"], "action": "add", "fields": {"note": "green"}}
    with roll.store.connection() as db:
        assert [lists.add(db, "harbour", "E. Brandvold", "buses.csv", [change]) for _ in range(2)] == [1, 2]
    issued = lists_of_bay.Issue(1, "2026-03-01", "E. Brandvold", ())
    differed = lists_of_bay.Differed("vehicle", ("Bus <7>",), "note", "blue", "green", "shop")
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "catalogue", lists_of_bay.body(issued, lists_of_bay.Met((), (differed,))), at)
    told = [roll.take(path, token).json() for token in roll.tokens]
    assert [(one["lists"], one["fills"]) for one in told] == [(2, 0), (0, 0)]
    headers = {"Authorization": f"Bearer {roll.tokens[0]}"}
    [one] = roll.send("GET", "/api/bays/lists?after=1", headers=headers).json()["issues"]
    assert lists_of_bay.issue(one).changes[0].fields == {"note": "green"}
    assert roll.send("GET", "/api/bays/lists").status_code == 401
    headers = {"Authorization": f"Bearer {enter(roll.store, bay='bay-2')}"}
    [one] = roll.send("GET", "/api/bays/fills", headers=headers).json()["issues"]
    [fills] = sisters.told_of(one).fills
    assert (fills.bay, fills.n > 20) == ("bay-1", True)
    assert roll.send("GET", "/api/bays/fills").status_code == 401
    with roll.store.connection() as db:
        many = [{**change, "key": [f"Bus {n}"]} for n in range(lists.CHANGES_MOST + 1)]
        assert lists.add(db, "quay", "E. Brandvold", "all.csv", many) == 2
        assert [len(json.loads(one.changes)) for one in lists.issued(db, ["quay"])] == [lists.CHANGES_MOST, 1]
        fields = {"amount": "9.50", "per": "1 L", "currency": "EUR"}
        prices = [
            {**change, "table": "price", "key": [of], "fields": {**fields, "amount": "95.0"}}
            for of in ("gear oil 75W-90", "ATF")
        ]
        lists.add(db, "harbour", "E. Brandvold", "prices.csv", prices)  # from today on, after all of that
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    assert {(one["cost"], one["unpriced_l"] == one["out_l"]) for one in lines} == {(None, True)}
    assert "no price then" in roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    with roll.store.connection() as db:
        for amount in ("95.0", "9.50"):  # a slip, put right
            dated = [
                {**one, "key": [*one["key"], "2026-01-01"], "fields": {**fields, "amount": amount}}
                for one in prices
            ]
            lists.add(db, "harbour", "E. Brandvold", "prices.csv", dated)
    text = roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    behind = text.partition("<h2>Prices behind these costs</h2>")[2].partition("</section>")[0]
    for words in ("2026-01-01", "9.50 EUR for 1\u00a0L", "95.0 EUR for 1\u00a0L"):
        assert words in behind, words
    lines = roll.send("GET", f"/usage.json?{MONTHS}").json()["lines"]
    mine = [one for one in lines if one["shop"] == "harbour"]
    assert [one["cost"] for one in mine] == pytest.approx([9.5 * one["out_l"] for one in mine])
    assert {(one["cost"], one["currency"]) for one in lines if one["shop"] == "quay"} == {(None, "")}
    total = fmt.money(sum(one["cost"] for one in mine), "EUR").replace("&", "&amp;")
    assert total in roll.send("GET", f"/usage?{MONTHS}&shop=harbour", headers=SHOW).text
    text = roll.send("GET", "/lists", headers=SHOW).text
    for words in (
        "Bus &lt;7&gt;",
        "blue",
        "the shop&#39;s",
        "behind",
        "buses.csv",
        "quay · bay-9",
        "and 197 more",
        "rear axle, midibus",
    ):
        assert words in text, words
    text = roll.send("GET", "/lists.csv").text
    [line] = [one for one in text.splitlines() if one.startswith("harbour")]
    assert line.startswith("harbour,bay-1,")
    assert line.endswith(",1,vehicle,Bus <7>,note,blue,green,shop,")
    told = roll.send("GET", "/lists.json").json()["bays"]
    assert [(one["bay"], one["differed"][0]["bay"]) for one in told if one["shop"] == "harbour"] == [
        ("bay-1", "blue")
    ]


def test_a_shops_lists_are_changed_on_their_page_and_its_bays_stand_below(roll: Roll, path: Path) -> None:
    def change(how: str, table: str, **more: Any) -> httpx.Response:
        body = {"shop": "harbour", "table": table, "by": "E. Brandvold", **more}
        return roll.send("POST", f"/api/lists/{how}", json=body, headers=CHANGE)

    bus = {"vehicle": "Bus <5>", "note": "green"}
    hint = "A bay that has its list already hands it out as CSV under Setup; import it below."
    assert hint in roll.send("GET", "/lists/harbour?table=vehicle", headers=SHOW).text
    assert hint not in roll.send("GET", "/lists/harbour?table=shop", headers=SHOW).text, (
        "of its file, not its list"
    )
    assert change("enter", "vehicle", fields=bus).json() == {"done": True, "changed": True}
    assert hint not in roll.send("GET", "/lists/harbour?table=vehicle", headers=SHOW).text
    assert change("enter", "vehicle", fields=bus).json()["changed"] is False
    axle = {"vehicle": "Bus <5>", "compartment": "rear axle", "capacity": "2,9 L", "method": "drain plug"}
    wrong = change("enter", "compartment", fields={**axle, "capacity": "2.9"})
    assert (wrong.status_code, "capacity" in wrong.json()["text"]) == (400, True)
    plain = axle | {"capacity": "2.9 L"}
    assert change("enter", "compartment", fields=plain).status_code == 200
    issued = lists_of_bay.Issue(2, "2026-03-01", "E. Brandvold", ())
    differed = lists_of_bay.Differed("vehicle", ("Bus <5>",), "note", "blue", "green", "shop")
    with closing(Ledger(path)) as ledger:
        at = Moment("boot", 99.0, "2026-03-02T08:00:00.000+00:00", True)
        ledger.append(None, "catalogue", lists_of_bay.body(issued, lists_of_bay.Met((), (differed,))), at)
    roll.take(path, roll.tokens[0])
    text = unescape(roll.send("GET", "/lists/harbour", headers=SHOW).text)
    for words in ("Bus <5>", 'data-to="/api/lists"', 'data-shop="harbour"', "has version 2, the newest"):
        assert words in text, words
    assert "vehicle Bus <5>, note: the bay had blue, the shop says green; in force: the shop's" in text
    assert "2.9 L" in roll.send("GET", "/lists/harbour?table=compartment", headers=SHOW).text

    csv = roll.send("GET", "/lists/harbour/vehicle.csv").text + "Bus 6,,red\r\n"
    sent = {"data": b64encode(csv.encode()).decode(), "name": "buses.csv"}
    told = change("import", "vehicle", apply=False, **sent).json()
    assert (told["can"], len(told["plan"]["changes"]), told["plan"]["unchanged"]) == (True, 1, 1)
    assert "has version 2, the newest" in roll.send("GET", "/lists/harbour", headers=SHOW).text
    assert change("import", "vehicle", apply=True, **sent).status_code == 200
    assert change("retire", "vehicle", key=["Bus 6"]).status_code == 200
    assert change("retire", "vehicle", key=["Bus 6"]).status_code == 400
    text = unescape(roll.send("GET", "/lists/harbour", headers=SHOW).text)
    assert "has version 2 of 4" in text
    assert "Retired: 1" in text
    with roll.store.connection() as db:
        kept = [(one.version, one.who, one.origin) for one in lists.issued(db, ["harbour"])]
    assert kept == [(n, "E. Brandvold", "buses.csv" if n == 3 else "page") for n in (1, 2, 3, 4)]
    for address, status in (("/lists/hill", 404), ("/lists/quay?table=x", 404), ("/lists?shop=quay", 303)):
        assert roll.send("GET", address, headers=SHOW).status_code == status, address
    assert change("enter", "vehicle", fields=bus, shop="hill").status_code == 404


def test_what_programs_may_read_is_described(roll: Roll) -> None:
    told = roll.send("GET", "/api/openapi.json").json()
    assert set(told["paths"]) == {
        "/bays.json", "/asides.json", "/left.json", "/uncounted.json", "/lists.json", "/notices.json", "/jobs.json", "/jobs/{shop}/{bay}/{job_id}.json", "/usage.json", "/missing.json", "/stock.json", "/quality.json",
        "/quality/meter.json", "/calibrations.json", "/comparisons.json", "/compartments.json", "/technicians.json",
    }  # fmt: skip
    assert "deviation_percent" in told["components"]["schemas"]["JobLine"]["properties"]
    assert all(one["get"]["description"] for one in told["paths"].values())


def test_every_documented_read_answers_as_its_schema_says(roll: Roll, path: Path) -> None:
    """Checked by a validator of JSON Schema that knows nothing of this application. Nothing may be told that is not described."""
    count(path)
    roll.take(path, roll.tokens[0])
    with roll.store.connection() as db:
        db.execute(
            "insert into certificate values (%s, 'harbour', 'bay-1', 1, 'P-1', 'pan', 'Pan 1', '2025-06-01', '2026-06-01', null)",
            [COMPANY],
        )
        lists.add(db, "harbour", "E. Brandvold", "buses.csv", [{"table": "vehicle", "key": ["Bus 7"]}])
        db.execute(
            "insert into bay (company, shop, bay, token_hash) values (%s, 'harbour', 'bay-3', '')", [COMPANY]
        )
        leaving.retire(db, "harbour", "bay-3", "E. Brandvold", "sold")
    described = roll.send("GET", "/api/openapi.json").json()
    for schema in described["components"]["schemas"].values():
        schema["additionalProperties"] = False
    [job, *_] = roll.send("GET", f"/jobs.json?{MONTHS}").json()
    empty = []
    for address, one in described["paths"].items():
        asked = f"{address.format(**job)}?{MONTHS}&shop=harbour&meter=Bay%201%20meter"
        reply = roll.send("GET", asked)
        assert reply.status_code == 200, (address, reply.text)
        of = one["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        whole_schema = {**of, "components": described["components"]}
        wrong = [error.message for error in Draft202012Validator(whole_schema).iter_errors(reply.json())]
        assert not wrong, (address, wrong[:3])
        if address == "/usage.json":
            [told] = (one for one in reply.json()["lines"] if one["fluid"] == "ATF")
            spoilt = {"lines": [{**told, "filled_l": "much"}, {**told, "more": 1}], "days": []}
            assert len(list(Draft202012Validator(whole_schema).iter_errors(spoilt))) == 2
        empty += [address] if reply.json() in ([], {}) else []
        for given in one["get"].get("parameters", []):
            if given["name"] == "month":
                refused = roll.send("GET", asked.replace("2026-12", "2026-13"))
                assert (refused.status_code, "month" in refused.json()["text"]) == (400, True), address
    assert empty == ["/asides.json", "/uncounted.json"], (
        "nothing was set aside or cannot be counted; everything else has rows to be checked"
    )


def test_an_empty_roll_up_says_what_to_do(store: Store) -> None:
    transport = httpx.ASGITransport(create_app(store, Access(None)), client=("127.0.0.1", 50000))
    with asyncio.Runner() as runner:
        client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
        pages = {
            a: runner.run(client.get(a, headers=SHOW))
            for a in ("/", "/jobs", "/usage", "/quality", "/calibrations")
        }
    assert {address: page.status_code for address, page in pages.items()} == dict.fromkeys(pages, 200)
    assert "tallypan roll-up enter" in pages["/"].text


# --- the wall ----------------------------------------------------------------------------------------------

VIEW = {
    "stage": "fill",
    "text": {"job": "Bus 7 · rear axle", "to_go": "1.20 L", "verdict.word": "–"},
    "flag": {"job": True, "verdict": False},
}


def test_a_bays_view_becomes_its_tile() -> None:
    tile = read(BayNow("harbour", "bay-1", "http://x"), VIEW)
    assert (tile.live, tile.label, tile.figure, tile.verdict) == (True, "To go", "1.20 L", "")
    assert read(tile, {}).figure == ""
    drained = {"stage": "drain", "text": {"drained": "2.843 ± 0.008 L"}, "flag": {"job": True}}
    tile = read(tile, drained)
    assert (tile.figure, tile.doubt) == ("2.843", "± 0.008 L")


def test_a_bay_whose_record_never_came_is_not_idle_and_no_more(store: Store) -> None:
    """Its stream is heard and says that no job is there; of its record nothing is."""
    store.enter_bay(COMPANY, "harbour", "bay-1", ZONE, "http://127.0.0.1:9")

    class Bay(httpx.AsyncBaseTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            return httpx.Response(200, text='event: view\ndata: {"stage": "idle"}\n\n')

    async def watch() -> BayNow:
        on = Wall(store, Bay())
        await on.start()
        try:
            while True:
                found = on.now({"harbour"})
                if found and found[0].live:
                    return found[0]
                await asyncio.sleep(0.01)
        finally:
            await on.close()

    tile = asyncio.run(asyncio.wait_for(watch(), 30.0))
    assert (tile.stage, "nothing of its record" in tile.said) == ("idle", True)
    wall = Wall(store)
    wall._bays["harbour", "bay-1"] = replace(tile, said="", since="its record last came then", live=True)
    [silent] = wall.now({"harbour"})  # no stream was ever heard here
    assert (silent.live, silent.stage, silent.said) == (False, "", "its record last came then")


def test_a_bay_that_left_goes_from_the_wall(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from web.shop.many import wall

    monkeypatch.setattr(wall, "LOOK_S", 0.01)
    for name in ("bay-1", "bay-2"):
        store.enter_bay(COMPANY, "harbour", name, ZONE, "http://127.0.0.1:9")

    async def watch() -> list[BayNow]:
        on = Wall(store, httpx.MockTransport(lambda _request: httpx.Response(503)))
        await on.start()
        try:
            while len(on.now({"harbour"})) < 2:
                await asyncio.sleep(0.01)
            with store.connection() as db:
                leaving.retire(db, "harbour", "bay-1", "E. Brandvold", "sold")
            while len(found := on.now({"harbour"})) > 1:
                await asyncio.sleep(0.01)
            assert list(on._following) == [("harbour", "bay-2")]
            return found
        finally:
            await on.close()

    [left] = asyncio.run(asyncio.wait_for(watch(), 30.0))
    assert left.bay == "bay-2"


def test_a_bay_that_is_not_heard_says_since_when_by_its_shops_own_clock(roll: Roll, path: Path) -> None:
    assert roll.take(path, roll.tokens[0]).status_code == 200
    with roll.store.connection() as db:
        db.execute(
            "update bay set heard = '2026-07-01T23:30:00+00:00', page = 'http://127.0.0.1:9' where shop = 'harbour'"
        )
    wall = Wall(roll.store, httpx.MockTransport(lambda request: httpx.Response(503)))

    async def since() -> str:
        await wall.start()
        try:
            while not (found := wall.now({"harbour"})):
                await asyncio.sleep(0.01)
            return found[0].said
        finally:
            await wall.close()

    assert asyncio.run(asyncio.wait_for(since(), 30.0)) == "its record last came 2026-07-02 01:30 UTC+02:00"


def test_a_certificate_ends_by_the_day_of_its_shop() -> None:
    """At 23:30 UTC it is tomorrow in one shop and still today in the other, as their bays' own pages say."""
    zones = {"harbour": "Europe/Oslo", "quay": "America/Los_Angeles"}
    shops, asked_for = Shops(COMPANY, zones), scope_of(COMPANY, list(zones), "2026-07", 1, [])
    ends = date(2026, 7, 1)
    made = "2025-07-01T08:00:00+00:00"
    found = [Certified(shop, "bay-1", "meter", f"Meter {shop}", f"M {shop}", made, ends) for shop in zones]
    at = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    asked = Asked(asked_for, shops, "", "2026-07", 1, {})
    [section] = contexts.calibrations_page(asked, found, [], 2, at, {}).sections
    assert {row[1].text: row[5].text for row in section.rows} == {
        "Meter harbour": "⚠ overdue since 1 day",
        "Meter quay": "! 0 days left",
    }


def test_a_stream_that_breaks_off_is_followed_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    from web.shop.many import wall

    monkeypatch.setattr(wall, "AGAIN_S", 0.01)
    asked = 0

    class Bays(httpx.AsyncBaseTransport):
        async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
            nonlocal asked
            asked += 1
            if asked == 1:
                raise httpx.ConnectError("the bay is off")
            if asked == 2:
                return httpx.Response(503)
            to_go = {**VIEW, "text": {**VIEW["text"], "to_go": f"{asked} L"}}  # type: ignore[dict-item]
            return httpx.Response(200, text=f"event: view\ndata: {json.dumps(to_go)}\n\n")

    store.enter_bay(COMPANY, "harbour", "bay-1", ZONE, "http://127.0.0.1:9")

    async def watch() -> str:
        on = Wall(store, Bays())
        await on.start()
        try:
            async for event in on.events({"harbour"}):
                told = json.loads(str(event.data))
                if told and told[0]["figure"] not in ("", "3 L"):
                    return str(told[0]["figure"])
        finally:
            await on.close()
        return ""

    assert asyncio.run(asyncio.wait_for(watch(), 30.0)).endswith(" L")
    assert asked > 3
