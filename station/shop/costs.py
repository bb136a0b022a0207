"""What the fluid cost that left the containers of many bays: litres as the roll-up sums them, by each shop's own price list at the
time.

A price holds for whole days, from its own on, as at a bay; what left before the first one has none. Whole months of one price are
taken from the sums by month.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise
from typing import Any, Final

from station.record.many.derive import UL, month_of
from station.record.many.ingest import Db
from station.record.many.queries import Scope, Use, later
from station.shop.catalogue import Catalogue, fold


@dataclass(frozen=True)
class Cost:
    """cost: of what left the containers and had a price then; None where nothing had one, or in more currencies than one, which is
    mixed. unpriced_l: what left without one."""

    cost: float | None = 0.0
    currency: str = ""
    unpriced_l: float = 0.0
    mixed: bool = False

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def total(parts: Iterable[Cost]) -> Cost:
    """What had no price then stands beside the cost of the rest; two currencies are no sum."""
    found = list(parts)
    unpriced_l = sum(one.unpriced_l for one in found)
    currencies = {one.currency for one in found if one.currency}
    if len(currencies) > 1 or any(one.mixed for one in found):
        return Cost(None, "", unpriced_l, mixed=True)
    if unpriced_l and not currencies:
        return Cost(None, "", unpriced_l)
    return Cost(sum(one.cost or 0.0 for one in found), "".join(currencies), unpriced_l)


_OUT = "u.metered_ul + u.drawn_ul + u.purge_ul + u.waste_ul"
_KINDS = {
    "of_shop": "text", "of_fluid": "text", "from_day": "date", "to_day": "date", "whole": "boolean", "per_l": "float8",
    "currency": "text",
}  # fmt: skip
_NAMES = tuple(_KINDS)
PERIODS = ", ".join(f"%({name})s::{kind}[]" for name, kind in _KINDS.items())
Catalogues = Mapping[str, Catalogue]
"""Shop → its prices."""
STATEMENTS: Final = {
    "prices": """select i.shop, i.utc, c::text from issue i cross join lateral jsonb_array_elements(i.changes::jsonb) as c
        where i.shop = any(%(shops)s) and c ->> 'table' = 'price' order by i.shop, i.version""",
    "costs": f"""with price as materialized (select * from unnest({PERIODS})
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


def costs(db: Db, scope: Scope, lines: Sequence[Use], lists: Catalogues) -> list[Cost]:
    """What each line's fluid cost that left its containers. lines: of the scope, by shop, bay and fluid."""
    values = {**scope.values(), **periods(scope, lists, _parts)}
    found: dict[tuple[str, str, str], list[tuple[str, int, float]]] = {}
    for shop, bay, fluid, currency, ul, cost in db.execute(STATEMENTS["costs"].encode(), values).fetchall():
        found.setdefault((shop, bay, fluid), []).append((currency, int(ul), float(cost)))
    return [_cost(line, found.get((line.shop, line.bay, line.fluid), ())) for line in lines]


def periods(scope: Scope, lists: Catalogues, parts: "Parts | None" = None) -> dict[str, list[Any]]:
    """The prices of a scope as ``PERIODS`` takes them. parts: how the time of one is divided; not at all without it."""
    found = [
        one
        for shop, prices in lists.items()
        for one in _periods(scope, shop, prices, parts or (lambda begun, ended: [(begun, ended, False)]))
    ]
    columns = zip(*found, strict=True) if found else ((),) * len(_NAMES)
    return {name: list(column) for name, column in zip(_NAMES, columns, strict=True)}


def _cost(line: Use, parts: Sequence[tuple[str, int, float]]) -> Cost:
    out_ul = line.metered_ul + line.drawn_ul + line.purge_ul + line.waste_ul
    unpriced_ul = out_ul - sum(ul for _currency, ul, _cost in parts)
    return total(
        [Cost(0.0, "", unpriced_ul / UL), *(Cost(cost, currency) for currency, ul, cost in parts if ul)]
    )


Parts = Callable[[date, date], Sequence[tuple[date, date, bool]]]
Period = tuple[str, str, date, date, bool, float, str]
"""Shop, fluid, from when to when, whether these are months, price of a litre, currency."""


def _periods(scope: Scope, shop: str, prices: Catalogue, parts: Parts) -> list[Period]:
    found: list[Period] = []
    begins: dict[str, set[date]] = {}
    for entry in prices.active("price"):
        begins.setdefault(entry.key[0], set()).add(date.fromisoformat(entry.key[1]))
    for fluid, of in begins.items():
        inside = sorted(day for day in of if scope.since < day < scope.until)
        for begun, ended in pairwise((scope.since, *inside, scope.until)):
            price = prices.price_per_l(fluid, f"{begun}")
            if price is not None:
                found += [(shop, fluid, *part, *price) for part in parts(begun, ended)]
    return found


def _parts(begun: date, ended: date) -> list[tuple[date, date, bool]]:
    """A period as days, whole months, and days again."""
    first, last = begun if begun.day == 1 else later(month_of(begun), 1), month_of(ended)
    if first >= last:
        return [(begun, ended, False)]
    parts = [(begun, first, False), (first, last, True), (last, ended, False)]
    return [part for part in parts if part[0] < part[1]]
