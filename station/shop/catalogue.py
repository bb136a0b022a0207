"""What the shop serves and with what: vehicles, compartments, fluids, containers, technicians and prices.

The catalogue is what its events in the ledger add up to. An event holds the changes of one entry or one file, so a
file comes in whole or not at all. Nothing is deleted: what is no longer used is retired, and can be restored.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from calibration.fluid import ORIGINS
from station.common.distance import parse_distance_km
from station.common.units import parse_torque_nm, parse_volume_l
from station.errors import InputError
from station.given.job import RETAINED_BY_METHOD

EVENT = "catalogue"
CAPACITY_L = (0.05, 200.0)
"""No road vehicle's axle, gearbox or sump lies outside (common practice, no source)."""
MAX_TEXT = 200

Key = tuple[str, ...]
Check = Callable[[str, str | None], object]


def _any(text: str, country: str | None) -> object:
    return text


def _capacity(text: str, country: str | None) -> object:
    volume_l = parse_volume_l(text, country)
    low, high = CAPACITY_L
    if not low <= volume_l <= high:
        raise ValueError(
            f"capacity is {text!r} = {volume_l:g} L, expected {low:g} to {high:g} L. Check number and unit."
        )
    return volume_l


def _volume(text: str, country: str | None) -> object:
    volume_l = parse_volume_l(text, country)
    if not volume_l > 0:
        raise ValueError(f"volume is {text!r}, expected more than zero.")
    return volume_l


def _method(text: str, country: str | None) -> object:
    if text not in RETAINED_BY_METHOD:
        raise ValueError(f"method is {text!r}, expected one of: {', '.join(RETAINED_BY_METHOD)}.")
    return text


def _break_in(text: str, country: str | None) -> object:
    if text not in ("yes", "no"):
        raise ValueError(f"break_in is {text!r}, expected yes or no.")
    return text


def _origin(text: str, country: str | None) -> object:
    if text not in ORIGINS:
        raise ValueError(f"density_origin is {text!r}, expected one of: {', '.join(ORIGINS)}.")
    return text


def number(text: str, what: str, low: float, high: float) -> float:
    """A plain number in a text. Raises ValueError naming it and the range."""
    try:
        value = float(text)
    except ValueError:
        hint = " Write the decimals after a point." if "," in text else ""
        raise ValueError(f"{what} is {text!r}, expected a number.{hint}") from None
    if not low <= value <= high:
        raise ValueError(f"{what} is {text!r}, expected {low:g} to {high:g}.")
    return value


def _number(what: str, low: float, high: float) -> Check:
    return lambda text, country: number(text, what, low, high)


@dataclass(frozen=True)
class Table:
    """key, needed and optional: names of the fields. Every value is kept as the text that was typed."""

    key: tuple[str, ...]
    needed: Mapping[str, Check]
    optional: Mapping[str, Check] = field(default_factory=dict)
    refers: Mapping[str, str] = field(default_factory=dict)
    """Fields that name an entry of another table."""

    @property
    def fields(self) -> tuple[str, ...]:
        return (*self.key, *self.needed, *self.optional)


TABLES: dict[str, Table] = {
    "vehicle": Table(
        ("vehicle",), {}, {"distance": lambda text, country: parse_distance_km(text), "note": _any}
    ),
    "compartment": Table(
        ("vehicle", "compartment"),
        {"capacity": _capacity, "method": _method},
        {
            "source": _any,
            "grade": _any,
            "type": _any,
            "plug": _any,
            "torque": lambda text, country: parse_torque_nm(text),
            "height_note": _any,
            "interval_distance": lambda text, country: parse_distance_km(text),
            "interval_months": _number("interval_months", 1, 240),
            "break_in": _break_in,
            "new_at": lambda text, country: parse_distance_km(text),
        },
        {"vehicle": "vehicle"},
    ),
    "fluid": Table(
        ("fluid",),
        {"name": _any, "grade": _any, "kind": _any},
        {
            name: _number(name, -1e6, 1e6)
            for name in (
                "density_15_kg_m3 u_density_kg_m3 kv40_mm2_s kv100_mm2_s density_kg_m3 at_c expansion_per_c".split()
            )
        }
        | {"density_origin": _origin},
    ),
    "container": Table(("container",), {"fluid": _any, "size": _volume}, {"kind": _any}, {"fluid": "fluid"}),
    "technician": Table(("technician",), {}, {"note": _any}),
    "price": Table(
        ("fluid",),
        {"amount": _number("amount", 0, 1e6), "per": _volume, "currency": _any},
        {},
        {"fluid": "fluid"},
    ),
}


@dataclass(frozen=True)
class Entry:
    """One entry as of now. versions: (utc, fields) of every change, oldest first."""

    key: Key
    fields: Mapping[str, str]
    retired: bool = False
    versions: tuple[tuple[str, Mapping[str, str]], ...] = ()

    def get(self, name: str) -> str:
        return self.fields.get(name, "")

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
        names = TABLES[known_table(table)].fields
        return [
            {**{n: e.get(n) for n in names}, "retired": e.retired}
            for e in sorted(self.entries[table].values(), key=lambda e: e.key)
        ]

    def price_per_l(self, fluid: str, utc: str, country: str | None = None) -> tuple[float, str] | None:
        """What a litre cost at a time, and its currency. Before the first price, that first price."""
        entry = self.get("price", fluid)
        if entry is None:
            return None
        fields = entry.as_of(utc)
        return float(fields["amount"]) / parse_volume_l(fields["per"], country), fields["currency"]


def folded(key: Key) -> Key:
    return tuple(" ".join(part.split()).casefold() for part in key)


def known_table(name: str) -> str:
    if name not in TABLES:
        raise InputError(f"the catalogue has no table {name!r}; expected one of: {', '.join(TABLES)}.")
    return name


def fold(events: Iterable[Mapping[str, Any]]) -> Catalogue:
    """The catalogue that its events, oldest first, add up to."""
    entries: dict[str, dict[Key, Entry]] = {name: {} for name in TABLES}
    for event in events:
        for change in event["body"]["changes"]:
            apply(entries, change, event["utc"])
    return Catalogue(entries)


def apply(entries: dict[str, dict[Key, Entry]], change: Mapping[str, Any], utc: str) -> None:
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


def fluid_table(fields: Mapping[str, str]) -> dict[str, Any]:
    """A ``[fluid.…]`` table for calibration.fluid from an entry's texts."""
    numbers = [name for name in TABLES["fluid"].optional if name != "density_origin"]
    texts = {n: fields[n] for n in ("name", "grade", "kind", "density_origin") if fields.get(n)}
    return {**texts, **{n: float(fields[n]) for n in numbers if fields.get(n)}}
