"""What the page of usage is given: a month's books in texts that are ready to show."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from functools import partial
from urllib.parse import urlencode

from station.common.words import _
from station.shop import audit, movement, stock
from station.shop.catalogue import Catalogue
from station.shop.used_fluid import UsedFluid
from web.frame import format as fmt
from web.frame.pictures import Picture
from web.jobs.findings import Fact
from web.shop.missing_words import MissingView, missing_view
from web.shop.moves import GROUPS, KINDS, USED_FLUID, USED_FLUID_WORDS, EnteredRow, entered, fluid_name
from web.shop.prices import PriceRow, behind, how_prices_hold, paid


@dataclass(frozen=True)
class Tab:
    text: str
    address: str
    here: bool


@dataclass(frozen=True)
class Option:
    """value: what is sent. fluid: the key of what a container holds, "" elsewhere."""

    value: str
    text: str
    fluid: str = ""


@dataclass(frozen=True)
class UsageRow:
    """One line of the audit, in litres."""

    group: str
    jobs: str
    out: str
    filled: str
    overflow: str
    purge: str
    waste: str
    rest: str
    cost: str


@dataclass(frozen=True)
class TakeRow:
    """A container between two counts. explained: whether the rest lies within its U95."""

    container: str
    span: str
    opening: str
    received: str
    closing: str
    counted_out: str
    booked_out: str
    rest: str
    sign: str
    word: str
    tone: str


@dataclass(frozen=True)
class StockRow:
    container: str
    fluid: str
    size: str
    content: str
    counted: str


@dataclass(frozen=True)
class UsagePage:
    """``/usage``: a month's books. by: how its lines are grouped. whose: the head of it on paper, line by line."""

    whose: Sequence[str]
    month: str
    shown_month: str
    zone: str
    earlier: str
    later: str | None
    by: str
    group: str
    tabs: Sequence[Tab]
    missing: MissingView
    sums: Sequence[Fact]
    rest: str
    pictures: Sequence[Picture]
    prices: Sequence[PriceRow]
    prices_hint: str
    lines: Sequence[UsageRow]
    total: UsageRow
    takes: Sequence[TakeRow]
    used: Sequence[Fact]
    stock: Sequence[StockRow]
    entered: Sequence[EnteredRow]
    entries: str
    kinds: Sequence[Option]
    containers: Sequence[Option]
    fluids: Sequence[Option]
    vehicles: Sequence[str]
    technicians: Sequence[str]


def _row(line: audit.Line, name: str) -> UsageRow:
    return UsageRow(
        group=name,
        jobs=_jobs(line),
        out=fmt.litres(line.out_l).number,
        filled=fmt.litres(line.filled_l).number,
        overflow=fmt.litres(line.overflow_l).number,
        purge=fmt.litres(line.purge_l).number,
        waste=fmt.litres(line.waste_l).number,
        rest=_rest(line).removesuffix(" L"),
        cost=paid(line),
    )


def _jobs(line: audit.Line) -> str:
    if not line.abandoned:
        return f"{line.jobs}"
    return _("{n} and {abandoned} abandoned").format(n=line.jobs, abandoned=line.abandoned)


def _rest(line: audit.Line) -> str:
    """Without a line drawn by hand the books close by construction, and no doubt is made up for them."""
    return str(fmt.litres(line.rest_l, line.rest_u95_l if line.rest_u95_l > 0 else None))


def _take(one: stock.Stock) -> TakeRow:
    return TakeRow(
        container=one.container,
        span=_("{low} to {high}").format(low=fmt.day(one.opening_utc), high=fmt.day(one.closing_utc)),
        opening=str(fmt.litres(one.opening_l)),
        received=str(fmt.litres(one.received_l)),
        closing=str(fmt.litres(one.closing_l)),
        counted_out=str(fmt.litres(one.out_counted_l)),
        booked_out=str(fmt.litres(one.out_booked_l)),
        rest=str(fmt.litres(one.rest_l, one.rest_u95_l)),
        sign="✓" if one.explained else "⚠",
        word=_("within its doubt") if one.explained else _unexplained(one),
        tone="ok" if one.explained else "look",
    )


def _unexplained(one: stock.Stock) -> str:
    return _("more went out than is booked") if one.rest_l > 0 else _("less went out than is booked")


def _stock_row(one: stock.Content, catalogue: Catalogue) -> StockRow:
    content = str(fmt.litres(one.content_l, one.u95_l))
    if one.state == "not counted yet":
        content = _("Not counted yet")
    elif one.state == "overdrawn":
        content = _("⚠ {content} by the books: a delivery or a count was not entered").format(content=content)
    return StockRow(
        container=one.container,
        fluid=fluid_name(catalogue, one.fluid),
        size=str(fmt.litres(one.size_l)),
        content=content,
        counted=fmt.moment(one.counted_utc) if one.counted_utc is not None else _("never"),
    )


