"""The quality lead's pages: fills that came up short or over, what recurs, control charts, calibration due.

A chart names a bay, a meter, a technician or a type so that somebody goes and looks. It says nothing about fault.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query
from starlette.responses import JSONResponse, Response

from station.common import days
from station.common.tabular import to_csv
from station.common.words import N_, _, ngettext
from station.learning import quality
from station.learning.first_look import INSTRUMENTS, look_first
from station.shop import audit
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of
from web.frame.port import Engine
from web.shop.fills import FillsOf, listed
from web.shop.quality_chart import (
    LEVEL_PROVED,
    MEASURES,
    ChartView,
    Name,
    address_of,
    chart_view,
    dimension_of,
    reads_text,
    since_text,
)

PERIODS_DAYS = (30, 90, 365)
DAYS = 90
KINDS = {
    "pan": N_("Pan, load-cell line"),
    "pan_b": N_("Second pan, load-cell line"),
    "meter": N_("Meter, proving"),
}
DUE = {
    "overdue": ("⚠", N_("overdue")),
    "due soon": ("!", N_("due soon")),
    "none": ("–", N_("no certificate")),
    "ok": ("✓", N_("in force")),
}
router = APIRouter()
Day = Annotated[str | None, Query(max_length=40)]


@dataclass(frozen=True)
class Choice:
    """A link among others. here: whether the page already shows it."""

    text: str
    address: str
    here: bool


@dataclass(frozen=True)
class RecurringRow:
    """What had more short fills than chance would bring."""

    dimension: str
    name: str
    jobs: str
    short: str
    chance: str
    address: str | None


@dataclass(frozen=True)
class DueRow:
    kind: str
    instrument: str
    certificate: str
    address: str
    valid_until: str
    left: str
    sign: str
    state: str
    tone: str


@dataclass(frozen=True)
class QualityPage:
    """``/quality``. of: the dimension whose charts are shown. measure: what they show."""

    since: str
    last_day: str
    zone: str
    counts: Sequence[tuple[str, str]]
    periods: Sequence[Choice]
    query: str
    short: FillsOf
    over: FillsOf
    undecided: FillsOf
    recurring: Sequence[RecurringRow]
    signals: Sequence[Choice]
    dimensions: Sequence[Choice]
    of: str
    measure: str
    charts: Sequence[ChartView]
    more_subjects: int
    due: Sequence[DueRow]


def period(zone: tzinfo, since: str | None, until: str | None) -> tuple[str, str]:
    """The period asked for; without one, the last ``DAYS`` days of the shop and today. Raises InputError."""
    end = audit.day(until, "until") if until else f"{days.today(zone) + timedelta(days=1)}"
    start = audit.day(since, "since") if since else f"{date.fromisoformat(end) - timedelta(days=DAYS)}"
    return start, end


def _content(
    engine: Engine, since: str | None, until: str | None, most: int = quality.LISTED
) -> tuple[quality.Quality, list[quality.Due]]:
    """What is to be said of a period, and what is due of this bay's instruments."""
    settings = engine.settings()
    zone, two_pans = settings.zone, settings.pan_b is not None
    with engine.reading() as ledger:
        content = quality.quality(ledger, *period(zone, since, until), zone, most)
        return content, quality.bay_due(ledger, engine.bay_name, days.today(zone), two_pans)


def chance_text(p: float) -> str:
    return fmt.general(p, 1) if p >= 1e-4 else _("below {amount}").format(amount=fmt.general(1e-4))


def _recurring(subject: quality.Subject) -> RecurringRow:
    charted = subject.dimension in quality.DIMENSIONS
    return RecurringRow(
        dimension=_(subject.dimension),
        name=subject.name,
        jobs=str(subject.jobs),
        short=str(subject.short),
        chance=chance_text(subject.p),
        address=address_of(subject.dimension, subject.name) if charted else None,
    )


def _due_row(due: quality.Due) -> DueRow:
    sign, state = DUE[due.state]
    left = fmt.UNKNOWN
    if due.days_left is not None:
        left = (
            ngettext("{n} day", "{n} days", due.days_left).format(n=due.days_left)
            if due.days_left >= 0
            else ngettext("{n} day ago", "{n} days ago", -due.days_left).format(n=-due.days_left)
        )
    kind = _(KINDS.get(due.kind, due.kind))
    tone = "ok" if due.state == "ok" else "look"
    number = due.certificate
    address = f"/calibration/{quote(number)}" if number is not None else "/calibration"
    named = number or _("calibrate it")
    return DueRow(
        kind,
        due.instrument,
        named,
        address,
        fmt.dated(due.valid_until or fmt.UNKNOWN),
        left,
        sign,
        _(state),
        tone,
    )


