"""What is said of a cost on every page, and the prices that the costs of a page were reckoned with."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Protocol

from station.common import days
from station.common.words import _
from station.shop.catalogue import Catalogue, Entry
from web.frame import format as fmt

NEXT_TO_NOTHING_L = 1e-6
"""Below a microlitre lies arithmetic, not fluid."""


class Paid(Protocol):
    """What some fluid cost: a line of a bay's books, or a sum over many."""

    @property
    def cost(self) -> float | None: ...
    @property
    def currency(self) -> str: ...
    @property
    def unpriced_l(self) -> float: ...
    @property
    def mixed(self) -> bool: ...


def paid(of: Paid) -> str:
    """A cost, and what had no price when it left."""
    if of.mixed:
        return _("in two currencies")
    without = of.unpriced_l > NEXT_TO_NOTHING_L
    if of.cost is None or not of.currency:  # of nothing that left, too
        return _("no price then") if without else fmt.UNKNOWN
    money = fmt.money(of.cost, of.currency)
    if not without:
        return money
    return _("{money}, and {volume} had no price then").format(money=money, volume=fmt.litres(of.unpriced_l))


def how_prices_hold() -> str:
    return _(
        "A price holds from its day until the day of the fluid's next price. What left before the first one has no price."
    )


@dataclass(frozen=True)
class PriceRow:
    """since: the day from which it holds. before: what stood there before it was put right, "" for nothing."""

    fluid: str
    since: str
    price: str
    entered: str
    before: str


def behind(
    catalogue: Catalogue,
    fluids: Iterable[str],
    since: str,
    until: str,
    zone: tzinfo,
    name: Callable[[str], str],
) -> Sequence[PriceRow]:
    """Prices of those that left in a period, by fluid and day. since, until: ISO dates, the second not included. name: of a fluid's
    key."""
    found = []
    for fluid in sorted(fluids):
        mine = {one.key[1]: one for one in catalogue.active("price") if one.key[0] == fluid}
        first = max((day for day in mine if day <= since), default=since)
        found += [_row(mine[day], name(fluid), zone) for day in sorted(mine) if first <= day < until]
    return found


def _row(entry: Entry, fluid: str, zone: tzinfo) -> PriceRow:
    entered = fmt.dated(days.day_of(entry.versions[-1][0], zone))
    return PriceRow(fluid, fmt.dated(entry.key[1]), told(entry.fields), entered, was(entry))


def holding(catalogue: Catalogue, entry: Entry, zone: tzinfo) -> list[tuple[str, str]]:
    """What is said of a price beside what stands in it: that it is the one that holds, and what it was put right from."""
    today = catalogue.price(entry.key[0], days.today(zone).isoformat())
    found = [(_("holds"), _("today"))] if today is entry else []
    before = was(entry)
    return [*found, (_("before it was put right"), before)] if before else found


def told(fields: Mapping[str, str]) -> str:
    """``9.50 EUR for 1 L``."""
    return _("{amount} {currency} for {volume}").format(
        amount=fmt.typed(fields["amount"]),
        currency=fields["currency"],
        volume=fmt.typed(fields["per"]).replace(" ", fmt.TIE),
    )


def was(entry: Entry) -> str:
    """What a price was before it was put right; "" where it never was."""
    earlier = [told(fields) for _at, fields in entry.versions]
    other = [one for one in earlier if one != told(entry.fields)]
    return other[-1] if other else ""
