"""A bay is entered, retired, brought back, moved or given another token, from its page."""

from collections.abc import Callable
from typing import TypeVar

from fastapi import APIRouter
from starlette.responses import Response

from station.common.words import _
from station.errors import InputError
from station.record.author import BY
from station.record.many import leaving
from station.record.many.ingest import Db
from station.record.many.store import Store
from station.shop import leaving as said
from web.frame.deps import Body, DiskThreads, Key, Line, do, done
from web.frame.door import TheSession
from web.frame.problem import Problem
from web.shop.many.asked import Shops, TheShops, TheStore
from web.shop.many.leaving_page import ADDRESS, standing, where_to

T = TypeVar("T")
router = APIRouter()
CHANGES = "/api/leaving"


class Of(Body):
    """by: who does it, where nobody signs in."""

    shop: Key
    bay: Key
    because: Line
    by: Line = ""


class Moved(Of):
    to_shop: Key
    to_bay: Line
    when: Line = ""
    time_zone: Line = ""


class Entered(Body):
    """again: whether the bay is here, and is given another token."""

    shop: Key
    bay: Key
    company: Line = ""
    time_zone: Line = ""
    page: Line = ""
    since: Line = ""
    by: Line = ""
    again: bool = False


def _changed(store: Store, shops: Shops, body: Of, change: Callable[[Db, str], T]) -> T:
    """change: with a database, and who does it."""
    with store.connection() as db:
        one = standing(db, shops, body.shop, body.bay)
        if one.at is not None and one.at[0] not in shops.zones:
            raise Problem(
                409,
                _("It is gone"),
                _("{bay} goes on in another shop.").format(bay=f"{body.shop} · {body.bay}"),
            )
        return change(db, BY.get() or body.by)


@router.post(f"{CHANGES}/retire", include_in_schema=False)
async def retire(store: TheStore, shops: TheShops, threads: DiskThreads, body: Of) -> Response:
    await do(
        threads,
        _changed,
        store,
        shops,
        body,
        lambda db, who: leaving.retire(db, body.shop, body.bay, who, body.because),
    )
    return done()


@router.post(f"{CHANGES}/bring-back", include_in_schema=False)
async def bring_back(store: TheStore, shops: TheShops, threads: DiskThreads, body: Of) -> Response:
    await do(
        threads,
        _changed,
        store,
        shops,
        body,
        lambda db, who: leaving.bring_back(db, body.shop, body.bay, who, body.because),
    )
    return done()


@router.post(f"{CHANGES}/move", include_in_schema=False)
async def move(
    store: TheStore, shops: TheShops, session: TheSession, threads: DiskThreads, body: Moved
) -> Response:
    target = (where_to(shops, session, body.to_shop.strip()), body.to_bay.strip())

    def change(db: Db, who: str) -> int:
        return said.move(db, (body.shop, body.bay), target, who, body.because, body.when, body.time_zone)

    moved = await do(threads, _changed, store, shops, body, change)
    return done(moved=moved, to=ADDRESS.format(shop=target[0], bay=target[1]))


@router.post(f"{CHANGES}/enter", include_in_schema=False)
async def enter(
    store: TheStore, shops: TheShops, session: TheSession, threads: DiskThreads, body: Entered
) -> Response:
    """The token, once."""
    shop = where_to(shops, session, body.shop.strip())
    who = BY.get() or body.by.strip()
    if not who:
        raise InputError(_("who says so? Name yourself; it stays in the roll-up's log."))

    def run() -> str:
        with store.connection() as db:
            since = said.moment(db, body.since, shop, body.time_zone)
        company = shops.company or body.company.strip()
        return store.enter_bay(
            company, shop, body.bay.strip(), body.time_zone.strip(), body.page.strip(), since, who, body.again
        )

    return done(token=await do(threads, run), name=f"{shop} · {body.bay.strip()}")
