"""The prices that the costs of a page over many bays were reckoned with."""

from collections.abc import Sequence

from station.common import days
from station.common.words import _
from station.record.many.queries import Use
from station.shop.costs import Catalogues
from web.frame import format as fmt
from web.shop.many.asked import Asked
from web.shop.many.contexts import Cell, Section, rows_of
from web.shop.prices import behind


def prices(asked: Asked, lists: Catalogues, lines: Sequence[Use], too_many: bool) -> Section:
    """Which held from when, when it was entered, and what stood there before it was put right. lines: what left."""
    left = {(one.shop, one.fluid) for one in lines if one.out_l > 0}
    rows = [
        [
            Cell(shop),
            Cell(one.fluid),
            Cell(one.since),
            Cell(one.price, amount=True),
            Cell(one.entered),
            Cell(one.before or fmt.UNKNOWN),
        ]
        for shop, entered in lists.items()
        for one in behind(
            entered,
            [fluid for of, fluid in left if of == shop],
            f"{asked.scope.since}",
            f"{asked.scope.until}",
            days.zone_of(asked.shops.zones[shop]),
            asked.fluid,
        )
    ]
    empty = _("No price held for what left in these months.")
    if too_many:
        empty = _("These are too many shops to tell the prices of. Ask for one shop: its page has them.")
    return Section(
        _("Prices behind these costs"),
        "",
        (
            _("Shop"),
            _("Fluid"),
            _("Holds from"),
            _("Price"),
            _("Entered"),
            _("Before it was put right"),
        ),
        empty=empty,
        **rows_of(rows, list),
    )
