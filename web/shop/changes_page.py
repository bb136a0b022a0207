"""Every change of a setting or a calibration, newest first: number, when, who, what, from what to what."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.responses import JSONResponse, Response

from station.common.tabular import holds, to_csv
from station.common.words import _
from station.record.finding import between
from station.shop import changes
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of
from web.frame.listing import Asked, Field, From, Listing, Page, Pick, To, Words, options
from web.frame.port import Engine

router = APIRouter()


@dataclass(frozen=True)
class ChangeRow:
    number: str
    at: str
    by: str
    what: str
    old: str
    new: str


@dataclass(frozen=True)
class ChangesPage:
    """``/changes``: newest first."""

    rows: Sequence[ChangeRow]
    list: Listing


def _row(one: changes.Changed) -> ChangeRow:
    return ChangeRow(
        fmt.UNKNOWN if one.counter is None else str(one.counter),
        fmt.moment(one.utc),
        one.by or fmt.UNKNOWN,
        one.parameter.replace("_", " "),
        one.old or fmt.UNKNOWN,
        one.new or fmt.UNKNOWN,
    )


@dataclass(frozen=True)
class ChangesAsked:
    """What the list of changes can be asked for, by the same names for page, CSV and JSON. from, to: days of the shop, both
    included. The files are oldest first, as the numbers grow."""

    q: Words = ""
    by: Pick = ""
    first_day: From = ""
    last_day: To = ""

    def changes(self, engine: Engine) -> tuple[list[changes.Changed], list[str]]:
        """Those wanted, oldest first, and everybody who ever changed something."""
        since, until = between(self.first_day, self.last_day, engine.settings().zone)
        with engine.reading() as ledger:
            every = changes.listed(ledger)
        found = [
            one
            for one in every
            if self.by in ("", one.by)
            and (since or "") <= one.utc < (until or "9999")
            and holds(self.q, one.parameter.replace("_", " "), one.old, one.new, one.by)
        ]
        return found, sorted({one.by for one in every} - {""})


ChangeList = Annotated[ChangesAsked, Depends()]


@router.get("/changes")
def page(engine: Station, asked: ChangeList, page: Page = 1) -> Response:
    found, names = asked.changes(engine)
    fields = [
        Field("by", _("By"), asked.by, options(names, _("anybody"))),
        Field("from", _("From"), asked.first_day),
        Field("to", _("To"), asked.last_day),
    ]
    twins = (("CSV", "/changes.csv"), ("JSON", "/changes.json"))
    form = Asked("/changes", _("What, or its value before or now"), asked.q, fields, twins=twins)
    shown, frame = form.by_page(found[::-1], page)
    return page_of("changes.html", ChangesPage([_row(one) for one in shown], frame))


@router.get("/changes.json")
def as_json(engine: Station, asked: ChangeList) -> Response:
    return JSONResponse({"changes": [one.to_dict() for one in asked.changes(engine)[0]]})


@router.get("/changes.csv")
def as_csv(engine: Station, asked: ChangeList) -> Response:
    rows = [one.to_dict() for one in asked.changes(engine)[0]]
    return download(to_csv(rows, changes.COLUMNS), "changes.csv", "text/csv")
