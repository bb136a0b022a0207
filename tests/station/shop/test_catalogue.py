"""The catalogue is what its events add up to; a file comes in whole or not at all, each bad row with its reason."""

import json
from pathlib import Path
from typing import Any

import pytest

from station.__main__ import main
from station.errors import InputError
from station.given.config import demo_path, read_config
from station.record.ledger import Ledger
from station.shop import catalogue, entering, offered
from station.shop.catalogue import Catalogue, Change
from tests.station.shop_rows import at

HEAD = "vehicle,compartment,capacity,method,source\n"


def folded(*changes: Change) -> Catalogue:
    events = [{"utc": "2026-01-01", "body": catalogue.body(changes, "test")}]
    return catalogue.fold(events)


@pytest.fixture
def depot() -> Catalogue:
    return folded(
        Change("vehicle", ("Bus 12",), "add", {}),
        Change("vehicle", ("Bus 7",), "add", {}),
        Change(
            "compartment", ("Bus 12", "rear axle"), "add", {"capacity": "2.9 L", "method": "cover removed"}
        ),
        Change("fluid", ("gear",), "add", {"name": "Gear oil", "grade": "75W-90", "kind": "water"}),
    )


def test_a_bad_row_keeps_its_whole_file_out(depot: Catalogue) -> None:
    """Every kind of bad row stands in ``tests/station/given/test_broken_files.py``."""
    rows = "Bus 7,rear axle,4 L,suction,plate\nBus 7,gearbox,5,suction,plate\n"
    plan = entering.dry_run(depot, "compartment", (HEAD + rows).encode())
    assert plan.rejected == ((3, "capacity is '5'; add the unit, such as 5 L. Column C."),)
    assert len(plan.changes) == 1  # the good row is shown, and kept out all the same
    with pytest.raises(InputError, match=r"nothing imported, one row is rejected; row 3: capacity is '5'"):
        entering.accept(plan)


def test_a_row_in_another_encoding_is_rejected_and_the_others_are_read(depot: Catalogue) -> None:
    data = (
        HEAD.encode()
        + "Bus 7,gearbox,3 L,suction,Prüfschild\n".encode("latin-1")
        + b"Bus 7,x,3 L,suction,y\n"
    )
    plan = entering.dry_run(depot, "compartment", data)
    assert plan.rejected == ((2, "column E (source): byte 0xFC is not UTF-8; save the file as CSV UTF-8"),)
    assert [change.key for change in plan.changes] == [("Bus 7", "x")]


def test_a_vehicle_twice_in_a_file_is_rejected_whatever_its_spelling(depot: Catalogue) -> None:
    plan = entering.dry_run(depot, "vehicle", b"vehicle\nBus 20\nbus  20\nBus 12\n")
    assert plan.rejected == ((3, "bus  20 stands in row 2 already"),)
    assert plan.unchanged == 1


def test_an_unclosed_quote_rejects_its_row(depot: Catalogue) -> None:
    plan = entering.dry_run(depot, "vehicle", b'vehicle\nBus 30\n"Bus 31\n')
    assert len(plan.rejected) == 1
    assert "rest of the file was not read" in plan.rejected[0][1]


def test_dry_run_shows_only_what_differs_and_a_second_import_changes_nothing(depot: Catalogue) -> None:
    data = (
        HEAD + "Bus 12,rear axle,2.9 L,cover removed,type plate\nBus 7,gearbox,6.2 US pt,suction,\n"
    ).encode()
    plan = entering.dry_run(depot, "compartment", data)
    assert [(c.action, c.fields) for c in plan.changes] == [
        ("change", {"source": "type plate"}),
        ("add", {"capacity": "6.2 US pt", "method": "suction"}),
    ]
    events = [
        {"utc": "1", "body": catalogue.body([Change("vehicle", ("Bus 12",), "add", {}), Change("vehicle", ("Bus 7",), "add", {})], "")},
        {"utc": "2", "body": catalogue.body([Change("compartment", ("Bus 12", "rear axle"), "add", {"capacity": "2.9 L", "method": "cover removed"})], "")},
        {"utc": "3", "body": catalogue.body(entering.accept(plan), "f.csv")},
    ]  # fmt: skip
    after = catalogue.fold(events)
    again = entering.dry_run(after, "compartment", data)
    assert again.changes == ()
    assert again.unchanged == 2
    entry = after.get("compartment", "Bus 12", "rear axle")
    assert entry is not None
    assert [at for at, _ in entry.versions] == ["2", "3"]


