"""Page, CSV, JSON and command say the same of the same record: two rehearsed years of a depot, with a job given up while it was
short and a drum that nobody counted."""

import csv
import html
import io
import json
import re
from collections.abc import Callable
from contextlib import closing, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from station.__main__ import main
from station.common import days
from station.given.config import BayConfig, demo_path, read_config
from station.learning import sisters
from station.learning.sisters import Fills
from station.record.finding import EVERY, Wanted
from station.record.ledger import JobRow, Ledger
from station.rehearsing import depot
from station.shop import catalogue, offered
from station.shop.catalogue import Change
from tests.station.shop_rows import ROW, at
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.frame import format as fmt

ZONE = read_config(demo_path()).zone
GIVEN_UP = {
    "job_id": "given-up",
    "stage": "abandoned",
    "verdict": "short",
    "filled_l": 1.2,
    "metered_l": 1.2,
    "vehicle": "Bus 77",
}

SISTER = Fills(12, 2.844, 0.002, 0.007, 0, "bay-<2>", "rear axle R29", "cover removed", "2026-01-05T08:00:00+00:00",
    "2026-10-01T08:00:00+00:00")  # fmt: skip


class OverRecord(FakeEngine):
    """The double over a record of its own, with its catalogue."""

    def __init__(self, path: Path) -> None:
        super().__init__(ledger=path)
        self.zone = ZONE
        with self.reading() as ledger:
            self.shop = catalogue.read(ledger)

    def settings(self) -> BayConfig:
        return offered.merged(super().settings(), self.shop)

    def jobs(self, limit: int = 50, before: str | None = None, wanted: Wanted = EVERY) -> list[JobRow]:
        with self.reading() as ledger:
            return ledger.jobs(limit, before, wanted)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("depot") / "l.sqlite"
    depot.begin(path, ZONE)
    ledger = Ledger(path)
    newest = ledger.newest_utc()
    assert newest is not None
    row = {**ROW, **GIVEN_UP, "opened_utc": newest, "closed_utc": newest, "container": "spare drum"}
    ledger.append("given-up", "job_open", {}, at(newest))
    ledger.append("given-up", "result", {"row": row}, at(newest), row)
    fluid = next(iter(catalogue.read(ledger).entries["fluid"]))[0]
    spare = Change("container", ("spare drum",), "add", {"fluid": fluid, "size": "60 L"})
    ledger.append(None, catalogue.EVENT, catalogue.body([spare], "test"), at(newest))
    ledger.append(None, sisters.EVENT, sisters.Told(1, newest, (SISTER,)).body(), at(newest))
    ledger.close()
    return path


@pytest.fixture
def bay(open_bay: Callable[..., Bay], record: Path) -> Bay:
    return open_bay(OverRecord(record))


def text_of(bay: Bay, path: str) -> str:
    reply = bay.html(path)
    assert reply.status_code == 200, reply.text
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", reply.text))).replace("\u00a0", " ")


def file_of(bay: Bay, path: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(bay.send("GET", path).text)))


def told(record: Path, *command: str) -> Any:
    said = io.StringIO()
    with redirect_stdout(said):
        assert main([*command, "--ledger", str(record), "--json"]) == 0
    return json.loads(said.getvalue())


@pytest.mark.parametrize(
    "query", ["", "outcome=short", "outcome=abandoned", "q=bus+gearbox", "from=2020-01-01&vehicle=Bus+77"]
)
def test_jobs(bay: Bay, record: Path, query: str) -> None:
    rows = bay.send("GET", f"/jobs.json?{query}").json()["jobs"]
    assert rows
    listed = file_of(bay, f"/jobs.csv?{query}")
    assert [(row["job_id"], row["verdict"]) for row in listed] == [
        (row["job_id"], row["verdict"]) for row in rows
    ]
    words = [f"--{name}={value}" for name, value in re.findall(r"(outcome|vehicle|from)=([^&]+)", query)]
    asked = [*words, *re.findall(r"q=(\S+)", query.replace("+", " "))]
    asked = [word.replace("+", " ") for word in asked] if "q=" not in query else ["bus", "gearbox"]
    assert told(record, "jobs", "--limit", "10000", *asked)["jobs"] == rows
    page = bay.html(f"/jobs?{query}").text
    assert re.findall(r'<th scope="row"><a href="/jobs/([^"]+)"', page) == [
        row["job_id"] for row in rows[:50]
    ]
    verdicts = re.findall(
        r'data-label="Verdict"><span class="chip" data-tone="\w+">(?:<span[^>]+>[^<]*</span> )?([^<]+)<', page
    )
    assert [word.casefold() for word in verdicts] == [row["verdict"] for row in rows[:50]]
    given_up = {row["verdict"] for row in rows if row["job_id"] == "given-up"}
    assert given_up <= {"abandoned"}
    if query == "outcome=short":
        assert not given_up


