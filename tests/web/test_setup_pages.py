"""The set-up page: what the catalogue holds, shown, entered, retired, imported and given back as files."""

import csv
import io

from station.catalogue import TABLES
from tests.web.conftest import Bay


def test_every_table_is_shown_with_its_entries_and_fields(bay: Bay) -> None:
    html = bay.html("/setup").text
    for name, shape in TABLES.items():
        assert f'data-enter="{name}"' in html
        for row in bay.engine.catalogue().rows(name):
            assert row[shape.key[0]] in html
    assert "retired" in html or "Retire" in html


def test_json_and_csv_hold_what_the_catalogue_holds(bay: Bay) -> None:
    rows = bay.engine.catalogue().rows("compartment")
    assert bay.html("/setup.json").json()["compartment"] == rows
    text = bay.html("/setup/compartment.csv").text
    back = list(csv.DictReader(io.StringIO(text)))
    assert [(r["vehicle"], r["compartment"]) for r in back] == [
        (r["vehicle"], r["compartment"]) for r in rows if not r["retired"]
    ]


def test_an_unknown_table_is_said_to_be_unknown(bay: Bay) -> None:
    assert bay.html("/setup/tyres.csv").status_code == 404


def test_an_entry_reaches_the_station_as_typed(bay: Bay) -> None:
    fields = {"vehicle": "Bus 31", "note": "since spring"}
    assert bay.post("/api/catalogue/enter", {"table": "vehicle", "fields": fields}).status_code == 200
    assert ("enter", "enter", {"table": "vehicle", "fields": fields, "by": ""}) in bay.engine.calls


def test_a_file_is_looked_at_before_it_changes_anything(bay: Bay) -> None:
    body = {"table": "vehicle", "data": "vehicle\nBus 31\n", "apply": False, "name": "fleet.csv"}
    reply = bay.post("/api/catalogue/import", body)
    assert reply.status_code == 200
    assert "plan" in reply.json()
    assert bay.engine.calls[-1][2]["apply"] is False
