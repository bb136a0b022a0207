"""Whether the roll-up is whole: every chain from its first entry, every head, and every sum against its rows."""

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from station.record.chain import entry_hash
from station.record.many import derive
from station.record.many.adding import CONTAINER, TAKEN, in_force
from station.record.many.ingest import Db

_JOB_UL = ", ".join(
    f"coalesce(round(sum(round(coalesce({name}_l, 0) * 1000000))), 0)::bigint"
    for name in ("drained", "metered", "filled", "overflow")
)
_MOVED_UL = ", ".join(
    f"coalesce(sum(round(volume_l * 1000000)) filter (where kind = '{kind}'), 0)::bigint"
    for kind in derive.MOVED
)
_KINDS = ", ".join(f"'{kind}'" for kind in derive.MOVED)
_USE = """
    select company, shop, bay, {at}, fluid, {sums} from (
        select company, shop, bay, {of} as {at}, coalesce(fluid, '') as fluid,
            count(*) filter (where stage = 'closed') as jobs, {job_ul}, 0::bigint, 0::bigint,
            0::bigint, 0::bigint from job group by 1, 2, 3, 4, 5
        union all
        select company, shop, bay, {of}, fluid, 0, 0, 0, 0, 0, {moved_ul} from movement where kind in ({kinds})
            group by 1, 2, 3, 4, 5
    ) as part (company, shop, bay, {at}, fluid, {names}) group by 1, 2, 3, 4, 5"""
_YEAR = "date_trunc('year', month)::date"
_TALLY = " union all ".join(
    f"""select company, shop, {{of}}, '{dimension}', {column}, count(*), count(*) filter (where verdict = 'short'),
        count(*) filter (where verdict = 'over'), count(*) filter (where verdict = 'undecided'), count(off),
        coalesce(sum(off), 0)::bigint, coalesce(sum(off::numeric * off), 0) from (
            select *, case when proved then round(deviation_percent * 10000)::bigint end as off from job
        ) as one where stage = 'closed' and {column} <> '' group by 1, 2, 3, 4, 5"""
    for dimension, column in zip(
        derive.DIMENSIONS, ("bay", "meter", "technician", "fluid", "compartment_type"), strict=True
    )
)

_TAKEN = """
    select j.company, j.shop, j.bay, j.container, e.seq, j.seq, j.metered_l, j.filled_u95_l from job j,
        lateral (select min(seq) as seq from event where shop = j.shop and bay = j.bay and job_id = j.job_id) e
    where j.container is not null and e.seq is not null"""
_CONTAINER = """
    select n.company, n.shop, n.bay, n.container, n.seq, n.fluid, c.place, c.seq, c.utc, c.volume_l, c.u95_l
    from (select distinct on (shop, bay, container) * from movement where container is not null
        order by shop, bay, container, seq desc) n
    left join (select distinct on (shop, bay, container) * from movement where container is not null and kind = 'counted'
        order by shop, bay, container, place desc, seq desc) c using (shop, bay, container)"""


def recomputed() -> dict[str, str]:
    """Table of sums, or of what follows from rows → the statement that computes it anew from them."""
    tally = {f"tally_{at}": _TALLY.format(of=of) for at, of in (("month", "month"), ("year", _YEAR))}
    found = {**tally, "taken": _TAKEN, "container": _CONTAINER, "certificate": in_force()}
    for at, of in (("day", "day"), ("month", "month"), ("year", _YEAR)):
        names = ", ".join(derive.USE)
        sums = ", ".join(f"sum({name})::bigint" for name in derive.USE)
        found[f"use_{at}"] = _USE.format(
            at=at, of=of, names=names, sums=sums, job_ul=_JOB_UL, moved_ul=_MOVED_UL, kinds=_KINDS
        )
    return found


def check(db: Db) -> list[str]:
    """What is wrong, a sentence each; nothing where all is whole. Reads every entry."""
    return [*_chains(db), *_asides(db), *_log(db), *_rows(db), *_sums(db)]


_ENTRY = "select seq, job_id, kind, body, boot_id, t_s, utc, clock_synced::int, hash from"


_STRETCHES = """
    select b.shop, b.bay, h.seq, h.hash, b.begins, b.begins_hash, b.from_shop, b.from_bay from bay b
        join head h on h.shop = b.shop and h.bay = b.bay where b.begins is not null
    union all select shop, bay, seq, hash, begins, begins_hash, from_shop, from_bay from stay order by 1, 2, 3, 5"""


