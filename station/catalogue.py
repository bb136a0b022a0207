"""What the shop serves and with what: vehicles, compartments, fluids, containers, technicians and prices.

The catalogue is what its events in the ledger add up to. An event holds the changes of one entry or one file, so a
file comes in whole or not at all. Nothing is deleted: what is no longer used is retired, and can be restored.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from calibration.fluid import Fluid
from station.config import BayConfig, Compartment
from station.distance import parse_distance_km
from station.errors import InputError
from station.job import RETAINED_BY_METHOD
from station.tabular import read_csv
from station.units import parse_torque_nm, parse_volume_l

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
        },
        {"vehicle": "vehicle"},
    ),
    "fluid": Table(
        ("fluid",),
        {"name": _any, "grade": _any, "kind": _any},
        {
            name: _number(name, -1e6, 1e6)
            for name in "density_15_kg_m3 kv40_mm2_s kv100_mm2_s density_kg_m3 at_c expansion_per_c".split()
        },
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
        wanted = _folded(key)
        return next((known for known in self.entries[table] if _folded(known) == wanted), None)

    def rows(self, table: str) -> list[dict[str, Any]]:
        """A table for a page, a file or a terminal."""
        names = TABLES[_table(table)].fields
        return [
            {**{n: e.get(n) for n in names}, "retired": e.retired}
            for e in sorted(self.entries[table].values(), key=lambda e: e.key)
        ]

    def price_per_l(self, fluid: str, utc: str, country: str | None = None) -> tuple[float, str] | None:
        """What a litre cost at a time, and its currency. Before the first price, that first price."""
        entry = self.get("price", fluid)
        if entry is None:
            return None
        before = [fields for at, fields in entry.versions if at <= utc]
        fields = before[-1] if before else entry.versions[0][1]
        return float(fields["amount"]) / parse_volume_l(fields["per"], country), fields["currency"]


def _folded(key: Key) -> Key:
    return tuple(" ".join(part.split()).casefold() for part in key)


def _table(name: str) -> str:
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


# --- entering ----------------------------------------------------------------------------------------------


def enter(
    catalogue: Catalogue, table: str, texts: Mapping[str, str], country: str | None = None
) -> Change | None:
    """What an entry as typed changes; None if nothing. Fields not given stay as they are.

    Raises InputError naming the field, what was typed and what is expected.
    """
    shape = TABLES[_table(table)]
    texts = {name: " ".join(str(text).split()) for name, text in texts.items()}
    unknown = [name for name in texts if name not in shape.fields]
    if unknown:
        raise InputError(f"{table} has no field {unknown[0]!r}; expected: {', '.join(shape.fields)}.")
    too_long = [name for name, text in texts.items() if len(text) > MAX_TEXT]
    if too_long:
        raise InputError(f"{too_long[0]} has more than {MAX_TEXT} characters.")
    empty = [name for name in shape.key if not texts.get(name)]
    if empty:
        raise InputError(f"{empty[0]} is empty; every {table} needs one.")
    key = tuple(texts[name] for name in shape.key)
    known = catalogue.spelling(table, key)
    if known is not None and known != key:
        raise InputError(f"{' / '.join(key)} is listed already as {' / '.join(known)}; spell it that way.")
    old = catalogue.get(table, *key)
    fields = {**(old.fields if old is not None else {}), **texts}
    _check(catalogue, table, shape, fields, country)
    differs = {n: t for n, t in texts.items() if n not in shape.key and t != (old.get(n) if old else "")}
    if old is None:
        return Change(table, key, "add", differs)
    if old.retired:
        return Change(table, key, "restore", differs)
    return Change(table, key, "change", differs) if differs else None


def _check(
    catalogue: Catalogue, table: str, shape: Table, fields: Mapping[str, str], country: str | None
) -> None:
    for name, check in {**shape.needed, **shape.optional}.items():
        text = fields.get(name, "")
        if not text:
            if name in shape.needed:
                raise InputError(f"{name} is empty; every {table} needs one.")
            continue
        try:
            check(text, country)
        except ValueError as error:
            raise InputError(f"{name}: {error}") from error
    for name, other in shape.refers.items():
        entry = catalogue.get(other, fields[name])
        if entry is None or entry.retired:
            raise InputError(
                f"{name} is {fields[name]!r}, which the catalogue does not list; enter it first."
            )
    if table == "fluid":
        try:
            Fluid.from_table(fluid_table(fields))
        except ValueError as error:
            raise InputError(str(error)) from error


def retire(catalogue: Catalogue, table: str, key: Sequence[str]) -> Change:
    """Take an entry out of the lists; its past stays. Raises InputError if it is not listed."""
    entry = catalogue.get(_table(table), *key)
    if entry is None or entry.retired:
        raise InputError(f"{' / '.join(key)} is not among the {table}s in use.")
    return Change(table, entry.key, "retire", {})


# --- from a file -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Import:
    """What a file would do. rejected: row number and reason; one of them keeps the whole file out."""

    table: str
    changes: tuple[Change, ...]
    unchanged: int
    rejected: tuple[tuple[int, str], ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "table": self.table,
            "changes": [change.to_dict() for change in self.changes],
            "unchanged": self.unchanged,
            "rejected": [{"row": row, "reason": reason} for row, reason in self.rejected],
        }


def dry_run(catalogue: Catalogue, table: str, data: bytes, country: str | None = None) -> Import:
    """What importing a CSV file of one table would change. Raises InputError for a file without a usable header."""
    shape = TABLES[_table(table)]
    changes: list[Change] = []
    rejected: list[tuple[int, str]] = []
    seen: dict[Key, int] = {}
    unchanged = 0
    for row in read_csv(data, (*shape.key, *shape.needed), tuple(shape.optional)):
        key = _folded(tuple(row.cells.get(name, "") for name in shape.key))
        reason = row.reason
        if reason is None and key in seen:
            reason = f"{' / '.join(row.cells[name] for name in shape.key)} stands in row {seen[key]} already"
        if reason is None:
            seen[key] = row.number
            try:
                change = enter(catalogue, table, row.cells, country)
            except InputError as error:
                reason = str(error)
            else:
                if change is None:
                    unchanged += 1
                else:
                    changes.append(change)
        if reason is not None:
            rejected.append((row.number, reason))
    return Import(table, tuple(changes), unchanged, tuple(rejected))


def accept(plan: Import) -> tuple[Change, ...]:
    """The changes of a file without a rejected row. Raises InputError otherwise: nothing is half imported."""
    if plan.rejected:
        row, reason = plan.rejected[0]
        raise InputError(
            f"{len(plan.rejected)} rows rejected, nothing imported; the first is row {row}: {reason}"
        )
    return plan.changes


# --- to and from a bay's configuration -----------------------------------------------------------------------


def fluid_table(fields: Mapping[str, str]) -> dict[str, Any]:
    """A ``[fluid.…]`` table for calibration.fluid from an entry's texts."""
    numbers = TABLES["fluid"].optional
    texts = {n: fields[n] for n in ("name", "grade", "kind") if fields.get(n)}
    return {**texts, **{n: float(fields[n]) for n in numbers if fields.get(n)}}


