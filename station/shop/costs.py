"""What the fluid cost that left the containers of many bays: litres as the roll-up sums them, by each shop's own price list at the
time.

A day's litres cost what held at its end, so that a price holds for the whole day on which it is entered. Whole months of one
price are taken from the sums by month. Before its first price a fluid cost that one, as at a bay.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from itertools import groupby, pairwise
from typing import Any, Final

from station.common import days
from station.record.many.derive import month_of
from station.record.many.ingest import Db
from station.record.many.queries import Scope, Use, later, zones
from station.shop.catalogue import Catalogue, fold


@dataclass(frozen=True)
class Cost:
    """cost: of all that left the containers; None without a price for all of it, or in more currencies than one."""

    cost: float | None = 0.0
    currency: str = ""

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def total(parts: Iterable[Cost]) -> Cost:
    """Without a price for all of it, or in two currencies, a sum would be no cost."""
    found = list(parts)
    currencies = {one.currency for one in found if one.currency}
    if len(currencies) > 1 or any(one.cost is None for one in found):
        return Cost(None)
    return Cost(sum(one.cost or 0.0 for one in found), "".join(currencies))


_OUT = "u.metered_ul + u.drawn_ul + u.purge_ul + u.waste_ul"
_PERIODS = ", ".join(
    f"%({name})s::{kind}[]"
    for name, kind in (
        ("of_shop", "text"), ("of_fluid", "text"), ("from_day", "date"), ("to_day", "date"), ("whole", "boolean"),
        ("per_l", "float8"), ("currency", "text"),
    )
)  # fmt: skip
STATEMENTS: Final = {
    "prices": """select i.shop, i.utc, c::text from issue i cross join lateral jsonb_array_elements(i.changes::jsonb) as c
        where i.shop = any(%(shops)s) and c ->> 'table' = 'price' order by i.shop, i.version""",
    "costs": f"""with price as materialized (select * from unnest({_PERIODS})
                as one (shop, fluid, begun, ended, whole, per_l, currency))
        select shop, bay, fluid, currency, sum(ul)::bigint, sum(ul * per_l) / 1e6 from (
            select u.shop, u.bay, u.fluid, p.currency, p.per_l, {_OUT} as ul from use_month u join price p on p.whole
                and p.shop = u.shop and p.fluid = u.fluid and u.month >= p.begun and u.month < p.ended
                where u.company = %(company)s and u.shop = any(%(shops)s) and u.month >= %(since)s and u.month < %(until)s
            union all
            select u.shop, u.bay, u.fluid, p.currency, p.per_l, {_OUT} from price p join use_day u on not p.whole
                and p.shop = u.shop and p.fluid = u.fluid and u.day >= p.begun and u.day < p.ended
                where u.company = %(company)s and u.shop = any(%(shops)s) and u.day >= %(since)s and u.day < %(until)s
        ) as part group by 1, 2, 3, 4""",
}  # fmt: skip


def lists_of(db: Db, of: Sequence[str]) -> dict[str, Catalogue]:
    """Shop → its prices, with their past."""
    rows = db.execute(STATEMENTS["prices"].encode(), {"shops": list(of)}).fetchall()
    return {
        shop: fold({"utc": utc, "body": {"changes": [json.loads(change)]}} for _shop, utc, change in rows_of)
        for shop, rows_of in groupby(rows, key=lambda row: row[0])
    }


def costs(db: Db, scope: Scope, lines: Sequence[Use], lists: Mapping[str, Catalogue]) -> list[Cost]:
    """What each line's fluid cost that left its containers. lines: of the scope, by shop, bay and fluid."""
    of = zones(db, scope)
    periods = [
        one for shop, prices in lists.items() if shop in of for one in _periods(scope, of[shop], shop, prices)
    ]
    names = ("of_shop", "of_fluid", "from_day", "to_day", "whole", "per_l", "currency")
    columns = zip(*periods, strict=True) if periods else ((),) * len(names)
    values = {**scope.values(), **{name: list(column) for name, column in zip(names, columns, strict=True)}}
    found: dict[tuple[str, str, str], list[tuple[str, int, float]]] = {}
    for shop, bay, fluid, currency, ul, cost in db.execute(STATEMENTS["costs"].encode(), values).fetchall():
        found.setdefault((shop, bay, fluid), []).append((currency, int(ul), float(cost)))
    return [_cost(line, found.get((line.shop, line.bay, line.fluid), ())) for line in lines]


def _cost(line: Use, parts: Sequence[tuple[str, int, float]]) -> Cost:
    out_ul = line.metered_ul + line.drawn_ul + line.purge_ul + line.waste_ul
    if out_ul == 0:
        return Cost()
    if sum(ul for _currency, ul, _cost in parts) != out_ul:
        return Cost(None)
    return total(Cost(cost, currency) for currency, ul, cost in parts if ul)


Period = tuple[str, str, date, date, bool, float, str]
"""Shop, fluid, from when to when, whether these are months, price of a litre, currency."""


def _periods(scope: Scope, zone: tzinfo, shop: str, prices: Catalogue) -> list[Period]:
    found: list[Period] = []
    for (fluid,), entry in prices.entries["price"].items():
        changed = {date.fromisoformat(days.day_of(utc, zone)): utc for utc, _fields in entry.versions}
        inside = [day for day in sorted(changed) if scope.since < day < scope.until]
        for begun, ended in pairwise((scope.since, *inside, scope.until)):
            newest = max((utc for day, utc in changed.items() if day <= begun), default=min(changed.values()))
            price = prices.price_per_l(fluid, newest)
            if price is not None:
                found += [(shop, fluid, *part, *price) for part in _parts(begun, ended)]
    return found


def _parts(begun: date, ended: date) -> list[tuple[date, date, bool]]:
    """A period as days, whole months, and days again."""
    first, last = begun if begun.day == 1 else later(month_of(begun), 1), month_of(ended)
    if first >= last:
        return [(begun, ended, False)]
    parts = [(begun, first, False), (first, last, True), (last, ended, False)]
    return [part for part in parts if part[0] < part[1]]
