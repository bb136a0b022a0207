"""A shop's lists at the roll-up: looked through and changed as a bay's own are, and taken over by every bay of the shop."""

from base64 import b64decode
from collections.abc import Callable, Sequence
from typing import Annotated, TypeVar

from fastapi import APIRouter, Depends, Query
from starlette.responses import Response

from station.common.days import zone_of
from station.common.words import _
from station.record.author import BY
from station.record.many import lists
from station.record.many.ingest import Db
from station.record.many.lists import BayAt
from station.record.many.store import Reporting
from station.shop import entering, issuing
from web.frame import format as fmt
from web.frame.deps import DiskThreads, Key, do, done, page_of
from web.frame.listing import Page, Words
from web.frame.problem import Problem
from web.shop.many import issues
from web.shop.many.asked import ReadingDb, Shops, TheBays, TheShops, TheStore
from web.shop.setup_pages import Enter, Import, Lists, Retire, csv_of, imported, known, plain_of, setup_page

T = TypeVar("T")
router = APIRouter()
CHANGES = "/api/lists"
Table = Annotated[str, Query(max_length=40)]


def need(shops: Shops, shop: str) -> str:
    """A shop whose lists somebody may see."""
    if shop not in shops.zones:
        names = ", ".join(shops.zones) or _("none yet")
        raise Problem(
            404,
            _("No such shop"),
            _("there is no shop {shop!r}; expected one of: {names}.").format(shop=shop[:40], names=names),
        )
    return shop


def _one(shops: TheShops, shop: str) -> str:
    return need(shops, shop)


TheShop = Annotated[str, Depends(_one, scope="function")]


def _lists(
    shop: str, table: str, newest: int, met: Sequence[BayAt], bays: Sequence[Reporting], shops: Shops
) -> Lists:
    at = {one.bay: one for one in reversed(met)}
    checks = []
    mine = [bay for bay in bays if bay.shop == shop]
    named = {bay.bay: bay.name or bay.bay for bay in mine}
    for bay in mine:
        version = at[bay.bay].version if bay.bay in at else 0
        heard = fmt.UNKNOWN if bay.heard is None else shops.moment(shop, bay.heard)
        text = (
            _("has version {version}, the newest")
            if version == newest
            else _("has version {version} of {newest}; heard {moment}")
        )
        checks.append(
            (named[bay.bay], version == newest, text.format(version=version, newest=newest, moment=heard))
        )
    for one in met:
        checks += [
            (named.get(one.bay, one.bay), True, issues.met_in_words(told))
            for told in one.differed
            if told["table"] == table
        ]
    return Lists(
        shop=shop,
        address=f"/lists/{shop}",
        changes=CHANGES,
        title=_("Lists of {shop}").format(shop=shop),
        under=_(
            "What all bays of the shop take over, each within a minute of being heard. Nothing is deleted, only retired; every change "
            "is kept, and where a bay had said something else both words are."
        ),
        links=[(_("All shops, and what was changed"), "/lists")],
        twins=[(_("CSV, to be changed and imported again"), f"/lists/{shop}/{table}.csv")],
        heading=_("Its bays"),
        checks=checks,
    )


@router.get("/lists/{shop}", include_in_schema=False)
def one_shops(
    db: ReadingDb,
    bays: TheBays,
    shops: TheShops,
    shop: TheShop,
    table: Table = "vehicle",
    q: Words = "",
    page: Page = 1,
) -> Response:
    of = _lists(shop, known(table), lists.newest(db, shop), lists.bays_at(db, [shop]), bays, shops)
    zone = zone_of(shops.zones[shop])
    return page_of("setup.html", setup_page(issuing.present(db, shop), table, of, zone, q, page))


@router.get("/lists/{shop}/{table}.csv", include_in_schema=False)
def one_shops_csv(db: ReadingDb, shop: TheShop, table: str, q: Words = "") -> Response:
    """What is in use of a table, as it can be imported again."""
    return csv_of(issuing.present(db, shop), known(table), q)


class EnterAt(Enter):
    shop: Key


class RetireAt(Retire):
    shop: Key


class ImportAt(Import):
    shop: Key


async def _change(
    store: TheStore,
    threads: DiskThreads,
    shops: Shops,
    body: EnterAt | RetireAt | ImportAt,
    change: Callable[..., T],
) -> T:
    """change: with a database, the shop, and who does it."""
    need(shops, body.shop)
    known(body.table)
    who = BY.get() or body.by or "–"

    def run() -> T:
        with store.connection() as db:
            return change(db, body.shop, body.table, who)

    return await do(threads, run)


@router.post(f"{CHANGES}/enter", include_in_schema=False)
async def enter(store: TheStore, threads: DiskThreads, shops: TheShops, body: EnterAt) -> Response:
    fields = plain_of(body.fields)
    changed = await _change(
        store, threads, shops, body, lambda db, shop, table, who: issuing.enter(db, shop, table, fields, who)
    )
    return done(changed=changed)


@router.post(f"{CHANGES}/retire", include_in_schema=False)
async def retire(store: TheStore, threads: DiskThreads, shops: TheShops, body: RetireAt) -> Response:
    await _change(
        store,
        threads,
        shops,
        body,
        lambda db, shop, table, who: issuing.retire(db, shop, table, body.key, who, "page"),
    )
    return done()


@router.post(f"{CHANGES}/import", include_in_schema=False)
async def import_file(store: TheStore, threads: DiskThreads, shops: TheShops, body: ImportAt) -> Response:
    """As at a bay: what the file changes or would change."""
    data = b64decode(body.data)

    def change(db: Db, shop: str, table: str, who: str) -> entering.Import:
        return issuing.import_file(db, shop, table, data, body.name, who, body.apply)

    return imported(await _change(store, threads, shops, body, change))
