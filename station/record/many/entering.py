"""A bay that is entered, and the shop that it is in: what names are names, and whose they are."""

import re

from station.common import days
from station.common.days import zone_of
from station.common.words import N_, _
from station.errors import InputError
from station.record.many.accept import log
from station.record.many.ingest import Db

KEY = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
KEYS = {"company": N_("company"), "shop": N_("shop"), "bay": N_("bay")}


def check_keys(**keys: str) -> None:
    """Raises InputError for a name that is none, of a company, a shop or a bay."""
    for what, key in keys.items():
        if not KEY.fullmatch(key):
            raise InputError(
                _(
                    "{what} is {key!r}; expected up to 40 small letters, digits and hyphens, such as estuary-2."
                ).format(what=_(KEYS[what]), key=key[:60])
            )


def enter_shop(db: Db, company: str, shop: str, time_zone: str) -> None:
    """Have a shop be here. time_zone: needed where it is new. Raises InputError."""
    known = db.execute("select company, time_zone from shop where shop = %s", [shop]).fetchone()
    if known is not None and known[0] != company:
        raise InputError(
            _(
                "the shop {shop!r} is another company's; a shop's name serves once among all companies."
            ).format(shop=shop)
        )
    if known is None:
        if not time_zone:
            raise InputError(
                _(
                    "time zone: the shop {shop!r} is new; say whose days it counts in, such as Europe/Oslo."
                ).format(shop=shop)
            )
        zone_of(time_zone)
        db.execute(
            "insert into shop (company, shop, time_zone) values (%s, %s, %s)", [company, shop, time_zone]
        )
    elif time_zone and time_zone != known[1]:
        raise InputError(
            _(
                "time zone: the shop {shop!r} counts its days in {zone}; its jobs are counted by them already."
            ).format(shop=shop, zone=known[1])
        )


def enter(
    db: Db,
    names: tuple[str, str, str],
    token_hash: bytes,
    time_zone: str,
    page: str,
    since: str,
    who: str,
    known_here: bool | None,
) -> None:
    """As ``Store.enter_bay``. names: company, shop and bay. Raises InputError."""
    company, shop, bay = names
    check_keys(company=company, shop=shop, bay=bay)
    if not re.fullmatch(r"(https?://[^\s/?#@\\]+/?)?", page):
        raise InputError(
            _(
                "page is {page!r}; expected the address of the bay's pages, such as https://bay-1.local:8765."
            ).format(page=page[:80])
        )
    enter_shop(db, company, shop, time_zone)
    known = db.execute(
        "select gone_at is not null from bay where shop = %s and bay = %s for update", [shop, bay]
    ).fetchone()
    if known is not None and known[0]:
        raise InputError(
            _(
                "bay {bay} of {shop} was retired or moved, and its jobs stand under that name; bring it back, or take another "
                "name."
            ).format(shop=shop, bay=bay)
        )
    if known is not None and (since or known_here is False):
        raise InputError(
            _("bay {bay} of {shop} is entered already; its own page there gives it another token.").format(
                shop=shop, bay=bay
            )
        )
    if known is None and known_here:
        raise InputError(_("there is no bay {bay!r} of a shop {shop!r}.").format(shop=shop, bay=bay))
    db.execute(
        "insert into bay (company, shop, bay, token_hash, page, since, begins) values (%s, %s, %s, %s, %s, %s, %s) "
        "on conflict (shop, bay) do update set token_hash = excluded.token_hash, page = case when excluded.page = '' "
        "then bay.page else excluded.page end",
        [company, shop, bay, token_hash, page, since or None, None if since else 0],
    )
    if who:
        told: dict[str, object] = {"shop": shop, "bay": bay, "since": since, "page": page}
        utc = days.now().isoformat(timespec="milliseconds")
        log(db, utc, who, "entered" if known is None else "token replaced", told)
