"""The pictures of the usage page: how full each container was, what came in against what went out, and what it cost."""

from collections.abc import Sequence
from datetime import date, tzinfo
from urllib.parse import urlencode

from station.common import days
from station.common.words import N_, _, ngettext
from station.shop import audit, course, stock
from station.shop.catalogue import Catalogue
from station.shop.missing import MissingTake
from web.frame import format as fmt
from web.frame import pictures
from web.frame.pictures import Picture, Point, Series
from web.frame.port import Engine
from web.shop.prices import NEXT_TO_NOTHING_L

MONTHS = 12


def drawn(
    engine: Engine,
    books: audit.Audit,
    held: Sequence[stock.Content],
    months: Sequence[audit.Line],
    counts: Sequence[MissingTake],
) -> list[Picture]:
    """books: of a month. held: the containers. months: up to that one. counts: of those months."""
    catalogue, zone = engine.catalogue(), engine.settings().zone
    month = books.since[:7]
    with engine.reading() as ledger:
        gone_l = course.missing_by_month(ledger, [line.group for line in months], zone)
    found = [_missing(gone_l, len(counts), months, month), _in_and_out(months, month)]
    found += [_cost_by_month(months, month)]
    found += [_cost_of(name, books, catalogue) for name in ("technician", "vehicle")]
    with engine.reading() as ledger:
        for one in held:
            since, until = days.begins(books.since, zone), days.begins(books.until, zone)
            found.append(_level(one, course.levels(ledger, one.container, since, until), books, zone))
    return found


UNNAMED = {"technician": N_("no technician"), "vehicle": N_("no vehicle")}
COST_BY = {"technician": N_("Cost by technician"), "vehicle": N_("Cost by vehicle")}
OUT_BY = {"technician": N_("Out of containers by technician"), "vehicle": N_("Out of containers by vehicle")}


def _file(of: str, month: str, **more: str) -> str:
    return f"/usage.csv?{urlencode({'month': month, 'by': of, **more})}"


def _name(month: str) -> str:
    return fmt.month(date.fromisoformat(f"{month}-01"), short=True)


def _missing(values: Sequence[float], counts: int, months: Sequence[audit.Line], month: str) -> Picture:
    said = _("{volume} in {months} months, by the {counts} counts that ended in them").format(
        volume=fmt.litres(sum(values)), months=len(months), counts=counts
    )
    names = [_name(line.group) for line in months]
    series = [Series(_("missing by month, of containers whose counts do not agree with the books"), values)]
    return pictures.columns(_("Missing by month"), said, _file("counts", month), "L", names, series)


def _in_and_out(months: Sequence[audit.Line], month: str) -> Picture:
    out, received = sum(line.out_l for line in months), sum(line.received_l for line in months)
    said = _("{received} delivered and {out} booked out in {months} months").format(
        received=fmt.litres(received), out=fmt.litres(out), months=len(months)
    )
    series = [
        Series(_("delivered"), [line.received_l for line in months]),
        Series(_("into compartments"), [line.filled_l for line in months]),
        Series(_("out otherwise"), [line.out_l - line.filled_l for line in months]),
    ]
    names = [_name(line.group) for line in months]
    return pictures.columns(_("In and out by month"), said, _file("month", month), "L", names, series)


def _cost_by_month(months: Sequence[audit.Line], month: str) -> Picture:
    priced = [line for line in months if line.cost is not None]
    currencies = {line.currency for line in priced}
    names = [_name(line.group) for line in months]
    if len(currencies) != 1:
        said = _("No price in one currency held for what left; litres stand here instead.")
        series = [Series(_("out of containers"), [line.out_l for line in months])]
        return pictures.columns(
            _("Out of containers by month"), said, _file("month", month), "L", names, series
        )
    (currency,) = currencies
    without_l = sum(line.unpriced_l for line in months)
    said = _("{amount} in {months} months").format(
        amount=fmt.money(sum(line.cost or 0.0 for line in priced), currency), months=len(months)
    )
    if without_l > NEXT_TO_NOTHING_L:
        said = _("{said}; {volume} had no price then").format(said=said, volume=fmt.litres(without_l))
    series = [Series(_("cost of what left the containers"), [line.cost or 0.0 for line in months])]
    return pictures.columns(_("Cost by month"), said, _file("month", month), currency, names, series)


def _cost_of(by: str, books: audit.Audit, catalogue: Catalogue) -> Picture:
    """By technician or vehicle; without a price the litres. Each bar leads to the jobs behind it."""
    lines = books.by[by]
    currency = books.total.currency
    last_day = f"{date.fromordinal(date.fromisoformat(books.until).toordinal() - 1)}"
    values = []
    for line in lines:
        value = line.cost if currency else line.out_l
        query = urlencode({by: line.group, "from": books.since, "to": last_day})
        values.append((line.group or _(UNNAMED[by]), value or 0.0, f"/jobs?{query}" if line.group else ""))
    said = _(
        "{month}, by what left the containers. A name is a place to look, never a finding about a person."
    ).format(month=fmt.month(date.fromisoformat(books.since)))

    def shown(value: float) -> str:
        return fmt.money(value, currency) if currency else str(fmt.litres(value))

    return pictures.bars(
        _((COST_BY if currency else OUT_BY)[by]), said, _file(by, books.since[:7]), values, shown
    )


def _level(one: stock.Content, found: Sequence[course.Level], books: audit.Audit, zone: tzinfo) -> Picture:
    month = fmt.month(date.fromisoformat(books.since))
    points = [Point(level.utc, level.level_l, level.u95_l) for level in found]
    said = _("{month}: not counted by then, so nobody knows").format(month=month)
    if found:
        counts = sum(level.what == "counted" for level in found)
        told = ngettext(
            "{month}: {level} at the end, {n} count", "{month}: {level} at the end, {n} counts", counts
        )
        said = told.format(month=month, level=fmt.litres(found[-1].level_l), n=counts)
    last_day = f"{date.fromordinal(date.fromisoformat(books.until).toordinal() - 1)}"
    ends = [
        (days.begins(books.since, zone), fmt.dated(books.since)),
        (days.begins(books.until, zone), fmt.dated(last_day)),
    ]
    file = _file("level", books.since[:7], container=one.container)
    return pictures.level(
        _("Level of {container}").format(container=one.container), said, file, points, ends, one.size_l
    )
