"""Fills that came up short and what they share, over many bays, as texts that are ready to show."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from urllib.parse import quote, urlencode

from station.common.words import N_, _
from station.learning.charts import chart
from station.learning.compared import (
    BAYS,
    FLUID_BY_MONTH,
    FLUIDS,
    METERS,
    SHOPS,
    TYPE_BY_SHOP,
    TYPES,
    Compared,
)
from station.learning.quality import SubjectChart
from station.record.many.queries import JobLine, Point
from web.frame import format as fmt
from web.shop.many.asked import Asked
from web.shop.many.contexts import (
    ROWS_MOST,
    Cell,
    ManyPage,
    Section,
    files,
    number,
    percent,
    pick,
    rows_of,
    span,
    tabs,
)
from web.shop.quality_chart import chart_view


def job_address(line: JobLine | Point) -> str:
    return f"/jobs/{quote(line.shop)}/{quote(line.bay)}/{quote(line.job_id, safe='')}"


def _fill_row(asked: Asked, line: JobLine) -> list[Cell]:
    where = f"{line.vehicle or fmt.UNKNOWN} · {line.compartment or fmt.UNKNOWN}"
    return [
        Cell(fmt.dated(f"{line.day}"), job_address(line)),
        Cell(f"{line.shop} · {line.bay}"),
        Cell(where),
        Cell(line.meter or fmt.UNKNOWN),
        Cell(asked.fluid(line.fluid)),
        Cell(str(fmt.litres(line.filled_l, line.filled_u95_l)), amount=True),
        Cell(str(fmt.litres(line.expected_fill_l, line.expected_fill_u95_l)), amount=True),
        percent(line.deviation_percent, 1),
    ]


_FILL = (N_("Day"), N_("Bay"), N_("Where"), N_("Meter"), N_("Fluid"), N_("Filled"), N_("Expected"), N_("Off"))


MONTHS_SHOWN = 24
TONES = {"more than its sisters": "look", "off its sisters": "look", "too few to tell": "none"}


def _says(one: Compared) -> Cell:
    return Cell(_(one.says), tone=TONES.get(one.says, "ok"))


def _share_row(one: Compared) -> list[Cell]:
    low, high = fmt.decimal(one.low_percent or 0.0, 1), fmt.decimal(one.high_percent or 0.0, 1)
    return [
        *([Cell(one.of)] if one.of else []),
        Cell(one.name),
        number(one.n),
        number(one.short or 0),
        Cell(fmt.UNKNOWN if one.limit is None else _("from {n} on").format(n=one.limit), amount=True),
        Cell(_("{low} to {high}").format(low=low, high=f"{high}{fmt.TIE}%"), amount=True),
        _says(one),
    ]


def quality_page(
    asked: Asked, short: Sequence[JobLine], over: Sequence[JobLine], found: Sequence[Compared]
) -> ManyPage:
    by: dict[str, list[Compared]] = {}
    for one in found:
        by.setdefault(one.comparison, []).append(one)

    def of(comparison: str) -> list[Compared]:
        return by.get(comparison, [])

    columns = (_("Jobs"), _("Short"), _("Too many"), _("95 % limits of its share"), _("Says"))
    empty = _("No job was closed in these months.")
    fills = _("None in these months.")
    months = sorted(
        of(FLUID_BY_MONTH), key=lambda one: (one.says != "more than its sisters", -_month(one), one.of)
    )

    def section(heading: str, hint: str, names: Sequence[str], rows: Sequence[Compared]) -> Section:
        if len(rows) > ROWS_MOST:  # what stands out must be among the first
            rows = sorted(rows, key=lambda one: one.says != "more than its sisters")
        return Section(heading, hint, (*names, *columns), empty=empty, **rows_of(rows, _share_row))

    sections = [
        section(
            _("Which shop has more short fills than its sisters?"),
            _(
                "More: so many would come by chance in fewer than one of twenty such comparisons. It names where to look, and "
                "nothing about fault."
            ),
            (_("Shop"),),
            of(SHOPS),
        ),
        section(_("Which bay?"), "", (_("Bay"),), of(BAYS)),
        section(
            _("Which fluid?"),
            "",
            (_("Fluid"),),
            [replace(one, name=asked.fluid(one.name)) for one in of(FLUIDS)],
        ),
        section(_("Which compartment type?"), "", (_("Type"),), of(TYPES)),
        section(
            _("A compartment type across shops"),
            _("Each type by itself: sisters are the other shops that fill the same type."),
            (_("Type"), _("Shop")),
            of(TYPE_BY_SHOP),
        ),
        section(
            _("A fluid month by month"),
            _(
                "Each fluid by itself: sisters of a month are its other months, two years back at most. What stands out is "
                "first, then the newest; the file has all."
            ),
            (_("Fluid"), _("Month")),
            [replace(one, of=asked.fluid(one.of)) for one in months[:MONTHS_SHOWN]],
        ),
        Section(
            _("Meters against their sisters"),
            _(
                "Mean of (filled − expected) / expected over fills that something else than the meter bore out, against all other "
                "meters together; ± is U95."
            ),
            (_("Meter"), _("Fills"), _("Mean"), _("Against its sisters"), _("Says")),
            empty=empty,
            files=files("/comparisons", asked),
            **rows_of(of(METERS), partial(_meter_row, asked)),
        ),
        Section(
            _("Short fills, the worst first"),
            "",
            [_(name) for name in _FILL],
            [_fill_row(asked, one) for one in short],
            fills,
            files("/quality", asked),
        ),
        Section(
            _("Overfills, the worst first"),
            "",
            [_(name) for name in _FILL],
            [_fill_row(asked, one) for one in over],
            fills,
        ),
    ]
    return ManyPage(
        _("Quality {asked}").format(asked=span(asked)),
        _("Which fills came up short, where, and what they share."),
        tabs("/quality", asked),
        sections,
        pick=pick("/quality", asked),
    )


def _month(one: Compared) -> int:
    return int(one.name.replace("-", ""))


def _meter_row(asked: Asked, one: Compared) -> list[Cell]:
    shop, meter = one.name.split(" · ", 1)
    query = urlencode({"month": asked.month, "shop": shop, "meter": meter})
    against = fmt.UNKNOWN
    if one.difference_percent is not None and one.difference_u95_percent is not None:
        against = f"{fmt.percent(one.difference_percent, 2).removesuffix('%').rstrip()} ± {fmt.decimal(one.difference_u95_percent, 2)}{fmt.TIE}%"
    return [
        Cell(one.name, f"/quality/meter?{query}"),
        number(one.n),
        percent(one.mean_percent),
        Cell(against, amount=True),
        _says(one),
    ]


def meter_page(asked: Asked, meter: str, points: Sequence[Point]) -> ManyPage:
    """The control chart of one meter, and its values with their jobs."""
    values = chart([point.deviation_percent for point in points])
    of = SubjectChart(
        "meter", meter, values, tuple(job_path(p) for p in points), tuple(p.opened_utc for p in points)
    )
    rows = [
        [
            Cell(fmt.day(p.opened_utc), job_address(p)),
            Cell(p.bay),
            Cell(p.job_id),
            percent(p.deviation_percent),
        ]
        for p in reversed(points)
    ]
    section = Section(
        _("Its values, the newest first"),
        "",
        (_("Day"), _("Bay"), _("Job"), _("Off")),
        rows,
        _("No fill of it was borne out."),
    )
    view = chart_view(of, _("the newest {n} fills that were borne out").format(n=values.n), "")
    return ManyPage(
        f"{asked.shop} · {meter}", _("It shows whether values are steady, not why."), [], [section], [view]
    )


def job_path(point: Point) -> str:
    """A job's place below /jobs/, for the marks of a chart."""
    return f"{point.shop}/{point.bay}/{point.job_id}"
