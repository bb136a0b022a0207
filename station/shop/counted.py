"""Stock takes over many bays: what the counts of each container say is missing, reckoned as the bay itself reckons it."""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter
from typing import Final

from station.learning import compared
from station.record.many import counts
from station.record.many.counts import TakenAt
from station.record.many.exporting import Table
from station.record.many.ingest import Db
from station.record.many.queries import Scope, zones
from station.shop.catalogue import Catalogue
from station.shop.costs import Cost, lists_of, total
from station.shop.missing import Missing, missing, priced
from station.shop.prices import Prices
from station.shop.stock import Moved, Stock, Taken, count_by_count, first_to_last
from station.shop.technicians import TechnicianUse, technicians


@dataclass(frozen=True)
class Counted:
    """``station.shop.stock.Stock`` of a bay, litres; explained: whether the rest lies within its U95. cost: of what is
    missing, by the shop's price when it was found so; None where nothing is, or without one."""

    shop: str
    bay: str
    container: str
    fluid: str
    opening_utc: str
    closing_utc: str
    opening_l: float
    closing_l: float
    received_l: float
    out_counted_l: float
    out_booked_l: float
    rest_l: float
    rest_u95_l: float
    explained: bool
    cost: float | None
    currency: str


_whose = attrgetter("shop", "bay", "container")


def first_and_last(db: Db, scope: Scope, lists: Mapping[str, Catalogue]) -> list[Counted]:
    """Each container from its last count before the period, or its first within it, to its last. lists: shop → its prices."""
    return _counted(db, scope, lists, first_to_last)


def each_count(db: Db, scope: Scope) -> list[Counted]:
    """Count by count: what each says of the time since the one before it."""
    return _counted(db, scope, lists_of(db, scope.shops), count_by_count)


Takes = Callable[[Iterable[tuple[str, list[Moved]]], str, str, Taken], list[Stock]]


def _counted(db: Db, scope: Scope, lists: Mapping[str, Catalogue], takes: Takes) -> list[Counted]:
    found, of_shop = [], zones(db, scope)
    for (begun, ended), shops in counts.periods(db, scope).items():
        taken = {of: list(rows) for of, rows in groupby(counts.taken(db, shops, begun, ended), _whose)}
        for of, rows in groupby(counts.moved(db, shops, begun, ended), _whose):
            entries = [
                Moved(one.place, one.seq, one.kind, one.fluid, one.utc, one.volume_l, one.u95_l)
                for one in rows
            ]
            shop, bay, container = of
            prices = Prices(lists.get(shop), None, begun, ended, of_shop[shop])
            for one in priced(
                takes([(container, entries)], begun, ended, _taken(taken.get(of, ()))), prices.at
            ):
                found.append(Counted(shop, bay, **one.to_dict()))
    return sorted(found, key=lambda one: (one.explained, -one.rest_l, *_whose(one)))


def _taken(rows: Sequence[TakenAt]) -> Taken:
    """As a bay sums it: fills of one meter are wrong in the same direction, and their U95 add up straight. Asked from one count to
    another alone, as the rows are."""

    def taken(container: str, after: int | None, until: int) -> tuple[float, float]:
        ends = attrgetter("until")
        first = 0 if after is None else bisect_right(rows, after, key=ends)
        between = rows[first : bisect_right(rows, until, key=ends)]
        return sum(one.metered_l for one in between), sum(one.u95_l for one in between)

    return taken


def missing_of(whole: Iterable[Counted]) -> Missing:
    """What is missing of some containers, of which ``first_and_last`` told; each shop's are worth what they cost there."""
    names, here = Stock.__dataclass_fields__, list(whole)
    found = missing(
        [Stock(**{name: getattr(one, name) for name in names}) for one in here], (), lambda *_of: None
    )
    gone = [one for one in here if not one.explained and one.rest_l > 0]
    worth = total(Cost(one.cost, one.currency) for one in gone)
    known = found.volume_l and all(one.cost is not None for one in gone)
    return replace(found, cost=worth.cost if known else None, currency=worth.currency if known else "")


TABLES: Final[Mapping[str, Table]] = {
    **compared.TABLES,
    "technicians": Table(TechnicianUse, lambda db, scope, most: technicians(db, scope)),
    "missing": Table(Counted, lambda db, scope, most: each_count(db, scope)),
}
"""Every table that goes out as a file."""