def _tally(subject: quality.Subject) -> str:
    counts = _("{short} short, {over} over, {undecided} undecided").format(
        short=subject.short, over=subject.over, undecided=subject.undecided
    )
    told = ngettext("{n} job in the period: {counts}", "{n} jobs in the period: {counts}", subject.jobs)
    return told.format(n=subject.jobs, counts=counts)


def _signal(one: quality.SubjectChart, every: Sequence[quality.SubjectChart]) -> str:
    named = f"{_(quality.counted_as(one.dimension))} {one.name}"
    if quality.counted_as(one.dimension) == "meter":
        return reads_text([c for c in every if c.dimension in INSTRUMENTS and c.name == one.name], named)
    since = since_text(one)
    return f"{named}, {since}" if since else named


def quality_page(
    content: quality.Quality, due: Sequence[quality.Due], of: str, periods: Sequence[Choice]
) -> QualityPage:
    """content: of a period. of: one of ``station.learning.quality.CHARTED``."""
    query = urlencode({"since": content.since, "until": content.until})
    last_day = f"{date.fromisoformat(content.until) - timedelta(days=1)}"
    mine = {s.name: s for s in content.subjects if s.dimension == quality.counted_as(of)}
    shown = [c for c in content.charts if c.dimension == of]
    counted = [s for s in content.subjects if s.dimension == "bay"]
    counts = [
        (_("Closed jobs"), str(content.jobs)),
        (_("Short"), str(sum(s.short for s in counted))),
        (_("Over"), str(sum(s.over for s in counted))),
        (_("Undecided"), str(sum(s.undecided for s in counted))),
    ]
    return QualityPage(
        since=fmt.dated(content.since),
        last_day=fmt.dated(last_day),
        zone=content.time_zone,
        counts=counts,
        periods=periods,
        query=query,
        short=listed(
            "short", content.short, sum(s.short for s in counted), since=content.since, last_day=last_day
        ),
        over=listed(
            "over", content.over, sum(s.over for s in counted), since=content.since, last_day=last_day
        ),
        undecided=listed(
            "undecided",
            content.undecided,
            sum(s.undecided for s in counted),
            since=content.since,
            last_day=last_day,
        ),
        recurring=[_recurring(subject) for subject in content.recurring],
        signals=[
            Choice(_signal(c, content.charts), address_of(c.dimension, c.name), False)
            for c in look_first(content.charts)
        ],
        dimensions=[
            Choice(_(per), f"/quality?{query}&{urlencode({'of': per})}#charts", per == of)
            for per in quality.CHARTED
        ],
        of=_(of),
        measure=_(MEASURES.get(of, LEVEL_PROVED)),
        charts=[chart_view(c, _tally(mine[c.name]), address_of(of, c.name)) for c in shown],
        more_subjects=max(0, len(mine) - len(shown)),
        due=[_due_row(one) for one in due],
    )


def _periods(since: str, until: str, of: str) -> list[Choice]:
    """The last so many days up to the period's own end."""
    end = date.fromisoformat(until)
    found = []
    for length in PERIODS_DAYS:
        start = f"{end - timedelta(days=length)}"
        address = f"/quality?{urlencode({'since': start, 'until': until, 'of': of})}"
        found.append(
            Choice(ngettext("{n} day", "{n} days", length).format(n=length), address, start == since)
        )
    return found


@router.get("/quality")
def page(engine: Station, since: Day = None, until: Day = None, of: Name = "bay") -> Response:
    dimension_of(of)
    content, due = _content(engine, since, until)
    periods = _periods(content.since, content.until, of)
    return page_of("quality.html", quality_page(content, due, of, periods))


@router.get("/quality.json")
def page_json(engine: Station, since: Day = None, until: Day = None) -> Response:
    content, due = _content(engine, since, until)
    return JSONResponse({**content.to_dict(), "calibration_due": [one.to_dict() for one in due]})


@router.get("/quality.csv")
def page_csv(
    engine: Station,
    since: Day = None,
    until: Day = None,
    which: Annotated[Name, Query(alias="list")] = "fills",
) -> Response:
    """list: one of ``station.learning.quality.TABLES``; each whole."""
    content, due = _content(engine, since, until, quality.MOST)
    columns, rows = quality.table(content, due, which, engine.settings().zone)
    return download(to_csv(rows, columns), f"quality-{content.since}-{content.until}-{which}.csv", "text/csv")
