"""Which fills came up short, which need another look, and is anything drifting?

Charts show two ratios that the pump does not control, in percent: one measure for every compartment. Filled over expected
at fills whose level was proved, and what a meter filled over what the next job drained again. They name subjects so that
somebody goes and looks; they say how many jobs stand behind them, and nothing about fault.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, tzinfo
from typing import Any

from calibration.certificates import KINDS, Certificate
from station.common import days
from station.common.tabular import holds
from station.common.words import _
from station.errors import InputError
from station.learning.chance import chance
from station.learning.charts import RULES, Chart, changed_at, from_baseline
from station.learning.fills import FILL_COLUMNS, OF_JOB, Fill
from station.learning.history import next_drains
from station.learning.reason import of_jobs
from station.record import archive
from station.record.rows import CONTRADICTED, PROVED

DIMENSIONS = {
    "bay": "bay",
    "meter": "meter",
    "technician": "technician",
    "compartment type": "compartment_type",
}
NEXT_DRAIN = "meter against the next drain"
CHARTED = (*DIMENSIONS, NEXT_DRAIN)
CHART_JOBS = 200
CHART_SUBJECTS = 12
"""So many of each dimension are charted on the page, those with the most jobs; any other is charted when asked for."""
LISTED, MOST = 50, 10_000
"""So many short, over and undecided fills of each go with the quality page and its JSON, and into a file."""
RECENT = 30
"""A signal this many values back or less is worth a look now."""
RECURRING_AT = 3
_MEASURED = "stage = 'closed' and filled_l is not null and expected_fill_l > 0"
CHART_COLUMNS = "job_id utc deviation_percent moving_range ewma signals".split()
TABLES = ("fills", "subjects", "calibration")
"""What goes out as CSV."""

RANKED = {
    verdict: f"""select {", ".join(OF_JOB)}, filled_l - expected_fill_l as deviation_l,
            100.0 * (filled_l / expected_fill_l - 1.0) as deviation_percent from job
        where verdict = '{verdict}' and opened_utc >= ? and opened_utc < ? and {_MEASURED}
        order by deviation_percent {order} limit ?"""
    for verdict, order in (("short", "asc"), ("over", "desc"))
}
UNDECIDED = f"""select {", ".join(OF_JOB)}, filled_l - expected_fill_l as deviation_l,
        100.0 * (filled_l / expected_fill_l - 1.0) as deviation_percent, listed_capacity_l,
        tolerance_minus_l, tolerance_plus_l, level_seen, drained_l from job
    where verdict = 'undecided' and opened_utc >= ? and opened_utc < ? and {_MEASURED}
    order by rowid desc limit ?"""
LISTS = {**RANKED, "undecided": UNDECIDED}
"""Verdict → its fills: the furthest off first, of undecided ones the newest."""
_NAMES = {**DIMENSIONS, "compartment": "vehicle || ' / ' || compartment"}
COUNTS = {
    name: f"""select {column}, count(*), total(verdict = 'short'), total(verdict = 'over'),
            total(verdict = 'undecided') from job
        where opened_utc >= ? and opened_utc < ? and stage = 'closed' group by 1"""
    for name, column in _NAMES.items()
}
POINTS = {
    name: f"""select job_id, opened_utc, 100.0 * (filled_l / expected_fill_l - 1.0),
        100.0 * tolerance_minus_l / expected_fill_l, 100.0 * tolerance_plus_l / expected_fill_l,
        {CONTRADICTED} from job
        where {column} = ? and opened_utc < ? and {_MEASURED} and {PROVED} order by rowid desc limit {CHART_JOBS}"""
    for name, column in DIMENSIONS.items()
}


@dataclass(frozen=True)
class Subject:
    """How a bay, a meter, a technician, a type or one compartment did in a period.

    p: ``chance.chance`` of so many short fills or more; below three it is not asked and 1. recurring: more than chance would
    bring to any of those compared.
    """

    dimension: str
    name: str
    jobs: int
    short: int
    over: int
    undecided: int
    p: float
    recurring: bool

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


@dataclass(frozen=True)
class SubjectChart:
    """The chart of one subject; job_ids and utcs run beside its values. recent: signals among the newest values.

    tolerance_percent: below and above the expected fill, the narrowest of its jobs'; None where no record says one.
    left_out: so many jobs are no points, since their listing is contradicted.
    """

    dimension: str
    name: str
    chart: Chart
    job_ids: tuple[str, ...]
    utcs: tuple[str, ...]
    tolerance_percent: tuple[float, float] | None = None
    left_out: int = 0

    @property
    def recent(self) -> tuple[str, ...]:
        rules = [s.rule for s in self.chart.signals if s.index >= self.chart.n - RECENT]
        return tuple(rule for rule in RULES if rule in rules)

    @property
    def since(self) -> str | None:
        """When the value was opened from which on the average has stayed off the centre; None where it is within its limits."""
        first = changed_at(self.chart)
        return None if first is None else self.utcs[first]

    def points(self) -> list[dict[str, Any]]:
        """The values, oldest first, with what stands beside each; ``CHART_COLUMNS``."""
        chart = self.chart
        return [
            {
                "job_id": self.job_ids[i],
                "utc": self.utcs[i],
                "deviation_percent": value,
                "moving_range": chart.moving_ranges[i - 1] if chart.enough and i > 0 else None,
                "ewma": chart.ewma[i] if chart.enough else None,
                "signals": "; ".join(s.rule for s in chart.signals if s.index == i),
            }
            for i, value in enumerate(chart.values)
        ]

    def to_dict(self) -> dict[str, Any]:
        ids = {"job_ids": self.job_ids, "utcs": self.utcs}
        return {
            "dimension": self.dimension,
            "name": self.name,
            **ids,
            "tolerance_percent": self.tolerance_percent,
            "recent": self.recent,
            "since": self.since,
            "left_out": self.left_out,
            **self.chart.to_dict(),
        }


@dataclass(frozen=True)
class Quality:
    """The quality page's content. since, until: ISO dates, the second not included; days of time_zone."""

    since: str
    until: str
    time_zone: str
    jobs: int
    short: list[Fill]
    over: list[Fill]
    undecided: list[Fill]
    subjects: list[Subject]
    charts: list[SubjectChart]

    @property
    def recurring(self) -> list[Subject]:
        return [subject for subject in self.subjects if subject.recurring]

    def to_dict(self) -> dict[str, Any]:
        return {
            **{n: getattr(self, n) for n in ("since", "until", "time_zone", "jobs")},
            "short": [fill.to_dict() for fill in self.short],
            "over": [fill.to_dict() for fill in self.over],
            "undecided": [fill.to_dict() for fill in self.undecided],
            "subjects": [subject.to_dict() for subject in self.subjects],
            "charts": [one.to_dict() for one in self.charts],
        }


