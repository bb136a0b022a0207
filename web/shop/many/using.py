"""The page of usage over many bays: where fluid went by their books, and what their stock takes say is missing from these."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from station.common import days
from station.common.words import N_, _
from station.record.many import counts, queries
from station.record.many.compartments import CompartmentUse
from station.record.many.counts import Held
from station.record.many.derive import UL, USE
from station.record.many.ingest import Db
from station.record.many.queries import HowMany, Use
from station.record.many.store import Reporting, reporting
from station.shop.costs import Catalogues, Cost, costs, lists_of
from station.shop.costs import total as together
from station.shop.counted import Counted, first_and_last, missing_of
from station.shop.missing import Missing
from station.shop.technicians import TechnicianUse
from web.frame import format as fmt
from web.shop.many import compartments, contexts, pricing, technicians
from web.shop.many.asked import Asked
from web.shop.many.contexts import (
    Cell,
    ManyPage,
    Section,
    files,
    months_of,
    number,
    pick,
    rows_of,
    tabs,
)
from web.shop.missing_words import apart, doubt, says, worth
from web.shop.prices import how_prices_hold, paid


def _l(ul: int) -> Cell:
    return Cell(fmt.decimal(ul / UL, 2), amount=True)


_USE = (
    N_("Jobs"),
    N_("Out of containers"),
    N_("Into compartments"),
    N_("Overflow"),
    N_("Purge"),
    N_("Waste"),
    N_("Drawn by hand"),
    N_("Cost"),
    N_("Missing by counts"),
)
COUNTED_SHOPS_MOST = 20
"""The counts of so many shops are reckoned through for a page or a file; of more, each shop's own page has them, and files go
on."""


@dataclass(frozen=True)
class Found:
    """What the page shows. shops: those that have a row. bays: those of them that have one, or all where counts are told. lines: of
    these shops. fluids: over all that were asked for. costs: of each line. whole: what the counts find, first to last. Both None
    of more shops than ``COUNTED_SHOPS_MOST``. there: what there is beyond what is shown. compartments, technicians: None of too many
    jobs. lists: the shops' prices."""

    shops: Sequence[str]
    bays: Sequence[Reporting]
    lines: Sequence[Use]
    fluids: Sequence[Use]
    costs: Sequence[Cost] | None
    whole: Sequence[Counted] | None
    stock: Sequence[Held]
    there: HowMany
    compartments: Sequence[CompartmentUse] | None
    technicians: Sequence[TechnicianUse] | None
    lists: Catalogues


def find(db: Db, asked: Asked) -> Found:
    scope = asked.scope
    shops = scope.shops[: contexts.ROWS_MOST]
    few = len(scope.shops) <= COUNTED_SHOPS_MOST
    lines = queries.use(db, replace(scope, shops=shops))
    lists = lists_of(db, scope.shops) if few else {}
    return Found(
        shops,
        reporting(db, shops, None if few else contexts.ROWS_MOST),
        lines,
        queries.use_by_fluid(db, scope),
        costs(db, scope, lines, lists) if few else None,
        first_and_last(db, scope, lists) if few else None,
        counts.stock(db, scope, contexts.ROWS_MOST),
        queries.how_many(db, scope.shops),
        compartments.found(db, asked),
        technicians.found(db, asked, lists),
        lists,
    )


def _missing_cell(whole: Sequence[Counted] | None) -> Cell:
    if whole is None:
        return Cell(_("see each shop"), amount=True)
    found = missing_of(whole)
    if found.volume_l is None:
        return Cell(_("not counted"), amount=True)
    if found.volume_l > 0:
        return Cell(f"⚠ {fmt.litres(found.volume_l, found.u95_l)}", tone="look", amount=True)
    if found.surplus_l > 0:
        return Cell(
            _("⚠ surplus {volume}").format(volume=fmt.litres(found.surplus_l)), tone="look", amount=True
        )
    return Cell(_("✓ agrees"), tone="ok", amount=True)


def _money(one: Cost) -> Cell:
    return Cell(paid(one), amount=True)


def _use_cells(
    lines: Sequence[Use], cost: Sequence[Cost] | None, whole: Sequence[Counted] | None
) -> list[Cell]:
    total = {name: sum(getattr(line, name) for line in lines) for name in USE}
    metered, drawn, purge, waste = (total[f"{name}_ul"] for name in ("metered", "drawn", "purge", "waste"))
    filled, overflow = total["filled_ul"], total["overflow_ul"]
    amounts = (
        metered + drawn + purge + waste,
        filled,
        overflow,
        purge,
        waste,
        metered + drawn - filled - overflow,
    )
    paid = Cell(_("see each shop"), amount=True) if cost is None else _money(together(cost))
    return [number(total["jobs"]), *map(_l, amounts), paid, _missing_cell(whole)]


def _content(held: Held) -> str:
    if held.counted_utc is None:
        return _("not known")
    content = str(fmt.litres(held.content_l, held.u95_l))
    return _("{content}, overdrawn").format(content=content) if held.content_l < -held.u95_l else content