def _used(used: UsedFluid) -> list[Fact]:
    named = [
        (_("Drained out of vehicles"), fmt.litres(used.drained_l)),
        (_("Overflow into the pan"), fmt.litres(used.overflow_l)),
        (_("Purge"), fmt.litres(used.purge_l)),
        (_("Waste"), fmt.litres(used.waste_l)),
        (_("Used fluid in all"), fmt.litres(used.total_l, used.total_u95_l)),
        (_("Collected for disposal"), fmt.litres(used.collected_l)),
    ]
    return [Fact(label, str(shown)) for label, shown in named]


def _sums(total: audit.Line) -> list[Fact]:
    named = [
        (_("Delivered"), str(fmt.litres(total.received_l))),
        (_("Out of containers"), str(fmt.litres(total.out_l))),
        (_("Into compartments"), str(fmt.litres(total.filled_l))),
        (_("Overflow"), str(fmt.litres(total.overflow_l))),
        (_("Purge"), str(fmt.litres(total.purge_l))),
        (_("Waste"), str(fmt.litres(total.waste_l))),
        (_("Drawn by hand"), _rest(total)),
        (_("Cost"), paid(total)),
        (_("Jobs"), _jobs(total)),
    ]
    return [Fact(label, value) for label, value in named]


def _month_link(first: str, by: str) -> str:
    return f"/usage?{urlencode({'month': first[:7], 'by': by})}"


def usage_page(
    books: audit.Audit,
    by: str,
    held: Sequence[stock.Content],
    moved: Sequence[movement.Entered],
    catalogue: Catalogue,
    today: date,
    zone: tzinfo,
    pictures: Sequence[Picture],
    whose: Sequence[str],
) -> UsagePage:
    """books: of a whole month. by: a key of GROUPS. moved: the month's movements, newest first."""
    first, after = books.since, books.until
    earlier = f"{date.fromisoformat(first) - timedelta(days=1)}"
    unnamed = {
        "technician": _("no technician"),
        "fluid": _("no fluid"),
    }.get(by, _("no vehicle"))

    def name(line: audit.Line) -> str:
        if by == "day":
            return fmt.dated(line.group)
        return (fluid_name(catalogue, line.group) if by == "fluid" else line.group) or unnamed

    out = [line.group for line in books.by["fluid"] if line.out_l > 0]
    month, last_day = first[:7], f"{date.fromisoformat(after) - timedelta(days=1)}"
    return UsagePage(
        whose=whose,
        month=month,
        shown_month=fmt.month(date.fromisoformat(first)),
        zone=books.time_zone,
        earlier=_month_link(earlier, by),
        later=_month_link(after, by) if month < f"{today:%Y-%m}" else None,
        by=by,
        group=_(GROUPS[by]),
        tabs=[
            Tab(_(text), f"/usage?{urlencode({'month': month, 'by': key})}#lines", key == by)
            for key, text in GROUPS.items()
        ],
        missing=missing_view(books.missing, catalogue, zone),
        sums=_sums(books.total),
        pictures=pictures,
        rest=_rest_words(books.total),
        prices=behind(catalogue, out, first, after, zone, partial(fluid_name, catalogue)),
        prices_hint=how_prices_hold(),
        lines=[
            _row(line, name(line))
            for line in books.by[by]
            if line.jobs + line.abandoned > 0 or line.out_l > 0
        ],
        total=_row(books.total, _("Total")),
        takes=[_take(one) for one in books.stock],
        used=_used(books.used),
        stock=[_stock_row(one, catalogue) for one in held],
        entered=[entered(row, catalogue) for row in moved],
        entries=f"/entries?{urlencode({'from': first, 'to': last_day})}",
        kinds=[Option(key, _(text)) for key, text in KINDS.items()],
        containers=[
            Option(e.key[0], f"{e.key[0]} ({fluid_name(catalogue, e.get('fluid'))})", e.get("fluid"))
            for e in catalogue.active("container")
        ],
        fluids=[Option(e.key[0], e.get("name") or e.key[0]) for e in catalogue.active("fluid")]
        + [Option(USED_FLUID, _(USED_FLUID_WORDS))],
        vehicles=[e.key[0] for e in catalogue.active("vehicle")],
        technicians=[e.key[0] for e in catalogue.active("technician")],
    )


def _rest_words(total: audit.Line) -> str:
    if total.drawn_l > 0:
        return _(
            "{total} left the containers and is booked as neither fill, overflow, purge nor waste; {drawn} of it was drawn by hand."
        ).format(total=_rest(total), drawn=fmt.litres(total.drawn_l))
    return _(
        "All that is booked out of the containers is accounted for. Whether more left them, a stock take says."
    )
