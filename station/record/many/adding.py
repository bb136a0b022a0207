"""What a batch adds to the tables beside its entries, as one statement: PostgreSQL is asked once for all of it.

Rows come as one array a column. The statement has a part for each table that gets any, so there are few different ones, and
each connection's server plans each of them once.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from functools import lru_cache
from operator import attrgetter
from typing import Any

from station.record.many import derive
from station.record.many.derive import Drawn, month_of, sums

Row = tuple[Any, ...]
OWN = ("company", "shop", "bay")
OF_SHOP = ("named", "tally_month", "tally_year")
"""Tables whose lines all bays of a shop share."""
JOB_FACTS = (
    "job_id opened_utc closed_utc stage verdict vehicle compartment compartment_type technician grade meter container fluid "
    "method listed_capacity_l expected_fill_l expected_fill_u95_l drained_l drained_u95_l metered_l overflow_l "
    "overflow_u95_l filled_l filled_u95_l"
).split()
"""What the table has of a bay's own row, under the same names."""
JOB_DRAWN = "deviation_percent proved proved_fill_l proved_by".split()
MOVEMENT_FACTS = "utc kind container fluid vehicle technician volume_l u95_l note".split()
TAKEN = "company shop bay container opened_seq seq metered_l u95_l".split()
CONTAINER = "company shop bay container seq fluid counted_place counted_seq counted_utc counted_l counted_u95_l".split()
COLUMNS: dict[str, Sequence[str]] = {
    "checkpoint": ("size", "note"),
    "unread": ("seq", "text"),
    "job": ("seq", "month", "day", *JOB_FACTS, *JOB_DRAWN),
    "movement": ("seq", "month", "day", *MOVEMENT_FACTS, "place"),
    "certificate": "seq number kind instrument made_at valid_until replaces".split(),
    "taken": ("container", "job_id", "seq", "metered_l", "u95_l"),
    "container": CONTAINER[3:],
    "fluid_name": ("fluid", "name"),
    "named": ("name", "folded"),
    "use_day": ("day", "fluid", *derive.USE),
    "use_month": ("month", "fluid", *derive.USE),
    "use_year": ("year", "fluid", *derive.USE),
    "tally_month": ("month", "dimension", "name", *derive.TALLY),
    "tally_year": ("year", "dimension", "name", *derive.TALLY),
}
"""Table → what a batch's rows for it have, beside whose they are."""
_KINDS = {
    "bigint": {"size", "seq", "place", "counted_place", "counted_seq", *derive.USE, *derive.TALLY}
    - {"deviation_ppm2"},
    "numeric": {"deviation_ppm2"},
    "date": {"year", "month", "day", "valid_until"},
    "boolean": {"proved"},
}


def _kind(column: str) -> str:
    fallback = "float8" if column.endswith(("_l", "_percent")) else "text"
    return next((kind for kind, names in _KINDS.items() if column in names), fallback)


def _added(figures: Sequence[str], table: str) -> str:
    return ", ".join(f"{name} = {table}.{name} + excluded.{name}" for name in figures)


_NEWER = ", ".join(f"{name} = coalesce(excluded.{name}, container.{name})" for name in CONTAINER[6:])
_AGAIN = {
    "container": f"(shop, bay, container) do update set seq = excluded.seq, fluid = excluded.fluid, {_NEWER}",
    "fluid_name": "(shop, bay, fluid) do update set name = excluded.name",
    "named": "(shop, name) do update set folded = excluded.folded",
    "use_day": f"(shop, bay, day, fluid) do update set {_added(derive.USE, 'use_day')}",
    "use_month": f"(shop, bay, month, fluid) do update set {_added(derive.USE, 'use_month')}",
    "use_year": f"(shop, bay, year, fluid) do update set {_added(derive.USE, 'use_year')}",
    "tally_month": f"(shop, month, dimension, name) do update set {_added(derive.TALLY, 'tally_month')}",
    "tally_year": f"(shop, year, dimension, name) do update set {_added(derive.TALLY, 'tally_year')}",
}
"""Table → what becomes of a line that is there."""


@lru_cache
def _insertion(table: str) -> str:
    columns = COLUMNS[table]
    rows = f"unnest({', '.join(f'%({table}.{name})s::{_kind(name)}[]' for name in columns)})"
    if table == "taken":  # its job's entries are there already, the first of them perhaps since long
        return (
            f"insert into taken select %(company)s, %(shop)s, %(bay)s, t.container, e.seq, t.seq, t.metered_l, t.u95_l from {rows} "
            f"as t ({', '.join(columns)}), lateral (select min(seq) as seq from event where shop = %(shop)s and bay = %(bay)s "
            "and job_id = t.job_id) as e where e.seq is not null"
        )
    own = OWN if table not in OF_SHOP else OWN[:2]
    if table == "named":  # a line that is there already is let be, unlocked: nearly all are
        rows += (
            " as t (name, folded) where not exists (select from named as n where n.shop = %(shop)s and n.name = t.name "
            "and n.folded = t.folded)"
        )
    again = f" on conflict {_AGAIN[table]}" if table in _AGAIN else ""
    return (
        f"insert into {table} ({', '.join((*own, *columns))}) select {', '.join(f'%({name})s' for name in own)}, * from "
        f"{rows}{again}"
    )


