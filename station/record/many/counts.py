"""What the containers of many bays were counted at, and what was moved and taken between: rows for the stock takes.

A movement's time is the one that it states: one that was dated back is put into the record later than it happened.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from station.common import days
from station.record.many.ingest import Db
from station.record.many.queries import OF, Scope, ask, zones


@dataclass(frozen=True)
class Held:
    """What a container should hold by its bay's books, litres; U95. counted_utc: its last count; None if it never was, and then
    its content is not known."""

    shop: str
    bay: str
    container: str
    fluid: str
    content_l: float
    u95_l: float
    counted_utc: str | None


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
    """What jobs took from a container between two of its counts. until: place of the later one."""

    shop: str
    bay: str
    container: str
    until: int
    metered_l: float
    u95_l: float


_BETWEEN = """
    with between_counts as materialized (
        select c.shop, c.bay, c.container, coalesce((
            select m.seq from movement m where m.shop = c.shop and m.bay = c.bay and m.container = c.container
                and m.kind = 'counted' and m.utc < %(begun)s and m.place = m.seq order by m.place desc limit 1), 0) as seq, (
            select m.place from movement m where m.shop = c.shop and m.bay = c.bay and m.container = c.container
                and m.kind = 'counted' and m.utc < %(ended)s order by m.place desc limit 1) as last
        from container c where c.shop = any(%(shops)s) and c.counted_seq is not null)"""
"""Containers that were counted, and which of their entries matter: from the last count before the period that was not dated
back (what has a lower number happened before it) up to the place of the last count in it."""
STATEMENTS: Final = {
    "stock": f"""
        select s.shop, s.bay, s.container, s.fluid,
            coalesce(s.counted_l, 0) + coalesce(m.net_l, 0) - coalesce(j.metered_l, 0) as content_l,
            sqrt(coalesce(s.counted_u95_l, 0) ^ 2 + coalesce(m.u2, 0) + coalesce(j.u95_l, 0) ^ 2) as u95_l, s.counted_utc
        from (select * from container where {OF} order by shop, bay, container limit %(most)s) as s
        left join lateral (select sum(case kind when 'received' then volume_l else -volume_l end) as net_l,
                sum(u95_l * u95_l) as u2 from movement where shop = s.shop and bay = s.bay and container = s.container
                and seq >= coalesce(s.counted_place, 0)
                and (place, seq) > (coalesce(s.counted_place, -1), coalesce(s.counted_seq, 0)) and kind in ('received', 'drawn', 'purge', 'waste', 'shifted')) as m on true
        left join lateral (select sum(metered_l) as metered_l, sum(u95_l) as u95_l from taken where shop = s.shop
                and bay = s.bay and container = s.container and opened_seq > coalesce(s.counted_place, 0)) as j on true
        order by s.shop, s.bay, s.container""",
    "moved": f"""{_BETWEEN}
        select m.shop, m.bay, m.container, m.place, m.seq, m.kind, m.fluid, m.utc, m.volume_l, m.u95_l
        from between_counts b join movement m on m.shop = b.shop and m.bay = b.bay and m.container = b.container
            and m.place >= b.seq and m.place <= b.last
        order by m.shop, m.bay, m.container, m.place, m.seq""",
    "taken": f"""{_BETWEEN}, counted as (
            select b.shop, b.bay, b.container, m.place as until, lag(m.place) over (
                partition by b.shop, b.bay, b.container order by m.place, m.seq) as after
            from between_counts b join movement m on m.shop = b.shop and m.bay = b.bay and m.container = b.container
                and m.kind = 'counted' and m.place >= b.seq and m.place <= b.last)
        select c.shop, c.bay, c.container, c.until, coalesce(t.metered_l, 0) as metered_l, coalesce(t.u95_l, 0) as u95_l
        from counted c cross join lateral (select sum(metered_l) as metered_l, sum(u95_l) as u95_l from taken t
            where t.shop = c.shop and t.bay = c.bay and t.container = c.container
            and t.opened_seq > c.after and t.opened_seq <= c.until) as t
        where c.until > c.after order by c.shop, c.bay, c.container, c.until""",
}  # fmt: skip


def stock(db: Db, scope: Scope, most: int | None = None) -> list[Held]:
    """What containers should hold now, as ``station.shop.stock`` says it of one bay's. most: so many of the first; all without."""
    return ask(db, STATEMENTS["stock"], Held, **scope.values(), most=most)


def periods(db: Db, scope: Scope) -> dict[tuple[str, str], list[str]]:
    """A scope's months as the shops' own days have them, from when to when → the shops whose days those are."""
    of = zones(db, scope)
    found: dict[tuple[str, str], list[str]] = {}
    for shop in scope.shops:
        begun, ended = days.begins(scope.since, of[shop]), days.begins(scope.until, of[shop])
        found.setdefault((begun, ended), []).append(shop)
    return found


def moved(db: Db, of: Sequence[str], begun: str, ended: str) -> list[MovedAt]:
    """The movements of every container that was counted, in the order in which they count, from the last count before a time to
    the last one before another. of: shops."""
    return ask(db, STATEMENTS["moved"], MovedAt, shops=list(of), begun=begun, ended=ended)


def taken(db: Db, of: Sequence[str], begun: str, ended: str) -> list[TakenAt]:
    """What jobs took from the same containers in that time, from count to count."""
    return ask(db, STATEMENTS["taken"], TakenAt, shops=list(of), begun=begun, ended=ended)
