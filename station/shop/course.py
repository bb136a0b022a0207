"""How full a container was over time: every delivery, job, count and entry of it, with the level that they left."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import UTC, tzinfo
from typing import Any

from station.common import days
from station.record.ledger import Ledger
from station.shop import audit
from station.shop.catalogue import Catalogue
from station.shop.missing import MissingTake, booked_nowhere, priced
from station.shop.movement import OUT, SHIFTED
from station.shop.prices import Prices
from station.shop.stock import between_counts, moved, stock_takes


@dataclass(frozen=True)
class Level:
    """what: "job" or the kind of an entry; "begin" where the period begins. change_l: what it did to the level; of a count how
    far it lies from what the books had. level_l: from then on. u95_l: of a count."""

    container: str
    utc: str
    what: str
    change_l: float
    level_l: float
    u95_l: float | None


COLUMNS = [one.name for one in fields(Level)]


def levels(ledger: Ledger, container: str, since: str, until: str) -> list[Level]:
    """The course of a period, from its beginning or from the first count within it. Empty for a container that was never
    counted by its end: what stood in it nobody knows. since, until: moments."""
    entries = moved(ledger, container)
    counts = [i for i, one in enumerate(entries) if one.kind == "counted" and one.utc < until]
    if not counts:
        return []
    first = next((i for i in reversed(counts) if entries[i].utc < since), counts[0])
    opening = entries[first]
    steps = [(one.utc, one.kind, one.volume_l, one.u95_l) for one in entries[first + 1 :] if one.utc < until]
    steps += [
        (utc, "job", metered_l, 0.0)
        for utc, metered_l in ledger.db.execute(
            """select opened_utc, metered_l from job where container = ? and opened_utc < ? and rowid >= ?
               and metered_l is not null""",
            [container, until, ledger.first_job_opened_after(opening.place)],
        )
    ]
    level_l, begun = opening.volume_l, opening.utc >= since
    found = [_count(container, opening.utc, 0.0, level_l, opening.u95_l)] if begun else []
    for utc, what, volume_l, u95_l in sorted(steps):
        if not begun and utc >= since:
            begun = True
            found.append(Level(container, since, "begin", 0.0, level_l, None))
        change_l = _change_l(what, volume_l, level_l)
        level_l += change_l
        if not begun:
            continue
        if what == "counted":
            found.append(_count(container, utc, change_l, level_l, u95_l))
        elif change_l != 0.0:
            found.append(Level(container, utc, what, change_l, level_l, None))
    return found or [Level(container, since, "begin", 0.0, level_l, None)]


def _count(container: str, utc: str, change_l: float, level_l: float, u95_l: float) -> Level:
    return Level(container, utc, "counted", change_l, level_l, u95_l)


def _change_l(what: str, volume_l: float, level_l: float) -> float:
    if what == "counted":
        return volume_l - level_l
    if what == "received":
        return volume_l
    return -volume_l if what in ("job", *OUT, SHIFTED) else 0.0


def rows(found: list[Level]) -> list[dict[str, Any]]:
    return [asdict(one) for one in found]


def missing_by_month(ledger: Any, months: Sequence[str], zone: tzinfo) -> list[float]:
    """Litres that are missing in each month, such as "2026-03", by the rule that the month's own page goes by."""
    spans = [[days.begins(day, zone) for day in audit.month(month)] for month in months]
    return [sum(one.rest_l for one in booked_nowhere(stock_takes(ledger, *span))) for span in spans]


def counted(
    ledger: Any,
    since: str,
    until: str,
    catalogue: Catalogue | None = None,
    country: str | None = None,
    zone: tzinfo = UTC,
) -> list[MissingTake]:
    """What each count of a period says of the time since the one before it, priced. since, until: ISO dates."""
    begun, ended = days.begins(since, zone), days.begins(until, zone)
    return priced(between_counts(ledger, begun, ended), Prices(catalogue, country, begun, ended, zone).at)