def _chains(db: Db) -> Iterator[str]:
    """Each name's part of a record from where it begins, stay by stay; a bay that moved goes on where a stay of its former name
    ends."""
    found = db.execute(_STRETCHES).fetchall()
    ends = {(shop, bay, seq, hash_) for shop, bay, seq, hash_, *_ in found}
    for (shop, bay), of in groupby(found, lambda one: one[:2]):
        stretches, after = list(of), 0
        for n, (_shop, _bay, seq, newest, begins, before, *former) in enumerate(stretches, 1):
            last = seq if n < len(stretches) else 1 << 62  # what is there behind the end is found, too
            rows = f"{_ENTRY} event where shop = %s and bay = %s and seq > %s and seq <= %s order by seq"
            yield from _chain(
                db, f"{shop}, {bay}", rows, [shop, bay, after, last], (seq, newest), (begins, before)
            )
            after = seq
            if former[0] is not None and (*former, begins, before) not in ends:
                yield (
                    f"{shop}, {bay}: begins behind entry {begins}, where no stay of its former name {former[0]}, {former[1]} ends"
                )


def _asides(db: Db) -> Iterator[str]:
    """What was set aside is evidence, and held to where it ended."""
    for shop, bay, nth, seq, newest, *begins in db.execute(
        "select shop, bay, nth, seq, hash, begins, begins_hash from aside order by 1, 2, 3"
    ).fetchall():
        rows = f"{_ENTRY} aside_event where shop = %s and bay = %s and nth = %s order by seq"
        whose, begin = f"{shop}, {bay}, set aside {nth}", (begins[0], begins[1])
        yield from _chain(db, whose, rows, [shop, bay, nth], (seq, newest), begin)


def _log(db: Db) -> Iterator[str]:
    rows = "select seq, utc, who, kind, body, hash from log order by seq"
    yield from _chain(db, "the roll-up's log", rows, [], None)


def _chain(
    db: Db,
    whose: str,
    rows: str,
    of: list[Any],
    end: tuple[int, str] | None,
    begin: tuple[int, str] = (0, ""),
) -> Iterator[str]:
    """rows: a statement whose last column is the hash over those before it and the row before. end: where it must end. begin:
    behind what it begins."""
    expected, previous = begin
    with db.cursor(name="chain") as cursor:
        cursor.itersize = 5000
        for row in cursor.execute(rows.encode(), of):
            expected += 1
            if row[0] != expected or entry_hash(previous, row[:-1]) != row[-1]:
                yield f"{whose}: entry {expected} is missing or was changed"
                return
            previous = row[-1]
    if end is not None and (expected, previous) != end:
        yield f"{whose}: the entries end at {expected}, the head is at {end[0]}"


def _rows(db: Db) -> Iterator[str]:
    for table, kind in (("job", "result"), ("movement", "movement"), ("certificate", "certificate")):
        missing, more = db.execute(
            f"select (select count(*) from event e where kind = %s and not exists (select 1 from {table} r where "
            "r.shop = e.shop and r.bay = e.bay and r.seq = e.seq) and not exists (select 1 from unread r where "
            "r.shop = e.shop and r.bay = e.bay and r.seq = e.seq)), "
            f"(select count(*) - count(distinct (shop, bay, seq)) from {table})",
            [kind],
        ).fetchone() or (0, 0)
        if missing or more:
            yield f"{table}: {missing} entries have no row, {more} rows are there twice"


def _sums(db: Db) -> Iterator[str]:
    for table, statement in recomputed().items():
        columns = ", ".join(columns_of(table))
        wrong: Any = db.execute(
            f"select count(*) from ((select {columns} from {table} except all ({statement})) union all "
            f"(({statement}) except all select {columns} from {table})) as other"
        ).fetchone()
        if wrong[0]:
            yield f"{table}: {wrong[0]} lines are not what their rows add up to"


def columns_of(table: str) -> tuple[str, ...]:
    if table.startswith("tally_"):
        return ("company", "shop", table.removeprefix("tally_"), "dimension", "name", *derive.TALLY)
    if table == "certificate":
        return ("company", "shop", "bay", "seq", "in_force")
    if table in ("taken", "container"):
        return tuple({"taken": TAKEN, "container": CONTAINER}[table])
    return ("company", "shop", "bay", table.removeprefix("use_"), "fluid", *derive.USE)
