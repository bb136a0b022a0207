"""The manager's pages over a real ledger: books, stock takes, used fluid, entries, service due."""

import csv
import html
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from station.shop import audit, catalogue, movement
from tests.station.shop_rows import add, at, shop
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from web.shop.moves import KINDS

MARCH = "/usage?month=2026-03"
MOVES: list[tuple[str, tuple[Any, ...], dict[str, Any]]] = [
    ("2026-03-01T06:00:00.000+00:00", ("counted", "gear_75w90", 50.0, 0.1, "drum 1"), {}),
    ("2026-03-05T06:00:00.000+00:00", ("received", "gear_75w90", 20.0, 0.1, "drum 1"), {"note": "note 1182"}),
    ("2026-03-06T06:00:00.000+00:00", ("purge", "gear_75w90", 0.35, 0.02, "drum 1"), {}),
    ("2026-03-07T06:00:00.000+00:00", ("waste", "gear_75w90", 1.25, 0.1, "drum 1"), {}),
    ("2026-03-08T06:00:00.000+00:00", ("drawn", "gear_75w90", 2.0, 0.05, "drum 1"), {"vehicle": "Bus 9"}),
    ("2026-03-20T06:00:00.000+00:00", ("collected", "used fluid", 4.0, 0.1), {}),
    ("2026-03-31T06:00:00.000+00:00", ("counted", "gear_75w90", 55.0, 0.1, "drum 1"), {}),
]
"""70 L stood there or came; 2 jobs metered 2.90 L each; 9.40 L are booked out and 15 L are gone: 5.60 L too many."""


@pytest.fixture
def march(open_bay: Callable[..., Bay], tmp_path: Path) -> Bay:
    ledger = shop(tmp_path / "l.sqlite")
    for n, (utc, values, named) in enumerate(MOVES):
        ledger.append(None, movement.EVENT, movement.Movement(*values, **named).to_dict(), at(utc))
        if n == 0:
            lindqvist = {"fluid": "gear_75w90", "technician": "J. Lindqvist", "vehicle": "Bus 7"}
            add(ledger, {"fluid": "gear_75w90"}, lindqvist)
    add(ledger, {"fluid": "gear_75w90", "opened_utc": "2026-04-02T08:00:00.000+00:00"})
    ledger.close()
    return open_bay(FakeEngine(ledger=tmp_path / "l.sqlite"))


def page_text(bay: Bay, path: str) -> str:
    reply = bay.html(path)
    assert reply.status_code == 200, reply.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", reply.text)).replace("\u00a0", " ")


def test_the_sums_of_a_month(march: Bay) -> None:
    text = page_text(march, MARCH)
    for words in (
        "Out of containers 9.40 L",  # 2 × 2.90 metered + 0.35 + 1.25 + 2.00
        "Into compartments 5.76 L",
        "Overflow 0.04 L",
        "Purge 0.35 L",
        "Waste 1.25 L",
        "Drawn by hand 2.000 ± 0.050 L",
        "Delivered 20.00 L",
        "Cost 89.30 EUR",  # 9.40 L at 9.50 EUR
        "Jobs 2",
    ):
        assert words in text


def test_a_printed_month_says_whose_it_is_when_it_was_printed_and_that_it_is_invented(march: Bay) -> None:
    head = march.html(MARCH).text.partition('<header class="paper-only">')[2].partition("</header>")[0]
    for words in (
        march.engine.settings().shop.name,
        march.engine.bay_name,
        "Figures of 20",
        "Simulated bay: every figure",
    ):
        assert words
        assert words in head
    empty = march.html("/usage?month=2025-03").text
    assert empty.count('<figure class="picture screen-only">') == 3  # what has nothing in it is not printed


def test_what_is_missing_stands_on_top_in_litres_and_money_and_leads_to_the_jobs_behind_it(
    march: Bay,
) -> None:
    text = page_text(march, MARCH)
    top = text[: text.index("Out of containers 9.40 L")]
    assert "Missing fluid 5.60 ± 0.21 L 53.20 EUR" in top  # 5.60 L at 9.50 EUR
    assert "1 of 1 count did not agree with the books" in top
    (address,) = re.findall(r'href="(/jobs\?container=[^"]+)"', march.html(MARCH).text)
    assert html.unescape(address) == "/jobs?container=drum+1&from=2026-03-01&to=2026-03-31"
    (row,) = csv.DictReader(io.StringIO(march.send("GET", "/usage.csv?month=2026-03&by=missing").text))
    told = march.send("GET", "/usage.json?month=2026-03").json()["missing"]
    assert (float(row["rest_l"]), float(row["cost"])) == pytest.approx((5.60, 53.20))
    assert (told["volume_l"], told["cost"]) == pytest.approx((5.60, 53.20))
    assert "nobody knows" not in top
    assert "only two counts say what is missing" in page_text(march, "/usage?month=2026-02")


