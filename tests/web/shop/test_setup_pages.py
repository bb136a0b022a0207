"""The set-up page: what the catalogue holds, shown, entered, retired, imported and given back as files."""

import base64
import csv
import dataclasses
import html
import io
import json
import re
from collections.abc import Callable
from datetime import UTC
from typing import Any

import pytest

from station.common.schema import read
from station.errors import InputError
from station.record.archive import Entry
from station.shop import catalogue, entering
from station.shop.catalogue import Catalogue
from station.shop.rows import TABLES
from tests.web.conftest import Bay
from tests.web.fake_engine import FakeEngine
from tests.web.fake_views import JOB_ID
from web.frame.gate import LARGEST_BODY, LARGEST_FILE
from web.shop import setup_pages, setup_words


def _file(data: bytes, table: str = "vehicle", apply: bool = False) -> dict[str, Any]:
    text = base64.b64encode(data).decode()
    return {"table": table, "data": text, "apply": apply, "name": "fleet.csv", "by": "M. Okafor"}


def _changed(shop: Catalogue, *made: catalogue.Change) -> Catalogue:
    entries = {table: dict(rows) for table, rows in shop.entries.items()}
    for change in catalogue.body(made, "test")["changes"]:
        catalogue.apply(entries, change, "2026-11-25T09:00:00+00:00")
    return Catalogue(entries)


# --- what is shown -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", TABLES)
def test_a_table_is_shown_with_its_entries_and_a_form_of_its_fields(bay: Bay, table: str) -> None:
    text = html.unescape(bay.html(f"/setup?table={table}").text)
    for row in bay.engine.catalogue().rows(table):
        for name in TABLES[table].names():
            assert row[name] in text
    form = text[text.index('id="entry"') : text.index('id="import"')]
    assert re.findall(r'(?:input|select) name="(\w+)"', form) == list(TABLES[table].names())
    assert "None" not in text.replace("None entered", "")
    assert "What may be added" not in text
    assert ("More fields" in form) == ('id="optional"' in form)


def test_each_field_has_a_label_in_words(bay: Bay) -> None:
    """A column's own name with underscores is for files, not for people."""
    for table in TABLES:
        of = setup_pages.of_bay(table, bay.engine.health())
        for field in setup_pages.setup_page(bay.engine.catalogue(), table, of, UTC).fields:
            assert "_" not in field.label


def test_the_tabs_count_what_is_in_use(bay: Bay) -> None:
    text = bay.html("/setup").text
    for table in TABLES:
        count = len(bay.engine.catalogue().active(table))
        assert re.search(rf'href="/setup\?table={table}"[^>]*>[^<]+<small>{count}</small>', text), table


def test_what_must_be_chosen_is_chosen_from_what_there_is(bay: Bay) -> None:
    text = bay.html("/setup?table=compartment").text
    vehicles = text[text.index('<select name="vehicle"') :].split("</select>")[0]
    assert re.findall(r"<option[^>]*>([^<]+)", vehicles) == ["Bus 12", "Bus 7"]
    methods = text[text.index('<select name="method"') :].split("</select>")[0]
    assert "cover removed" in methods


def test_a_change_begins_with_all_that_stands_there(bay: Bay) -> None:
    text = bay.html("/setup?table=compartment").text
    found = [json.loads(html.unescape(one)) for one in re.findall(r'data-change="([^"]+)"', text)]
    rows = bay.engine.catalogue().rows("compartment")
    assert found == [{name: row[name] for name in TABLES["compartment"].names()} for row in rows]


def test_the_price_that_holds_today_is_marked_and_no_other(bay: Bay) -> None:
    fields = {"amount": "9.50", "per": "1 L", "currency": "EUR", "fluid": "gear_75w90"}
    for since in ("2020-01-01", "2099-01-01"):  # around the one that is there
        made = entering.enter(bay.engine.shop, "price", {**fields, "since": since})
        assert made is not None
        bay.engine.shop = _changed(bay.engine.shop, made)
    text = html.unescape(bay.html("/setup?table=price").text)
    assert text.count("holds: <strong>today</strong>") == 1
    row = next(one for one in text.split("<li>") if "holds: <strong>today" in one)
    assert "from 2026-" in row.split("</strong>")[0]


