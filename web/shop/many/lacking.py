"""What the figures of a page cannot have yet: what bays recorded that were not heard, or whose record is not taken."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

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
    """A bay of whose record nothing is here since."""

    shop: str
    bay: str
    since: datetime
    bays: int


def lacking(page: ManyPage, db: Db, asked: Asked) -> ManyPage:
    """The page, saying what is not in its figures yet."""
    values = {**asked.scope.values(), "silent": datetime.now(UTC) - SILENT, "few": NAMED}
    found = ask(db, STATEMENTS["lacking"], Lacking, **values)
    within = [one for one in found if _day(asked, one) < asked.scope.until.isoformat()]
    if not within:
        return page
    each = [
        _("{bay} since {moment}").format(
            bay=f"{one.shop} · {one.bay}", moment=asked.shops.moment(one.shop, one.since.isoformat())
        )
        for one in within
    ]
    more = found[0].bays - len(found)
    if more > 0:
        each.append(ngettext("{n} more bay", "{n} more bays", more).format(n=more))
    told = _("Nothing has arrived from {bays}. What was recorded there since is not in here yet.")
    return replace(page, lacking=told.format(bays=", ".join(each)))


def _day(asked: Asked, one: Lacking) -> str:
    return one.since.astimezone(ZoneInfo(asked.shops.zones[one.shop])).date().isoformat()
