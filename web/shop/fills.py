"""Fills that came up short or over, and those to re-check: the first of each on the quality page, all of them as a list."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.common.words import N_, _
from station.learning import quality
from station.learning.fills import Fill
from station.record.finding import between
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of
from web.frame.listing import Asked, Field, From, Listing, Page, Pick, To, Words
from web.frame.port import Engine

FIRST = 10
"""So many of each stand on the quality page; the list has them all."""
TITLES = {
    "short": N_("Short fills"),
    "over": N_("Over fills"),
    "undecided": N_("Undecided fills, to re-check"),
}
router = APIRouter()


@dataclass(frozen=True)
class FillRow:
    """A fill of a list. settles: what would turn an undecided one into a verdict."""

    job_id: str
    day: str
    where: str
    instrument: str
    filled: str
    expected: str
    deviation: str
    percent: str
    reason: str
    settles: Sequence[str] = ()


@dataclass(frozen=True)
class FillsOf:
    """The first fills of a verdict. every: where all of them are listed, and how many they are; None where these are all."""

    rows: Sequence[FillRow]
    every: tuple[str, str] | None


@dataclass(frozen=True)
class FillsPage:
    """``/quality/fills``: the fills of one verdict, the furthest off first, of undecided ones the newest."""

    title: str
    undecided: bool
    rows: Sequence[FillRow]
    list: Listing


def fill_row(row: Fill) -> FillRow:
    return FillRow(
        job_id=row.job_id,
        day=fmt.day(row.opened_utc),
        where=f"{row.vehicle or fmt.UNKNOWN} · {row.compartment or fmt.UNKNOWN}",
        instrument=row.meter or row.bay or fmt.UNKNOWN,
        filled=str(fmt.litres(row.filled_l, row.filled_u95_l)),
        expected=str(fmt.litres(row.expected_fill_l, row.expected_fill_u95_l)),
        deviation=f"{'+' if row.deviation_l > 0 else ''}{fmt.litres(row.deviation_l, row.deviation_u95_l)}",
        percent=fmt.percent(row.deviation_percent),
        reason=row.reason,
        settles=row.settled_by or (),
    )


def listed(verdict: str, fills: Sequence[Fill], count: int, *, since: str, last_day: str) -> FillsOf:
    """count: of the whole period, which since and last_day bound."""
    query = urlencode({"verdict": verdict, "from": since, "to": last_day})
    every = (
        (f"/quality/fills?{query}", _("All {n}, to be searched").format(n=count)) if count > FIRST else None
    )
    return FillsOf([fill_row(one) for one in fills[:FIRST]], every)


@dataclass(frozen=True)
class FillsAsked:
    """What the list of fills can be asked for, by the same names for page, CSV and JSON. from, to: days of the shop, both
    included."""

    q: Words = ""
    verdict: Pick = "short"
    first_day: From = ""
    last_day: To = ""

    def rows(self, engine: Engine) -> list[dict[str, Any]]:
        since, until = between(self.first_day, self.last_day, engine.settings().zone)
        with engine.reading() as ledger:
            return quality.ranked(ledger, self.verdict, since, until, self.q)

    def told(self, engine: Engine, rows: Sequence[Mapping[str, Any]]) -> list[Fill]:
        with engine.reading() as ledger:
            return quality.fills_of(ledger, rows)

    def form(self) -> Asked:
        fields = [
            Field("verdict", _("Came to"), self.verdict, [(name, _(name)) for name in TITLES]),
            Field("from", _("From"), self.first_day),
            Field("to", _("To"), self.last_day),
        ]
        twins = (("CSV", "/quality/fills.csv"), ("JSON", "/quality/fills.json"))
        return Asked(
            "/quality/fills", _("Vehicle, compartment, technician or instrument"), self.q, fields, twins=twins
        )


Fills = Annotated[FillsAsked, Depends()]


@router.get("/quality/fills")
def fills_page(engine: Station, asked: Fills, page: Page = 1) -> Response:
    shown, frame = asked.form().by_page(asked.rows(engine), page)
    rows = [fill_row(one) for one in asked.told(engine, shown)]
    content = FillsPage(_(TITLES[asked.verdict]), asked.verdict == "undecided", rows, frame)
    return page_of("quality_fills.html", content)


@router.get("/quality/fills.json")
def fills_json(engine: Station, asked: Fills) -> Response:
    return JSONResponse({"fills": [one.to_dict() for one in asked.told(engine, asked.rows(engine))]})


@router.get("/quality/fills.csv")
def fills_csv(engine: Station, asked: Fills) -> Response:
    found = asked.told(engine, asked.rows(engine))
    columns, rows = quality.fill_table(found, engine.settings().zone)
    return download(to_csv(rows, columns), f"fills-{asked.verdict}.csv", "text/csv")
