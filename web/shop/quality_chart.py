"""The control chart of one bay, meter, technician or type, with its values. It says nothing about fault."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Query
from starlette.responses import JSONResponse, Response

from station.common.tabular import to_csv
from station.common.words import N_, _, ngettext
from station.errors import InputError
from station.learning import quality
from station.learning.charts import BASELINE, RULES
from web.frame import format as fmt
from web.frame.deps import Station, download, page_of
from web.frame.port import Engine
from web.shop import charts

POINTS = 30
"""So many values are listed beside a chart, and every marked one."""

DIMENSIONS = (
    N_("bay"),
    N_("meter"),
    N_("technician"),
    N_("compartment type"),
    N_("meter against the next drain"),
)
"""What charts are drawn per, as ``station.learning.quality`` names it."""
LEVEL_PROVED = N_("(filled − expected) / expected of the newest jobs whose level was proved")
MEASURES = {
    quality.NEXT_DRAIN: N_("(filled − drained) / drained, what the next job drained of what a job had filled")
}
"""What a dimension's charts show, where that is not ``LEVEL_PROVED``. The pump stops at the metered target, so that any other
ratio would watch nothing but the pump."""

router = APIRouter()
Name = Annotated[str, Query(max_length=200)]


@dataclass(frozen=True)
class Recent:
    sign: str
    text: str


@dataclass(frozen=True)
class ChartView:
    """A chart with its words. recent: rules that its newest values met. address: of its own page, "" when there."""

    name: str
    tally: str
    text: str
    n: int
    panels: Sequence[charts.Panel]
    recent: Sequence[Recent]
    address: str


@dataclass(frozen=True)
class PointRow:
    job_id: str
    day: str
    deviation: str
    moving_range: str
    ewma: str
    rules: str


@dataclass(frozen=True)
class ChartPage:
    """``/quality/chart``: one chart, its newest values and every marked one, newest first."""

    of: str
    chart: ChartView
    measure: str
    query: str
    points: Sequence[PointRow]
    newest: int


def address_of(of: str, name: str) -> str:
    return f"/quality/chart?{urlencode({'of': of, 'name': name}, quote_via=quote)}"


def chart_view(one: quality.SubjectChart, tally: str, address: str) -> ChartView:
    chart = one.chart
    text = _(chart.text)
    if chart.enough and chart.centre is not None and chart.lcl is not None and chart.ucl is not None:
        text = _("n = {n}, centre {centre}, limits {low} to {high}.").format(
            n=chart.n,
            centre=fmt.percent(chart.centre),
            low=fmt.percent(chart.lcl),
            high=fmt.percent(chart.ucl),
        )
    if one.tolerance_percent is not None:
        below, above = one.tolerance_percent
        text += " " + _("Tolerance {below} to {above}, the narrowest of these jobs.").format(
            below=fmt.percent(-below), above=fmt.percent(above)
        )
    ends = (fmt.day(one.utcs[0]), fmt.day(one.utcs[-1])) if one.utcs else ()
    text += " " + "".join(_notes(one))
    drawn = charts.panels(chart, one.job_ids, one.tolerance_percent, ends)
    recent = [Recent(charts.DIAMOND, _(RULES[rule])) for rule in one.recent]
    return ChartView(one.name, tally, text, chart.n, drawn, recent, address)


def since_text(one: quality.SubjectChart) -> str:
    """``below the centre since about 2026-02-26``; empty where the newest average is within its limits."""
    chart = one.chart
    if one.since is None or chart.centre is None:
        return ""
    below = chart.ewma[-1] < chart.centre
    told = _("below the centre since about {day}") if below else _("above the centre since about {day}")
    return told.format(day=fmt.day(one.since))


BY = {quality.NEXT_DRAIN: N_("what the next jobs drained"), "meter": N_("levels that were proved")}
"""What a meter's chart holds it against; what the pan says goes before what the level says."""


def reads_text(charts_of: Sequence[quality.SubjectChart], name: str) -> str:
    """What the charts of one meter that are off say of it, each with what it was held against: ``meter M reads low, below the centre
    since about 2026-02-26 (levels that were proved)``. name: how the meter is called."""
    off = [one for of in BY for one in charts_of if one.dimension == of and one.since is not None]
    if not off:
        return name
    # Filled is what the meter counted, and the level or the next drain's weight what it should have.
    low = off[0].chart.ewma[-1] < (off[0].chart.centre or 0.0)
    said = [f"{since_text(one)} ({_(BY[one.dimension])})" for one in off]
    reads = _("{name} reads low") if low else _("{name} reads high")
    return f"{reads.format(name=name)}, {', '.join(said)}"


def _notes(one: quality.SubjectChart) -> Iterator[str]:
    if one.chart.n > BASELINE:
        yield _("Limits from the first {n} values.").format(n=BASELINE) + " "
    if one.since is not None:
        yield (
            _("The moving average has been {since}, when it last crossed it.").format(since=since_text(one))
            + " "
        )
    if one.left_out:
        yield ngettext(
            "{n} job is left out: its listing is contradicted by what drained and by the level.",
            "{n} jobs are left out: their listing is contradicted by what drained and by the level.",
            one.left_out,
        ).format(n=one.left_out)


def _newest(one: quality.SubjectChart) -> str:
    told = _("the newest {n} measured jobs").format(n=one.chart.n)
    if not one.utcs:
        return told
    return _("{what}, {first} to {last}").format(
        what=told, first=fmt.day(one.utcs[0]), last=fmt.day(one.utcs[-1])
    )


def point_rows(one: quality.SubjectChart) -> list[PointRow]:
    """The newest values of a chart and every marked one, newest first."""

    def percent(value: float | None) -> str:
        return fmt.UNKNOWN if value is None else fmt.percent(value, 2)

    return [
        PointRow(
            row["job_id"],
            fmt.day(row["utc"]),
            percent(row["deviation_percent"]),
            percent(row["moving_range"]).lstrip("+"),
            percent(row["ewma"]),
            "; ".join(_(RULES[rule]) for rule in row["signals"].split("; ") if rule),
        )
        for i, row in enumerate(reversed(one.points()))
        if i < POINTS or row["signals"]
    ]


def chart_page(one: quality.SubjectChart) -> ChartPage:
    return ChartPage(
        _(one.dimension),
        chart_view(one, _newest(one), ""),
        _(MEASURES.get(one.dimension, LEVEL_PROVED)),
        urlencode({"of": one.dimension, "name": one.name}, quote_via=quote),
        point_rows(one),
        POINTS,
    )


def dimension_of(of: str) -> str:
    if of not in quality.CHARTED:
        raise InputError(
            _("there are no charts per {of!r}; expected one of: {names}.").format(
                of=of, names=", ".join(quality.CHARTED)
            )
        )
    return of


def _one(engine: Engine, of: str, name: str) -> quality.SubjectChart:
    with engine.reading() as ledger:
        return quality.subject_chart(ledger, dimension_of(of), name)


@router.get("/quality/chart")
def chart(engine: Station, of: Name, name: Name) -> Response:
    return page_of("quality_chart.html", chart_page(_one(engine, of, name)))


@router.get("/quality/chart.json")
def chart_json(engine: Station, of: Name, name: Name) -> Response:
    return JSONResponse(_one(engine, of, name).to_dict())


@router.get("/quality/chart.csv")
def chart_csv(engine: Station, of: Name, name: Name) -> Response:
    return download(
        to_csv(_one(engine, of, name).points(), quality.CHART_COLUMNS), f"chart-{of}-{name}.csv", "text/csv"
    )
