"""The lists of the shop, as they come down from its roll-up, into a bay's own catalogue: which word stands where both said
something. Pure.

The shop's word stands, whoever was later, but for a density that the bay measured: that one stays in force, and the shop's
stands beside it. What did not come into force is named in the same event, with both words; nothing is lost.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from station.common.words import _
from station.errors import InputError
from station.record.versions import At
from station.shop import entering
from station.shop.catalogue import Catalogue, Change, Key, apply, dated
from station.shop.rows import TABLES

ORIGIN = "roll-up"
DENSITY = frozenset("density_15_kg_m3 u_density_kg_m3 density_kg_m3 at_c density_origin".split())
MEASURED = "measured"
WHOLE = ""
"""In place of a field: the entry itself, put in, taken out of use or brought back."""


@dataclass(frozen=True)
class Issue:
    """What the shop changed in its lists at a time: version grows by one each time, within its series. by: who did it."""

    version: int
    utc: str
    by: str
    changes: tuple[Change, ...]
    series: str = ""


@dataclass(frozen=True)
class Differed:
    """Where bay and shop said different things. stands: whose word is in force, "shop" or "bay". why: where it could not
    be the shop's."""

    table: str
    key: Key
    field: str
    bay: str
    shop: str
    stands: str
    why: str = ""


@dataclass(frozen=True)
class Met:
    """What an issue does to a bay's catalogue."""

    changes: tuple[Change, ...]
    differed: tuple[Differed, ...]


@dataclass(frozen=True)
class Standing:
    """How a bay stands to the shop's lists. at: the newest version that came in. own: table, key and field →
    the bay's own word, where it was the bay that last said something there; under no field, what it last did to the entry."""

    at: At = field(default_factory=At)
    own: Mapping[tuple[str, Key, str], str] = field(default_factory=dict)

    def after(self, body: Mapping[str, Any]) -> "Standing":
        """Behind one more event of the catalogue."""
        own = dict(self.own)
        if body.get("origin") == ORIGIN:
            stays = {
                (one["table"], tuple(one["key"]), one["field"])
                for one in body["differed"]
                if one["stands"] == "bay"
            }
            for at in _said(body["issued"]):
                if at not in stays and (*at[:2], WHOLE) not in stays:
                    own.pop(at, None)
        else:
            own |= _said(body["changes"])
        return Standing(At(body["version"], body.get("series", "")) if "version" in body else self.at, own)


def _said(changes: Iterable[Mapping[str, Any]]) -> dict[tuple[str, Key, str], str]:
    return {
        (c["table"], tuple(c["key"]), name): text
        for c in changes
        for name, text in {**c["fields"], WHOLE: c["action"]}.items()
    }


def standing(events: Iterable[Mapping[str, Any]]) -> Standing:
    """events: of the catalogue, oldest first."""
    found = Standing()
    for event in events:
        found = found.after(event["body"])
    return found


def issue(told: Mapping[str, Any]) -> Issue:
    """An issue as the roll-up sends it. Raises InputError where it is none."""
    try:
        changes = tuple(
            Change(
                one["table"],
                tuple(map(str, one["key"])),
                one["action"],
                {str(k): str(v) for k, v in one["fields"].items()},
            )
            for one in told["changes"]
        )
        found = Issue(
            int(told["version"]), str(told["utc"]), str(told["by"]), changes, str(told.get("series", ""))
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            _("what the roll-up sent is no change of the shop's lists ({error}).").format(
                error=str(error)[:200]
            )
        ) from None
    if any(one.table not in TABLES or len(one.key) not in _KEYS[one.table] for one in changes):
        raise InputError(
            _("the shop's lists have a table that this station does not know. Update the station.")
        )
    return found


_KEYS = {
    table: {len(shape.key), *([1] if table == "price" else ())} for table, shape in TABLES.items()
}  # a price that was entered before prices had a day (``catalogue.dated``)


def meet(catalogue: Catalogue, here: Standing, issued: Issue, country: str | None = None) -> Met:
    """Bring an issue into a bay's catalogue. country: whose pint a bare one is."""
    entries = {table: dict(rows) for table, rows in catalogue.entries.items()}
    changes: list[Change] = []
    differed: list[Differed] = []
    for asked in issued.changes:
        told = dated(entries["price"], asked.to_dict(), issued.utc)
        if told is None:
            continue
        now, wanted = Catalogue(entries), replace(asked, key=tuple(told["key"]), fields=told["fields"])
        try:
            change, words = _one(now, here, wanted, country)
        except InputError as error:
            differed.append(Differed(wanted.table, wanted.key, WHOLE, "", wanted.action, "bay", str(error)))
            continue
        for one in (*([] if change is None else [change]), *_own_later(now, here, wanted)):
            changes.append(one)
            apply(entries, one.to_dict(), issued.utc)
            if one.key != wanted.key:
                words = (*words, Differed(one.table, one.key, WHOLE, "add", one.action, "shop"))
        differed += words
    return Met(tuple(changes), tuple(differed))


def _own_later(catalogue: Catalogue, here: Standing, wanted: Change) -> Sequence[Change]:
    """The bay's own prices that begin behind a shop's: the shop's holds from its day until its own next one, so these are taken out."""
    if wanted.table != "price" or wanted.action == "retire":
        return ()
    fluid, since = wanted.key
    later = [one.key for one in catalogue.active("price") if one.key[0] == fluid and one.key[1] > since]
    own = [key for key in later if any(("price", of, WHOLE) in here.own for of in (key, key[:1]))]
    return [entering.retire(catalogue, "price", key) for key in own]


def _one(
    catalogue: Catalogue, here: Standing, wanted: Change, country: str | None
) -> tuple[Change | None, Sequence[Differed]]:
    entry = catalogue.get(wanted.table, *wanted.key)
    own = {
        name: here.own.get((wanted.table, wanted.key, name), "") for name in (*wanted.fields, *DENSITY, WHOLE)
    }
    differed = []
    ends, in_use = wanted.action == "retire", entry is not None and not entry.retired
    if ends == in_use and own[WHOLE] == ("restore" if ends else "retire"):
        differed.append(Differed(wanted.table, wanted.key, WHOLE, own[WHOLE], wanted.action, "shop"))
    if ends:
        return (entering.retire(catalogue, wanted.table, wanted.key) if in_use else None), differed
    measured = entry is not None and entry.get("density_origin") == MEASURED and any(own[n] for n in DENSITY)
    fields = {}
    for name, text in wanted.fields.items():
        stays = measured and name in DENSITY  # all of it: the shop's figure is none at the bay's temperature
        bays = entry.get(name) if stays and entry is not None else own[name]
        if bays != text and (bays or stays):
            differed.append(Differed(wanted.table, wanted.key, name, bays, text, "bay" if stays else "shop"))
        if not stays:
            fields[name] = text
    named = dict(zip(TABLES[wanted.table].key, wanted.key, strict=True))
    return entering.enter(catalogue, wanted.table, {**named, **fields}, country), differed


def body(issued: Issue, met: Met) -> dict[str, Any]:
    """The catalogue's event in a bay's record, also where nothing changed: it says how far the bay is."""
    return {
        "origin": ORIGIN,
        "by": issued.by,
        "version": issued.version,
        "series": issued.series,
        "issued": [change.to_dict() for change in issued.changes],
        "changes": [change.to_dict() for change in met.changes],
        "differed": [{**asdict(one), "key": list(one.key)} for one in met.differed],
    }
