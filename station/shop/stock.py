"""What stands in each container: by the last count, by the books since, and what a new count says of them."""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from station.common.units import parse_volume_l
from station.common.words import N_
from station.record.ledger import Ledger
from station.shop.catalogue import Catalogue
from station.shop.movement import OUT, SHIFTED
from station.shop.rows import ContainerRow

COLUMNS = "container fluid size_l content_l u95_l counted_utc state booked_l".split()
"""What a container should hold now."""
LAST = 1 << 62
"""Beyond every entry's number."""


@dataclass(frozen=True)
class Stock:
    """One container between its first and last count within the period, litres.

    out_counted_l: opening + received − closing. out_booked_l: what jobs and notes took from it in between.
    rest_l: counted − booked, with its U95; beyond it: something left unbooked (positive) or was booked too much.
    """

    container: str
    fluid: str
    opening_utc: str
    closing_utc: str
    opening_l: float
    closing_l: float
    received_l: float
    out_counted_l: float
    out_booked_l: float
    rest_l: float
    rest_u95_l: float

    @property
    def explained(self) -> bool:
        return abs(self.rest_l) <= self.rest_u95_l

    def to_dict(self) -> dict[str, Any]:
        return {**asdict(self), "explained": self.explained}


@dataclass(frozen=True)
class Content:
    """What a container should hold now, litres. counted_utc: its last count; None if it was never counted, and then content_l is
    no more than what the books have in and out.

    overdrawn: the books took out more than it can have held; a delivery or a count is missing in them.
    """

    container: str
    fluid: str
    size_l: float | None
    content_l: float
    u95_l: float
    counted_utc: str | None

    @property
    def overdrawn(self) -> bool:
        return self.counted_utc is not None and self.content_l < -self.u95_l

    @property
    def state(self) -> str:
        if self.counted_utc is None:
            return N_("not counted yet")
        return N_("overdrawn") if self.overdrawn else N_("counted")

    def to_dict(self) -> dict[str, Any]:
        """As every list, file and command tells it: what was never counted holds nobody knows what. booked_l: in less out."""
        known = self.counted_utc is not None
        return {
            **asdict(self),
            "content_l": self.content_l if known else None,
            "u95_l": self.u95_l if known else None,
            "state": self.state,
            "booked_l": self.content_l,
        }


@dataclass(frozen=True)
class Moved:
    """An entry of a container. place: its own number in the chain, which alone says what came first: the wall clock may have
    been put back meanwhile. Of one that was dated back, the last number before the time that it states."""

    place: int
    seq: int
    kind: str
    fluid: str
    utc: str
    volume_l: float
    u95_l: float


def moved(ledger: Ledger, container: str) -> list[Moved]:
    """A container's entries in the order in which they count."""
    found = []
    for seq, kind, fluid, utc, entered_utc, volume_l, u95_l in ledger.db.execute(
        """select m.seq, m.kind, m.fluid, m.utc, e.utc, m.volume_l, m.u95_l from movement m join event e on e.seq = m.seq
           where m.container = ?""",
        [container],
    ):
        place = seq if utc == entered_utc else _newest_at(ledger, utc, seq - 1)
        found.append(Moved(place, seq, kind, fluid, utc, volume_l, u95_l))
    return sorted(found, key=lambda one: (one.place, one.seq))


def _newest_at(ledger: Ledger, utc: str, last: int) -> int:
    """The number of the newest entry at a time, among those up to one number; 0 where there was none yet. Found by halves, as
    the wall clock runs on through the chain: where it was put back meanwhile, one of those that fit."""
    low, high = 0, last
    while low < high:
        middle = (low + high + 1) // 2
        row = ledger.db.execute("select utc from event where seq = ?", [middle]).fetchone()
        low, high = (middle, high) if row[0] <= utc else (low, middle - 1)
    return low


Taken = Callable[[str, int | None, int], tuple[float, float]]
"""(container, behind which place in the record, up to which) → (what jobs that were opened between took out of it, its U95),
litres. None: from the beginning."""


def stock_takes(ledger: Ledger, since: str, until: str) -> list[Stock]:
    """Every container counted within the period, against its last count before it or its first within it."""
    return first_to_last(_containers(ledger, until), since, until, _taken(ledger))


def between_counts(ledger: Ledger, since: str, until: str) -> list[Stock]:
    """The same, count by count: what each count within the period says of the time since the one before it."""
    return count_by_count(_containers(ledger, until), since, until, _taken(ledger))


def _containers(ledger: Ledger, until: str) -> Iterator[tuple[str, list[Moved]]]:
    """Each container that was counted before a time, and its entries."""
    containers = ledger.db.execute(
        "select distinct container from movement where kind = 'counted' and utc < ? order by 1", [until]
    ).fetchall()
    return ((container, moved(ledger, container)) for (container,) in containers)


def first_to_last(
    containers: Iterable[tuple[str, list[Moved]]], since: str, until: str, taken: Taken
) -> list[Stock]:
    """What ``stock_takes`` says, of containers with their entries in the order in which they count."""
    return [
        _take(container, entries, counts[0], counts[-1], taken)
        for container, entries in containers
        if len(counts := _counts(entries, since, until)) > 1
    ]