def test_stock_that_nobody_counted_is_not_known_anywhere(bay: Bay, record: Path) -> None:
    held = bay.send("GET", "/stock.json").json()["stock"]
    listed = file_of(bay, "/stock.csv")
    assert told(record, "stock")["stock"] == held
    (spare,) = (row for row in held if row["container"] == "spare drum")
    assert (spare["content_l"], spare["state"]) == (None, "not counted yet")
    (cells,) = (row for row in listed if row["container"] == "spare drum")
    assert (cells["content_l"], cells["u95_l"], cells["state"]) == ("", "", "not counted yet")
    page = text_of(bay, "/usage")
    assert re.search(r"spare drum .{0,60}Not counted yet", page)
    for one in held:
        if one["content_l"] is not None:
            assert str(fmt.litres(one["content_l"], one["u95_l"])) in page


def test_a_months_books(bay: Bay, record: Path) -> None:
    with closing(Ledger(record, read_only=True)) as ledger:
        newest = ledger.newest_utc()
    assert newest is not None
    month = days.day_of(newest, ZONE)[:7]  # in the first minutes of a month it is the last one's
    books = bay.send("GET", f"/usage.json?month={month}").json()
    said = told(record, "audit", "--month", month)
    assert {name: books[name] for name in said} == said
    assert books["total"]["abandoned"] == 1
    page = text_of(bay, f"/usage?month={month}")
    total = books["total"]
    for shown in (
        fmt.litres(total["out_l"]),
        fmt.litres(total["filled_l"]),
        f"{total['jobs']} and 1 abandoned",
    ):
        assert str(shown) in page
    for by in ("day", "technician", "vehicle", "compartment", "fluid"):
        rows = file_of(bay, f"/usage.csv?month={month}&by={by}")
        assert [(row["group"], int(row["jobs"]), int(row["abandoned"])) for row in rows] == [
            (line["group"], line["jobs"], line["abandoned"]) for line in [*books["by"][by], total]
        ]
    takes = file_of(bay, f"/usage.csv?month={month}&by=missing")
    assert [(row["container"], row["closing_utc"]) for row in takes] == [
        (one["container"], one["closing_utc"]) for one in books["missing"]["takes"]
    ]


def test_what_a_sister_filled_stands_beside_the_bays_own(bay: Bay) -> None:
    rows = bay.send("GET", "/expected.json").json()["expected"]
    [row, *_] = [one for one in rows if one["type"] == SISTER.compartment_type]
    assert (row["n"] - row["own_n"], [one["bay"] for one in row["bays"]]) == (12, ["", SISTER.bay])
    page = text_of(bay, "/expected")
    assert f"learned from {row['n']} jobs, 12 of them at other bays here: {row['own_n']}, mean 2.8" in page
    assert "bay-<2>: 12 from 2026-01-05 to 2026-10-01, mean 2.844 ± 0.016 L" in page


@pytest.mark.parametrize(
    ("path", "name", "command", "key"),
    [
        ("/due", "due", ["due"], "text"),
        ("/expected", "expected", ["expected"], "words"),
        ("/entries", "entries", ["entries", "--limit", "10000"], "utc"),
        ("/changes", "changes", ["changes"], "parameter"),
        ("/quality/fills?verdict=short", "fills", [], "job_id"),
    ],
)
def test_other_lists(bay: Bay, record: Path, path: str, name: str, command: list[str], key: str) -> None:
    address, _, query = path.partition("?")
    rows = bay.send("GET", f"{address}.json?{query}").json()[name]
    assert rows
    listed = file_of(bay, f"{address}.csv?{query}")
    assert [row[key] for row in listed] == [row[key] for row in rows]
    if command:
        assert told(record, *command)[name] == rows
    page = bay.html(path).text
    shown = re.search(r'class="hint">(?:(\d+) in all|\d+ to \d+ of (\d+)|(\d+) shown)', page)
    assert shown is not None
    count = int(shown[1] or shown[2] or shown[3])
    assert count == (50 if shown[3] else len(rows))
    # Half of what the list was searched for is not the whole of it.
    some = bay.send("GET", f"{address}.json?{query}&q=nothing+like+this").json()[name]
    assert some == []
    assert "fits what was asked for" in bay.html(f"{address}?{query}&q=nothing+like+this").text
