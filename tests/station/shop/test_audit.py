"""Every litre that left a container is found again, or in the unexplained rest."""

import csv
import io
import json
import math
from collections import Counter
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from station.__main__ import main
from station.errors import InputError
from station.record.ledger import Ledger
from station.shop import audit, catalogue, entering, movement, stock
from station.shop import changes as changed
from station.shop.catalogue import Change
from tests.station.shop_rows import add, at, shop

MARCH = ("2026-03-01", "2026-04-01")


def move(ledger: Ledger, utc: str, kind: str, volume_l: float, u95_l: float = 0.0, **more: str) -> None:
    fluid, container = more.pop("fluid", "gear oil"), more.pop("container", "drum 1")
    body = movement.Movement(kind, fluid, volume_l, u95_l, container, **more)
    ledger.append(None, movement.EVENT, body.to_dict(), at(utc))


def price(ledger: Ledger, utc: str, amount: str, fluid: str = "gear oil", currency: str = "EUR") -> None:
    change = Change("price", (fluid,), "add", {"amount": amount, "per": "1 L", "currency": currency})
    ledger.append(None, catalogue.EVENT, catalogue.body([change], "page"), at(utc))


JOBS: tuple[dict[str, Any], ...] = (
        {"opened_utc": "2026-02-28T23:59:59.000+00:00", "metered_l": 50.0, "filled_l": 50.0},
        {"opened_utc": "2026-03-01T00:00:00.000+00:00"},
        {"opened_utc": "2026-03-01T10:00:00.000+00:00", "metered_l": 3.00, "filled_l": 2.95, "overflow_l": 0.05, "technician": "J. Lindqvist"},
        {"opened_utc": "2026-03-31T23:00:00.000+00:00", "metered_l": 1.00, "filled_l": 1.00, "overflow_l": 0.0, "vehicle": "Bus 7", "fluid": "ATF", "container": "drum 2"},
        {"opened_utc": "2026-04-01T00:00:00.000+00:00", "metered_l": 70.0, "filled_l": 70.0},
)  # fmt: skip
"""Three jobs in March and one on either side; by hand: 2.90 + 3.00 + 1.00 metered."""


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return shop(tmp_path / "l.sqlite", *JOBS)


def test_sums_by_day_technician_vehicle_and_fluid(ledger: Ledger) -> None:
    move(ledger, "2026-03-05T08:00", "purge", 0.40, technician="J. Lindqvist")
    move(ledger, "2026-03-05T08:00", "waste", 0.10)
    books = audit.audit(ledger, *MARCH)
    total = books.total
    assert total.jobs == 3
    assert total.metered_l == pytest.approx(6.90)
    assert total.out_l == pytest.approx(7.40)
    assert total.filled_l == pytest.approx(2.88 + 2.95 + 1.00)
    assert total.overflow_l == pytest.approx(0.07)
    assert total.rest_l == pytest.approx(0.0, abs=1e-12)
    assert [(x.group, x.jobs) for x in books.by["day"]] == [
        ("2026-03-01", 2),
        ("2026-03-05", 0),
        ("2026-03-31", 1),
    ]
    technicians = {x.group: x for x in books.by["technician"]}
    assert technicians["J. Lindqvist"].out_l == pytest.approx(3.40)
    assert technicians[""].waste_l == pytest.approx(0.10)
    assert {x.group: x.jobs for x in books.by["vehicle"]} == {"Bus 12": 2, "Bus 7": 1, "": 0}
    assert {x.group: x.jobs for x in books.by["compartment"]} == {
        "Bus 12 · rear axle": 2,
        "Bus 7 · rear axle": 1,
        "": 0,
    }
    assert {x.group: x.jobs for x in books.by["fluid"]} == {"gear oil": 2, "ATF": 1}
    for lines in books.by.values():
        assert math.fsum(line.out_l for line in lines) == pytest.approx(total.out_l)
    ledger.close()


def test_what_moves_nothing_makes_no_line_without_a_name(ledger: Ledger) -> None:
    move(ledger, "2026-03-05T08:00", "counted", 40.0, container="drum 1")
    books = audit.audit(ledger, *MARCH)
    for name in ("technician", "vehicle", "compartment"):
        assert "" not in [line.group for line in books.by[name]], name
    ledger.close()


