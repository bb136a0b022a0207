"""The shops' lists and how far their bays are with them, as texts that are ready to show."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from station.common.words import N_, _
from station.learning.expected import FAR_PERCENT, off_listing_percent
from station.learning.teaching import Line
from station.record.many.lists import BayAt, Issued
from station.record.many.store import Reporting
from station.shop.lists import WHOLE
from web.frame import format as fmt
from web.frame.listing import Asked as AskedFor
from web.frame.listing import Field, options
from web.shop.many.asked import Shops
from web.shop.many.contexts import SHOPS_AS_TABS, Cell, Link, ManyPage, Section, number, percent
from web.shop.setup_words import AMOUNTS, SPOKEN, named

OF_PEOPLE = {"role": N_("role"), "secret": N_("secret")}
SHOWN = 50
"""So many rows of a table are shown, the newest; the file has them all."""


DIFFERED = "shop bay utc version table key field bay_says shop_says stands why".split()


def differed(met: Sequence[BayAt]) -> list[dict[str, Any]]:
    """A row for each place where a bay had said something else, as its file has it."""
    return [
        {
            **{name: getattr(one, name) for name in DIFFERED[:4]},
            **{name: told[name] for name in ("table", "field", "stands", "why")},
            "key": " / ".join(told["key"]),
            "bay_says": told["bay"],
            "shop_says": told["shop"],
        }
        for one in met
        for told in one.differed
    ]


def _field(name: str) -> str:
    return _("the entry itself") if name == WHOLE else _(OF_PEOPLE.get(name) or named(name).label)


def _word(name: str, text: str) -> str:
    """What was said of a field, or of the entry itself, as the pages write it."""
    if name == WHOLE and text:
        return _("retired") if text == "retire" else _("in use")
    if name in AMOUNTS:
        text = fmt.listed(text)
    return (_(text) if name in (*SPOKEN, *OF_PEOPLE) and text else text) or fmt.UNKNOWN


def _entry(told: Mapping[str, Any]) -> str:
    return f"{_(told['table'])} {' / '.join(told['key'])}"


def _stands(told: Mapping[str, Any]) -> str:
    whose = _("the bay's") if told["stands"] == "bay" else _("the shop's")
    return ": ".join(filter(None, (whose, told["why"])))


def met_in_words(told: Mapping[str, Any]) -> str:
    """Where a bay had said something else, in a line."""
    return _("{entry}, {field}: the bay had {bay}, the shop says {shop}; in force: {stands}").format(
        entry=_entry(told),
        field=_field(told["field"]),
        bay=_word(told["field"], told["bay"]),
        shop=_word(told["field"], told["shop"]),
        stands=_stands(told),
    )


def _more(n: int) -> str:
    return (
        ""
        if n <= SHOWN
        else " " + _("The newest {shown} of {n}; the file has them all.").format(shown=SHOWN, n=n)
    )


def _told(issues: Sequence[Issued]) -> dict[tuple[str, int], str]:
    """Shop and version → what it changed: a single entry's fields with what stood there before, of more only which."""
    stood: dict[tuple[str, ...], str] = {}
    found = {}
    for issued in sorted(issues, key=lambda one: (one.shop, one.version)):
        changes = json.loads(issued.changes)
        of = [(issued.shop, one["table"], *one["key"]) for one in changes]
        if len(changes) == 1 and changes[0]["action"] == "change":
            fields = [
                _("{field} from {old} to {new}").format(
                    field=_field(name), old=_word(name, stood.get((*of[0], name), "")), new=_word(name, text)
                )
                for name, text in changes[0]["fields"].items()
            ]
            found[issued.shop, issued.version] = f"{_entry(changes[0])}: {', '.join(fields)}"
        else:
            found[issued.shop, issued.version] = _entries(changes)
        stood |= {
            (*key, n): t for key, one in zip(of, changes, strict=True) for n, t in one["fields"].items()
        }
    return found


def _entries(changes: Sequence[Mapping[str, Any]]) -> str:
    told = [
        f"{_entry(one)} ({_('retired')})" if one["action"] == "retire" else _entry(one) for one in changes
    ]
    named, more = ", ".join(told[:3]), len(told) - 3
    return _("{names} and {n} more").format(names=named, n=more) if more > 0 else named


