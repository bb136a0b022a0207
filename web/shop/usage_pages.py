"""The shop manager's page of usage: where the fluid of a month went, and what stands in the containers."""

from datetime import date, timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import JSONResponse, Response

from station.common import days
from station.common.tabular import to_csv
from station.common.words import _
from station.errors import InputError
from station.shop import audit, course, movement, stock
from station.shop.missing import COLUMNS as MISSING_COLUMNS
from station.shop.missing import MissingTake
from web.frame.deps import Station, download, page_of
from web.frame.listing import Pick
from web.frame.port import Engine
from web.shop.moves import GROUPS
from web.shop.usage_contexts import usage_page
from web.shop.usage_pictures import MONTHS, drawn

ENTERED = 10
"""So many of a month's entries stand on its page; the list has them all."""
DRAWN = ("month", "counts", "level")
"""What goes out as CSV beside the books: the numbers behind the pictures."""
router = APIRouter()
Month = Annotated[str | None, Query(max_length=40)]
By = Annotated[str, Query(max_length=40)]


def _books(engine: Station, month: str | None) -> audit.Audit:
    bay = engine.settings()
    since, until = audit.month(month if month is not None else f"{days.today(bay.zone):%Y-%m}")
    with engine.reading() as ledger:
        return audit.audit(ledger, since, until, engine.catalogue(), bay.country, bay.zone)


def _months(engine: Engine, last: str) -> list[audit.Line]:
    bay = engine.settings()
    with engine.reading() as ledger:
        return audit.months(ledger, last, MONTHS, engine.catalogue(), bay.country, bay.zone)


def _counted(engine: Engine, first: str, until: str) -> list[MissingTake]:
    """What the counts say from a month on."""
    bay = engine.settings()
    with engine.reading() as ledger:
        return course.counted(ledger, f"{first}-01", until, engine.catalogue(), bay.country, bay.zone)


def _held(engine: Station) -> list[stock.Content]:
    with engine.reading() as ledger:
        return stock.contents(ledger, engine.catalogue(), engine.settings().country)


def _by(by: str) -> str:
    if by not in GROUPS:
        raise InputError(
            _("the audit is grouped by {by!r}; expected one of: {join}.").format(
                by=by, join=", ".join(GROUPS)
            )
        )
    return by


@router.get("/usage")
def usage(engine: Station, month: Month = None, by: By = "day") -> Response:
    _by(by)
    books, zone = _books(engine, month), engine.settings().zone
    with engine.reading() as ledger:
        last_day = f"{date.fromisoformat(books.until) - timedelta(days=1)}"
        month_of = movement.Asked(first_day=books.since, last_day=last_day)
        moved = movement.listed(ledger, month_of, zone, ENTERED)
    held = _held(engine)
    months = _months(engine, books.since[:7])
    pictures = drawn(engine, books, held, months, _counted(engine, months[0].group, books.until))
    shop = engine.settings().shop
    whose = [line for line in (shop.name, shop.address, shop.contact, engine.bay_name) if line]
    page = usage_page(books, by, held, moved, engine.catalogue(), days.today(zone), zone, pictures, whose)
    return page_of("usage.html", page)


@router.get("/usage.json")
def usage_json(engine: Station, month: Month = None) -> Response:
    books = _books(engine, month)
    return JSONResponse({**books.to_dict(), "containers": [one.to_dict() for one in _held(engine)]})


@router.get("/usage.csv")
def usage_csv(engine: Station, month: Month = None, by: By = "day", container: Pick = "") -> Response:
    """by: one of ``station.shop.audit.TABLES``: the lines of a grouping and their total, what is missing, the stock takes, the used
    fluid; "month": the sums of a year; "counts": what each count of it found; "level": the level of a container over the month."""
    if by not in (*audit.TABLES, *DRAWN):
        raise InputError(
            _("by is {by!r}; expected one of: {join}.").format(by=by, join=", ".join((*audit.TABLES, *DRAWN)))
        )
    books = _books(engine, month)
    if by == "month":
        columns, rows = audit.COLUMNS, [line.to_dict() for line in _months(engine, books.since[:7])]
    elif by == "counts":
        first = _months(engine, books.since[:7])[0].group
        columns, rows = MISSING_COLUMNS, [one.to_dict() for one in _counted(engine, first, books.until)]
    elif by == "level":
        zone = engine.settings().zone
        period = (days.begins(books.since, zone), days.begins(books.until, zone))
        with engine.reading() as ledger:
            columns, rows = course.COLUMNS, course.rows(course.levels(ledger, container, *period))
    else:
        columns, rows = books.table(by)
    return download(to_csv(rows, columns), f"usage-{books.since[:7]}-{by}.csv", "text/csv")


@router.get("/stock.json")
def stock_json(engine: Station) -> Response:
    return JSONResponse({"stock": [one.to_dict() for one in _held(engine)]})


@router.get("/stock.csv")
def stock_csv(engine: Station) -> Response:
    """What every container should hold now."""
    rows = [one.to_dict() for one in _held(engine)]
    return download(to_csv(rows, stock.COLUMNS), "stock.csv", "text/csv")
