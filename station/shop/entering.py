"""Entering into the catalogue, one entry or one file at a time: what it would change, or why it is refused."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from station.common.schema import read
from station.common.spreadsheet import letters, read_csv
from station.common.words import _, ngettext
from station.errors import InputError
from station.shop.catalogue import Catalogue, Change, Key, folded, given, known_table
from station.shop.rows import MEASURED, SINCE, TABLES, iso_day


def enter(
    catalogue: Catalogue, table: str, texts: Mapping[str, str], country: str | None = None, today: str = ""
) -> Change | None:
    """What an entry as typed changes; None if nothing. Fields not given stay as they are. today: the ISO date from which a price
    holds that names none, unless it is the very price that holds then.

    Raises InputError naming the field, what was typed and what is expected.
    """
    shape = TABLES[known_table(table)]
    texts = {name: " ".join(str(text).split()) for name, text in texts.items()}
    if SINCE in shape.key:
        texts[SINCE] = iso_day(texts.get(SINCE, "")) or _since(catalogue, texts, today)
    empty = [name for name in shape.key if not texts.get(name)]
    if empty:
        raise InputError(_("{name} is empty; every {table} needs one.").format(name=empty[0], table=_(table)))
    key = tuple(texts[name] for name in shape.key)
    known = catalogue.spelling(table, key)
    if known is not None and known != key:
        raise InputError(
            _("{key} is listed already as {known}; spell it that way.").format(
                key=" / ".join(key), known=" / ".join(known)
            )
        )
    old = catalogue.get(table, *key)
    fields = {**(old.fields if old is not None else {}), **texts}
    read(shape, given(fields), "", country)
    for name, other in shape.refers.items():
        named = catalogue.get(other, fields[name])
        if named is None or named.retired:
            raise InputError(
                _("{name} is {text!r}, which the catalogue does not list; enter it first.").format(
                    name=name, text=fields[name]
                )
            )
    differs = {n: t for n, t in texts.items() if n not in shape.key and t != (old.get(n) if old else "")}
    if old is None:
        return Change(table, key, "add", differs)
    if old.retired:
        return Change(table, key, "restore", differs)
    return Change(table, key, "change", differs) if differs else None


def _since(catalogue: Catalogue, texts: Mapping[str, str], today: str) -> str:
    held = catalogue.price(texts.get("fluid", ""), today)
    same = held is not None and all(held.get(name) == text for name, text in texts.items() if name != SINCE)
    return held.key[1] if held is not None and same else today


def retire(catalogue: Catalogue, table: str, key: Sequence[str]) -> Change:
    """Take an entry out of the lists; its past stays, but for a price, which holds no more. Raises InputError if it is not listed."""
    entry = catalogue.get(known_table(table), *key)
    if entry is None or entry.retired:
        raise InputError(
            _("{key} is not among the {table}s in use.").format(key=" / ".join(key), table=_(table))
        )
    return Change(table, entry.key, "retire", {})


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


def dry_run(
    catalogue: Catalogue, table: str, data: bytes, country: str | None = None, today: str = ""
) -> Import:
    """What importing a CSV file of one table would change. today: as for ``enter``. Raises InputError for a file without a usable header."""
    shape = TABLES[known_table(table)]
    changes: list[Change] = []
    rejected: list[tuple[int, str]] = []
    seen: dict[Key, int] = {}
    unchanged = 0
    needed = shape.needed()
    optional = [name for name in shape.names() if name not in needed]
    for row in read_csv(data, needed, optional, MEASURED):
        key = folded(tuple(row.cells.get(name, "") for name in shape.key))
        reason = row.reason
        if reason is None and key in seen:
            reason = _("{key} stands in row {row} already").format(
                key=" / ".join(row.cells[name] for name in shape.key), row=seen[key]
            )
        if reason is None:
            seen[key] = row.number
            try:
                change = enter(catalogue, table, row.cells, country, today)
            except InputError as error:
                reason = _where(str(error), list(row.cells))
            else:
                if change is None:
                    unchanged += 1
                else:
                    changes.append(change)
        if reason is not None:
            rejected.append((row.number, reason))
    return Import(table, tuple(changes), unchanged, tuple(rejected))


def _where(objection: str, header: Sequence[str]) -> str:
    """An objection that begins with its field, with the column that it stands in."""
    name = next((name for name in header if objection.startswith((f"{name} ", f"{name}:"))), None)
    return (
        objection
        if name is None
        else _("{objection}. Column {column}.").format(
            objection=objection.rstrip("."), column=letters(header.index(name))
        )
    )


def accept(plan: Import) -> tuple[Change, ...]:
    """The changes of a file without a rejected row. Raises InputError otherwise: nothing is half imported."""
    if plan.rejected:
        row, reason = plan.rejected[0]
        many = len(plan.rejected)
        text = ngettext(
            "nothing imported, one row is rejected; row {row}: {reason}.",
            "nothing imported, {n} rows are rejected; the first is row {row}: {reason}.",
            many,
        )
        raise InputError(text.format(n=many, row=row, reason=reason.rstrip(".")))
    return plan.changes