def test_days_are_the_shops_own_across_a_change_of_clocks(tmp_path: Path) -> None:
    """In Oslo 2026-03-29 has 23 hours, 2026-10-25 has 25; each job is counted once, on the day it was opened."""
    opened = {
        "2026-03-28T22:59:59.999+00:00": "2026-03-28",
        "2026-03-28T23:00:00.000+00:00": "2026-03-29",
        "2026-03-29T21:59:59.999+00:00": "2026-03-29",
        "2026-03-29T22:00:00.000+00:00": "2026-03-30",
        "2026-03-31T21:59:59.999+00:00": "2026-03-31",
        "2026-03-31T22:00:00.000+00:00": "2026-04-01",
        "2026-10-24T22:00:00.000+00:00": "2026-10-25",
        "2026-10-25T22:59:59.999+00:00": "2026-10-25",
        "2026-10-25T23:00:00.000+00:00": "2026-10-26",
    }
    ledger = shop(tmp_path / "l.sqlite", *({"opened_utc": utc} for utc in opened))
    for utc in opened:
        move(ledger, utc, "waste", 1.0)
    oslo = ZoneInfo("Europe/Oslo")
    found: dict[str, tuple[int, float]] = {}
    for month in ("2026-03", "2026-04", "2026-10"):
        books = audit.audit(ledger, *audit.month(month), zone=oslo)
        assert books.total.jobs == sum(line.jobs for line in books.by["day"])
        assert (
            {row["time_zone"] for row in books.table("day")[1]}
            == {"Europe/Oslo"}
            == {books.to_dict()["time_zone"]}
        )
        found |= {line.group: (line.jobs, line.waste_l) for line in books.by["day"]}
    counted = Counter(opened.values())
    assert found == {day: (n, float(n)) for day, n in counted.items()}
    assert len(audit.movements(ledger, "2026-03-29", "2026-03-30", oslo)) == 2
    ledger.close()


def test_what_is_drawn_by_hand_without_a_reason_is_the_rest(ledger: Ledger) -> None:
    move(ledger, "2026-03-05T08:00", "drawn", 1.5, 0.03, technician="M. Okafor")
    move(ledger, "2026-03-06T08:00", "drawn", 0.5, 0.04)
    total = audit.audit(ledger, *MARCH).total
    assert total.rest_l == pytest.approx(2.0)
    assert total.rest_u95_l == pytest.approx(0.05)
    ledger.close()


def test_cost_follows_the_price_of_the_day_and_is_not_invented(ledger: Ledger) -> None:
    price(ledger, "2026-01-01", "10")
    price(ledger, "2026-01-01", "4", fluid="ATF")
    books = audit.audit(ledger, *MARCH, catalogue.read(ledger))
    assert books.total.cost == pytest.approx(5.90 * 10 + 1.00 * 4)
    price(ledger, "2026-03-01T05:00", "20")  # for the whole of that day
    books = audit.audit(ledger, *MARCH, catalogue.read(ledger))
    assert books.total.cost == pytest.approx(5.90 * 20 + 1.00 * 4)
    assert {x.group: x.cost for x in books.by["day"]}["2026-03-01"] == pytest.approx(118.0)
    price(ledger, "2026-03-02", "4", fluid="ATF", currency="USD")
    mixed = audit.audit(ledger, *MARCH, catalogue.read(ledger))
    assert (mixed.total.cost, mixed.total.currency, mixed.total.mixed) == (None, "", True)
    assert {x.group: x.currency for x in mixed.by["fluid"]} == {"gear oil": "EUR", "ATF": "USD"}
    none = audit.audit(ledger, *MARCH).total
    assert (none.cost, none.mixed) == (None, False)
    assert none.unpriced_l == pytest.approx(6.90)
    ledger.close()


def enter(ledger: Ledger, today: str, amount: str, since: str = "") -> Change | None:
    texts = {"fluid": "gear oil", "amount": amount, "per": "1 L", "currency": "EUR", "since": since}
    gear: dict[catalogue.Key, catalogue.Entry] = {("gear oil",): catalogue.Entry(("gear oil",), {})}
    known = {**catalogue.read(ledger).entries, "fluid": gear}
    change = entering.enter(catalogue.Catalogue(known), "price", texts, today=today)
    if change is not None:
        ledger.append(None, catalogue.EVENT, catalogue.body([change], "page"), at(f"{today}T12:00"))
    return change


