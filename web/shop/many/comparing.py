"""Fills that came up short and what they share, over many bays, as texts that are ready to show."""

from collections.abc import Sequence
from urllib.parse import quote, urlencode

from station.common.words import N_, _
from station.learning import fair
from station.learning.charts import chart
from station.learning.quality import SubjectChart
from station.record.many.queries import JobLine, Point, Tally
from web.frame import format as fmt
from web.shop.many.asked import Asked
from web.shop.many.contexts import Cell, ManyPage, Section, files, number, percent, span, tabs
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


def _shares(counts: Sequence[tuple[str, int, int]]) -> list[list[Cell]]:
    return [
        [
            Cell(one.name),
            number(one.jobs),
            number(one.short),
            Cell(
                _("{low} to {high}").format(
                    low=fmt.decimal(100 * one.low, 1), high=f"{fmt.decimal(100 * one.high, 1)} %"
                ),
                amount=True,
            ),
            Cell(
                _(one.says),
                tone="look"
                if one.says.startswith("more")
                else "ok"
                if one.says.startswith("like")
                else "none",
            ),
        ]
        for one in fair.shares(counts)
    ]


def quality_page(
    asked: Asked, short: Sequence[JobLine], over: Sequence[JobLine], tallies: dict[str, Sequence[Tally]]
) -> ManyPage:
    def counts(dimension: str, by_shop: bool) -> list[tuple[str, int, int]]:
        found: dict[str, list[int]] = {}
        for tally in tallies[dimension]:
            line = found.setdefault(f"{tally.shop} · {tally.name}" if by_shop else tally.name, [0, 0])
            line[0] += tally.jobs
            line[1] += tally.short
        return [(name, jobs, k) for name, (jobs, k) in found.items()]

    of_shops: dict[str, list[int]] = {}
    for tally in tallies["bay"]:
        line = of_shops.setdefault(tally.shop, [0, 0])
        line[0] += tally.jobs
        line[1] += tally.short
    columns = (_("Jobs"), _("Short"), _("95 % limits of its share"), _("Says"))
    empty = _("No job was closed in these months.")
    fills = _("No fill of these months was found so.")
    sections = [
        Section(
            _("Which shop has more short fills than its sisters?"),
            _(
                "More: so many would come by chance in fewer than one of twenty such comparisons. It names where to look, and "
                "nothing about fault."
            ),
            (_("Shop"), *columns),
            _shares([(name, jobs, k) for name, (jobs, k) in of_shops.items()]),
            empty,
        ),
        Section(_("Which bay?"), "", (_("Bay"), *columns), _shares(counts("bay", True)), empty),
        Section(
            _("Which fluid?"),
            "",
            (_("Fluid"), *columns),
            _shares([(asked.fluid(name), jobs, k) for name, jobs, k in counts("fluid", False)]),
            empty,
        ),
        Section(
            _("Which compartment type?"),
            "",
            (_("Type"), *columns),
            _shares(counts("compartment type", False)),
            empty,
        ),
        Section(
            _("Meters against their sisters"),
            _(
                "Mean of (filled − expected) / expected over fills that something else than the meter bore out, against all other "
                "meters together; ± is U95."
            ),
            (_("Meter"), _("Fills"), _("Mean"), _("Against its sisters"), _("Says")),
            [_meter_row(asked, one, tallies["meter"]) for one in _means(tallies["meter"])],
            empty,
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
    )


def _means(meters: Sequence[Tally]) -> list[fair.Mean]:
    found = fair.means([(f"{t.shop} · {t.name}", t.measured, t.mean_percent, t.sd_percent) for t in meters])
    return sorted(found, key=lambda m: (m.says != "off its sisters", -m.n, m.name))


def _meter_row(asked: Asked, mean: fair.Mean, meters: Sequence[Tally]) -> list[Cell]:
    of = next(t for t in meters if f"{t.shop} · {t.name}" == mean.name)
    query = urlencode({"month": asked.month, "shop": of.shop, "meter": of.name})
    against = fmt.UNKNOWN
    if mean.difference_percent is not None and mean.u95_percent is not None:
        against = f"{fmt.percent(mean.difference_percent, 2).removesuffix(' %').rstrip()} ± {fmt.decimal(mean.u95_percent, 2)} %"
    tone = {"off its sisters": "look", "like its sisters": "ok"}.get(mean.says, "none")
    return [
        Cell(mean.name, f"/quality/meter?{query}"),
        number(mean.n),
        percent(mean.mean_percent),
        Cell(against, amount=True),
        Cell(_(mean.says), tone=tone),
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
