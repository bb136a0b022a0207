"""Set-up: vehicles, compartments, fluids, containers, technicians, prices and the shop's own name, one table of the catalogue at a time."""

from base64 import b64decode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple, get_args

from fastapi import APIRouter, Query
from pydantic import AfterValidator, Field
from starlette.responses import JSONResponse, Response

from station.bay.health import Health
from station.bay.identity import short
from station.common.tabular import holds, to_csv
from station.given.job import RETAINED_BY_METHOD
from station.shop import entering
from station.shop.catalogue import Catalogue, Entry
from station.shop.offered import THIS_SHOP
from station.shop.rows import TABLES, Kind
from web.frame.deps import Body, DiskThreads, Key, Line, Station, do, done, download, page_of
from web.frame.listing import Asked, Listing, Page, Words
from web.frame.problem import Problem
from web.frame.render import render

TITLES = {
    "vehicle": ("Vehicles", "vehicle"),
    "compartment": ("Compartments", "compartment"),
    "fluid": ("Fluids", "fluid"),
    "container": ("Containers", "container"),
    "technician": ("Technicians", "technician"),
    "price": ("Prices", "price"),
    "shop": ("Sheet's head", "head of the sheet"),
}


class Named(NamedTuple):
    """A field in words. more: what the form adds to its label. hint: an example."""

    label: str
    more: str = ""
    hint: str = ""


FIELDS = {
    "capacity": Named("listed capacity", "with unit", "2.9 L"),
    "source": Named("where that was read", "", "service manual, 4-12"),
    "method": Named("emptied by"),
    "grade": Named("grade", "", "75W-90"),
    "type": Named("type", "to learn across vehicles", "midibus rear axle"),
    "plug": Named("where it is filled", "", "fill plug, left side"),
    "torque": Named("torque", "with unit", "42 N·m"),
    "height_note": Named("level at the fill plug", "", "10 mm below its edge"),
    "interval_distance": Named("service every, distance", "with unit", "60 000 km"),
    "interval_months": Named("service every, months", "", "24"),
    "break_in": Named("unit was new: break-in service"),
    "new_at": Named("vehicle's distance when the unit was new", "with unit", "0 km"),
    "distance": Named("distance driven", "with unit", "123 456 km"),
    "shop": Named("whose", "", "this shop"),
    "address": Named("address", "in one line", "street and number, place"),
    "contact": Named("how to reach you", "", "telephone number"),
    "size": Named("size", "with unit", "60 L"),
    "amount": Named("price", "", "9.50"),
    "per": Named("for how much", "with unit", "1 L"),
    "currency": Named("currency", "", "EUR"),
    "kv40_mm2_s": Named("viscosity at 40 °C in mm²/s", "", "115"),
    "kv100_mm2_s": Named("viscosity at 100 °C in mm²/s", "", "15.2"),
    "density_origin": Named(
        "where the density is from", "measured, data sheet, grade or unknown", "data sheet"
    ),
    "u_density_kg_m3": Named("standard uncertainty of the density in kg/m³", "", "0.9"),
    "density_15_kg_m3": Named("density at 15 °C in kg/m³", "", "871"),
    "density_kg_m3": Named("density in kg/m³", "of a linear one", "1045"),
    "at_c": Named("at °C", "of a linear one", "20"),
    "expansion_per_c": Named("expansion per °C", "of a linear one", "0.0007"),
}
SHOWN = 50
"""So many changes of a file are listed; the rest is counted."""

router = APIRouter()
changes = APIRouter(prefix="/api/catalogue")
Table = Annotated[str, Query(max_length=40)]


@dataclass(frozen=True)
class Tab:
    name: str
    title: str
    count: int
    here: bool


@dataclass(frozen=True)
class SetupField:
    """options: what may be chosen; empty where it is typed. key: part of what names the entry."""

    name: str
    label: str
    more: str
    hint: str
    needed: bool
    key: bool
    options: Sequence[str]


@dataclass(frozen=True)
class SetupRow:
    """key: what names the entry. cells: what stands in it, without what is empty. fields: all of it, for the form."""

    key: Sequence[str]
    cells: Sequence[tuple[str, str]]
    fields: Mapping[str, str]


@dataclass(frozen=True)
class SetupPage:
    """``/setup``: one table of the catalogue. one: what a single entry is called. rows, retired: of the part that is shown.
    software: its identity.
    checks: how the station is: what is looked at, whether it is well, and a word on it."""

    tabs: Sequence[Tab]
    name: str
    title: str
    one: str
    fields: Sequence[SetupField]
    rows: Sequence[SetupRow]
    retired: Sequence[SetupRow]
    technicians: Sequence[str]
    columns: str
    list: Listing
    software: str
    checks: Sequence[tuple[str, bool, str]]


def _named(name: str) -> Named:
    return FIELDS.get(name, Named(name.replace("_", " ")))


def _label(name: str) -> str:
    return _named(name).label


def _options(catalogue: Catalogue, table: str, name: str) -> list[str]:
    if name in TABLES[table].refers:
        return [entry.key[0] for entry in catalogue.active(TABLES[table].refers[name])]
    if name == "method":
        return list(RETAINED_BY_METHOD)
    if table == "shop" and name == "shop":
        return list(THIS_SHOP)
    if name == "break_in":
        return ["yes", "no"]
    return list(get_args(Kind)) if (table, name) == ("fluid", "kind") else []


