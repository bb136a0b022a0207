"""Fills that came up short and what they share, over many bays, as texts that are ready to show."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from urllib.parse import quote, urlencode

from station.common.days import now
from station.common.words import _, ngettext
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
from station.learning.fair import Judged
from station.learning.over_many import Shared
from station.learning.quality import SubjectChart
from station.learning.reason import Reason
from station.record.many.certified import Certified
from station.record.many.compartments import CompartmentUse
from station.record.many.queries import JobLine
from web.frame import format as fmt
from web.shop.many import compartments
from web.shop.many.asked import Asked
from web.shop.many.contexts import (
    Cell,
    Link,
    ManyPage,
    Section,
    due_state,
    files,
    months_of,
    number,
    percent,
    pick,
    rows_of,
    tabs,
)
from web.shop.quality_chart import (
    LEVEL_PROVED,
    MEASURES,
    POINTS,
    PointRow,
    chart_view,
    point_rows,
    reads_text,
)
from web.shop.quality_pages import chance_text

Charts = Mapping[tuple[str, str], Sequence[SubjectChart]]
Row = Callable[[Compared], Sequence[Cell]]
METERS_SHOPS_MOST = 20
"""The meters of more shops are not charted at once."""
FOLDED_MOST = 40
"""Of those that do not stand out; a file has all."""


@dataclass(frozen=True)
class Found:
    """What the quality page tells. reasons: shop, bay and number of a job → its sentence. meters: the charts of each meter, None
    of more shops than ``METERS_SHOPS_MOST``. due: meters' certificates that are due or over, of very many the soonest. all_due: how many there are. compartments: None of too many
    jobs."""

    short: Sequence[JobLine]
    over: Sequence[JobLine]
    reasons: Mapping[tuple[str, str, str], Reason]
    shared: Sequence[Shared]
    compared: Mapping[str, Judged[Compared]]
    meters: Charts | None
    due: Sequence[Certified]
    all_due: int
    compartments: Sequence[CompartmentUse] | None


def job_address(line: JobLine) -> str:
    return f"/jobs/{quote(line.shop)}/{quote(line.bay)}/{quote(line.job_id, safe='')}"


def _fill_row(asked: Asked, line: JobLine) -> list[Cell]:
    where = f"{line.vehicle or fmt.UNKNOWN} · {line.compartment or fmt.UNKNOWN}"
    return [
        Cell(where, job_address(line)),
        Cell(fmt.dated(f"{line.day}")),
        Cell(line.technician or fmt.UNKNOWN),
        Cell(f"{line.shop} · {line.bay}"),
        Cell(asked.fluid(line.fluid)),
        Cell(str(fmt.litres(line.filled_l, line.filled_u95_l)), amount=True),
        Cell(str(fmt.litres(line.expected_fill_l, line.expected_fill_u95_l)), amount=True),
        percent(line.deviation_percent, 1),
    ]


def _fills(asked: Asked, heading: str, lines: Sequence[JobLine], found: Found, twins: bool) -> Section:
    told = [found.reasons.get((line.shop, line.bay, line.job_id)) for line in lines]
    return Section(
        heading,
        "",
        (
            _("Vehicle and compartment"),
            _("Day"),
            _("Technician"),
            _("Bay"),
            _("Fluid"),
            _("Filled"),
            _("Expected"),
            _("Off"),
        ),
        [_fill_row(asked, line) for line in lines],
        _("None in these months."),
        files("/quality", asked) if twins else (),
        told=["" if one is None else one.text for one in told],
    )


def _shared(asked: Asked, shared: Sequence[Shared]) -> Section:
    def row(one: Shared) -> list[Cell]:
        name = asked.fluid(one.name) if one.dimension == "fluid" else one.name
        chance = Cell(chance_text(one.p), amount=True)
        return [Cell(_(one.dimension)), Cell(name), number(one.jobs), number(one.short), chance]

    return Section(
        _("What the short fills share"),
        _(
            "What had more short fills than chance would bring to any of those compared. It is a place to look, never a finding about "
            "a person."
        ),
        (_("Of"), _("Name"), _("Jobs"), _("Short"), _("Probability by chance")),
        [row(one) for one in shared],
        _("Nothing more than chance would bring, or they are too few to tell."),
    )


def off_meters(charts: Charts) -> dict[tuple[str, str], str]:
    """Shop and meter → what its charts say of it, of those that have a signal lately."""
    return {
        meter: fmt.sentence(reads_text(of, "").strip() or _("a signal lately, see its chart"))
        for meter, of in charts.items()
        if any(one.recent for one in of)
    }


def _proving(asked: Asked, found: Found) -> Section:
    at = now()
    off = {} if found.meters is None else off_meters(found.meters)
    due = {
        (one.shop, one.instrument): due_state(one.valid_until, asked.shops.day(one.shop, at))
        for one in found.due
    }
    rows = []
    for shop, meter in [*off, *(key for key in due if key not in off)]:
        text, tone = due.get((shop, meter), (fmt.UNKNOWN, ""))
        rows.append(
            [
                Cell(f"{shop} · {meter}", _meter_address(asked, shop, meter)),
                Cell(off.get((shop, meter), fmt.UNKNOWN)),
                Cell(text, tone=tone),
            ]
        )
    unasked = _("Of more than {n} shops this is told of certificates alone: pick a shop.")
    return Section(
        _("Which meters need proving?"),
        "" if found.meters is not None else unasked.format(n=METERS_SHOPS_MOST),
        (_("Meter"), _("Reads"), _("Certificate")),
        rows,
        _("None: no meter reads off by its own chart, and no certificate of one is due."),
        total=len(rows) + found.all_due - len(found.due),
    )


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


def quality_page(asked: Asked, found: Found) -> ManyPage:
    columns = (_("Jobs"), _("Short"), _("Too many"), _("95 % limits of its share"), _("Says"))

    def section(
        heading: str,
        hint: str,
        names: Sequence[str],
        of: str,
        named: Callable[[Compared], Compared] = lambda one: one,
        row: Row = _share_row,
    ) -> Section:
        judged = found.compared[of]
        rest = judged.rest
        if of == FLUID_BY_MONTH:
            rest = sorted(rest, key=lambda one: (-_month(one), one.of))[:FOLDED_MOST]
        fold = ngettext(
            "{n} like its sisters, {few} too few to tell",
            "{n} like their sisters, {few} too few to tell",
            judged.like,
        ).format(n=judged.like, few=judged.few)
        return Section(
            heading,
            hint,
            names,
            empty=_("No job was closed in these months."),
            fold=fold,
            files=files("/comparisons", asked) if row is not _share_row else (),
            **{
                **rows_of(judged.out, lambda one: row(named(one))),
                "folded": [row(named(one)) for one in rest],
                "total": len(judged.out) + judged.like + judged.few,
            },
        )

    sections = [
        _fills(asked, _("Short fills, the worst first"), found.short, found, True),
        _shared(asked, found.shared),
        _proving(asked, found),
        _fills(asked, _("Overfills, the worst first"), found.over, found, False),
        compartments.judged(asked, found.compartments),
        section(
            _("Which shop has more short fills than its sisters?"),
            _(
                "More: so many would come by chance in fewer than one of twenty such comparisons. It names where to look, and "
                "nothing about fault."
            ),
            (_("Shop"), *columns),
            SHOPS,
        ),
        section(_("Which bay?"), "", (_("Bay"), *columns), BAYS),
        section(
            _("Which fluid?"),
            "",
            (_("Fluid"), *columns),
            FLUIDS,
            lambda one: replace(one, name=asked.fluid(one.name)),
        ),
        section(_("Which compartment type?"), "", (_("Type"), *columns), TYPES),
        section(
            _("A compartment type across shops"),
            _("Each type by itself: sisters are the other shops that fill the same type."),
            (_("Type"), _("Shop"), *columns),
            TYPE_BY_SHOP,
        ),
        section(
            _("A fluid month by month"),
            _(
                "Each fluid by itself: sisters of a month are its other months, two years back at most. The file has all."
            ),
            (_("Fluid"), _("Month"), *columns),
            FLUID_BY_MONTH,
            lambda one: replace(one, of=asked.fluid(one.of)),
        ),
        section(
            _("Meters against their sisters"),
            _(
                "Mean of (filled − expected) / expected over fills that something else than the meter bore out, against all other "
                "meters together; ± is U95."
            ),
            (_("Meter"), _("Fills"), _("Mean"), _("Against its sisters"), _("Says")),
            METERS,
            row=partial(_meter_row, asked),
        ),
    ]
    return ManyPage(
        _("Quality {asked}").format(asked=months_of(asked)),
        _("Which fills came up short, where, and what they share."),
        tabs("/quality", asked),
        sections,
        pick=pick("/quality", asked),
    )


def _month(one: Compared) -> int:
    return int(one.name.replace("-", ""))


def _meter_row(asked: Asked, one: Compared) -> list[Cell]:
    address = _meter_address(asked, *one.name.split(" · ", 1))
    against = fmt.UNKNOWN
    if one.difference_percent is not None and one.difference_u95_percent is not None:
        against = f"{fmt.percent(one.difference_percent, 2).removesuffix('%').rstrip()} ± {fmt.decimal(one.difference_u95_percent, 2)}{fmt.TIE}%"
    return [
        Cell(one.name, address),
        number(one.n),
        percent(one.mean_percent),
        Cell(against, amount=True),
        _says(one),
    ]


def _meter_address(asked: Asked, shop: str, meter: str) -> str:
    return f"/quality/meter?{urlencode({'month': asked.month, 'shop': shop, 'meter': meter})}"


def meter_page(asked: Asked, meter: str, of: Sequence[SubjectChart]) -> ManyPage:
    """The control charts of one meter, their newest values and every marked one with its job, as a bay shows them."""

    def row(point: PointRow) -> list[Cell]:
        _shop, bay, job_id = point.job_id.split("/", 2)
        amounts = (point.deviation, point.moving_range, point.ewma)
        return [
            Cell(point.day, f"/jobs/{quote(point.job_id)}"),
            Cell(bay),
            Cell(job_id),
            *(Cell(amount, amount=True) for amount in amounts),
            Cell(point.rules),
        ]

    columns = (_("Day"), _("Bay"), _("Job"), _("Deviation"), _("Moving range"), _("EWMA"), _("Signals"))
    query = urlencode({"month": asked.month, "shop": asked.shop, "meter": meter})
    twins = [Link("CSV", f"/quality/meter.csv?{query}")]
    sections, views = [], []
    for one in of:
        measure = _(MEASURES.get(one.dimension, LEVEL_PROVED))
        rows = [row(point) for point in point_rows(one)]
        hint = _("The newest {newest} values, and every marked one").format(newest=POINTS) + "."
        empty = _("No fill of it was borne out.")
        heading = fmt.sentence(measure).rstrip(".")
        sections.append(Section(heading, hint if rows else "", columns, rows, empty, twins if rows else ()))
        views.append(chart_view(one, measure, ""))
    reads = off_meters({(asked.shop, meter): of}).get((asked.shop, meter))
    under = reads or _("It shows whether values are steady, not why.")
    return ManyPage(f"{asked.shop} · {meter}", under, [], sections, views)
