"""What every page over many bays needs: the database, whose figures are asked for, and of which months."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Query, Request

from station.common.days import zone_of
from station.record.many import queries
from station.record.many.ingest import Db
from station.record.many.queries import MONTHS_MOST, Scope, later, scope_of
from station.record.many.store import Store
from web.frame import format as fmt

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


def _shops(request: Request, db: ReadingDb) -> Shops:
    company: str = request.app.state.company or next(iter(queries.companies(db)), "")
    return Shops(company, queries.shops(db, company))


TheShops = Annotated[Shops, Depends(_shops, scope="function")]


def _asked(shops: TheShops, month: Month = "", months: Months = 1, shop: Shop = "") -> Asked:
    scope = scope_of(shops.company, list(shops.zones), month, months, [shop] if shop else [])
    return Asked(scope, shops, shop, f"{later(scope.until, -1):%Y-%m}", months)


TheAsked = Annotated[Asked, Depends(_asked, scope="function")]