def _what_they_took(fills: Sequence[Line], listed: Mapping[Any, float], shops: Shops) -> Section:
    rows = []
    for one in fills:
        of_l = listed.get((one.shop, one.bay, one.compartment_type, one.method))
        off = None if of_l is None else off_listing_percent(one.mean_l, of_l, one.method)
        far = off is not None and abs(off) >= FAR_PERCENT
        rows.append(
            [
                Cell(f"{one.shop} · {one.bay}"),
                Cell(one.compartment_type),
                Cell(_(one.method)),
                number(one.n),
                Cell(str(fmt.litres(one.mean_l, one.mean_u95_l)), amount=True),
                Cell(fmt.UNKNOWN if of_l is None else str(fmt.litres(of_l)), amount=True),
                replace(percent(off, 1), tone="look" if far else ""),
                Cell(shops.moment(one.shop, one.until_utc)),
                number(one.version),
            ]
        )
    return Section(
        _("What compartments took"),
        _(
            "By type, from fills whose level was proved; from three of one bay on. The shop's other bays weigh it with their "
            "own, each bay by its own doubt; no bay is told of itself. Listed: for the newest of them. Off: from the listed capacity "
            "less what the method leaves behind; where it is marked, look whether the listing is right, then change it in the shop's "
            "lists."
        )
        + _more(len(rows)),
        (
            _("Bay"),
            _("Type"),
            _("Emptied by"),
            _("Fills"),
            _("Mean"),
            _("Listed"),
            _("Off"),
            _("Newest"),
            _("Version"),
        ),
        rows[:SHOWN],
        _("No bay has three such fills of one type yet."),
    )


def lists_page(
    issues: Sequence[Issued],
    met: Sequence[BayAt],
    people: Sequence[BayAt],
    bays: Sequence[Reporting],
    fills: Sequence[Line],
    listed: Mapping[Any, float],
    shops: Shops,
) -> ManyPage:
    """met: what bays made of the lists, the newest first. people: where they had said something else of who may sign in. fills:
    what bays tell each other of theirs; listed: what was listed for those that are shown."""
    newest = {one.shop: one.version for one in issues}
    series = {one.shop: one.series for one in issues}
    versions = {
        (one.shop, one.bay): one.version for one in reversed(met) if one.series in ("", series.get(one.shop))
    }
    standing = [
        [
            Cell(f"{bay.shop} · {bay.bay}", bay.page),
            number(version),
            number(newest[bay.shop]),
            Cell(_("has them"), tone="ok") if version == newest[bay.shop] else Cell(_("behind"), tone="look"),
        ]
        for bay in bays
        if bay.shop in newest
        for version in [versions.get((bay.shop, bay.bay), 0)]
    ]
    differed = [
        [
            Cell(f"{one.shop} · {one.bay}"),
            Cell(_entry(told)),
            Cell(_field(told["field"])),
            Cell(_word(told["field"], told["bay"])),
            Cell(_word(told["field"], told["shop"])),
            Cell(_stands(told)),
            Cell(shops.moment(one.shop, one.utc)),
            number(one.version) if one.version else Cell(fmt.UNKNOWN, amount=True),
        ]
        for one in sorted([*met, *people], key=lambda one: one.utc, reverse=True)
        for told in one.differed
    ]
    told_of = _told(issues)
    changed = [
        [
            Cell(one.shop, f"/lists/{one.shop}"),
            number(one.version),
            Cell(shops.moment(one.shop, one.utc)),
            Cell(one.who),
            Cell(_("on the page") if one.origin == "page" else one.origin),
            Cell(told_of[one.shop, one.version]),
        ]
        for one in sorted(issues, key=lambda one: one.utc, reverse=True)
    ]
    sections = [
        Section(
            _("Where a bay had said something else"),
            _(
                "The shop's word is in force, but for a density that the bay measured: that one stays, and the shop's stands "
                "beside it; and for one whom the bay took out, who stays out there. Where a bay could not take the shop's, it says "
                "why."
            )
            + _more(len(differed)),
            (
                _("Bay"),
                _("Entry"),
                _("Field"),
                _("The bay's"),
                _("The shop's"),
                _("In force"),
                _("When"),
                _("Version"),
            ),
            differed[:SHOWN],
            _("Nowhere."),
            [Link("CSV", "/lists.csv"), Link("JSON", "/lists.json")],
        ),
        Section(
            _("How far the bays are"),
            _("A bay that has not been heard since keeps its own until then."),
            (_("Bay"), _("Version"), _("Newest"), _("Stands")),
            standing,
            _("No shop has lists here yet."),
        ),
        _what_they_took(fills, listed, shops),
        Section(
            _("What was changed"),
            _more(len(changed)).strip(),
            (_("Shop"), _("Version"), _("When"), _("Who"), _("File"), _("Entries")),
            changed[:SHOWN],
            _("Nothing yet."),
        ),
    ]
    few = len(shops.zones) <= SHOPS_AS_TABS
    picked = Field("shop", _("Shop"), "", options(shops.zones, _("Pick one")))
    return ManyPage(
        _("Shop's lists"),
        _(
            "Vehicles, compartments, fluids, containers, technicians and prices as the shop has them, for all its bays."
        ),
        [Link(_("Lists of {shop}").format(shop=shop), f"/lists/{shop}") for shop in shops.zones]
        if few
        else [],
        sections,
        pick=None if few else replace(AskedFor("/lists", "", "", [picked]).by_page((), 1)[1], narrowed=True),
    )