def test_a_price_costs_nothing_that_left_before_its_day_and_is_put_right_under_its_day(
    tmp_path: Path,
) -> None:
    opened = [f"2026-03-{day}T10:00:00.000+00:00" for day in ("02", "16", "30")]
    ledger = shop(tmp_path / "l.sqlite", *({"opened_utc": utc, "metered_l": 2.0} for utc in opened))

    def told() -> tuple[float | None, float]:
        total = audit.audit(ledger, *MARCH, catalogue.read(ledger)).total
        return None if total.cost is None else round(total.cost, 9), total.unpriced_l

    assert told() == (None, 6.0)
    enter(ledger, "2026-03-16", "84.00")
    assert told() == (168.0 * 2, 2.0), "of that day and later"
    assert enter(ledger, "2026-03-17", "84.00") is None, "it holds already"
    mended = enter(ledger, "2026-03-20", "8.40", "16.3.2026")
    assert mended is not None
    assert (mended.action, mended.key, mended.fields) == (
        "change",
        ("gear oil", "2026-03-16"),
        {"amount": "8.40"},
    )
    assert told() == (33.6, 2.0)
    enter(ledger, "2026-03-20", "7", "2026-01-01")  # known all the while, and entered late
    assert told() == (47.6, 0.0)
    enter(ledger, "2026-04-02", "9")
    assert told()[0] == 47.6, "a later price costs nothing here"
    wrong = entering.retire(catalogue.read(ledger), "price", ["gear oil", "2026-01-01"])
    ledger.append(None, catalogue.EVENT, catalogue.body([wrong], "page"), at("2026-04-03"))
    assert told() == (33.6, 2.0)
    with pytest.raises(InputError, match="such as 2026-03-01"):
        enter(ledger, "2026-04-03", "9", "in March")
    [first, *_rest] = [one for one in changed.listed(ledger) if one.parameter.endswith("2026-03-16: amount")]
    assert (first.old, first.new) == ("", "84.00")
    ledger.close()


def test_what_was_said_of_prices_before_they_had_a_day_is_read_as_it_was_meant(tmp_path: Path) -> None:
    """A change then said what differed alone, and a price that was retired had cost what it had cost."""
    ledger = shop(tmp_path / "l.sqlite", {"opened_utc": "2026-03-12T10:00:00.000+00:00", "metered_l": 2.0})
    price(ledger, "2026-02-01T08:00", "8")
    for utc, action, fields in (
        ("2026-03-10T08:00", "change", {"amount": "9"}),
        ("2026-03-20", "retire", {}),
    ):
        body = catalogue.body([Change("price", ("gear oil",), action, fields)], "page")
        ledger.append(None, catalogue.EVENT, body, at(utc))
    known = catalogue.read(ledger)
    found = {
        day: known.price_per_l("gear oil", f"2026-{day}") for day in ("01-31", "02-01", "03-10", "04-01")
    }
    eight, nine = (8.0, "EUR"), (9.0, "EUR")
    assert found == {"01-31": None, "02-01": eight, "03-10": nine, "04-01": nine}
    assert audit.audit(ledger, *MARCH, known).total.cost == pytest.approx(18.0)
    assert [
        (one.old, one.new) for one in changed.listed(ledger) if one.parameter.endswith("03-10: amount")
    ] == [("", "9")]
    ledger.close()


def test_a_stock_take_finds_what_no_job_accounts_for(tmp_path: Path) -> None:
    """drum 1: 100 counted, 20 came, 5.90 metered and 0.40 purged, 112 counted: 1.70 L are missing."""
    ledger = shop(tmp_path / "l.sqlite", JOBS[0])
    move(ledger, "2026-02-27", "counted", 300.0)  # an older count plays no part
    move(ledger, "2026-02-28T23:59:59.500+00:00", "counted", 100.0, 0.3)
    add(ledger, *JOBS[1:3])
    move(ledger, "2026-03-10", "received", 20.0, 0.1)
    move(ledger, "2026-03-11", "purge", 0.40)
    move(ledger, "2026-03-30", "counted", 112.0, 0.4)
    add(ledger, *JOBS[3:])
    (take,) = audit.audit(ledger, *MARCH).stock
    assert (take.container, take.opening_l, take.closing_l) == ("drum 1", 100.0, 112.0)
    assert take.out_counted_l == pytest.approx(8.0)
    assert take.out_booked_l == pytest.approx(6.30)
    assert take.rest_l == pytest.approx(1.70)
    # The two fills share the meter: 0.012 + 0.012 straight; the rest in squares.
    assert take.rest_u95_l == pytest.approx(math.sqrt(0.3**2 + 0.4**2 + 0.1**2 + 0.024**2))
    assert not take.explained
    ledger.close()


