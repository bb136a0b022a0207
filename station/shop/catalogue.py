"""What the shop serves and with what: vehicles, compartments, fluids, containers, technicians, prices and its own name.

The catalogue is what its events in the ledger add up to. An event holds the changes of one entry or one file, so a
file comes in whole or not at all. Nothing is deleted: what is no longer used is retired, and can be restored.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from station.common.schema import recorded
from station.common.units import parse_volume_l
from station.common.words import _
from station.errors import InputError
from station.shop.rows import TABLES, PriceRow, R

EVENT = "catalogue"
Key = tuple[str, ...]


@dataclass(frozen=True)
class Entry:
    """One entry as of now. versions: (utc, fields) of every change, oldest first."""

    key: Key
    fields: Mapping[str, str]
    retired: bool = False
    versions: tuple[tuple[str, Mapping[str, str]], ...] = ()

    def get(self, name: str) -> str:
        return self.fields.get(name, "")

    def typed(self, kind: type[R], utc: str | None = None) -> R:
        """The entry by its table's type, as of now or of a time. Raises InputError where the record's cannot be read."""
        try:
            return recorded(kind, given(self.fields if utc is None else self.as_of(utc)))
        except InputError as error:
            raise InputError(
                _("catalogue, {key}: {error} Enter it again.").format(key=" / ".join(self.key), error=error)
            ) from error

    def as_of(self, utc: str) -> Mapping[str, str]:
        """The fields as they were at a time; before the first entry, as first entered."""
        before = [fields for at, fields in self.versions if at <= utc]
        return before[-1] if before else self.versions[0][1]


@dataclass(frozen=True)
class Change:
    """What one row or one form does to an entry. fields: only what differs, new text by name."""

    table: str
    key: Key
    action: str
    """add, change, restore or retire."""
    fields: Mapping[str, str]

    def to_dict(self) -> dict[str, Any]:
        return {
            "table": self.table,
            "key": list(self.key),
            "action": self.action,
            "fields": dict(self.fields),
        }


@dataclass(frozen=True)
class Catalogue:
    """Entries by table and key, retired ones among them."""

    entries: Mapping[str, Mapping[Key, Entry]]

    def active(self, table: str) -> list[Entry]:
        return [entry for entry in self.entries[table].values() if not entry.retired]

    def get(self, table: str, *key: str) -> Entry | None:
        return self.entries[table].get(tuple(key))

    def spelling(self, table: str, key: Key) -> Key | None:
        """The key of an entry that differs at most in case and spaces; None if there is none."""
        wanted = folded(key)
        return next((known for known in self.entries[table] if folded(known) == wanted), None)

    def rows(self, table: str) -> list[dict[str, Any]]:
        """A table for a page, a file or a terminal."""
        names = TABLES[known_table(table)].names()
        return [
            {**{n: e.get(n) for n in names}, "retired": e.retired}
            for e in sorted(self.entries[table].values(), key=lambda e: e.key)
        ]

    def price(self, fluid: str, day: str) -> Entry | None:
        """The price that held on an ISO date; None before the first one."""
        begun = [one for one in self.active("price") if one.key[0] == fluid and one.key[1] <= day]
        return max(begun, key=lambda one: one.key[1], default=None)

    def price_per_l(self, fluid: str, day: str, country: str | None = None) -> tuple[float, str] | None:
        """What a litre cost on an ISO date, and its currency; None before the first price."""
        entry = self.price(fluid, day)
        if entry is None:
            return None
        price = entry.typed(PriceRow)
        return price.amount / parse_volume_l(price.per, country), price.currency


def given(texts: Mapping[str, str]) -> dict[str, str]:
    """The fields of an entry in which something stands."""
    return {name: text for name, text in texts.items() if text}


def folded(key: Key) -> Key:
    return tuple(" ".join(part.split()).casefold() for part in key)


def known_table(name: str) -> str:
    if name not in TABLES:
        raise InputError(
            _("the catalogue has no table {name!r}; expected one of: {tables}.").format(
                name=name, tables=", ".join(TABLES)
            )
        )
    return name


def fold(events: Iterable[Mapping[str, Any]]) -> Catalogue:
    """The catalogue that its events, oldest first, add up to."""
    entries: dict[str, dict[Key, Entry]] = {name: {} for name in TABLES}
    for event in events:
        for change in event["body"]["changes"]:
            apply(entries, change, event["utc"])
    return Catalogue(entries)


def dated(prices: Mapping[Key, Entry], change: Mapping[str, Any], utc: str) -> Mapping[str, Any] | None:
    """A change as the catalogue takes it. Before a price had a day, one held from the moment of its entry: it is the price of that
    day, and what it left unsaid is as it stood before. None of one that was retired then: what it had cost stayed in force."""
    if change["table"] != "price" or len(change["key"]) > 1:
        return change
    if change["action"] == "retire":
        return None
    (fluid,) = change["key"]
    mine = [one for one in prices.values() if one.key[0] == fluid]
    last = max(mine, key=lambda one: one.versions[-1][0], default=None)
    stood = {} if last is None else {n: text for n, text in last.fields.items() if n not in PriceRow.key}
    return {**change, "key": [fluid, utc[:10]], "fields": {**stood, **change["fields"]}}


def apply(entries: dict[str, dict[Key, Entry]], change: Mapping[str, Any], utc: str) -> None:
    told = dated(entries["price"], change, utc)
    if told is not None:
        _apply(entries, told, utc)


def _apply(entries: dict[str, dict[Key, Entry]], change: Mapping[str, Any], utc: str) -> None:
    table, key = change["table"], tuple(change["key"])
    old = entries[table].get(key, Entry(key, dict(zip(TABLES[table].key, key, strict=True))))
    fields = {**old.fields, **change["fields"]}
    retired = change["action"] == "retire"
    entries[table][key] = Entry(key, fields, retired, (*old.versions, (utc, fields)))


def read(ledger: Any) -> Catalogue:
    """The catalogue as a ledger has it."""
    return fold(ledger.shop_events(EVENT))


def body(changes: Sequence[Change], origin: str, by: str = "") -> dict[str, Any]:
    """The body of the event that makes the changes. origin: "page", or the file that they came from."""
    return {"origin": origin, "by": by, "changes": [change.to_dict() for change in changes]}
