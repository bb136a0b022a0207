"""The shops' lists and how far their bays are with them, as texts that are ready to show."""

import json
from collections.abc import Sequence

from station.common.words import _
from station.record.many.lists import BayAt, Issued
from web.frame import format as fmt
from web.shop.many.asked import Shops
from web.shop.many.contexts import Cell, Link, ManyPage, Section, number


def _entries(issued: Issued) -> str:
    told = [f"{one['table']} {' / '.join(one['key'])}" for one in json.loads(issued.changes)]
    named, more = ", ".join(told[:3]), len(told) - 3
    return _("{names} and {n} more").format(names=named, n=more) if more > 0 else named


def lists_page(issues: Sequence[Issued], bays: Sequence[BayAt], shops: Shops) -> ManyPage:
    versions: dict[tuple[str, str], int] = {}
    for one in bays:
        versions[one.shop, one.bay] = max(one.version, versions.get((one.shop, one.bay), 0))
    newest = {one.shop: one.version for one in issues}
    standing = [
        [
            Cell(f"{shop} · {bay}"),
            number(version),
            Cell(_("has them"), tone="ok") if version == newest.get(shop) else Cell(_("behind"), tone="look"),
        ]
        for (shop, bay), version in sorted(versions.items())
    ]
    differed = [
        [
            Cell(f"{one.shop} · {one.bay}"),
            Cell(shops.moment(one.shop, one.utc)),
            number(one.version),
            Cell(f"{d['table']} {' / '.join(d['key'])}"),
            Cell(d["field"].replace("_", " ") or fmt.UNKNOWN),
            Cell(d["bay"] or fmt.UNKNOWN),
            Cell(d["shop"]),
            Cell(
                d["why"] or (_("the bay's") if d["stands"] == "bay" else _("the shop's")),
                tone="look" if d["why"] else "none",
            ),
        ]
        for one in bays
        for d in one.differed
    ]
    changed = [
        [
            Cell(one.shop),
            number(one.version),
            Cell(shops.moment(one.shop, one.utc)),
            Cell(one.who),
            Cell(one.origin),
            Cell(_entries(one)),
        ]
        for one in sorted(issues, key=lambda one: one.utc, reverse=True)
    ]
    sections = [
        Section(
            _("Where a bay had said something else"),
            _(
                "The shop's word is in force, but for a density that the bay measured: that one stays, and the shop's stands beside it."
            ),
            (
                _("Bay"),
                _("When"),
                _("Version"),
                _("Entry"),
                _("Field"),
                _("The bay's"),
                _("The shop's"),
                _("In force"),
            ),
            differed,
            _("Nowhere."),
            [Link("JSON", "/lists.json")],
        ),
        Section(
            _("How far the bays are"),
            _("A bay that has not been heard since keeps its own until then."),
            (_("Bay"), _("Version"), _("Stands")),
            standing,
            _("No bay has them yet."),
        ),
        Section(
            _("What was changed"),
            "",
            (_("Shop"), _("Version"), _("When"), _("Who"), _("File"), _("Entries")),
            changed,
            _("Nothing yet. Bring a file in with tallypan roll-up lists."),
        ),
    ]
    return ManyPage(
        _("Shop's lists"),
        _("Vehicles, compartments, fluids, prices and people as the shop has them, for all its bays."),
        [],
        sections,
    )