def test_retired_is_not_deleted_and_comes_back_by_entering_it_again(depot: Catalogue) -> None:
    gone = folded(
        Change("technician", ("M. Okafor",), "add", {}), Change("technician", ("M. Okafor",), "retire", {})
    )
    assert gone.active("technician") == []
    assert gone.rows("technician") == [{"technician": "M. Okafor", "note": "", "retired": True}]
    back = entering.enter(gone, "technician", {"technician": "M. Okafor"})
    assert back is not None
    assert back.action == "restore"
    with pytest.raises(InputError, match="not among the technicians in use"):
        entering.retire(gone, "technician", ["M. Okafor"])


def test_prices_are_looked_up_by_their_day() -> None:
    def priced(utc: str, amount: str, action: str) -> dict[str, Any]:
        change = Change("price", ("gear",), action, {"amount": amount, "per": "1 US qt", "currency": "EUR"})
        return {"utc": utc, "body": catalogue.body([change], "page")}

    book = catalogue.fold([priced("2026-01-01", "6.00", "add"), priced("2026-03-01", "8.00", "change")])
    quart_l = 0.946352946
    assert book.price_per_l("gear", "2025-12-31") is None, "before the first one nobody knows"
    for day, amount in (("2026-01-01", 6.0), ("2026-02-28", 6.0), ("2026-03-01", 8.0), ("2026-03-02", 8.0)):
        price = book.price_per_l("gear", day)
        assert price is not None
        assert price[0] == pytest.approx(amount / quart_l)
        assert price[1] == "EUR"
    assert book.price_per_l("other", "2026-01-01") is None


def test_a_fluid_must_be_one_that_the_station_can_compute(depot: Catalogue) -> None:
    texts = {"fluid": "x", "name": "X", "grade": "X", "kind": "lubricant"}
    with pytest.raises(InputError, match="density_15_kg_m3"):
        entering.enter(depot, "fluid", texts)
    assert entering.enter(depot, "fluid", {**texts, "density_15_kg_m3": "871"}) is not None
    with pytest.raises(InputError, match=r"write 871\.5, with a point"):
        entering.enter(depot, "fluid", {**texts, "density_15_kg_m3": "871,5"})


def test_a_bay_file_goes_in_and_comes_out_the_same() -> None:
    config = read_config(demo_path())
    full = folded(*offered.from_config(config))
    out = offered.merged(config, full)
    assert out.compartments == config.compartments
    assert out.fluids == config.fluids
    assert out.technicians == config.technicians
    fewer = folded(*offered.from_config(config), Change("vehicle", ("Bus 12",), "retire", {}))
    assert {c.vehicle for c in offered.merged(config, fewer).compartments.values()} == {"Bus 7"}


def test_command_shows_then_applies_then_lists(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, file = tmp_path / "l.sqlite", tmp_path / "v.csv"
    Ledger(path).close()
    file.write_text("vehicle,distance\nBus 40,76000 mi\n", encoding="utf-8")
    use = ["catalogue", "vehicle", "--ledger", str(path)]
    assert main([*use, "--import", str(file), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["applied"] is False
    assert main([*use, "--csv"]) == 0
    assert capsys.readouterr().out == "vehicle,distance,note,retired\r\n"
    assert main([*use, "--import", str(file), "--apply"]) == 0
    capsys.readouterr()
    assert main([*use, "--csv"]) == 0
    assert "Bus 40,76000 mi,,False" in capsys.readouterr().out
    file.write_text("vehicle,distance\nBus 41,76000 mi\nBus 42,76000\n", encoding="utf-8")
    assert main([*use, "--import", str(file), "--apply"]) == 2
    assert "row 3" in capsys.readouterr().err
    ledger = Ledger(path, read_only=True)
    assert [entry.key for entry in catalogue.read(ledger).active("vehicle")] == [("Bus 40",)]
    assert ledger.verify() is None
    ledger.close()


def test_a_text_that_a_spreadsheet_would_run_is_written_as_text_and_read_back(depot: Catalogue) -> None:
    from station.common.spreadsheet import read_csv
    from station.common.tabular import to_csv

    text = to_csv([{"vehicle": "=1+1"}], ["vehicle"])
    assert text == "vehicle\r\n'=1+1\r\n"
    assert to_csv([{"cost": 168.1891862}], ["cost"]) == "cost\r\n168.19\r\n"
    assert [row.cells for row in read_csv(text.encode(), ["vehicle"], [])] == [{"vehicle": "=1+1"}]


def test_changes_are_events_of_the_chain(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "l.sqlite")
    change = entering.enter(catalogue.read(ledger), "vehicle", {"vehicle": "Bus 1"})
    assert change is not None
    ledger.append(None, catalogue.EVENT, catalogue.body([change], "page", "M. Okafor"), at("2026-01-01"))
    assert catalogue.read(ledger).rows("vehicle")[0]["vehicle"] == "Bus 1"
    assert ledger.verify() is None
    ledger.close()