def test_two_counts_within_the_period_are_first_and_last(ledger: Ledger) -> None:
    for utc, volume_l in (("2026-03-02", 50.0), ("2026-03-03", 40.0), ("2026-03-04", 49.99)):
        move(ledger, utc, "counted", volume_l, 0.1)
    (take,) = audit.audit(ledger, *MARCH).stock
    assert take.rest_l == pytest.approx(0.01)
    assert take.explained
    assert audit.audit(ledger, "2026-03-05", "2026-04-01").stock == []
    ledger.close()


def test_used_fluid_adds_up_for_the_disposal_record(ledger: Ledger) -> None:
    move(ledger, "2026-03-05", "purge", 0.40)
    move(ledger, "2026-03-06", "waste", 0.10)
    move(ledger, "2026-03-20", "collected", 8.0, container="")
    used = audit.audit(ledger, *MARCH).used
    assert used.total_l == pytest.approx(3 * 2.85 + 0.07 + 0.40 + 0.10)
    assert used.total_u95_l == pytest.approx(0.030)
    assert used.collected_l == 8.0
    ledger.close()


def test_a_container_holds_what_was_counted_plus_and_minus_the_books(tmp_path: Path) -> None:
    ledger = shop(tmp_path / "l.sqlite", JOBS[0])
    for changes in (
        [Change("fluid", ("gear oil",), "add", {"name": "g", "grade": "x", "kind": "water"})],
        [Change("container", ("drum 1",), "add", {"fluid": "gear oil", "size": "208 L"})],
        [Change("container", ("drum 9",), "add", {"fluid": "gear oil", "size": "20 L"})],
    ):
        ledger.append(None, catalogue.EVENT, catalogue.body(changes, "page"), at("2026-01-01"))
    move(ledger, "2026-02-28T23:59:59.500+00:00", "counted", 100.0, 0.3)
    add(ledger, *JOBS[1:4])
    one, nine = stock.contents(ledger, catalogue.read(ledger))
    assert one.content_l == pytest.approx(100.0 - 5.90)
    assert (nine.content_l, nine.counted_utc) == (0.0, None)
    enough = stock.stock_check([one], "gear oil", 90.0)
    assert (enough.enough, enough.counted, enough.bring_l) == (True, True, 0.0)
    for volume_l, container in ((0.9, "drum 9"), (-0.9, "drum 1")):
        ledger.append(
            None, movement.EVENT, movement.shifted("gear oil", volume_l, container, "job 4"), at("2026-03-30")
        )
    went_on = stock.contents(ledger, catalogue.read(ledger))
    assert [c.content_l for c in went_on] == pytest.approx([100.0 - 5.90 + 0.9, -0.9])
    assert audit.audit(ledger, *MARCH).total.out_l == pytest.approx(5.90 + 1.00), "no fluid came or went"
    short = stock.stock_check([one, nine], "gear oil", 94.0)
    assert not short.enough  # within its doubt it may not be there
    assert short.bring_l == pytest.approx(94.0 - 94.1 + one.u95_l)
    assert not short.counted
    assert stock.stock_check([one], "ATF", 1.0).bring_l == 1.0
    ledger.close()


