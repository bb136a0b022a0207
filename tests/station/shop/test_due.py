"""The next change comes by distance or by months, whichever is first; a new unit's first one early."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from station.__main__ import main
from station.common.distance import format_distance, parse_distance_km
from station.shop import catalogue, due
from station.shop.catalogue import Change
from station.shop.due import add_months, next_service
from tests.station.shop_rows import add, at, shop

TODAY = date(2026, 6, 1)
LAST = "2026-01-31T09:00:00.000+00:00"


def service(**known: object) -> due.Service:
    return next_service("Bus 12", "rear axle", TODAY, **known)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("now_km", "state"),
    [(100_000.0, "ok"), (135_999.0, "ok"), (136_000.0, "due soon"), (140_000.0, "overdue")],
)
def test_by_distance(now_km: float, state: str) -> None:
    got = service(last_utc=LAST, last_km=100_000.0, now_km=now_km, interval_km=40_000.0)
    assert (got.state, got.due_km) == (state, 140_000.0)
    assert f"reading is {format_distance(now_km)}." in got.text


@pytest.mark.parametrize(
    ("months", "state", "when"),
    [(12, "ok", "2027-01-31"), (4, "overdue", "2026-05-31"), (5, "ok", "2026-06-30")],
)
def test_by_months(months: int, state: str, when: str) -> None:
    got = service(last_utc=LAST, interval_months=months)
    assert (got.state, got.due_date) == (state, when)


def test_the_last_tenth_of_an_interval_is_soon() -> None:
    got = next_service("b", "c", date(2026, 6, 16), last_utc=LAST, interval_months=5)
    assert got.state == "due soon"


def test_whichever_comes_first() -> None:
    got = service(last_utc=LAST, last_km=0.0, now_km=50_000.0, interval_km=40_000.0, interval_months=24)
    assert got.state == "overdue"
    got = service(last_utc=LAST, last_km=0.0, now_km=10.0, interval_km=40_000.0, interval_months=4)
    assert got.state == "overdue"


@pytest.mark.parametrize(
    ("miles", "state"), [(14_000, "ok"), (15_000, "due soon"), (19_999, "due soon"), (20_000, "overdue")]
)
def test_break_in_is_15000_to_20000_miles_and_says_what_it_rests_on(miles: int, state: str) -> None:
    """Common practice, no source."""
    got = service(now_km=miles * 1.609344, interval_km=150_000.0, break_in=True)
    assert got.first
    assert got.state == state
    assert "common practice, no source" in got.text
    after = service(last_utc=LAST, last_km=30_000.0, now_km=31_000.0, interval_km=150_000.0, break_in=True)
    assert not after.first
    assert after.due_km == 180_000.0


@pytest.mark.parametrize(
    ("miles", "state"), [(214_000, "ok"), (215_000, "due soon"), (219_999, "due soon"), (220_000, "overdue")]
)
def test_a_new_axle_under_an_old_vehicle_is_counted_from_where_it_was_fitted(miles: int, state: str) -> None:
    mile = 1.609344
    fitted = {"now_km": miles * mile, "interval_km": 150_000.0, "break_in": True, "new_km": 200_000 * mile}
    for known in ({}, {"last_utc": LAST, "last_km": 190_000 * mile}):  # that change was the old axle's
        got = service(**fitted, **known)
        assert (got.first, got.state) == (True, state)
        assert "(220\u00a0000\u00a0mi)" in got.text
    own = service(**fitted, last_utc=LAST, last_km=216_000 * mile)
    assert not own.first
    assert own.due_km == pytest.approx(216_000 * mile + 150_000.0)


def test_the_first_change_of_a_new_unit_is_known_from_the_record(tmp_path: Path) -> None:
    """Two changes on record, the axle renewed at 200,000 km between them."""
    ledger = shop(
        tmp_path / "l.sqlite",
        {"opened_utc": "2025-01-10T08:00:00.000+00:00", "distance_km": 190_000.0},
        {"opened_utc": "2026-01-10T08:00:00.000+00:00", "distance_km": 230_000.0},
    )
    key = ("Bus 12", "rear axle")

    listed = {"vehicle": key[0], "compartment": key[1], "capacity": "2.9 L", "method": "drain plug"}

    def first(job_id: str, **fields: str) -> bool:
        return due.is_first_change(ledger, catalogue.Entry(key, {**listed, **fields}), job_id)

    new = {"break_in": "yes", "new_at": "200000 km"}
    assert first("j2", **new)
    assert not first("one that is open", **new)
    assert first("j1", break_in="yes")
    assert not first("j2", break_in="yes")
    assert not first("j1")
    ledger.close()


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({}, "No interval is listed"),
        ({"interval_km": 40_000.0}, "No change is on record"),
        ({"interval_km": 40_000.0, "last_utc": LAST}, "distance at the last change is not on record"),
        ({"interval_km": 40_000.0, "last_utc": LAST, "last_km": 1.0}, "distance now is not known"),
    ],
)
def test_what_is_not_known_is_said(known: dict[str, Any], words: str) -> None:
    got = service(**known)
    assert got.state == "unknown"
    assert words in got.text


def test_months_keep_to_the_calendar() -> None:
    assert add_months(date(2027, 1, 31), 1) == date(2027, 2, 28)
    assert add_months(date(2024, 1, 31), 1) == date(2024, 2, 29)
    assert add_months(date(2026, 11, 30), 3) == date(2027, 2, 28)
    with pytest.raises(ValueError, match="interval_km"):
        service(interval_km=-1.0)


@pytest.mark.parametrize(
    ("text", "km"),
    [
        ("76000 mi", 122_310.144),
        ("76000 miles", 122_310.144),
        ("122 300 km", 122_300.0),
        ("122\u202f300 km", 122_300.0),
        ("0 km", 0.0),
        ("12.5km", 12.5),
    ],
)
def test_distances_need_a_unit(text: str, km: float) -> None:
    """The international mile is 1.609344 km exactly (NIST Handbook 44, appendix C)."""
    assert parse_distance_km(text) == pytest.approx(km, rel=1e-12)
    assert format_distance(122_310.144, "mi") == "76\u00a0000\u00a0mi"
    assert parse_distance_km(format_distance(122_310.0)) == 122_310.0


@pytest.mark.parametrize(
    "text", ["76000", "76,000 mi", "76 00 mi", "1234 567 km", "-5 km", "many km", "1e9 km", "9999999 km"]
)
def test_a_distance_that_cannot_be_meant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="distance is"):
        parse_distance_km(text)


def test_a_compartment_left_short_stands_on_top_whatever_its_interval_says(tmp_path: Path) -> None:
    rows: list[dict[str, Any]] = [
        {"opened_utc": LAST, "verdict": "short", "filled_l": 2.0},
        {"vehicle": "Bus 7", "opened_utc": "2020-01-31T09:00:00.000+00:00"},
    ]
    ledger = shop(tmp_path / "l.sqlite", *rows)
    listed = {"capacity": "2.9 L", "method": "cover removed", "interval_months": "24"}
    changes = [Change("vehicle", (bus,), "add", {}) for bus in ("Bus 7", "Bus 12")]
    changes += [Change("compartment", (bus, "rear axle"), "add", listed) for bus in ("Bus 7", "Bus 12")]
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "page"), at("2020-01-01"))
    got = due.overview(ledger, catalogue.read(ledger), TODAY)
    assert [(s.vehicle, s.state) for s in got[:2]] == [("Bus 12", "short fill"), ("Bus 7", "overdue")]
    assert got[0].text.startswith(
        "0.870 ± 0.033 L missing: top up before the vehicle leaves. Due on 2028-01-31."
    )
    assert got[0].short_job == "j1"
    add(ledger, {"opened_utc": "2026-02-01T09:00:00.000+00:00"})
    assert due.overview(ledger, catalogue.read(ledger), TODAY)[-1].state == "ok", "filled since"
    ledger.close()


@pytest.mark.parametrize(
    ("drained_l", "verdicts", "state", "low"),
    [
        ([2.85, 2.20, 2.10], "full full full", "came in low", (2, 3)),
        ([2.20, 2.85, 2.10], "full full full", "came in low", (2, 3)),
        ([2.10, 2.20, 2.85], "full full full", "ok", (0, 3)),
        ([2.85, 2.85, 2.10], "full full full", "ok", (1, 3)),
        ([2.10, 2.85, 2.10], "full short full", "ok", (0, 3)),
        ([2.10] + [2.85] * 6 + [2.74], "full " * 8, "ok", (0, 6)),
    ],
    ids=["twice", "and again", "mended", "once", "after a short fill", "within tolerance and doubt"],
)
def test_what_keeps_coming_in_low_wants_a_look_and_an_odd_visit_does_not(
    tmp_path: Path, drained_l: list[float], verdicts: str, state: str, low: tuple[int, int]
) -> None:
    """2.87 ± 0.03 L are expected, 0.1 L less is within tolerance."""
    rows: list[dict[str, Any]] = [
        {"opened_utc": LAST, "drained_l": out_l, "verdict": verdict}
        for out_l, verdict in zip(drained_l, verdicts.split(), strict=True)
    ]
    ledger = shop(tmp_path / "l.sqlite", *rows)
    listed = {"capacity": "2.9 L", "method": "cover removed", "interval_months": "24"}
    changes = [
        Change("vehicle", ("Bus 12",), "add", {}),
        Change("compartment", ("Bus 12", "rear axle"), "add", listed),
    ]
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "page"), at("2020-01-01"))
    (got,) = due.overview(ledger, catalogue.read(ledger), TODAY)
    assert (got.state, got.low_visits, got.visits) == (state, *low)
    ledger.close()


def test_a_change_without_a_distance_puts_no_vehicle_back(tmp_path: Path) -> None:
    """The catalogue was entered long ago, the gearbox's job noted more, and the axle's newest noted nothing."""
    rows: list[dict[str, Any]] = [
        {"opened_utc": "2026-01-10T09:00:00.000+00:00", "distance_km": 155_000.0},
        {"opened_utc": "2026-01-20T09:00:00.000+00:00", "compartment": "gearbox", "distance_km": 165_664.0},
        {"opened_utc": LAST, "distance_km": None},
        {"opened_utc": "2026-03-01T09:00:00.000+00:00", "compartment": "gearbox", "distance_km": 170_000.0},
    ]
    ledger = shop(tmp_path / "l.sqlite", *rows)
    listed = {"capacity": "2.9 L", "method": "cover removed", "interval_distance": "12000 km"}
    changes = [
        Change("vehicle", ("Bus 12",), "add", {"distance": "85100 km"}),
        Change("compartment", ("Bus 12", "rear axle"), "add", listed),
    ]
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "page"), at("2024-01-01"))
    (got,) = due.overview(ledger, catalogue.read(ledger), TODAY)
    assert (got.due_km, got.now_km, got.state) == (177_664.0, 170_000.0, "ok")
    assert "counted from the newest reading before the last change" in got.text
    known = catalogue.read(ledger)
    entry, vehicle = known.get("compartment", "Bus 12", "rear axle"), known.get("vehicle", "Bus 12")
    assert entry is not None
    assert vehicle is not None
    typed = [due.service_of(ledger, entry, vehicle, TODAY, km).now_km for km in (85_100.0, 178_000.0)]
    assert typed == [170_000.0, 178_000.0]
    ledger.close()


def test_overview_reads_catalogue_and_ledger_most_urgent_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "l.sqlite"
    ledger = shop(
        path, {"opened_utc": "2025-01-01", "distance_km": 1.0}, {"opened_utc": LAST, "distance_km": 100_000.0}
    )
    every = {"capacity": "2.9 L", "method": "suction", "interval_distance": "40000 km"}
    changes = [
        Change("vehicle", ("Bus 12",), "add", {"distance": "99000 mi"}),
        Change("vehicle", ("Bus 30",), "add", {"distance": "21000 mi"}),
        Change("vehicle", ("Bus 31",), "add", {}),
        Change("vehicle", ("Bus 31",), "retire", {}),
        Change("compartment", ("Bus 12", "rear axle"), "add", every),
        Change("compartment", ("Bus 12", "gearbox"), "add", {**every, "interval_distance": ""}),
        Change("compartment", ("Bus 30", "rear axle"), "add", {**every, "break_in": "yes"}),
        Change("compartment", ("Bus 31", "rear axle"), "add", every),
    ]
    ledger.append(None, catalogue.EVENT, catalogue.body(changes, "page"), at("2026-01-01"))
    got = due.overview(ledger, catalogue.read(ledger), TODAY)
    assert [(s.vehicle, s.compartment, s.state) for s in got] == [
        ("Bus 12", "rear axle", "overdue"),
        ("Bus 30", "rear axle", "overdue"),
        ("Bus 12", "gearbox", "unknown"),
    ]
    assert got[0].last_km == 100_000.0
    ledger.close()
    assert main(["due", "--ledger", str(path), "--csv"]) == 0
    assert "Bus 30,rear axle,overdue" in capsys.readouterr().out