def quality(ledger: Any, since: str, until: str, zone: tzinfo = UTC, listed: int = LISTED) -> Quality:
    """Everything for a period. since, until: ISO dates of a zone, the second not included. listed: so many short, over and
    undecided fills of each at most. Raises InputError on wrong order."""
    if not since < until:
        text = _("the period runs from {since} to {until}; expected an end after its start.")
        raise InputError(text.format(since=since, until=until))
    period = [days.begins(since, zone), days.begins(until, zone)]
    fills = {
        name: fills_of(ledger, list(ledger.db.query(sql, [*period, listed]))) for name, sql in LISTS.items()
    }
    counts = {name: ledger.db.execute(sql, period).fetchall() for name, sql in COUNTS.items()}
    subjects = subjects_of(counts)
    charts = []
    for dimension in CHARTED:
        names = [s.name for s in subjects if s.dimension == counted_as(dimension)][:CHART_SUBJECTS]
        charts += [subject_chart(ledger, dimension, name, period[1]) for name in names]
    jobs = sum(row[1] for row in counts["bay"])
    zone_name = days.zone_name(zone)
    return Quality(since, until, zone_name, jobs, **fills, subjects=subjects, charts=charts)


def ranked(
    ledger: Any, verdict: str, since: str | None, until: str | None, words: str = ""
) -> list[dict[str, Any]]:
    """Every fill of a verdict in a period, as ``LISTS`` ranks them. since, until: moments. words: each in the vehicle's, the
    compartment's, the technician's or the instrument's name. Raises InputError for another verdict."""
    if verdict not in LISTS:
        text = _("verdict is {verdict!r}; expected one of: {lists}.")
        raise InputError(text.format(verdict=verdict, lists=", ".join(LISTS)))
    rows = ledger.db.query(LISTS[verdict], [since or "", until or "9999", -1])
    named = ("vehicle", "compartment", "technician", "bay", "meter")
    return [row for row in rows if holds(words, *(row[name] for name in named))]


def fills_of(ledger: Any, rows: Sequence[Mapping[str, Any]]) -> list[Fill]:
    """Rows with what each job's record gives as its reason."""
    reasons = of_jobs(ledger, [row["job_id"] for row in rows])
    return [Fill.of(row, reasons.get(row["job_id"])) for row in rows]


def counted_as(dimension: str) -> str:
    """The dimension whose tally stands beside a chart."""
    return "meter" if dimension == NEXT_DRAIN else dimension


def subject_chart(ledger: Any, dimension: str, name: str, until: str = "9999") -> SubjectChart:
    """The newest values of one subject, opened before the moment ``until``. Raises InputError for an unknown dimension."""
    if dimension not in CHARTED:
        text = _("there are no charts per {dimension!r}; expected one of: {charted}.")
        raise InputError(text.format(dimension=dimension, charted=", ".join(CHARTED)))
    if dimension == NEXT_DRAIN:
        rows = [
            (drain.job_id, drain.utc, *(None if one is None else 100.0 * one for one in drain[2:]))
            for drain in next_drains(ledger, name, limit=CHART_JOBS, until_utc=until)
        ]
        left_out = 0
    else:
        found = ledger.db.execute(POINTS[dimension], [name, until]).fetchall()[::-1]
        rows = [row[:-1] for row in found if not row[-1]]
        left_out = len(found) - len(rows)
    return chart_of(dimension, name, rows, left_out)


