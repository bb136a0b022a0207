"""What stands in each container: by the last count, by the books since, and what a new count says of them."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from station.common.units import parse_volume_l
from station.shop.catalogue import Catalogue
from station.shop.rows import ContainerRow

COLUMNS = "container fluid size_l content_l u95_l counted_utc overdrawn".split()
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
    """What a container should hold now, litres. counted_utc: its last count; None if it was never counted.

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

    def to_dict(self) -> dict[str, Any]:
        return {**asdict(self), "overdrawn": self.overdrawn}


def stock_takes(ledger: Any, since: str, until: str) -> list[Stock]:
    """Every container counted within the period, against its last count before it or its first within it."""
    counts: dict[str, list[Mapping[str, Any]]] = {}
    for row in ledger.db.query(
        """select seq, container, fluid, utc, volume_l, u95_l from movement
           where kind = 'counted' and utc < ? order by seq""",
        [until],
    ):
        earlier = counts.setdefault(row["container"], [])
        if len(earlier) == 1 and row["utc"] < since:
            earlier.clear()  # an older count than the last one before the period
        earlier.append(row)
    found = []
    for container, rows in sorted(counts.items()):
        opening, closing = rows[0], rows[-1]
        if closing["utc"] < since or opening is closing:
            continue
        received_l, u2_received, booked_l, u2_booked = _between(
            ledger, container, opening["seq"], closing["seq"]
        )
        out_l = opening["volume_l"] + received_l - closing["volume_l"]
        u95_l = math.sqrt(opening["u95_l"] ** 2 + closing["u95_l"] ** 2 + u2_received + u2_booked)
        found.append(
            Stock(
                container,
                closing["fluid"],
                opening["utc"],
                closing["utc"],
                opening["volume_l"],
                closing["volume_l"],
                received_l,
                out_l,
                booked_l,
                out_l - booked_l,
                u95_l,
            )
        )
    return found


def _between(
    ledger: Any, container: str, after: int, until: int | None = None
) -> tuple[float, float, float, float]:
    """(received, its U95², booked out, its U95²) of a container after one entry and up to another, litres.

    Entries come one after another whatever the wall clock says meanwhile: only their order counts.
    """
    last = LAST if until is None else until
    received_l = u2_received = booked_l = u2_booked = 0.0
    for kind, volume_l, u2 in ledger.db.execute(
        """select kind, total(volume_l), total(u95_l * u95_l) from movement
           where container = ? and seq > ? and seq <= ? and kind in ('received', 'drawn', 'purge', 'waste', 'shifted')
           group by kind""",
        [container, after, last],
    ):
        if kind == "received":
            received_l, u2_received = volume_l, u2
        else:
            booked_l, u2_booked = booked_l + volume_l, u2_booked + u2
    newest = ledger.first_job_opened_after(last) - 1
    oldest = ledger.first_job_opened_after(after) if after else 0
    # A unary plus keeps the rows' own order: there are few since a count, and the container's index has all of them.
    name = "+container" if after else "container"
    metered_l, u95_l = ledger.db.execute(
        f"select total(metered_l), total(filled_u95_l) from job where {name} = ? and rowid between ? and ?",
        [container, oldest, newest],
    ).fetchone()
    # Fills of one meter are wrong in the same direction: their U95 add up straight.
    return received_l, u2_received, booked_l + metered_l, u2_booked + u95_l**2


def contents(ledger: Any, catalogue: Catalogue, country: str | None = None) -> list[Content]:
    """What every container in use should hold now."""
    found = []
    for entry in catalogue.active("container"):
        held = entry.typed(ContainerRow)
        last = ledger.db.execute(
            """select seq, utc, volume_l, u95_l from movement where container = ? and kind = 'counted'
               order by seq desc limit 1""",
            [held.container],
        ).fetchone()
        seq, counted_utc, volume_l, u95_l = last if last is not None else (0, None, 0.0, 0.0)
        received_l, u2_received, booked_l, u2_booked = _between(ledger, held.container, seq)
        size_l = parse_volume_l(held.size, country)
        found.append(
            Content(
                held.container,
                held.fluid,
                size_l,
                volume_l + received_l - booked_l,
                math.sqrt(u95_l**2 + u2_received + u2_booked),
                counted_utc,
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
