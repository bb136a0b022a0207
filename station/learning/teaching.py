"""What the bays of a shop tell each other through the roll-up: each one's level-proved fills by type of compartment, drawn from
its jobs once a day. This asks the roll-up's database; what a bay makes of it is ``sisters``' to say.

Within one shop: its lists name the types, its one reference proves the meters. Another shop may call something else by the same
name; whether two shops' types are one, a person judges from the comparison across shops.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby
from statistics import median
from typing import Any, Final

from psycopg.rows import class_row

from calibration.budget import NORMAL_95
from station.given.job import RETAINED_BY_METHOD
from station.learning.sisters import EVENT, NAMES, TYPE_JOBS, Fills, Told, summed
from station.record.many.ingest import SISTER, Bay, Db
from station.record.many.lists import heard, hold

FILLS_FROM: Final = 3
"""Of fewer fills it cannot be told which one is the stray: too few to tell, and nothing is sent."""
EVERY: Final = timedelta(days=1)
MOST: Final = 200
"""Lines in one version: a bay's event of it must fit into a batch."""
VERSIONS_MOST: Final = 5
"""So many at a time go to a bay; it asks for the rest."""


@dataclass(frozen=True)
class Line(Fills):
    """As it stands in the roll-up."""

    shop: str = ""
    version: int = 0


_SISTER: Final = SISTER.format(shop="%(shop)s", bay="%(bay)s")
STATEMENTS: Final = {
    "newest fills": f"""select compartment_type, method, opened_utc, proved_fill_l, filled_u95_l from (
            select *, row_number() over (partition by compartment_type, method order by seq desc) as nth from job
            where shop = %(shop)s and bay = %(bay)s and proved_fill_l is not null and compartment_type <> ''
        ) as one where nth <= {TYPE_JOBS} order by compartment_type, method""",
    "lines": f"""select shop, version, {", ".join(NAMES)} from fills_of_type where shop = any(%(shops)s)
        order by shop, compartment_type, method, bay""",
    "listed": """select w.shop, w.bay, w.kind, w.method, (select listed_capacity_l from job as j where j.shop = w.shop and j.bay = w.bay
            and j.compartment_type = w.kind and j.method = w.method and proved_fill_l is not null order by seq desc limit 1)
        from unnest(%(of_shop)s::text[], %(of_bay)s::text[], %(of_type)s::text[], %(of_method)s::text[]) as w (shop, bay, kind, method)""",
    "newest version": f"""select coalesce(max(version), 0) from fills_of_type f
        where shop = %(shop)s and (%(bay)s = '' or {_SISTER})""",
    "told": f"""select version, utc, {", ".join(NAMES)} from fills_of_type f where shop = %(shop)s and {_SISTER}
            and version in (select version from fills_of_type f where shop = %(shop)s and {_SISTER} and version > %(after)s
                group by version order by version limit {VERSIONS_MOST})
        order by version, compartment_type, method, bay""",
}  # fmt: skip


def draw(db: Db, bay: Bay, at: datetime | None = None) -> None:
    """Draw what a bay's fills came to, if that was not done today yet; what changed is a new version for its sisters. Within the
    transaction that the connection is in. at: now, where it is not."""
    at = datetime.now(UTC) if at is None else at
    due = db.execute(
        "update bay set fills_drawn = %s where shop = %s and bay = %s and (fills_drawn is null or fills_drawn <= %s) returning 1",
        [at, bay.shop, bay.bay, at - EVERY],
    ).fetchone()
    if due is None:
        return
    hold(db, bay.shop)  # one version after the other
    here = {(one.compartment_type, one.method): one for one in _fills(db, bay)}
    lines = {(o.compartment_type, o.method): o for o in every(db, [bay.shop]) if o.bay == bay.bay and o.n}
    changed = [one for at_, one in here.items() if at_ not in lines or not _same(one, lines[at_])]
    changed += [
        Fills(0, 0.0, 0.0, 0.0, 0, bay.bay, *of, one.since_utc, one.until_utc)
        for of, one in lines.items()
        if of not in here
    ]
    version = max(newest(db, bay.shop), heard(db, bay.shop, EVENT))
    columns = ("company", "shop", "version", "utc", *NAMES)
    for first in range(0, len(changed), MOST):
        version += 1
        head = (bay.company, bay.shop, version, at.isoformat(timespec="milliseconds"))
        with db.cursor() as cursor:
            cursor.executemany(
                f"insert into fills_of_type ({', '.join(columns)}) values ({', '.join(['%s'] * len(columns))}) "
                "on conflict (shop, bay, compartment_type, method) do update set "
                f"{', '.join(f'{name} = excluded.{name}' for name in columns[2:])}".encode(),
                [(*head, *(getattr(one, name) for name in NAMES)) for one in changed[first : first + MOST]],
            )


def _same(one: Fills, line: Fills) -> bool:
    return all(getattr(one, name) == getattr(line, name) for name in NAMES)


def _fills(db: Db, bay: Bay) -> Iterator[Fills]:
    rows = db.execute(STATEMENTS["newest fills"].encode(), {"shop": bay.shop, "bay": bay.bay}).fetchall()
    for (kind, method), of in groupby(rows, key=lambda row: (row[0], row[1])):
        known = RETAINED_BY_METHOD.get(method)
        found = [(row[3], row[4] / NORMAL_95, row[2]) for row in of]
        if known is None or len(found) < FILLS_FROM:
            continue
        times = sorted(utc for _l, _u, utc in found)
        named = {"bay": bay.bay, "compartment_type": kind, "method": method}
        fills = [(size_l, u_l) for size_l, u_l, _utc in found]
        told = summed(
            fills, known[1] * median(x for x, _u in fills), since_utc=times[0], until_utc=times[-1], **named
        )
        if told is not None and told.n >= FILLS_FROM:
            yield told


def every(db: Db, shops: Sequence[str]) -> list[Line]:
    """All lines of these shops, those of which nothing is left among them."""
    with db.cursor(row_factory=class_row(Line)) as cursor:
        return cursor.execute(STATEMENTS["lines"].encode(), {"shops": list(shops)}).fetchall()


def listed(db: Db, lines: Sequence[Line]) -> dict[tuple[str, str, str, str], float]:
    """Shop, bay, type and method of some lines → what was listed, in litres, for the newest fill behind each."""
    columns = {"of_shop": "shop", "of_bay": "bay", "of_type": "compartment_type", "of_method": "method"}
    values = {name: [getattr(one, field) for one in lines] for name, field in columns.items()}
    rows = db.execute(STATEMENTS["listed"].encode(), values).fetchall()
    return {(row[0], row[1], row[2], row[3]): row[4] for row in rows if row[4]}


def newest(db: Db, shop: str, but: str = "") -> int:
    """The newest version of a shop's lines; but: of all bays but one, which is not told of itself."""
    found = db.execute(STATEMENTS["newest version"].encode(), {"shop": shop, "bay": but}).fetchone()
    return 0 if found is None else int(found[0])


def told(db: Db, bay: Bay, after: int) -> list[Told]:
    """What changed at a bay's sisters behind a version, oldest first."""
    values: dict[str, Any] = {"shop": bay.shop, "bay": bay.bay, "after": after}
    rows = db.execute(STATEMENTS["told"].encode(), values).fetchall()
    return [
        Told(version, utc, tuple(Fills(**dict(zip(NAMES, row[2:], strict=True))) for row in of), bay.series)
        for (version, utc), of in groupby(rows, key=lambda row: (row[0], row[1]))
    ]