def chart_of(dimension: str, name: str, rows: Sequence[Sequence[Any]], left_out: int) -> SubjectChart:
    """rows: job, when it was opened, value, and tolerance below and above, percent; oldest first."""
    job_ids, utcs, values, minus, plus = zip(*rows, strict=True) if rows else ((), (), (), (), ())
    below, above = ([one for one in side if one is not None] for side in (minus, plus))
    tolerance = (min(below), min(above)) if below and above else None
    return SubjectChart(dimension, name, from_baseline(values), job_ids, utcs, tolerance, left_out)


def subjects_of(counts: Mapping[str, Sequence[Sequence[Any]]]) -> list[Subject]:
    """Every subject with its tally, most jobs first within a dimension. counts: of each dimension name, jobs, short, over and
    undecided ones; of jobs without a name the name None."""
    found = []
    for dimension, rows in counts.items():
        jobs, short = sum(row[1] for row in rows), sum(row[2] for row in rows)
        named = [row for row in rows if row[0] is not None]
        mine = []
        for name, n, s, over, undecided in named:
            p = chance(jobs, int(short), n, int(s)) if s >= RECURRING_AT else 1.0
            recurring = p * len(named) < 0.05
            mine.append(Subject(dimension, name, n, int(s), int(over), int(undecided), p, recurring))
        found += sorted(mine, key=lambda x: (-x.jobs, x.name))
    return found


@dataclass(frozen=True)
class Due:
    """An instrument's calibration. state: "overdue", "due soon", "none" (no certificate) or "ok". certificate: the number
    of the one that counts; None without one."""

    kind: str
    instrument: str
    certificate: str | None
    valid_until: str | None
    days_left: int | None
    state: str

    def to_dict(self) -> dict[str, Any]:
        return vars(self).copy()


def calibration_due(
    instruments: Iterable[tuple[str, str]], certificates: Sequence[Certificate], today: str
) -> list[Due]:
    """What is due, most urgent first. instruments: (kind, name). today: an ISO date of the shop.

    Of an instrument's certificates the newest one counts that no other replaces: a line that was measured again is not
    held to be good because an older one would still run.
    """
    replaced = {certificate.replaces for certificate in certificates}
    newest: dict[tuple[str, str], Certificate] = {}
    for certificate in certificates:
        key = (certificate.kind, certificate.instrument)
        if certificate.number not in replaced and (
            key not in newest or _made(certificate) >= _made(newest[key])
        ):
            newest[key] = certificate
    found = []
    for kind, name in instruments:
        held = newest.get((kind, name))
        if held is None:
            found.append(Due(kind, name, None, None, None, "none"))
            continue
        left = (date.fromisoformat(held.valid_until) - date.fromisoformat(today)).days
        state = "overdue" if left < 0 else "due soon" if left <= days.WARN_DAYS else "ok"
        found.append(Due(kind, name, held.number, held.valid_until, left, state))
    return sorted(found, key=lambda d: -math.inf if d.days_left is None else d.days_left)


def _made(certificate: Certificate) -> datetime:
    return datetime.fromisoformat(certificate.made_at)


def bay_due(ledger: Any, bay: str, today: date, two_pans: bool = False) -> list[Due]:
    """What is due of one bay's pan, or two pans, and meter, by the certificates in its record."""
    fitted = [(kind, f"{bay} {kind}") for kind in KINDS if two_pans or kind != "pan_b"]
    return calibration_due(fitted, archive.certificates(ledger), f"{today}")


def fill_table(fills: Sequence[Fill], zone: tzinfo) -> tuple[list[str], list[dict[str, Any]]]:
    """(columns, rows) of fills, each with the day of the zone that it was opened on."""
    named = days.zone_name(zone)
    rows = [
        {**fill.to_dict(), "day": days.day_of(fill.opened_utc, zone), "time_zone": named} for fill in fills
    ]
    return [*FILL_COLUMNS, "day", "time_zone", "reason"], rows


def table(
    content: Quality, due: Sequence[Due], which: str, zone: tzinfo = UTC
) -> tuple[list[str], list[dict[str, Any]]]:
    """(columns, rows) of one of ``TABLES``: short, over and undecided fills, each with the day it was opened on; every
    subject with its tally; what is due. Raises InputError for another."""
    if which == "fills":
        return fill_table((*content.short, *content.over, *content.undecided), zone)
    if which == "subjects":
        return [f.name for f in fields(Subject)], [subject.to_dict() for subject in content.subjects]
    if which == "calibration":
        return [f.name for f in fields(Due)], [one.to_dict() for one in due]
    text = _("there is no list of {which!r}; expected one of: {tables}.")
    raise InputError(text.format(which=which, tables=", ".join(TABLES)))
