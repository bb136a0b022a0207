"""What every page over many bays needs: the database, whose figures are asked for, and of which months."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Annotated

from fastapi import Depends, Query, Request

from station.common.days import zone_of
from station.record.many import queries
from station.record.many.ingest import Db
from station.record.many.queries import MONTHS_MOST, Scope, later, scope_of
from station.record.many.store import Reporting, Store, reporting
from web.frame import format as fmt
from web.frame.door import TheAccess, TheSession

Month = Annotated[
    str, Query(max_length=7, description="a month, such as 2026-03; the present one without it")
]
Months = Annotated[int, Query(ge=1, le=MONTHS_MOST, description="so many months, up to and with that one")]
Shop = Annotated[str, Query(max_length=40, description="one shop alone")]


@dataclass(frozen=True)
class Shops:
    """Of the company whose figures are shown, the shops that whoever asks may see: their time zones. company_shops: so many it has,
    seen or not."""

    company: str
    zones: Mapping[str, str]
    company_shops: int = 0

    def day(self, shop: str, at: datetime) -> date:
        """Which day it is there."""
        return at.astimezone(zone_of(self.zones[shop])).date()

    def moment(self, shop: str, utc: str) -> str:
        """A time of the record, as the shop's own clock had it."""
        return fmt.moment(utc, zone_of(self.zones[shop]))


@dataclass(frozen=True)
class Asked:
    """The scope of a question, and how it was asked for. shops: every one that may be seen."""

    scope: Scope
    shops: Shops
    shop: str
    month: str
    months: int
    fluids: Mapping[str, str]

    def fluid(self, key: str | None) -> str:
        """A fluid as the bays' own pages name it; its key where they name it differently, or not at all."""
        return self.fluids.get(key, key) if key else fmt.UNKNOWN


def _store(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


TheStore = Annotated[Store, Depends(_store)]


def _db(store: TheStore) -> Iterator[Db]:
    with store.connection() as db:
        db.execute("set transaction read only")
        yield db


ReadingDb = Annotated[Db, Depends(_db, scope="function")]


def of_company(db: Db, company: str) -> Shops:
    """Every shop of a company; of the first one where it is empty."""
    company = company or next(iter(queries.companies(db)), "")
    zones = queries.shops(db, company)
    return Shops(company, zones, len(zones))


def _shops(request: Request, db: ReadingDb, access: TheAccess, session: TheSession) -> Shops:
    """The one place where it is decided whose figures somebody sees; no route asks for anything but by these."""
    every = of_company(db, request.app.state.company)
    if session is None:
        return every if access.open else Shops(every.company, {})
    zones = {shop: zone for shop, zone in every.zones.items() if session.person.sees(shop)}
    return Shops(every.company, zones, every.company_shops)


TheShops = Annotated[Shops, Depends(_shops, scope="function")]


def _bays(db: ReadingDb, shops: TheShops) -> list[Reporting]:
    return reporting(db, list(shops.zones))


TheBays = Annotated[list[Reporting], Depends(_bays, scope="function")]


def _asked(db: ReadingDb, shops: TheShops, month: Month = "", months: Months = 1, shop: Shop = "") -> Asked:
    scope = scope_of(shops.company, list(shops.zones), month, months, [shop] if shop else [])
    scope = replace(scope, company_shops=shops.company_shops)
    named = queries.fluids(db, scope)
    return Asked(scope, shops, shop, f"{later(scope.until, -1):%Y-%m}", months, named)


TheAsked = Annotated[Asked, Depends(_asked, scope="function")]


def _asked_bays(db: ReadingDb, asked: TheAsked) -> list[Reporting]:
    return reporting(db, asked.scope.shops)


AskedBays = Annotated[list[Reporting], Depends(_asked_bays, scope="function")]
"""Those of the shops in question alone: a thousand shops have thousands."""