def _counts(asked: Asked, whole: Sequence[Counted] | None, bays: Sequence[Reporting]) -> Section:
    """What is missing, container by container, each with the way to its bay's own page, where it stands count by count."""
    pages = {(bay.shop, bay.bay): bay.page.rstrip("/") for bay in bays if bay.page}

    def row(one: Counted) -> list[Cell]:
        page = pages.get((one.shop, one.bay))
        zone = days.zone_of(asked.shops.zones[one.shop])
        low, high = (
            fmt.on(date.fromisoformat(days.day_of(utc, zone))) for utc in (one.opening_utc, one.closing_utc)
        )
        return [
            Cell(f"{one.shop} · {one.bay}", f"{page}/usage?month={asked.month}" if page else ""),
            Cell(one.container),
            Cell(asked.fluid(one.fluid)),
            Cell(_("{low} to {high}").format(low=low, high=high)),
            Cell(apart(one), amount=True),
            Cell(
                f"{'✓' if one.explained else '⚠'}{fmt.TIE}{says(one)}", tone="ok" if one.explained else "look"
            ),
            Cell(worth(one, one.cost, one.currency), amount=True),
        ]

    empty = _(
        "No stock take that follows another one ends in these months: whether more left the containers, nobody knows."
    )
    if whole is None:
        empty = _(
            "These are too many shops to reckon their counts through at once. Ask for one shop: its page has them."
        )
    return Section(
        _("Missing fluid, by stock takes"),
        f"{_said(missing_of(whole))} {doubt()}" if whole else "",
        (
            _("Bay"),
            _("Container"),
            _("Fluid"),
            _("Between two counts"),
            _("Counts and books differ by"),
            _("Says"),
            _("Missing is worth"),
        ),
        empty=empty,
        files=files("/missing", asked),
        **rows_of(whole or (), row),
    )


def _said(found: Missing) -> str:
    said = _(
        "What the counts find agrees with the books, each within its doubt: nothing is known to be missing."
    )
    if found.volume_l:
        said = _("{volume} left the containers and is booked nowhere.").format(
            volume=fmt.litres(found.volume_l, found.u95_l)
        )
        if found.cost is not None:
            said += " " + _("It is worth {cost}.").format(cost=fmt.money(found.cost, found.currency))
        else:
            said += " " + _("What it is worth cannot be said: not all of it has a price in one currency.")
    if found.surplus_l > 0:
        more = _(
            "{surplus} more than the books have stand in another: a delivery or a count was not entered."
        )
        said += " " + more.format(surplus=fmt.litres(found.surplus_l))
    return said


Key = tuple[str, ...]


def usage_page(asked: Asked, found: Found) -> ManyPage:
    whole = found.whole

    def rows(names: Key, keys: Iterable[Key], lines: Sequence[Use], total: int = 0) -> dict[str, Any]:
        """A table by some of what lines have in common, of these keys."""

        def key_of(row: Use | Counted) -> Key:
            return tuple(getattr(row, name) for name in names)

        used, counted, paid = defaultdict(list), defaultdict(list), defaultdict(list)
        for line in lines:
            used[key_of(line)].append(line)
        for line, cost in zip(found.lines, found.costs or (), strict=False):
            paid[key_of(line)].append(cost)
        for one in whole or ():
            counted[key_of(one)].append(one)

        def row(key: Key) -> list[Cell]:
            named = (
                asked.fluid(part) if name == "fluid" else part for name, part in zip(names, key, strict=True)
            )
            return [
                *map(Cell, named),
                *_use_cells(
                    used[key],
                    None if found.costs is None else paid[key],
                    None if whole is None else counted[key],
                ),
            ]

        return rows_of(sorted(keys), row, total)

    def held(one: Held) -> list[Cell]:
        return [
            Cell(one.shop),
            Cell(one.bay),
            Cell(one.container),
            Cell(asked.fluid(one.fluid)),
            Cell(_content(one), amount=True),
            Cell(fmt.UNKNOWN if one.counted_utc is None else fmt.day(one.counted_utc)),
        ]

    shops, bays = rows(("shop",), (), ()), rows(("shop", "bay"), (), ())
    if found.fluids or whole:
        shops = rows(("shop",), ((shop,) for shop in found.shops), found.lines, len(asked.scope.shops))
        shops["rows"].append([Cell(_("All")), *_use_cells(found.fluids, found.costs, whole)])
        shops["total"] += 1
        # one that left has no row of its own among them, and what it moved stays
        named = {(bay.shop, bay.bay) for bay in found.bays} | {(one.shop, one.bay) for one in found.lines}
        bays = rows(("shop", "bay"), named, found.lines, found.there.bays)
    fluids = {(one.fluid,) for one in found.fluids} | {(one.fluid,) for one in whole or ()}
    empty = _("Nothing was filled or moved in these months.")
    sections = [
        _counts(asked, whole, found.bays),
        Section(
            _("By shop, litres"),
            _("Cost is what left the containers, by each shop's own price list at the time.")
            + " "
            + how_prices_hold()
            + " "
            + _("Prices are entered under Shop's lists; those of a bay's own Setup count at that bay alone."),
            (_("Shop"), *map(_, _USE)),
            empty=empty,
            files=files("/usage", asked),
            **shops,
        ),
        Section(
            _("By bay, litres"),
            "",
            (_("Shop"), _("Bay"), *map(_, _USE)),
            empty=empty,
            **bays,
        ),
        Section(
            _("By fluid, litres"),
            "",
            (_("Fluid"), *map(_, _USE)),
            empty=empty,
            **rows(("fluid",), fluids, found.fluids),
        ),
        technicians.used(asked, found.technicians),
        compartments.used(asked, found.compartments),
        pricing.prices(asked, found.lists, found.lines, found.costs is None),
        Section(
            _("Containers now, by the books of their bays"),
            _(
                "± is U95. What was never counted is not known, whatever the books have added up since; overdrawn: a delivery or a count is missing in them."
            ),
            (_("Shop"), _("Bay"), _("Container"), _("Fluid"), _("Content"), _("Counted")),
            empty=_("No container is in the books yet."),
            files=files("/stock", asked),
            **rows_of(found.stock, held, found.there.containers),
        ),
    ]
    return ManyPage(
        _("Usage {month}").format(month=months_of(asked)),
        _(
            "What left the containers against what reached the compartments, over all bays; days are each shop's own."
        ),
        tabs("/usage", asked),
        sections,
        pick=pick("/usage", asked),
    )
