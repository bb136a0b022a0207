"""The bays' own questions, asked over many bays: why did a fill not come out full, what do short fills share, which meter drifts?

The rows come out of the roll-up's database; what is made of them is the very code that each bay has for its own record.
"""

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from station.given.report import Report
from station.learning.chance import chance
from station.learning.compared import Columns, called, each, summed
from station.learning.fair import ALPHA, limit_of
from station.learning.quality import CHART_JOBS, NEXT_DRAIN, RECURRING_AT, SubjectChart, chart_of
from station.learning.reason import Reason, of_report
from station.learning.reason import reason as reason_of
from station.learning.reason import said as said_of
from station.record.archive import ended
from station.record.many import measured
from station.record.many.ingest import Db
from station.record.many.queries import JobLine, Scope
from station.record.many.tallies import Counts

OF_A_SHOP = ("bay", "meter", "technician")
"""Dimensions whose names mean something in their shop alone; the others' are the company's."""
WAYS = {NEXT_DRAIN: "by next drain", "meter": "by level"}
"""A meter's charts → where their values come from; what the pan says of a meter goes before what the level says of it."""


@dataclass(frozen=True)
class Shared:
    """What has more short fills than chance would bring. dimension: of ``derive.DIMENSIONS``, or "shop". p: the probability that
    chance brings it so many."""

    dimension: str
    name: str
    jobs: int
    short: int
    p: float


@dataclass(frozen=True)
class Ending:
    """How a job ended. reason: what happened in it, where that is to be said."""

    report: Report
    reason: Reason | None


def ending(entries: Iterable[tuple[str, str]]) -> Ending | None:
    """Of a job, from its entries' kinds and bodies in their order; None of one that has no report, or one that this version cannot
    read."""
    with suppress(ValueError, KeyError):
        found = ended(one for one in entries if one[0] in ("result", "note", "abandoned"))
        if found is not None:
            report, said = found
            return Ending(report, reason_of(of_report(report, said_of(said, report.stage))))
    return None


def reasons(db: Db, jobs: Sequence[JobLine]) -> dict[tuple[str, str, str], Reason]:
    """Shop, bay and number of a job → what happened in it, of those that have such a sentence."""
    found = {}
    for key, entries in groupby(measured.said(db, jobs), key=lambda one: (one.shop, one.bay, one.job_id)):
        told = ending((one.kind, one.body) for one in entries)
        if told is not None and told.reason is not None:
            found[key] = told.reason
    return found


def shared(counts: Sequence[Counts]) -> list[Shared]:
    """What more short fills share than chance would bring to any of those compared, the least likely first."""
    bays = next((one for one in counts if one.dimension == "bay"), None)
    if bays is None:
        return []
    jobs, short, shops = sum(bays.jobs), sum(bays.short), summed(bays.shop, bays)
    many, found = len(shops[0]) > 1, []
    lines: dict[str, Columns[Any]] = {"shop": shops} if many else {}
    for one in counts:
        lines[one.dimension] = each(one) if one.dimension in OF_A_SHOP and many else summed(one.name, one)
    for dimension, (names, of_jobs, of_short) in lines.items():
        every = list(zip(of_jobs, of_short, strict=True))
        pairs = {pair for pair in every if pair[1] >= RECURRING_AT}
        limits = {n: limit_of(jobs, short, n, ALPHA / len(names)) for n, _ in pairs}
        more = {(n, k) for n, k in pairs if (limit := limits[n]) is not None and k >= limit}
        for name, (n, k) in zip(names, every, strict=True) if more else ():
            if (n, k) in more:
                found.append(Shared(dimension, called(name), n, k, chance(jobs, short, n, k)))
    return sorted(found, key=lambda one: one.p)


def meter_charts(db: Db, scope: Scope, meter: str = "") -> dict[tuple[str, str], list[SubjectChart]]:
    """Shop and meter → its charts, as the bay draws them from as many values. meter: one alone, and then with its tolerance. A job
    stands in them as shop, bay and number."""
    found: dict[tuple[str, str], list[SubjectChart]] = {}
    for dimension, way in WAYS.items():
        points = measured.points(db, scope, way, CHART_JOBS, meter)
        for key, of in groupby(points, key=lambda point: (point.shop, point.meter)):
            each = list(of)
            rows = [
                (
                    f"{p.shop}/{p.bay}/{p.job_id}",
                    p.opened_utc,
                    p.deviation_percent,
                    p.minus_percent if meter else None,
                    p.plus_percent if meter else None,
                )
                for p in each
                if not p.contradicted
            ]
            chart = chart_of(dimension, key[1], rows, len(each) - len(rows))
            found.setdefault(key, []).append(chart)
    return found
