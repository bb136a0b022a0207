"""The pictures of the usage page: how full each container was, what came in against what went out, and what it cost."""

from collections.abc import Sequence
from datetime import date, tzinfo
from urllib.parse import urlencode

from station.common import days
from station.shop import audit, course, stock
from station.shop.catalogue import Catalogue
from station.shop.missing import MissingTake, by_month
from web.frame import format as fmt
from web.frame import pictures
from web.frame.pictures import Picture, Point, Series
from web.frame.port import Engine

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
    found = [_missing(counts, months, month, zone), _in_and_out(months, month), _cost_by_month(months, month)]
    found += [_cost_of(name, books, catalogue) for name in ("technician", "vehicle")]
    with engine.reading() as ledger:
        for one in held:
            since, until = days.begins(books.since, zone), days.begins(books.until, zone)
            found.append(_level(one, course.levels(ledger, one.container, since, until), books, zone))
    return found


def _file(of: str, month: str, **more: str) -> str:
    return f"/usage.csv?{urlencode({'month': month, 'by': of, **more})}"


def _name(month: str) -> str:
    return f"{date.fromisoformat(f'{month}-01'):%b %y}"


def _missing(
    counts: Sequence[MissingTake], months: Sequence[audit.Line], month: str, zone: tzinfo
) -> Picture:
    gone = by_month([one.take for one in counts], zone)
    values = [gone.get(line.group, 0.0) for line in months]
    said = (
        f"{fmt.litres(sum(values))} in {len(months)} months, by the {len(counts)} counts that ended in them"
    )
    names = [_name(line.group) for line in months]
    series = [Series("found missing by counts that do not agree with the books", values)]
    return pictures.columns("Missing by month", said, _file("counts", month), "L", names, series)


def _in_and_out(months: Sequence[audit.Line], month: str) -> Picture:
    out, received = sum(line.out_l for line in months), sum(line.received_l for line in months)
    said = f"{fmt.litres(received)} delivered and {fmt.litres(out)} booked out in {len(months)} months"
    series = [
        Series("delivered", [line.received_l for line in months]),
        Series("into compartments", [line.filled_l for line in months]),
        Series("out otherwise", [line.out_l - line.filled_l for line in months]),
    ]
    names = [_name(line.group) for line in months]
    return pictures.columns("In and out by month", said, _file("month", month), "L", names, series)


def _cost_by_month(months: Sequence[audit.Line], month: str) -> Picture:
    priced = [line for line in months if line.cost is not None]
    currencies = {line.currency for line in priced}
    names = [_name(line.group) for line in months]
    if len(currencies) != 1:
        said = "No price in one currency is entered for all that left; litres stand here instead."
        series = [Series("out of containers", [line.out_l for line in months])]
        return pictures.columns("Out of containers by month", said, _file("month", month), "L", names, series)
    (currency,) = currencies
    without = sum(line.cost is None and line.out_l > 0 for line in months)
    said = f"{fmt.money(sum(line.cost or 0.0 for line in priced), currency)} in {len(months)} months"
    if without:
        said += f"; {without} without a price for all that left"
    series = [Series("cost of what left the containers", [line.cost or 0.0 for line in months])]
    return pictures.columns("Cost by month", said, _file("month", month), currency, names, series)


def _cost_of(by: str, books: audit.Audit, catalogue: Catalogue) -> Picture:
    """By technician or vehicle; without a price the litres. Each bar leads to the jobs behind it."""
    lines = books.by[by]
    currency = books.total.currency
    last_day = f"{date.fromordinal(date.fromisoformat(books.until).toordinal() - 1)}"
    values = []
    for line in lines:
        value = line.cost if currency else line.out_l
        query = urlencode({by: line.group, "from": books.since, "to": last_day})
        values.append((line.group or f"no {by}", value or 0.0, f"/jobs?{query}" if line.group else ""))
    what = "Cost" if currency else "Out of containers"
    said = f"{books.since[:7]}, by what left the containers. A name is a place to look, never a finding about a person."

    def shown(value: float) -> str:
        return fmt.money(value, currency) if currency else str(fmt.litres(value))

    return pictures.bars(f"{what} by {by}", said, _file(by, books.since[:7]), values, shown)


def _level(one: stock.Content, found: Sequence[course.Level], books: audit.Audit, zone: tzinfo) -> Picture:
    month = books.since[:7]
    points = [Point(level.utc, level.level_l, level.u95_l) for level in found]
    said = f"{month}: not counted by then, so nobody knows"
    if found:
        counts = sum(level.what == "counted" for level in found)
        said = (
            f"{month}: {fmt.litres(found[-1].level_l)} at the end, {counts} count{'' if counts == 1 else 's'}"
        )
    last_day = f"{date.fromordinal(date.fromisoformat(books.until).toordinal() - 1)}"
    ends = [(days.begins(books.since, zone), books.since), (days.begins(books.until, zone), last_day)]
    file = _file("level", month, container=one.container)
    return pictures.level(f"Level of {one.container}", said, file, points, ends, one.size_l)