def test_a_count_that_agrees_has_no_worth_that_could_be_read_as_a_loss(
    open_bay: Callable[..., Bay], tmp_path: Path
) -> None:
    """A rest of 0.10 L within 0.29 L, a surplus of 1 L, and 2 L that are missing of a fluid without a price."""
    ledger = shop(tmp_path / "l.sqlite")
    for container, fluid, found_l in (
        ("drum 1", "gear_75w90", 49.9),
        ("drum 2", "gear_75w90", 51.0),
        ("keg", "atf", 48.0),
    ):
        for day, volume_l in (("02", 50.0), ("30", found_l)):
            counted = movement.Movement("counted", fluid, volume_l, 0.2, container)
            ledger.append(None, movement.EVENT, counted.to_dict(), at(f"2026-03-{day}T06:00:00.000+00:00"))
    ledger.close()
    bay = open_bay(FakeEngine(ledger=tmp_path / "l.sqlite"))
    text = page_text(bay, MARCH)
    rows = text[text.index("Missing is worth") : text.index("Missing fluid as CSV")]
    for words in (
        "0.10 ± 0.29 L ✓ agrees nothing missing",
        "1.00 ± 0.29 L ⚠ surplus nothing missing",
        "2.00 ± 0.29 L ⚠ missing no price then",
    ):
        assert words in rows, words
    assert "Missing fluid 2.00 ± 0.29 L no price then" in text
    told = csv.DictReader(io.StringIO(bay.send("GET", "/usage.csv?month=2026-03&by=missing").text))
    assert {(row["container"], row["cost"]) for row in told} == {("drum 1", ""), ("drum 2", ""), ("keg", "")}


def test_a_cost_says_what_had_no_price_then_and_which_prices_it_was_reckoned_with(march: Bay) -> None:
    entries = {table: dict(rows) for table, rows in march.engine.shop.entries.items()}
    entries["price"].clear()
    march.engine.shop = catalogue.Catalogue(entries)
    assert "Cost no price then" in page_text(march, MARCH)
    assert "No price held for what left in this month." in page_text(march, MARCH)
    price = {"amount": "95.0", "per": "1 L", "currency": "EUR"}
    for since, utc, fields in (
        ("2026-03-08", "2026-03-09", price),
        ("2026-03-08", "2026-03-10", {**price, "amount": "9.50"}),
        ("2026-04-01", "2026-03-10", price),
    ):
        change = catalogue.Change("price", ("gear_75w90", since), "add", fields)
        catalogue.apply(entries, change.to_dict(), utc)
    march.engine.shop = catalogue.Catalogue(entries)
    text = page_text(march, MARCH)
    assert "Cost 74.10 EUR, and 1.60 L had no price then" in text  # purge and waste before the 8th of 9.40 L
    behind = text[text.index("Prices behind these costs") :].partition("A price holds")[0]
    assert "2026-03-08 9.50 EUR for 1 L 2026-03-10 95.0 EUR for 1 L" in behind
    assert "2026-04-01" not in behind
    *_lines, total = csv.DictReader(io.StringIO(march.send("GET", "/usage.csv?month=2026-03&by=day").text))
    assert (float(total["cost"]), float(total["unpriced_l"])) == pytest.approx((74.1, 1.6))


def test_a_printed_month_says_who_printed_it(bay: Bay) -> None:
    reply = bay.post("/api/say", {"name": "E. Brandvold"})
    cookie = reply.headers["set-cookie"].partition(";")[0]
    text = bay.send("GET", "/usage", headers={"Accept": "text/html", "Cookie": cookie}).text
    head = text.partition('<header class="paper-only">')[2].partition("</header>")[0]
    assert re.search(r"Figures of 20[^<]+, printed by E\. Brandvold", head), head