@lru_cache(256)
def statement(tables: tuple[str, ...], last: str) -> tuple[bytes, tuple[str, ...]]:
    """What adds rows to these tables, and then the last part, whose result it has; and the names of its values in the order of
    their numbers in it. psycopg would look all of it over for names each time, it is too long to be kept."""
    text = f"with {', '.join((*(f'add_{table} as ({_insertion(table)})' for table in tables), last))}"
    names = {name: n for n, name in enumerate(dict.fromkeys(_NAMED.findall(text)), 1)}
    return _NAMED.sub(lambda found: f"${names[found[1]]}", text).encode(), tuple(names)


_NAMED = re.compile(r"%\((.+?)\)s")


def values(rows: Mapping[str, Sequence[Row]]) -> dict[str, str]:
    """What the names in a statement stand for."""
    return {
        f"{table}.{name}": array(column)
        for table, lines in rows.items()
        for name, column in zip(COLUMNS[table], zip(*lines, strict=True), strict=True)
    }


def array(column: Iterable[Any]) -> str:
    """Values as PostgreSQL writes an array of them; psycopg looks each list over three times before it does."""
    return f"{{{','.join([_ELEMENT.get(type(value), str)(value) for value in column])}}}"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


_ELEMENT: dict[type, Callable[[Any], str]] = {str: _quoted, type(None): lambda _: "null"}
_facts, _drawn = attrgetter(*JOB_FACTS), attrgetter(*JOB_DRAWN)


def rows_of(bay: str, drawn: Drawn, notes: Mapping[int, str]) -> dict[str, Sequence[Row]]:
    """Table → its rows, for those that get any. Lines that the bays of a shop share are in the order of their keys: two of them
    never wait for each other in a circle."""
    found: dict[str, Sequence[Row]] = {
        "checkpoint": list(notes.items()),
        "unread": list(drawn.unread.items()),
        "job": [(one.seq, month_of(one.day), one.day, *_facts(one.row), *_drawn(one)) for one in drawn.jobs],
        "movement": [
            (
                one.seq,
                month_of(one.day),
                one.day,
                one.utc,
                *(one.facts[name] for name in MOVEMENT_FACTS[1:]),
                one.seq,
            )
            for one in drawn.moved
        ],
        "certificate": [
            (
                seq,
                c.number,
                c.kind,
                c.instrument,
                # PostgreSQL does not read all that Python does
                datetime.fromisoformat(c.made_at).isoformat(),
                date.fromisoformat(c.valid_until),
                c.replaces,
            )
            for seq, c in ((one.seq, one.certificate) for one in drawn.certified)
        ],
        "taken": [
            (row.container, row.job_id, one.seq, row.metered_l, row.filled_u95_l)
            for one in drawn.jobs
            if (row := one.row).container is not None
        ],
        "container": _left(drawn),
        "fluid_name": list(drawn.named.items()),
        "named": _names(drawn),
    }
    for table, lines in vars(sums(bay, drawn)).items():
        found[table] = [(*key, *lines[key]) for key in sorted(lines)]
    return {table: rows for table, rows in found.items() if rows}


def _names(drawn: Drawn) -> list[Row]:
    """By what jobs are looked for."""
    names = {
        name for one in drawn.jobs for name in (one.row.vehicle, one.row.compartment, one.row.technician)
    }
    return [(name, name.casefold()) for name in sorted(filter(None, names))]


BACK = """
    with back as (
        update movement m set place = coalesce((select o.seq from event o where o.shop = m.shop and o.bay = m.bay
            and o.seq < m.seq and o.utc <= m.utc order by o.seq desc limit 1), 0)
        where shop = %(shop)s and bay = %(bay)s and seq = any(%(back)s) returning *
    ), counted as (
        select distinct on (container) * from back where kind = 'counted' order by container, place desc, seq desc
    )
    update container c set counted_place = n.place, counted_seq = n.seq, counted_utc = n.utc, counted_l = n.volume_l,
        counted_u95_l = n.u95_l
    from counted n where c.shop = n.shop and c.bay = n.bay and c.container = n.container
        and (n.place, n.seq) > (coalesce(c.counted_place, -1), coalesce(c.counted_seq, 0))"""
"""Movements that were dated back, once they are there: where they belong, and the counts among them that are a container's last
all the same."""


def in_force(where: str = "") -> str:
    """The statement that says of certificates whether they are: an instrument's newest that no other replaces."""
    return f"""select company, shop, bay, seq, not replaced and row_number() over (partition by shop, bay, kind, instrument, replaced
            order by made_at::timestamptz desc, seq desc) = 1 as in_force
        from (select *, exists (select from certificate r where r.shop = c.shop and r.bay = c.bay and r.replaces = c.number)
            as replaced from certificate c {where}) as one"""


IN_FORCE = f"""
    update certificate c set in_force = n.in_force from ({in_force("where shop = %(shop)s and bay = %(bay)s")}) as n
    where c.shop = n.shop and c.bay = n.bay and c.seq = n.seq and c.in_force <> n.in_force"""
"""Once a bay's new certificates are there: which of its are in force now."""


def _left(drawn: Drawn) -> list[Row]:
    """Containers as their movements left them; a count that was dated back may not be the last one (``BACK``)."""
    left: dict[str, Row] = {}
    for one in drawn.moved:
        name, fluid = one.facts["container"], one.facts["fluid"]
        if name is None:
            continue
        if one.facts["kind"] == "counted" and not one.back:
            counted: Row = (one.seq, one.seq, one.utc, one.facts["volume_l"], one.facts["u95_l"])
        else:
            counted = left[name][3:] if name in left else (None,) * 5
        left[name] = (name, one.seq, fluid, *counted)
    return list(left.values())