def _field(catalogue: Catalogue, table: str, name: str) -> SetupField:
    shape = TABLES[table]
    return SetupField(
        name=name,
        label=_label(name),
        more=_named(name).more,
        hint=_named(name).hint,
        needed=name in shape.needed(),
        key=name in shape.key,
        options=_options(catalogue, table, name),
    )


def _row(table: str, entry: Entry) -> SetupRow:
    fields = {name: entry.get(name) for name in TABLES[table].names()}
    cells = [(_label(n), text) for n, text in fields.items() if n not in TABLES[table].key and text]
    return SetupRow(list(entry.key), cells, fields)


def _wanted(catalogue: Catalogue, table: str, words: str) -> list[Entry]:
    """The entries that hold the words, those in use first."""
    found = [e for e in catalogue.entries[table].values() if holds(words, *e.key, *e.fields.values())]
    return sorted(found, key=lambda entry: (entry.retired, entry.key))


def setup_page(catalogue: Catalogue, table: str, health: Health, words: str = "", page: int = 1) -> SetupPage:
    """table: a key of ``station.shop.rows.TABLES``. words: what an entry has to hold to be listed."""
    shape = TABLES[table]
    twins = (
        ("CSV, to be changed and imported again", f"/setup/{table}.csv"),
        ("All tables as JSON", "/setup.json"),
    )
    asked = Asked("/setup", f"Find a {TITLES[table][1]}", words, kept=[("table", table)], twins=twins)
    entries, frame = asked.by_page(_wanted(catalogue, table, words), page)
    return SetupPage(
        tabs=[Tab(n, TITLES[n][0], len(catalogue.active(n)), n == table) for n in TABLES],
        name=table,
        title=TITLES[table][0],
        one=TITLES[table][1],
        fields=[_field(catalogue, table, name) for name in shape.names()],
        rows=[_row(table, entry) for entry in entries if not entry.retired],
        retired=[_row(table, entry) for entry in entries if entry.retired],
        technicians=[entry.key[0] for entry in catalogue.active("technician")],
        columns=", ".join(shape.names()),
        list=frame,
        software=short(health.software),
        checks=[(name, check.ok, check.text) for name, check in health.checks.items()],
    )


def _known(table: str) -> str:
    if table not in TABLES:
        raise Problem(
            404, "No such table", f"The catalogue has no table {table[:40]!r}. See the set-up page."
        )
    return table


@router.get("/setup")
def setup(engine: Station, table: Table = "vehicle", q: Words = "", page: Page = 1) -> Response:
    return page_of("setup.html", setup_page(engine.catalogue(), _known(table), engine.health(), q, page))


@router.get("/setup.json")
def setup_json(engine: Station) -> Response:
    catalogue = engine.catalogue()
    return JSONResponse({name: catalogue.rows(name) for name in TABLES})


@router.get("/setup/{table}.csv")
def setup_csv(engine: Station, table: str, q: Words = "") -> Response:
    """What is in use of a table, as it can be imported again. q: what an entry has to hold."""
    rows = [e.fields for e in _wanted(engine.catalogue(), _known(table), q) if not e.retired]
    return download(to_csv(rows, TABLES[table].names()), f"{table}.csv", "text/csv")


class Enter(Body):
    """fields: the entry's texts by name; what is left out stays as it is."""

    table: Key
    fields: dict[Key, Line]
    by: Line = ""


class Retire(Body):
    table: Key
    key: Annotated[list[Line], Field(min_length=1, max_length=3)]
    by: Line = ""


def _base64(text: str) -> str:
    b64decode(text, validate=True)  # its error is a ValueError, and becomes the form's
    return text


Base64 = Annotated[str, AfterValidator(_base64)]


class Import(Body):
    """data: a CSV file's bytes, in base64, so that a wrong encoding is seen and not mended on the way.
    apply: False to be told what it would change."""

    table: Key
    data: Base64
    apply: bool
    name: Line = ""
    by: Line = ""


@changes.post("/enter")
async def enter(engine: Station, threads: DiskThreads, body: Enter) -> Response:
    return done(changed=await do(threads, engine.entries.enter, body.table, body.fields, body.by))


@changes.post("/retire")
async def retire(engine: Station, threads: DiskThreads, body: Retire) -> Response:
    await do(threads, engine.entries.retire, body.table, body.key, body.by)
    return done()


@changes.post("/import")
async def import_file(engine: Station, threads: DiskThreads, body: Import) -> Response:
    """What the file changes or would change: as data under ``plan``, and as ``html`` for the page."""
    data = b64decode(body.data)
    if body.apply:
        plan = await do(threads, engine.entries.import_file, body.table, data, body.name, body.by)
    else:
        plan = await do(threads, engine.entries.dry_run, body.table, data)
    return done(plan=plan.to_dict(), html=render("_import.html", plan=_told(plan)), can=_can(plan))


def _can(plan: entering.Import) -> bool:
    return bool(plan.changes) and not plan.rejected


def _told(plan: entering.Import) -> dict[str, Any]:
    rows = [
        {
            "action": change.action,
            "key": " · ".join(change.key),
            "cells": [(_label(name), text or "nothing") for name, text in change.fields.items()],
        }
        for change in plan.changes
    ]
    return {
        "changes": rows[:SHOWN],
        "count": len(rows),
        "more": max(0, len(rows) - SHOWN),
        "unchanged": plan.unchanged,
        "rejected": [{"row": row, "reason": reason} for row, reason in plan.rejected],
    }
