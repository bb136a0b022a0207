"""What every page over many bays needs: the database, whose figures are asked for, and of which months."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated

from fastapi import Depends, Query, Request

from station.common.days import zone_of
from station.common.words import _
from station.errors import InputError
from station.record.many import queries
from station.record.many.ingest import Db
from station.record.many.queries import Scope
from station.record.many.store import Store
from web.frame import format as fmt

MONTHS_MOST = 36
Month = Annotated[
    str, Query(max_length=7, description="a month, such as 2026-03; the present one without it")
]
Months = Annotated[int, Query(ge=1, le=MONTHS_MOST, description="so many months, up to and with that one")]
Shop = Annotated[str, Query(max_length=40, description="one shop alone")]


@dataclass(frozen=True)
class Shops:
    """Of the company whose figures are shown: every shop's time zone."""

    company: str
    zones: Mapping[str, str]

    def moment(self, shop: str, utc: str) -> str:
        """A time of the record, as the shop's own clock had it."""
        return fmt.moment(utc, zone_of(self.zones[shop]))


@dataclass(frozen=True)
class Asked:
    """The scope of a question, and how it was asked for. shops: every one that there is."""

    scope: Scope
    shops: Shops
    shop: str
    month: str
    months: int


def _store(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


TheStore = Annotated[Store, Depends(_store)]


def _db(store: TheStore) -> Iterator[Db]:
    with store.connection() as db:
        db.execute("set transaction read only")
        yield db


ReadingDb = Annotated[Db, Depends(_db, scope="function")]


def month_begin(text: str) -> date:
    """Raises InputError for no month."""
    try:
        return date.fromisoformat(f"{text}-01")
    except ValueError:
        raise InputError(
            _("month is {text!r}; expected year and month, such as 2026-03.").format(text=text[:20])
        ) from None


def later(first: date, months: int) -> date:
    n = first.year * 12 + first.month - 1 + months
    return date(n // 12, n % 12 + 1, 1)


def _shops(request: Request, db: ReadingDb) -> Shops:
    company: str = request.app.state.company or next(iter(queries.companies(db)), "")
    return Shops(company, queries.shops(db, company))


TheShops = Annotated[Shops, Depends(_shops, scope="function")]


def _asked(shops: TheShops, month: Month = "", months: Months = 1, shop: Shop = "") -> Asked:
    every = shops.zones
    if shop and shop not in every:
        raise InputError(
            _("there is no shop {shop!r}; expected one of: {names}.").format(
                shop=shop, names=", ".join(every) or _("none yet")
            )
        )
    last = month_begin(month) if month else datetime.now(UTC).date().replace(day=1)
    scope = Scope(shops.company, (shop,) if shop else tuple(every), later(last, 1 - months), later(last, 1))
    return Asked(scope, shops, shop, f"{last:%Y-%m}", months)


TheAsked = Annotated[Asked, Depends(_asked, scope="function")]
