"""Set-up: vehicles, compartments, fluids, containers, technicians, prices and the shop's own name, one table of the catalogue at a time."""

from base64 import b64decode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Annotated, Any, get_args

from fastapi import APIRouter, Query
from pydantic import AfterValidator, Field
from starlette.responses import JSONResponse, Response

from station.bay.health import Health
from station.bay.identity import short
from station.bay.notice_book import Lacking
from station.common.tabular import holds, to_csv
from station.common.words import _
from station.given.job import RETAINED_BY_METHOD
from station.given.sources import NAMES
from station.shop import entering
from station.shop.catalogue import Catalogue, Entry
from station.shop.offered import THIS_SHOP
from station.shop.rows import SINCE, TABLES, Kind
from web.frame import format as fmt
from web.frame.amounts import plain
from web.frame.deps import Body, DiskThreads, Key, Line, Station, do, done, download, page_of
from web.frame.listing import Asked, Listing, Page, Words
from web.frame.problem import Problem
from web.frame.render import render
from web.shop import prices
from web.shop.moves import fluid_name
from web.shop.notices import send_again_to
from web.shop.setup_words import AMOUNTS, SPOKEN, TITLES, Titles, named

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
    """options: what may be chosen, and how it is said; empty where it is typed. key: part of what names the entry. day: picked from
    a calendar."""

    name: str
    label: str
    more: str
    hint: str
    needed: bool
    key: bool
    day: bool
    options: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class SetupRow:
    """title: what names the entry. cells: what stands in it, without what is empty. fields: all of it, for the form."""

    title: str
    cells: Sequence[tuple[str, str]]
    fields: Mapping[str, str]


@dataclass(frozen=True)
class Lists:
    """Whose lists they are, and what stands around them. shop: at the roll-up; "" at a bay. address: of the page. changes: where
    what is entered goes. under: what is said above. links: elsewhere. heading, checks: below, what is looked at, whether it is
    well, and a word on it. software: of a bay, its identity. again: receivers of notices that have not taken all, each with the word
    for having it sent again."""

    shop: str
    address: str
    changes: str
    title: str
    under: str
    links: Sequence[tuple[str, str]]
    twins: Sequence[tuple[str, str]]
    heading: str
    checks: Sequence[tuple[str, bool, str]]
    software: str = ""
    again: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True)
class SetupPage:
    """One table of a catalogue, to be looked through and changed. rows, retired: of the part that is shown."""

    of: Lists
    tabs: Sequence[Tab]
    name: str
    titles: Titles
    fields: Sequence[SetupField]
    rows: Sequence[SetupRow]
    retired: Sequence[SetupRow]
    technicians: Sequence[str]
    columns: str
    hint: str
    list: Listing


def _shown(name: str, text: str) -> str:
    return fmt.typed(text) if name in AMOUNTS else text


def _label(name: str) -> str:
    return _(named(name).label)


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
        more=_(named(name).more),
        hint=_shown(name, _(named(name).hint)),
        needed=name in shape.needed(),
        key=name in shape.key,
        day=name == SINCE,
        options=[
            (one, _(one) if name in SPOKEN else _named(catalogue, table, name, one))
            for one in _options(catalogue, table, name)
        ],
    )


def _row(catalogue: Catalogue, table: str, entry: Entry, zone: tzinfo) -> SetupRow:
    fields = {name: _shown(name, entry.get(name)) for name in TABLES[table].names()}
    cells = [
        (_label(n), _(text) if n in SPOKEN else _named(catalogue, table, n, text))
        for n, text in fields.items()
        if n not in TABLES[table].key and text
    ]
    cells += prices.holding(catalogue, entry, zone) if table == "price" else []
    named = zip(TABLES[table].key, entry.key, strict=True)
    title = " · ".join(_named(catalogue, table, name, text) for name, text in named)
    return SetupRow(title, cells, fields)


def _named(catalogue: Catalogue, table: str, name: str, text: str) -> str:
    """A field of an entry, in words: what it names by its name."""
    if name == SINCE:
        return _("from {day}").format(day=fmt.dated(text))
    if name in AMOUNTS:
        return fmt.listed(text)
    return fluid_name(catalogue, text) if TABLES[table].refers.get(name) == "fluid" else text


def _wanted(catalogue: Catalogue, table: str, words: str) -> list[Entry]:
    """The entries that hold the words, those in use first."""
    every = catalogue.entries[table].values()
    found = [e for e in every if holds(words, *e.fields.values(), fluid_name(catalogue, e.get("fluid")))]
    return sorted(found, key=lambda entry: (entry.retired, entry.key))