def test_a_containers_fluid_is_called_by_its_name(bay: Bay) -> None:
    text = html.unescape(bay.html("/setup?table=container").text)
    name = bay.engine.catalogue().get("fluid", "gear_75w90").get("name")  # type: ignore[union-attr]  # it is there
    assert name
    assert f"fluid: <strong>{name}</strong>" in text
    assert f'<option value="gear_75w90">{name}</option>' in text
    for words, told in (("75W-90, fresh", True), ("gear_75w90", True), ("drum 1", True), ("ATF", False)):
        found = html.unescape(bay.html(f"/setup?table=container&q={words}").text)
        assert ("<li><div><strong>drum 1" in found) == told, words


def test_a_price_is_listed_by_its_day_with_what_it_was_put_right_from(bay: Bay) -> None:
    fields = {"fluid": "gear_75w90", "since": "2026-01-01", "amount": "8.40"}
    made = entering.enter(bay.engine.shop, "price", fields)
    assert made is not None
    bay.engine.shop = _changed(bay.engine.shop, made)
    text = html.unescape(bay.html("/setup?table=price").text)
    assert "<strong>Gear oil 75W-90, fresh · from 2026-01-01</strong>" in text
    assert "before it was put right: <strong>9.50 EUR for 1\u00a0L</strong>" in text
    assert '<input name="since" type="date"' in text
    assert "A price holds from its day" in text


def test_what_is_retired_leaves_the_list_and_can_be_restored(bay: Bay) -> None:
    bay.engine.shop = _changed(bay.engine.shop, entering.retire(bay.engine.shop, "technician", ["M. Okafor"]))
    text = bay.html("/setup?table=technician").text
    assert "Retired: 1" in text
    assert re.search(r'data-change="[^"]*M\. Okafor[^"]*" data-retired="yes">Restore', text)
    assert "<strong>M. Okafor</strong>" not in text.split("Retired: 1")[0]
    assert "M. Okafor" not in bay.html("/setup/technician.csv").text


def test_names_cannot_become_markup(bay: Bay) -> None:
    nasty = "\"'><script>alert(1)</script>"
    made = entering.enter(bay.engine.shop, "vehicle", {"vehicle": nasty})
    assert made is not None
    bay.engine.shop = _changed(bay.engine.shop, made)
    text = bay.html("/setup").text
    assert "<script>alert" not in text
    changes = [json.loads(html.unescape(one)) for one in re.findall(r'data-change="([^"]+)"', text)]
    assert nasty in [one["vehicle"] for one in changes]


@pytest.mark.parametrize("path", ["/setup?table=tyres", "/setup/tyres.csv"])
def test_an_unknown_table_is_said_to_be_unknown(bay: Bay, path: str) -> None:
    reply = bay.send("GET", path)
    assert reply.status_code == 404
    assert "tyres" in reply.json()["text"]


def test_the_json_holds_every_table_whole(bay: Bay) -> None:
    assert bay.send("GET", "/setup.json").json() == {n: bay.engine.catalogue().rows(n) for n in TABLES}


@pytest.mark.parametrize("table", TABLES)
def test_a_table_taken_along_as_a_file_changes_nothing_when_it_comes_back(bay: Bay, table: str) -> None:
    text = bay.send("GET", f"/setup/{table}.csv").content
    rows = bay.engine.catalogue().rows(table)
    assert len(list(csv.DictReader(io.StringIO(text.decode())))) == len(rows)
    plan = bay.post("/api/catalogue/import", _file(text, table)).json()["plan"]
    assert plan == {"table": table, "changes": [], "unchanged": len(rows), "rejected": []}


# --- what is entered ---------------------------------------------------------------------------------------


def test_an_entry_reaches_the_station_as_typed(bay: Bay) -> None:
    fields = {"vehicle": "Bus 31", "note": "since spring"}
    body = {"table": "vehicle", "fields": fields, "by": "M. Okafor"}
    assert bay.post("/api/catalogue/enter", body).status_code == 200
    assert bay.engine.calls == [("enter", "vehicle", fields, "M. Okafor")]


