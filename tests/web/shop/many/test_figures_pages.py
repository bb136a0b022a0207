"""Usage and quality of many bays: what stands on each page and in its files, however large the company."""

import csv
import io
import re
from contextlib import closing
from html import escape, unescape
from pathlib import Path
from typing import Any

import psycopg
import pytest

from calibration.certificates import KINDS
from station.record.ledger import Ledger, Moment
from station.record.many import compartments
from station.record.many.exporting import TABLES, file_of
from station.record.many.queries import scope_of
from tests.rolled import COMPANY, certificate, record
from tests.web.shop.many.conftest import MONTHS, SHOW, Roll, count
from web.shop.many import comparing, contexts, pages, using
from web.shop.quality_chart import POINTS


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