def test_every_picture_has_its_numbers_as_a_file(march: Bay) -> None:
    files = [
        html.unescape(one) for one in re.findall(r'href="([^"]+)">The numbers as CSV', march.html(MARCH).text)
    ]
    assert (
        len(files) == 6
    )  # missing, in and out, cost by month, by technician and by vehicle, the drum's level
    months = list(csv.DictReader(io.StringIO(march.send("GET", files[1]).text)))
    assert [row["group"] for row in months][-2:] == ["2026-02", "2026-03"]
    assert (float(months[-1]["received_l"]), float(months[-1]["out_l"])) == pytest.approx((20.0, 9.4))
    levels = list(
        csv.DictReader(
            io.StringIO(march.send("GET", "/usage.csv?month=2026-03&by=level&container=drum%201").text)
        )
    )
    assert [row["what"] for row in levels] == "counted received purge waste drawn job job counted".split()
    assert float(levels[-2]["level_l"]) == pytest.approx(60.6)  # 50 + 20 − 9.40
    assert float(levels[-1]["change_l"]) == pytest.approx(-5.6)


def test_a_stock_take_shows_what_is_not_booked(march: Bay) -> None:
    text = page_text(march, MARCH)
    assert "50.00 L 20.00 L 55.00 L 15.00 L 9.40 L 5.60 ±" in text
    assert "more went out than is booked" in text


def test_used_fluid_for_the_disposal_record(march: Bay) -> None:
    text = page_text(march, MARCH)
    assert "Used fluid in all 7.340 ± 0.020 L" in text  # 2 × 2.85 drained + 0.04 + 0.35 + 1.25
    assert "Collected for disposal 4.00 L" in text


def test_the_container_says_what_it_should_hold_and_since_when(march: Bay) -> None:
    text = page_text(march, MARCH)
    assert "drum 1 Gear oil 75W-90, fresh, 60.00 L 52.10 ±" in text  # 55 L less the one job of April
    assert "counted: 2026-03-31" in text


def test_a_container_that_was_never_counted_says_so(bay: Bay) -> None:
    assert "Not counted yet" in page_text(bay, "/usage")


@pytest.mark.parametrize(
    ("by", "group"),
    [
        ("day", "2026-03-10"),
        ("technician", "J. Lindqvist"),
        ("vehicle", "Bus 9"),
        ("compartment", "Bus 12 · rear axle"),
        ("fluid", "Gear oil 75W-90"),
    ],
)
def test_lines_by_each_group_add_up_to_the_total(march: Bay, by: str, group: str) -> None:
    assert group in page_text(march, f"{MARCH}&by={by}")
    rows = list(csv.DictReader(io.StringIO(march.send("GET", f"/usage.csv?month=2026-03&by={by}").text)))
    assert rows[-1]["group"] == "all"
    for column in ("jobs", "out_l", "filled_l", "overflow_l", "purge_l", "waste_l", "rest_l"):
        assert sum(float(row[column]) for row in rows[:-1]) == pytest.approx(float(rows[-1][column])), column


def test_stock_takes_and_used_fluid_go_out_as_csv(march: Bay) -> None:
    def rows(by: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(march.send("GET", f"/usage.csv?month=2026-03&by={by}").text)))

    (take,) = rows("stock takes")
    assert (take["container"], take["explained"]) == ("drum 1", "False")
    assert float(take["rest_l"]) == pytest.approx(5.60)
    (used,) = rows("used fluid")
    assert float(used["total_l"]) == pytest.approx(7.34)
    assert used["time_zone"] == take["time_zone"] == "Pacific/Auckland"
    html = march.html(MARCH).text
    assert "by=stock%20takes" in html
    assert "by=used%20fluid" in html


def test_json_carries_the_audits_own_values(march: Bay) -> None:
    content = march.send("GET", "/usage.json?month=2026-03").json()
    with march.engine.reading() as ledger:
        books = audit.audit(
            ledger, "2026-03-01", "2026-04-01", march.engine.catalogue(), "us", ZoneInfo("Pacific/Auckland")
        )
    assert content["total"] == books.total.to_dict()
    assert "dates in Pacific/Auckland time" in page_text(march, MARCH)
    assert content["time_zone"] == "Pacific/Auckland"
    assert content["stock"] == [take.to_dict() for take in books.stock]
    assert content["containers"][0]["content_l"] == pytest.approx(52.1)


