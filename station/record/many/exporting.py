"""Tables over many bays as other systems take them: what a row's columns are, and in which form it goes out.

One list of rows stands behind a page's CSV, JSON and Parquet and behind the command; a column's name ends in its unit.
"""

import io
import json
import sys
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from importlib.util import find_spec
from operator import attrgetter
from typing import Any, Final

from station.common.tabular import to_csv
from station.errors import InputError
from station.record.many import certified, counts, queries
from station.record.many.certified import Certified
from station.record.many.compartments import CompartmentUse, compartments
from station.record.many.counts import Held
from station.record.many.derive import UL
from station.record.many.finding import After, jobs
from station.record.many.ingest import Db
from station.record.many.queries import JobLine, Scope, Use

MOST: Final = 10_000
"""Jobs that are asked for at a time, and that go into a file of a page."""
HAS_PARQUET: Final = find_spec("pyarrow") is not None
UNITS: Final = {"_l": "L", "_percent": "%", "_utc": "UTC"}


@dataclass(frozen=True)
class Table:
    """kind: of its rows. rows: up to so many of a scope."""

    kind: Any
    rows: Callable[[Db, Scope, int], Sequence[Any]]


def _off(db: Db, scope: Scope, most: int) -> list[JobLine]:
    return [one for verdict in ("short", "over") for one in queries.off(db, scope, verdict, most)]


def _jobs(db: Db, scope: Scope, most: int) -> list[JobLine]:
    found: list[JobLine] = []
    while True:
        last = found[-1] if found else None
        after = None if last is None else After(last.opened_utc, last.shop, last.bay, last.seq)
        more = jobs(db, scope, min(MOST, most - len(found)), after)
        found += more
        if len(more) < MOST or len(found) >= most:
            return found


TABLES: Final[Mapping[str, Table]] = {
    "usage": Table(Use, lambda db, scope, most: queries.use_by_day(db, scope)),
    "stock": Table(Held, lambda db, scope, most: counts.stock(db, scope)),
    "quality": Table(JobLine, _off),
    "jobs": Table(JobLine, _jobs),
    "compartments": Table(CompartmentUse, lambda db, scope, most: compartments(db, scope)),
    "calibrations": Table(Certified, lambda db, scope, most: certified.certificates(db, scope)),
}


@cache
def columns(kind: Any) -> Mapping[str, type[Any]]:
    """Column → its type: a row's fields, those in microlitres as litres, and what is computed of them."""
    found: dict[str, type[Any]] = {}
    for name, hint in typing.get_type_hints(kind).items():
        of = next(one for one in (typing.get_args(hint) or (hint,)) if one is not types.NoneType)
        found |= {f"{name[:-3]}_l": float} if name.endswith("_ul") else {name: of}
    return {**found, **{name: float for name, one in vars(kind).items() if isinstance(one, property)}}


@cache
def _cells(kind: Any) -> Sequence[tuple[str, Callable[[Any], Any]]]:
    def cell(name: str) -> Callable[[Any], Any]:
        if name in kind.__dataclass_fields__ or hasattr(kind, name):
            return attrgetter(name)
        of = attrgetter(f"{name[:-2]}_ul")
        return lambda row: of(row) / UL

    return [(name, cell(name)) for name in columns(kind)]


def told(row: Any) -> dict[str, Any]:
    """A row by its columns."""
    kind: Any = type(row)
    return {name: cell(row) for name, cell in _cells(kind)}


def to_parquet(kind: Any, rows: Sequence[Any]) -> bytes:
    """Rows as Parquet: volumes and times whole, each column with its unit in its metadata."""
    import pyarrow as pa  # late: tens of megabytes that are there for this alone
    import pyarrow.parquet as pq

    of = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_(), date: pa.date32()}
    fields, values, lines = [], [], list(map(told, rows))
    for name, one in columns(kind).items():
        cells = [line[name] for line in lines]
        unit = next((unit for end, unit in UNITS.items() if name.endswith(end)), None)
        if unit == "UTC":
            cells = [None if cell is None else datetime.fromisoformat(cell) for cell in cells]
        type_ = pa.timestamp("ms", "UTC") if unit == "UTC" else of[one]
        fields.append(pa.field(name, type_, metadata=None if unit is None else {"unit": unit}))
        values.append(pa.array(cells, type_))
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(values, schema=pa.schema(fields)), out, compression="zstd")  # type: ignore[no-untyped-call]  # it has no types
    return out.getvalue()


def file_of(db: Db, scope: Scope, table: Table, form: str) -> bytes:
    """A table as a file, whole. form: csv, json or parquet. Raises InputError for another."""
    forms = ("csv", "json", *(("parquet",) if HAS_PARQUET else ()))
    if form not in forms:
        raise InputError(
            f"a file cannot be {form!r}; expected one of: {', '.join(forms)}"
            f"{'' if HAS_PARQUET else '; Parquet needs the extra parquet: pip install tallypan[parquet]'}."
        )
    rows = table.rows(db, scope, sys.maxsize)
    if form == "parquet":
        return to_parquet(table.kind, rows)
    if form == "json":
        return json.dumps(list(map(told, rows)), default=str, ensure_ascii=False).encode()
    return to_csv(list(map(told, rows)), list(columns(table.kind))).encode()