def test_a_retirement_reaches_the_station_with_its_key(bay: Bay) -> None:
    body = {"table": "compartment", "key": ["Bus 12", "rear axle"], "by": ""}
    assert bay.post("/api/catalogue/retire", body).status_code == 200
    assert bay.engine.calls == [("retire", "compartment", ["Bus 12", "rear axle"], "")]


def test_a_refusal_is_told_in_the_stations_words(bay: Bay) -> None:
    bay.engine.fail = InputError("capacity: '5' has no unit.")
    reply = bay.post("/api/catalogue/enter", {"table": "compartment", "fields": {"capacity": "5"}})
    assert reply.status_code == 400
    assert reply.json()["text"] == "capacity: '5' has no unit."


# --- from a file -------------------------------------------------------------------------------------------

BAD_ROWS = (
    b"vehicle,compartment,capacity,method\n"
    b"Bus 12,rear axle,3.1 L,cover removed\n"
    b"Bus 12,front axle,5,drain plug\n"
    b"Bus 12,gearbox,-2 L,drain plug\n"
    b"Bus 12,sump,900 L,drain plug\n"
    b"Bus 12,hub,0,4 L,drain plug\n"
    b"Bus 12,rear axle,2.8 L,cover removed\n"
    b"Bus \xe9,rear axle,2.8 L,cover removed\n"
    b"Bus 99,<b>axle</b>,2.8 L,cover removed\n"
)


def test_a_dry_run_says_what_would_change_and_which_rows_are_rejected_and_why(bay: Bay) -> None:
    reply = bay.post("/api/catalogue/import", _file(BAD_ROWS, "compartment")).json()
    assert [row["row"] for row in reply["plan"]["rejected"]] == [3, 4, 5, 6, 7, 8, 9]
    assert reply["can"] is False
    text = html.unescape(reply["html"])
    assert "1 entry would change" in text
    assert "7 rows are rejected" in text
    assert "listed capacity: 3.1 L" in text
    assert "stands in row 2 already" in text
    assert "byte 0xE9 is not UTF-8" in text
    assert "A decimal comma between commas?" in text
    assert "<b>" not in reply["html"]
    assert bay.engine.calls == [("dry_run", "compartment", BAD_ROWS)]


def test_a_clean_file_can_be_applied(bay: Bay) -> None:
    body = _file("vehicle,note\nBus 31,für den Berg\nBus 12,\n".encode())
    reply = bay.post("/api/catalogue/import", body).json()
    assert reply["can"] is True
    assert "add" in reply["html"]
    assert "für den Berg" in reply["html"]
    bay.post("/api/catalogue/import", {**body, "apply": True})
    action, table, data, name, by = bay.engine.calls[-1]
    assert (action, table, name, by) == ("import_file", "vehicle", "fleet.csv", "M. Okafor")
    assert data.decode().startswith("vehicle,note")


def test_a_file_that_changes_nothing_offers_nothing_to_apply(bay: Bay) -> None:
    reply = bay.post("/api/catalogue/import", _file(b"vehicle\nBus 12\n")).json()
    assert reply["can"] is False
    assert "0 entries would change" in reply["html"]


def test_a_long_list_of_changes_is_counted(bay: Bay) -> None:
    rows = "".join(f"Bus {n}\n" for n in range(100, 170))
    told = bay.post("/api/catalogue/import", _file(f"vehicle\n{rows}".encode())).json()["html"]
    assert "70 entries would change" in told
    assert "20 more." in told


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"name\nBus 31\n", "lacks the column 'vehicle'"),
        (b"vehicle\n\x00", "the file is no text"),
    ],
)
def test_a_file_that_cannot_be_meant_is_refused_whole(bay: Bay, data: bytes, said: str) -> None:
    reply = bay.post("/api/catalogue/import", _file(data))
    assert reply.status_code == 400
    assert said in reply.json()["text"]


@pytest.mark.parametrize("data", ["vehicle\nBus 31\n", "###", 7, None])
def test_what_is_no_base64_is_not_understood(bay: Bay, data: Any) -> None:
    assert bay.post("/api/catalogue/import", _file(b"") | {"data": data}).status_code == 422
    assert bay.engine.calls == []


