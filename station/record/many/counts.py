"""What the containers of many bays were counted at, and what was moved and taken between: rows for the stock takes.

A movement's time is the one that it states: one that was dated back is put into the record later than it happened.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from psycopg.rows import class_row

from station.common import days
from station.record.many.ingest import Db
from station.record.many.queries import Scope, zones

T = TypeVar("T")


@dataclass(frozen=True)
class MovedAt:
    """A container's movement at a bay. place: its number, or that of the newest entry at the time that it states."""

    shop: str
    bay: str
    container: str
    place: int
    seq: int
    kind: str
    fluid: str
    utc: str
    volume_l: float
    u95_l: float


@dataclass(frozen=True)
class TakenAt:
    """What a job took from a container. opened_seq: the first entry of it."""

    shop: str
    bay: str
    container: str
    opened_seq: int
    metered_l: float
    u95_l: float


_BEGUN = """
    with begun as materialized (
        select c.shop, c.bay, c.container, coalesce((
            select m.seq from movement m where m.shop = c.shop and m.bay = c.bay and m.container = c.container
                and m.kind = 'counted' and m.utc < %(begun)s and m.place = m.seq order by m.place desc limit 1), 0) as seq
        from container c where c.shop = any(%(shops)s) and c.counted_seq is not null)"""
"""Containers that were counted, and from where on their entries matter: the last count before the period that was not dated
back. What has a lower number happened before it."""
STATEMENTS: Final = {
    "moved": f"""{_BEGUN}
        select m.shop, m.bay, m.container, m.place, m.seq, m.kind, m.fluid, m.utc, m.volume_l, m.u95_l
        from begun b
        join movement m on m.shop = b.shop and m.bay = b.bay and m.container = b.container and m.seq >= b.seq
        order by m.shop, m.bay, m.container, m.place, m.seq""",
    "taken": f"""{_BEGUN}
        select t.shop, t.bay, t.container, t.opened_seq, coalesce(t.metered_l, 0) as metered_l, coalesce(t.u95_l, 0) as u95_l
        from begun b join taken t on t.shop = b.shop and t.bay = b.bay and t.container = b.container and t.opened_seq > b.seq
        order by t.shop, t.bay, t.container, t.opened_seq""",
}  # fmt: skip


def periods(db: Db, scope: Scope) -> dict[tuple[str, str], list[str]]:
    """A scope's months as the shops' own days have them, from when to when → the shops whose days those are."""
    of = zones(db, scope)
    found: dict[tuple[str, str], list[str]] = {}
    for shop in scope.shops:
        begun, ended = days.begins(scope.since, of[shop]), days.begins(scope.until, of[shop])
        found.setdefault((begun, ended), []).append(shop)
    return found


def moved(db: Db, of: Sequence[str], begun: str) -> list[MovedAt]:
    """The movements of every container that was counted, in the order in which they count, from the last count before a time
    on. of: shops."""
    return _rows(db, "moved", MovedAt, of, begun)


def taken(db: Db, of: Sequence[str], begun: str) -> list[TakenAt]:
    """What jobs took from the same containers in that time."""
    return _rows(db, "taken", TakenAt, of, begun)


def _rows(db: Db, name: str, kind: type[T], of: Sequence[str], begun: str) -> list[T]:
    values = {"shops": list(of), "begun": begun}
    with db.cursor(row_factory=class_row(kind)) as cursor:
        return cursor.execute(STATEMENTS[name].encode(), values).fetchall()