@pytest.mark.parametrize(
    ("kind", "fluid", "volume_l", "container", "words"),
    [
        ("stolen", "gear oil", 1.0, "d", "kind is 'stolen'"),
        ("shifted", "gear oil", 1.0, "d", "kind is 'shifted'"),
        ("purge", "gear oil", -1.0, "d", "volume_l is -1.0"),
        ("purge", "gear oil", math.nan, "d", "volume_l is nan"),
        ("purge", "", 1.0, "d", "fluid is empty"),
        ("counted", "gear oil", 1.0, None, "container is empty"),
    ],
)
def test_a_movement_that_says_too_little_is_refused(
    kind: str, fluid: str, volume_l: float, container: str | None, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        movement.Movement(kind, fluid, volume_l, container=container)


def test_movements_are_part_of_the_chain_and_only_grow(ledger: Ledger, tmp_path: Path) -> None:
    fresh = Ledger(tmp_path / "m.sqlite")
    move(fresh, "2026-03-05", "purge", 0.40)
    assert fresh.verify() is None
    with pytest.raises(Exception, match="only grows"):
        fresh.db.execute("update movement set volume_l = 0")
    fresh.db.execute("drop trigger movement_no_update")
    fresh.db.execute("update movement set volume_l = 0.3")
    assert fresh.verify() == "the row of movement 1 was changed"
    fresh.db.execute("update movement set volume_l = 0.4")
    assert fresh.verify() == "the trigger movement_no_update is missing"
    fresh.db.execute(
        "insert into movement select 2, utc, kind, container, fluid, vehicle, technician, 1, 0, '' from movement"
    )
    assert fresh.verify() == "the row of movement 2 is not drawn from the chain"
    fresh.close()
    ledger.close()


def test_months_and_dates() -> None:
    assert audit.month("2026-12") == ("2026-12-01", "2027-01-01")
    for text in ("2026-13", "march", "2026-3", ""):
        with pytest.raises(InputError, match="month is"):
            audit.month(text)
    with pytest.raises(InputError, match="--since is '2026-02-30'"):
        audit.day("2026-02-30", "--since")


def test_command_prints_the_same_figures_as_json_and_csv(
    ledger: Ledger, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(ledger.path)
    ledger.close()
    use = ["audit", "--ledger", path, "--month", "2026-03"]
    assert main([*use, "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert main([*use, "--csv", "--by", "vehicle"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["group"] for row in rows] == ["Bus 12", "Bus 7", "all"]
    assert {row["time_zone"] for row in rows} == {whole["time_zone"]} != {""}
    assert float(rows[-1]["metered_l"]) == pytest.approx(whole["total"]["metered_l"])
    assert main(use) == 0
    assert "Used fluid: 8.620 ± 0.030 L, 0.00 L collected" in capsys.readouterr().out
    for wrong in (
        ["--month", "2026-99"],
        ["--since", "2026-03-01"],
        ["--since", "2026-03-02", "--until", "2026-03-01"],
    ):
        assert main(["audit", "--ledger", path, *wrong]) == 2
    assert main(["audit", "--ledger", "nowhere.sqlite"]) == 2


def test_what_is_missing_is_not_hidden_by_what_another_container_doubts(tmp_path: Path) -> None:
    ledger = shop(tmp_path / "l.sqlite")
    price(ledger, "2026-02-01T00:00", "8.00")
    for container, before_l, after_l, u95_l, fluid in (
        ("drum 1", 50.0, 47.5, 0.1, "gear oil"),
        ("tank", 300.0, 301.0, 2.0, "gear oil"),
        ("keg", 20.0, 20.5, 0.1, "atf"),
    ):
        move(ledger, "2026-03-02T06:00", "counted", before_l, u95_l, container=container, fluid=fluid)
        if container == "keg":  # misread, and right again
            move(ledger, "2026-03-08T06:00", "counted", 12.0, u95_l, container=container, fluid=fluid)
        move(ledger, "2026-03-20T06:00", "counted", after_l, u95_l, container=container, fluid=fluid)
    found = audit.audit(ledger, *MARCH, catalogue.read(ledger)).missing
    assert found.volume_l == pytest.approx(2.5)
    assert found.u95_l == pytest.approx(0.1 * math.sqrt(2.0))
    assert found.cost == pytest.approx(20.0)
    assert found.currency == "EUR"
    assert found.surplus_l == pytest.approx(0.5)  # the tank's litre lies within its doubt
    assert [one.take.container for one in found.takes] == ["keg", "drum 1", "keg", "tank"]
    assert found.fluids == ("gear oil",)
    assert (
        audit.audit(ledger, "2026-04-01", "2026-05-01").missing.volume_l is None
    )  # nobody counted, nobody knows
    ledger.close()


def test_a_movement_is_entered_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "l.sqlite"
    Ledger(path).close()
    use = ["move", "--ledger", str(path), "--fluid", "gear oil", "--technician", "J. Lindqvist"]
    assert main([*use, "counted", "55 US gal", "--container", "drum 1", "--u95", "0.5 L"]) == 0
    assert main([*use, "counted", "55"]) == 2
    assert main(["entries", "--ledger", str(path), "--csv", "lindqvist"]) == 0
    assert "counted,drum 1,gear oil" in capsys.readouterr().out
    ledger = Ledger(path, read_only=True)
    (row,) = ledger.db.query("select * from movement")
    assert row["volume_l"] == pytest.approx(208.1976, abs=1e-4)
    assert ledger.verify() is None
    ledger.close()