def setup_page(
    catalogue: Catalogue, table: str, of: Lists, zone: tzinfo, words: str = "", page: int = 1
) -> SetupPage:
    """table: a key of ``station.shop.rows.TABLES``. zone: whose days the shop's are. words: what an entry has to hold to be listed."""
    shape = TABLES[table]
    asked = Asked(of.address, _(TITLES[table].find), words, kept=[("table", table)], twins=of.twins)
    entries, frame = asked.by_page(_wanted(catalogue, table, words), page)
    return SetupPage(
        of=of,
        tabs=[Tab(n, _(TITLES[n].all), len(catalogue.active(n)), n == table) for n in TABLES],
        name=table,
        titles=Titles(*map(_, TITLES[table])),
        fields=[_field(catalogue, table, name) for name in shape.names()],
        rows=[_row(catalogue, table, entry, zone) for entry in entries if not entry.retired],
        retired=[_row(catalogue, table, entry, zone) for entry in entries if entry.retired],
        technicians=[entry.key[0] for entry in catalogue.active("technician")],
        columns=", ".join(shape.names()),
        hint=_price_hint() if table == "price" else "",
        list=frame,
    )


def _price_hint() -> str:
    more = _(
        "A typing mistake is put right under its own day, and costs are reckoned anew; the list of changes keeps both. A new price gets a new day."
    )
    return f"{prices.how_prices_hold()} {more}"


def of_bay(table: str, health: Health, lacking: Sequence[Lacking] = ()) -> Lists:
    return Lists(
        shop="",
        address="/setup",
        changes="/api/catalogue",
        title=_("Set-up"),
        under=_(
            "What the plan form offers and the audit counts with. Nothing is deleted, only retired; every change is kept."
        ),
        links=[(_("What was changed, and by whom"), "/changes"), (_("People"), "/people")],
        twins=[
            (_("CSV, to be changed and imported again"), f"/setup/{table}.csv"),
            (_("All tables as JSON"), "/setup.json"),
        ],
        heading=_("The station itself"),
        checks=[
            (_(NAMES.get(name, name.replace("_", " "))), check.ok, _(check.text))
            for name, check in health.checks.items()
        ],
        software=short(health.software),
        again=[(one.receiver, send_again_to(one.receiver)) for one in lacking if one.stuck],
    )


def known(table: str) -> str:
    if table not in TABLES:
        raise Problem(
            404,
            _("No such table"),
            _("The catalogue has no table {table!r}. See the set-up page.").format(table=table[:40]),
        )
    return table


@router.get("/setup")
def setup(engine: Station, table: Table = "vehicle", q: Words = "", page: Page = 1) -> Response:
    book = engine.notices
    of = of_bay(known(table), engine.health(), [] if book is None else book.lacking())
    return page_of("setup.html", setup_page(engine.catalogue(), table, of, engine.settings().zone, q, page))


@router.get("/setup.json")
def setup_json(engine: Station) -> Response:
    catalogue = engine.catalogue()
    return JSONResponse({name: catalogue.rows(name) for name in TABLES})


@router.get("/setup/{table}.csv")
def setup_csv(engine: Station, table: str, q: Words = "") -> Response:
    """What is in use of a table, as it can be imported again. q: what an entry has to hold."""
    return csv_of(engine.catalogue(), known(table), q)


def csv_of(catalogue: Catalogue, table: str, words: str = "") -> Response:
    rows = [e.fields for e in _wanted(catalogue, table, words) if not e.retired]
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


def plain_of(fields: Mapping[str, str]) -> dict[str, str]:
    return {name: plain(_label(name), text) if name in AMOUNTS else text for name, text in fields.items()}


@changes.post("/enter")
async def enter(engine: Station, threads: DiskThreads, body: Enter) -> Response:
    return done(changed=await do(threads, engine.entries.enter, body.table, plain_of(body.fields), body.by))


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
    return imported(plan)


def imported(plan: entering.Import) -> Response:
    """The reply to a file."""
    can = bool(plan.changes) and not plan.rejected
    return done(plan=plan.to_dict(), html=render("_import.html", plan=_told(plan)), can=can)


def _told(plan: entering.Import) -> dict[str, Any]:
    rows = [
        {
            "action": _(change.action),
            "key": " · ".join(change.key),
            "cells": [
                (_label(name), _shown(name, text) or _("nothing")) for name, text in change.fields.items()
            ],
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