def test_a_fleets_file_passes_the_gate_and_only_there(open_bay: Callable[..., Bay]) -> None:
    bay = open_bay(FakeEngine())
    rows = "".join(f"Bus {n},kept at the far yard by the water\n" for n in range(2000))
    body = _file(f"vehicle,note\n{rows}".encode())
    assert LARGEST_BODY < len(json.dumps(body)) < LARGEST_FILE
    assert len(bay.post("/api/catalogue/import", body).json()["plan"]["changes"]) == 2000
    assert bay.post("/api/catalogue/enter", body).status_code == 413
    assert bay.post("/api/catalogue/import", _file(b"x" * LARGEST_FILE)).status_code == 413


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("42 N·m", "42 N·m"),
        ("31 lbf·ft", "31 lbf·ft (42 N·m)"),
        ("42 Nm", "42 Nm"),
        ("372 lbf·in", "372 lbf·in (42 N·m)"),
    ],
)
def test_the_jobs_page_shows_the_torque_of_set_up_beside_the_one_noted(
    bay: Bay, typed: str, shown: str
) -> None:
    record = bay.engine.records[JOB_ID]
    key = (record.labels["vehicle"], record.labels["compartment"])
    bay.engine.records[JOB_ID] = dataclasses.replace(record, events=())
    empty = bay.html(f"/jobs/{JOB_ID}").text
    assert "Torque, as entered in set-up</th><td>none entered" in empty
    assert "Torque noted at the job</th><td>none" in empty
    noted = Entry(record.opened_utc, "note", "torque: plug 40 N·m")
    bay.engine.records[JOB_ID] = dataclasses.replace(record, events=(noted,))
    before = {"table": "compartment", "key": list(key), "action": "change", "fields": {"torque": typed}}
    entries = {table: dict(rows) for table, rows in bay.engine.shop.entries.items()}
    old = entries["compartment"][key]
    entries["compartment"][key] = dataclasses.replace(old, versions=())
    catalogue.apply(entries, before, "2020-01-01")
    catalogue.apply(
        entries, {**before, "fields": {"torque": "99 N·m"}}, "2999-01-01"
    )  # entered after the job
    bay.engine.shop = Catalogue(entries)
    text = bay.html(f"/jobs/{JOB_ID}").text
    assert f"Torque, as entered in set-up</th><td>{shown}</td>" in text
    assert "Torque noted at the job</th><td>plug 40 N·m</td>" in text
    assert "99 N·m" not in text
    content = bay.send("GET", f"/jobs/{JOB_ID}.json").json()["torque"]
    assert (content["set_up"]["torque"], content["noted"]) == (typed, ["plug 40 N·m"])


def test_notices_that_were_not_taken_are_sent_again_from_here(bay: Bay) -> None:
    text = bay.html("/setup").text
    assert re.findall(r'data-again="([^"]+)">([^<]+)<', text) == [("accounts", "Send again to accounts")]
    assert bay.post("/api/notices/again", {"name": "accounts"}).json()["notices"] == 3
    assert bay.engine.calls == [("again", "accounts")]
    wrong = bay.post("/api/notices/again", {"name": "none"})
    assert wrong.status_code == 400
    assert "expected one of: accounts, workshop board" in wrong.json()["text"]
    bay.engine.notices = None
    assert "data-again" not in bay.html("/setup").text
    wrong = bay.post("/api/notices/again", {"name": "accounts"})
    assert (wrong.status_code, "none yet" in wrong.json()["text"]) == (400, True)


def test_every_example_that_the_form_shows_is_taken() -> None:
    shown = {name: named.hint for name, named in setup_words.FIELDS.items() if named.hint}
    assert len(shown) > 10
    chosen = {"method": "suction", "kind": "linear"}
    for table, kind in TABLES.items():
        texts = {
            name: chosen.get(name) or shown.get(name) or "x" for name in kind.names() if name != "break_in"
        }
        if table == "fluid":  # a linear one has no density at 15 °C
            del texts["density_15_kg_m3"]
        assert read(kind, texts, "").names() == kind.names()
    assert set(shown) <= {name for kind in TABLES.values() for name in kind.names()}
