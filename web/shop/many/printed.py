"""A page over many bays with its head on paper: whose figures it has, so that a printed month is one's own when it lies on a table."""

from collections.abc import Sequence
from dataclasses import replace

from starlette.responses import Response

from station.common.words import ngettext
from web.frame.deps import page_of
from web.shop.many.asked import Shops
from web.shop.many.contexts import ManyPage, called

NAMED = 12
"""Of more shops only their number stands there."""


def many_page(page: ManyPage, shops: Shops, of: Sequence[str] | None = None) -> Response:
    """of: the shops that the page is about; without it all that may be seen."""
    names = list(shops.zones if of is None else of)
    told = ", ".join(map(called, names))
    if len(names) > NAMED:
        told = ngettext("{n} shop", "{n} shops", len(names)).format(n=len(names))
    return page_of("many.html", replace(page, whose=[line for line in (called(shops.company), told) if line]))
