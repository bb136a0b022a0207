"""What the figures of a page cannot have yet: what bays recorded that were not heard, or whose record is not taken."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from station.common.days import begins, now, zone_of
from station.common.words import _, ngettext
from station.record.many.ingest import Db
from station.record.many.queries import STATEMENTS, ask
from web.shop.many.asked import Asked
from web.shop.many.contexts import ManyPage

SILENT: timedelta = timedelta(days=1)
"""A bay that is switched off for the night lacks nothing."""
NAMED = 3


@dataclass(frozen=True)
class Lacking:
    """A bay of whose record nothing is here since. refused: it is heard, and no more of it is taken; else it may as well have been
    switched off, with nothing to tell. bays: so many there are."""

    shop: str
    bay: str
    since: datetime
    refused: bool
    bays: int


def lacking(page: ManyPage, db: Db, asked: Asked) -> ManyPage:
    """The page, saying what is not in its figures yet."""
    scope, zones = asked.scope, asked.shops.zones
    ends = {zone: begins(scope.until, zone_of(zone)) for zone in set(zones.values())}
    found = ask(
        db,
        STATEMENTS["lacking"],
        Lacking,
        **scope.values(),
        ends=[ends[zones[shop]] for shop in scope.shops],
        silent=now() - SILENT,
        few=NAMED,
    )
    if not found:
        return page
    each = [
        (
            _("{bay} has been refused since {moment}")
            if one.refused
            else _("{bay} was last heard on {moment}")
        ).format(bay=f"{one.shop} · {one.bay}", moment=asked.shops.moment(one.shop, one.since.isoformat()))
        for one in found
    ]
    more = found[0].bays - len(found)
    if more > 0:
        each.append(ngettext("{n} more bay", "{n} more bays", more).format(n=more))
    told = _("{bays}. If anything was recorded there since, it is not in here yet.")
    return replace(page, lacking=told.format(bays="; ".join(each)))