def from_config(config: BayConfig) -> list[Change]:
    """The changes that bring a bay file's compartments, fluids and technicians into an empty catalogue."""
    changes = [
        Change("fluid", (key,), "add", {n: str(v) for n, v in table.items()})
        for key, table in config.fluids.items()
        if set(table) <= set(TABLES["fluid"].fields)
    ]
    for vehicle in dict.fromkeys(c.vehicle for c in config.compartments.values()):
        changes.append(Change("vehicle", (vehicle,), "add", {}))
    for c in config.compartments.values():
        fields = {name: getattr(c, name) for name in ("capacity", "grade", "method", "plug")}
        changes.append(Change("compartment", (c.vehicle, c.compartment), "add", fields))
    changes += [Change("technician", (name,), "add", {}) for name in config.technicians]
    return changes


def merged(config: BayConfig, catalogue: Catalogue) -> BayConfig:
    """The configuration with the catalogue's entries in place of its own; what is retired is not offered."""
    keys = {(c.vehicle, c.compartment): c.key for c in config.compartments.values()}
    retired = {key for key, entry in catalogue.entries["compartment"].items() if entry.retired}
    compartments = {
        c.key: c for c in config.compartments.values() if (c.vehicle, c.compartment) not in retired
    }
    for entry in catalogue.active("compartment"):
        vehicle = catalogue.get("vehicle", entry.key[0])
        if vehicle is not None and vehicle.retired:
            compartments.pop(keys.get((entry.key[0], entry.key[1]), ""), None)
            continue
        key = keys.get((entry.key[0], entry.key[1]), " / ".join(entry.key))
        texts = {name: entry.get(name) for name in ("capacity", "grade", "method", "plug")}
        compartments[key] = Compartment(key, *entry.key, **texts)
    fluids = {k: t for k, t in config.fluids.items() if not _retired(catalogue, "fluid", k)}
    fluids |= {entry.key[0]: fluid_table(entry.fields) for entry in catalogue.active("fluid")}
    names = [n for n in config.technicians if not _retired(catalogue, "technician", n)]
    names += [e.key[0] for e in catalogue.active("technician") if e.key[0] not in names]
    return replace(config, compartments=compartments, fluids=fluids, technicians=tuple(names))


def _retired(catalogue: Catalogue, table: str, key: str) -> bool:
    entry = catalogue.get(table, key)
    return entry is not None and entry.retired