def test_months_lead_back_and_forth(march: Bay) -> None:
    html = march.html("/usage?month=2026-01").text
    assert "/usage?month=2025-12&amp;by=day" in html
    assert "/usage?month=2026-02&amp;by=day" in html
    assert "Later month" not in march.html("/usage").text


def test_a_month_without_anything_is_a_page_too(bay: Bay) -> None:
    assert "Nothing was filled or moved" in page_text(bay, "/usage?month=2019-02")


@pytest.mark.parametrize(
    "path", ["/usage?month=March", "/usage.csv?month=2026-13", "/usage?by=colour", "/usage.csv?by=x"]
)
def test_a_month_or_group_that_is_none_is_explained(bay: Bay, path: str) -> None:
    reply = bay.html(path) if ".csv" not in path else bay.send("GET", path)
    assert reply.status_code == 400
    assert "expected" in reply.text


def test_a_delivery_takes_its_fluid_from_the_container(bay: Bay) -> None:
    reply = bay.post(
        "/api/movement",
        {
            "kind": "received",
            "container": "drum 1",
            "volume": "57.2 L",
            "u95": "",
            "technician": "J. Lindqvist",
        },
    )
    assert reply.status_code == 200
    moved = movement.Movement("received", "gear_75w90", 57.2, container="drum 1", technician="J. Lindqvist")
    assert bay.engine.calls == [("move", moved)]
    assert reply.json()["entered"] == moved.to_dict()


def test_a_fluid_that_the_container_does_not_hold_is_asked_about(bay: Bay) -> None:
    reply = bay.post(
        "/api/movement",
        {
            "kind": "received",
            "container": "drum 1",
            "volume": "5 L",
            "fluid": "atf",
            "technician": "J. Lindqvist",
        },
    )
    assert reply.status_code == 400
    assert "drum 1 holds gear_75w90" in reply.json()["text"]
    assert bay.engine.calls == []


def test_the_form_offers_every_kind_of_movement(bay: Bay) -> None:
    assert set(KINDS) == set(movement.KINDS)
    html = bay.html("/usage").text
    for kind in movement.KINDS:
        assert f'<option value="{kind}">' in html


def test_names_in_the_ledger_cannot_become_markup(open_bay: Callable[..., Bay], tmp_path: Path) -> None:
    evil = '"><script>alert(1)</script>'
    shop(tmp_path / "l.sqlite", {"technician": evil, "vehicle": evil, "fluid": evil}).close()
    bay = open_bay(FakeEngine(ledger=tmp_path / "l.sqlite"))
    for by in ("technician", "vehicle", "fluid"):
        assert "<script>alert" not in bay.html(f"{MARCH}&by={by}").text


def test_service_due_names_every_compartment_with_its_reason(march: Bay) -> None:
    text = page_text(march, "/due")
    assert "Bus 12 · rear axle" in text
    assert "Due on 2028-04-02" in text  # 24 months after the last change
    assert "No interval is listed" in text
    rows = march.send("GET", "/due.json").json()["due"]
    assert {"Bus 12"} <= {row["vehicle"] for row in rows}
    listed = list(csv.DictReader(io.StringIO(march.send("GET", "/due.csv").text)))
    assert [row["text"] for row in listed] == [row["text"] for row in rows]
    assert listed[0]["time_zone"] == rows[0]["time_zone"] != ""
    assert all(row["state"] in ("overdue", "due soon", "unknown", "ok") for row in rows)


def test_stock_and_expected_fills_go_out_as_files_too(march: Bay) -> None:
    held = march.send("GET", "/stock.json").json()["stock"]
    rows = list(csv.DictReader(io.StringIO(march.send("GET", "/stock.csv").text)))
    assert (
        [float(row["content_l"]) for row in rows]
        == [one["content_l"] for one in held]
        == [pytest.approx(52.1)]
    )
    fills = march.send("GET", "/expected.json").json()["expected"]
    rows = list(csv.DictReader(io.StringIO(march.send("GET", "/expected.csv").text)))
    assert [row["words"] for row in rows] == [one["words"] for one in fills]
    text = page_text(march, "/expected")
    for one in fills:
        assert f"{one['vehicle']} · {one['compartment']}" in text
        assert one["words"] in text


def test_a_number_beyond_what_the_record_can_count_is_refused(bay: Bay) -> None:
    assert 400 <= bay.html(f"/entries.csv?before={'9' * 30}").status_code < 500
