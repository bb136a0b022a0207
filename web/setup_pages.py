"""Set-up: vehicles, compartments, fluids, containers, technicians and prices, table by table as the catalogue has them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import JSONResponse, Response

from station.catalogue import TABLES, Catalogue
from station.tabular import to_csv
from web.actions import Body, Hands, Key, Line, do, done
from web.pages import Station, download, page_of
from web.problem import Problem

TITLES = {
    "vehicle": "Vehicles",
    "compartment": "Compartments",
    "fluid": "Fluids",
    "container": "Containers",
    "technician": "Technicians",
    "price": "Prices",
}
FIELDS = {
    "kv40_mm2_s": "viscosity at 40 °C, mm²/s",
    "kv100_mm2_s": "viscosity at 100 °C, mm²/s",
    "density_15_kg_m3": "density at 15 °C, kg/m³",
    "density_kg_m3": "density, kg/m³",
    "at_c": "at, °C",
    "expansion_per_c": "expansion per °C",
}

router = APIRouter()
changes = APIRouter(prefix="/api/catalogue")


@dataclass(frozen=True)
class SetupField:
    name: str
    label: str
    needed: bool


@dataclass(frozen=True)
class SetupRow:
    """key: what names the entry. cells: what stands in it, without what is empty."""

    key: Sequence[str]
    cells: Sequence[tuple[str, str]]
    retired: bool


@dataclass(frozen=True)
class SetupTable:
    name: str
    title: str
    fields: Sequence[SetupField]
    rows: Sequence[SetupRow]


@dataclass(frozen=True)
class SetupPage:
    """``/setup``: every table of the catalogue."""

    tables: Sequence[SetupTable]


def _label(name: str) -> str:
    return FIELDS.get(name, name.replace("_", " "))


def _table(catalogue: Catalogue, name: str) -> SetupTable:
    shape = TABLES[name]
    needed = {*shape.key, *shape.needed}
    rows = [
        SetupRow(
            [row[part] for part in shape.key],
            [(_label(n), row[n]) for n in shape.fields if n not in shape.key and row[n]],
            row["retired"],
        )
        for row in catalogue.rows(name)
    ]
    fields = [SetupField(n, _label(n), n in needed) for n in shape.fields]
    return SetupTable(name, TITLES.get(name, name), fields, sorted(rows, key=lambda row: row.retired))


@router.get("/setup")
def setup(engine: Station) -> Response:
    catalogue = engine.catalogue()
    return page_of("setup.html", SetupPage([_table(catalogue, name) for name in TABLES]))


@router.get("/setup.json")
def setup_json(engine: Station) -> Response:
    catalogue = engine.catalogue()
    return JSONResponse({name: catalogue.rows(name) for name in TABLES})


@router.get("/setup/{table}.csv")
def setup_csv(engine: Station, table: str) -> Response:
    """A table as it can be imported again."""
    if table not in TABLES:
        raise Problem(
            404, "No such table", f"The catalogue has no table {table[:40]!r}. See the set-up page."
        )
    rows = [row for row in engine.catalogue().rows(table) if not row["retired"]]
    return download(to_csv(rows, TABLES[table].fields), f"{table}.csv", "text/csv")


class Enter(Body):
    """fields: the entry's texts by name; what is left out stays as it is."""

    table: Key
    fields: dict[Key, Line]
    by: Line = ""


class Retire(Body):
    table: Key
    key: Annotated[list[Line], Field(min_length=1, max_length=3)]
    by: Line = ""


class Import(Body):
    """data: a CSV file's text. apply: False to be told what it would change."""

    table: Key
    data: Annotated[str, Field(max_length=1_000_000)]
    apply: bool
    name: Line = ""


@changes.post("/enter")
async def enter(engine: Station, hands: Hands, body: Enter) -> Response:
    await do(hands, engine.enter, "enter", body.model_dump())
    return done()


@changes.post("/retire")
async def retire(engine: Station, hands: Hands, body: Retire) -> Response:
    await do(hands, engine.enter, "retire", body.model_dump())
    return done()


@changes.post("/import")
async def import_file(engine: Station, hands: Hands, body: Import) -> Response:
    return done(plan=await do(hands, engine.enter, "import", body.model_dump()))