def count_by_count(
    containers: Iterable[tuple[str, list[Moved]]], since: str, until: str, taken: Taken
) -> list[Stock]:
    """What ``between_counts`` says, of the same."""
    return [
        _take(container, entries, first, last, taken)
        for container, entries in containers
        for first, last in pairwise(_counts(entries, since, until))
    ]


def _counts(entries: list[Moved], since: str, until: str) -> list[int]:
    """Which of a container's entries are the period's counts, led by the last count before it."""
    counts = [i for i, one in enumerate(entries) if one.kind == "counted" and one.utc < until]
    before = [i for i in counts if entries[i].utc < since]
    return [*before[-1:], *(i for i in counts if entries[i].utc >= since)]


def _take(container: str, entries: list[Moved], first: int, last: int, taken: Taken) -> Stock:
    opening, closing = entries[first], entries[last]
    received_l, u2_received, booked_l, u2_booked = _between(container, entries, first, last, taken)
    out_l = opening.volume_l + received_l - closing.volume_l
    u95_l = math.sqrt(opening.u95_l**2 + closing.u95_l**2 + u2_received + u2_booked)
    return Stock(
        container,
        closing.fluid,
        opening.utc,
        closing.utc,
        opening.volume_l,
        closing.volume_l,
        received_l,
        out_l,
        booked_l,
        out_l - booked_l,
        u95_l,
    )


def _between(
    container: str, entries: list[Moved], after: int | None, until: int | None, taken: Taken
) -> tuple[float, float, float, float]:
    """(received, its U95², booked out, its U95²) of a container behind one of its entries and up to another, litres."""
    received_l = u2_received = booked_l = u2_booked = 0.0
    for one in entries[0 if after is None else after + 1 : until]:
        if one.kind == "received":
            received_l, u2_received = received_l + one.volume_l, u2_received + one.u95_l**2
        elif one.kind in (*OUT, SHIFTED):
            booked_l, u2_booked = booked_l + one.volume_l, u2_booked + one.u95_l**2
    metered_l, u95_l = taken(
        container,
        None if after is None else entries[after].place,
        LAST if until is None else entries[until].place,
    )
    return received_l, u2_received, booked_l + metered_l, u2_booked + u95_l**2


def _taken(ledger: Ledger) -> Taken:
    def taken(container: str, after: int | None, until: int) -> tuple[float, float]:
        newest = ledger.first_job_opened_after(until) - 1
        oldest = ledger.first_job_opened_after(after) if after is not None else 0
        # A unary plus keeps the rows' own order: there are few since a count, and the container's index has all of them.
        name = "+container" if after is not None else "container"
        metered_l, u95_l = ledger.db.execute(
            f"select total(metered_l), total(filled_u95_l) from job where {name} = ? and rowid between ? and ?",
            [container, oldest, newest],
        ).fetchone()
        # Fills of one meter are wrong in the same direction: their U95 add up straight.
        return metered_l, u95_l

    return taken


def contents(ledger: Ledger, catalogue: Catalogue, country: str | None = None) -> list[Content]:
    """What every container in use should hold now."""
    found = []
    for entry in catalogue.active("container"):
        held = entry.typed(ContainerRow)
        entries = moved(ledger, held.container)
        last = next((i for i in range(len(entries) - 1, -1, -1) if entries[i].kind == "counted"), None)
        received_l, u2_received, booked_l, u2_booked = _between(
            held.container, entries, last, None, _taken(ledger)
        )
        counted = None if last is None else entries[last]
        size_l = parse_volume_l(held.size, country)
        begun_l, u95_l = (0.0, 0.0) if counted is None else (counted.volume_l, counted.u95_l)
        found.append(
            Content(
                held.container,
                held.fluid,
                size_l,
                begun_l + received_l - booked_l,
                math.sqrt(u95_l**2 + u2_received + u2_booked),
                None if counted is None else counted.utc,
            )
        )
    return found


@dataclass(frozen=True)
class Enough:
    """Whether the containers of a fluid hold what a job needs. bring_l: what to fetch beside; 0 if it is enough.

    held: how many containers of it there are. counted: whether each was counted once and none is overdrawn; else their
    content is not known, and enough says only what the books have.
    """

    fluid: str
    held: int
    needed_l: float
    content_l: float
    u95_l: float
    bring_l: float
    enough: bool
    counted: bool

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def stock_check(held: list[Content], fluid: str, needed_l: float) -> Enough:
    """Compare what a job needs with what stands there, its doubt counted against it. needed_l: target and spare."""
    mine = [content for content in held if content.fluid == fluid]
    content_l = sum(content.content_l for content in mine)
    u95_l = math.sqrt(sum(content.u95_l**2 for content in mine))
    short_l = max(0.0, needed_l - content_l + u95_l)
    counted = bool(mine) and all(
        content.counted_utc is not None and not content.overdrawn for content in mine
    )
    return Enough(fluid, len(mine), needed_l, content_l, u95_l, short_l, short_l == 0.0, counted)
