"""Fluid that is missing: what the counts of a period say left the containers beyond what is booked, in litres and money."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

from station.shop.stock import Stock

PriceAt = Callable[[str, str], tuple[float, str] | None]
"""(fluid, moment) → price of a litre and its currency; None where it has none."""


@dataclass(frozen=True)
class MissingTake:
    """What one count says of the time since the count before. cost: of what is missing; None where nothing is, or where it had no
    price then."""

    take: Stock
    cost: float | None
    currency: str

    def to_dict(self) -> dict[str, Any]:
        return {**self.take.to_dict(), "cost": self.cost, "currency": self.currency}


COLUMNS = [*(one.name for one in fields(Stock)), "explained", "cost", "currency"]


@dataclass(frozen=True)
class Missing:
    """Of the containers whose counts do not agree with the books, litres. volume_l: what left them and is booked nowhere; None
    where no container was counted twice, for then nobody knows. surplus_l: what stands in others beyond the books.

    A container whose rest lies within its doubt says nothing and is left out: a large tank's doubt would hide a small drum's
    loss. u95_l: containers add in squares, as each was counted by itself. cost: None without a price in one currency. takes:
    count by count, what is missing most first. fluids: of the containers that lost.
    """

    volume_l: float | None
    u95_l: float | None
    surplus_l: float
    cost: float | None
    currency: str
    takes: tuple[MissingTake, ...]
    fluids: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        names = ("volume_l", "u95_l", "surplus_l", "cost", "currency")
        return {
            **{name: getattr(self, name) for name in names},
            "takes": [one.to_dict() for one in self.takes],
        }


def missing(whole: Sequence[Stock], single: Sequence[Stock], price_at: PriceAt) -> Missing:
    """whole: each container from its first count to its last. single: the same count by count. A litre is worth what it cost
    when it was found missing."""
    ranked = tuple(sorted(priced(single, price_at), key=lambda one: (one.take.explained, -one.take.rest_l)))
    surplus_l = 0.0 - sum(one.rest_l for one in whole if not one.explained and one.rest_l < 0)
    gone = priced(booked_nowhere(whole), price_at)
    currencies = {one.currency for one in gone}
    in_one = len(currencies) == 1 and all(one.cost is not None for one in gone)
    return Missing(
        sum(one.take.rest_l for one in gone) if whole else None,
        math.sqrt(sum(one.take.rest_u95_l**2 for one in gone)) if whole else None,
        surplus_l,
        sum(one.cost or 0.0 for one in gone) if in_one else None,
        gone[0].currency if in_one else "",
        ranked,
        tuple(dict.fromkeys(one.take.fluid for one in gone)),
    )


def booked_nowhere(whole: Sequence[Stock]) -> list[Stock]:
    """Containers that lost more than their doubt explains, each from its first count to its last: the one rule for a month's
    total and for its column in the picture, whatever each count in between says by itself."""
    return [one for one in whole if lost(one)]


def priced(takes: Sequence[Stock], price_at: PriceAt) -> list[MissingTake]:
    """Takes, each with the worth of what is missing by it."""
    return [_priced(one, price_at) for one in takes]


def lost(take: Stock) -> bool:
    """More left than its doubt explains."""
    return not take.explained and take.rest_l > 0


def _priced(take: Stock, price_at: PriceAt) -> MissingTake:
    price = price_at(take.fluid, take.closing_utc) if lost(take) else None
    return MissingTake(
        take, None if price is None else take.rest_l * price[0], "" if price is None else price[1]
    )
