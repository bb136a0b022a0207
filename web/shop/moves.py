"""What was entered into the books beside the jobs, as a list: deliveries, stock takes, waste, and when each was entered."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.common.words import N_, _
from station.shop import movement
from station.shop.catalogue import Catalogue
from web.frame import format as fmt
from web.frame.deps import Limit, Station, download, page_of
from web.frame.listing import MOST, PER_PAGE, Asked, Field, From, Listing, Pick, To, Words, options
from web.frame.port import Engine

USED_FLUID, USED_FLUID_WORDS = "used fluid", N_("Used fluid, mixed")
"""What stands for all used fluid in one drum, where nobody keeps the grades apart."""
GROUPS = {
    "day": N_("Day"),
    "technician": N_("Technician"),
    "vehicle": N_("Vehicle"),
    "compartment": N_("Vehicle and compartment"),
    "fluid": N_("Fluid"),
}
"""What a month's books are grouped by, and what a page calls it."""
KINDS = {
    "received": N_("Delivery"),
    "counted": N_("Stock take"),
    "purge": N_("Purge"),
    "waste": N_("Waste"),
    "drawn": N_("Drawn by hand"),
    "collected": N_("Used fluid collected"),
}
SHIFTED_WORDS = N_("Charged to another container")
router = APIRouter()


@dataclass(frozen=True)
class EnteredRow:
    """when: it happened. entered: when it was put into the record and by whom, where that says more."""

    when: str
    entered: str
    kind: str
    where: str
    volume: str
    technician: str
    note: str


@dataclass(frozen=True)
class EntriesPage:
    """``/entries``: those that happened last first."""

    rows: Sequence[EnteredRow]
    list: Listing


def fluid_name(catalogue: Catalogue, key: str) -> str:
    if key == USED_FLUID:
        return _(USED_FLUID_WORDS)
    entry = catalogue.get("fluid", key)
    return (entry.get("name") or key) if entry is not None else key


def entered(row: movement.Entered, catalogue: Catalogue) -> EnteredRow:
    where = row.container or row.vehicle or ""
    fluid = fluid_name(catalogue, row.fluid)
    dated = (
        _("dated back, entered {when}").format(when=fmt.moment(row.entered_utc))
        if row.entered_utc != row.utc
        else ""
    )
    by = _("by {name}").format(name=row.entered_by) if row.entered_by not in ("", row.technician) else ""
    return EnteredRow(
        when=fmt.moment(row.utc),
        entered=" ".join(text for text in (dated, by) if text),
        kind=_(KINDS.get(row.kind, SHIFTED_WORDS)),
        where=f"{where} · {fluid}" if where else fluid,
        volume=str(fmt.litres(row.volume_l, row.u95_l or None)),
        technician=row.technician or fmt.UNKNOWN,
        note=row.note,
    )


@dataclass(frozen=True)
class EntriesAsked:
    """What the list of entries can be asked for, by the same names for page, CSV and JSON. from, to: days of the shop, both
    included."""

    q: Words = ""
    kind: Pick = ""
    container: Pick = ""
    first_day: From = ""
    last_day: To = ""
    before: Annotated[int | None, Query(ge=1, le=2**63 - 1)] = None

    def rows(self, engine: Engine, limit: int) -> list[movement.Entered]:
        asked = movement.Asked(self.q, self.kind, self.container, self.first_day, self.last_day)
        with engine.reading() as ledger:
            return movement.listed(ledger, asked, engine.settings().zone, limit, self.before)

    def form(self, engine: Engine) -> Asked:
        names = sorted({*(key for (key,) in engine.catalogue().entries["container"]), self.container} - {""})
        fields = [
            Field(
                "kind",
                _("What"),
                self.kind,
                [("", _("any")), *((key, _(text)) for key, text in KINDS.items())],
            ),
            Field("container", _("Container"), self.container, options(names, _("any"))),
            Field("from", _("From"), self.first_day),
            Field("to", _("To"), self.last_day),
        ]
        twins = (("CSV", "/entries.csv"), ("JSON", "/entries.json"))
        return Asked(
            "/entries", _("Container, fluid, vehicle, technician or note"), self.q, fields, twins=twins
        )


Entries = Annotated[EntriesAsked, Depends()]


@router.get("/entries")
def entries_page(engine: Station, asked: Entries) -> Response:
    rows = asked.rows(engine, PER_PAGE + 1)
    shown, frame = asked.form(engine).by_key(rows, lambda row: f"{row.seq}", asked.before is None)
    catalogue = engine.catalogue()
    return page_of("entries.html", EntriesPage([entered(row, catalogue) for row in shown], frame))


@router.get("/entries.json")
def entries_json(engine: Station, asked: Entries, limit: Limit = MOST) -> Response:
    return JSONResponse({"entries": [row.to_dict() for row in asked.rows(engine, limit)]})


@router.get("/entries.csv")
def entries_csv(engine: Station, asked: Entries, limit: Limit = MOST) -> Response:
    rows = [row.to_dict() for row in asked.rows(engine, limit)]
    return download(to_csv(rows, movement.COLUMNS), "entries.csv", "text/csv")
