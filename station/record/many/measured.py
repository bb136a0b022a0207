"""What a meter's fills came to over many bays, and what was said of jobs: the rows behind charts and sentences.

A fill's tolerance stands in the row that its bay wrote beside the result; it is read from there where it is needed.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from station.record.many.ingest import Db
from station.record.many.queries import CHART_MONTHS, OF_SHOPS, JobLine, Scope, ask, later
from station.record.rows import CONTRADICTED, STRAY_REL

_OF = f"{OF_SHOPS} and month >= %(begin)s and month < %(until)s"
_OF_METER = "(%(meter)s = '' or meter = %(meter)s)"
_TOLERANCES = """cross join lateral (select case when %(tolerances)s or {} then (select nullif(e.body, '')::jsonb -> 'row' from event e
            where e.shop = j.shop and e.bay = j.bay and e.seq = j.seq) end as row offset 0) as told
    cross join lateral (select (told.row ->> 'tolerance_minus_l')::float8 as tolerance_minus_l,
        (told.row ->> 'tolerance_plus_l')::float8 as tolerance_plus_l) as t"""
# A copy of a record may be without its texts, and then has no tolerances.
_NO_TOLERANCE = CONTRADICTED.replace("tolerance_minus_l", "0").replace("tolerance_plus_l", "0")
"""Of fills that are not even contradicted without one, no entry is looked up."""
_TELLS = """100.0 * t.tolerance_minus_l / j.expected_fill_l as minus_percent,
    100.0 * t.tolerance_plus_l / j.expected_fill_l as plus_percent"""
_READ = "shop, bay, seq, meter, job_id, opened_utc, expected_fill_l"
"""Of a job, all that is read of it stands in the index by which a shop's newest are found, and nothing is read of its row."""
_NEWEST = "row_number() over (partition by shop, meter order by opened_utc desc, seq desc) as nth"
STATEMENTS: Final = {
    "by level": f"""select j.shop, j.bay, j.meter, j.job_id, j.opened_utc, j.deviation_percent, {_TELLS},
            {CONTRADICTED} as contradicted
        from (select {_READ}, expected_fill_u95_l, drained_l, filled_l, deviation_percent, {_NEWEST} from job
            where {_OF} and proved and deviation_percent is not null and meter <> '' and {_OF_METER}
        ) as j {_TOLERANCES.format(_NO_TOLERANCE)} where nth <= %(most)s order by j.shop, j.meter, j.opened_utc, j.seq""",
    "by next drain": f"""select j.shop, j.bay, j.meter, j.job_id, j.opened_utc, j.deviation_percent, {_TELLS},
            false as contradicted
        from (select *, 100.0 * off as deviation_percent, {_NEWEST} from (
            select {_READ}, stage = 'closed' and filled_l > 0
                    and lead(case when stage = 'closed' and drained_l > 0 then method end) over again = method as tells,
                filled_l / lead(nullif(drained_l, 0)) over again - 1.0 as off
            from job where {_OF} and vehicle is not null and compartment is not null
            window again as (partition by shop, bay, vehicle, compartment order by seq)
            ) as every where tells and abs(off) < {STRAY_REL} and meter <> '' and {_OF_METER}
        ) as j {_TOLERANCES.format('false')} where nth <= %(most)s order by j.shop, j.meter, j.opened_utc, j.seq""",
    "closed by month": f"""select shop, name as meter, month, jobs, measured from tally_month
        where {_OF} and dimension = 'meter' and (%(meter)s = '' or name = %(meter)s) order by month desc""",
    "said": """select e.shop, e.bay, e.job_id, e.kind, e.body from event e
        join unnest(%(of_shop)s::text[], %(of_bay)s::text[], %(of_job)s::text[]) as w (shop, bay, job_id)
            on e.shop = w.shop and e.bay = w.bay and e.job_id = w.job_id
        where e.kind in ('result', 'note', 'abandoned') order by e.shop, e.bay, e.job_id, e.seq""",
}  # fmt: skip


@dataclass(frozen=True)
class Point:
    """A value of a meter's control chart, percent, with its fill's tolerance below and above. contradicted: what was listed of its
    compartment, so that it says nothing of the meter."""

    shop: str
    bay: str
    meter: str
    job_id: str
    opened_utc: str
    deviation_percent: float
    minus_percent: float | None
    plus_percent: float | None
    contradicted: bool


@dataclass(frozen=True)
class Closed:
    """A meter's closed jobs of a month. measured: fills that something else than the meter bore out."""

    shop: str
    meter: str
    month: date
    jobs: int
    measured: int

    def of(self, way: str) -> int:
        """How many values the month can have at most; by level, just as many."""
        return self.measured if way == "by level" else self.jobs


@dataclass(frozen=True)
class Said:
    """An entry that tells how a job ended. body: the text that was hashed."""

    shop: str
    bay: str
    job_id: str
    kind: str
    body: str


def points(db: Db, scope: Scope, way: str, most: int, meter: str = "") -> list[Point]:
    """Each meter's newest values up to the scope's end, oldest first. way: "by level" or "by next drain". meter: one alone, and then
    each value with its tolerance.

    The newest months are read, as many as it takes until each meter has its values or has no older jobs. A fill's next drain is
    the next in the record among the jobs of those months.
    """
    begin = later(scope.until, -CHART_MONTHS)
    values = {**scope.values(), "begin": begin, "meter": meter, "most": most, "tolerances": bool(meter)}
    closed = ask(db, STATEMENTS["closed by month"], Closed, **values)
    jobs_for = most if way == "by level" else most + most // 2
    while closed:
        values["begin"] = _since(closed, way, jobs_for)
        found = ask(db, STATEMENTS[way], Point, **values)
        have = Counter((one.shop, one.meter) for one in found)
        more = any(
            one.month < values["begin"] and have[one.shop, one.meter] < most and one.of(way) for one in closed
        )
        if not more:
            return found
        jobs_for *= 2
    return []


def _since(closed: Sequence[Closed], way: str, jobs: int) -> date:
    """The month from which on each meter has so many, or all that there are. closed: newest first."""
    have: Counter[tuple[str, str]] = Counter()
    since = closed[0].month
    for one in closed:
        if one.of(way) and have[one.shop, one.meter] < jobs:
            have[one.shop, one.meter] += one.of(way)
            since = one.month
    return since


def said(db: Db, jobs: Sequence[JobLine]) -> Iterable[Said]:
    """How each job ended, its entries one behind the other."""
    of: dict[str, Any] = {
        name: [getattr(job, key) for job in jobs]
        for name, key in (("of_shop", "shop"), ("of_bay", "bay"), ("of_job", "job_id"))
    }
    return ask(db, STATEMENTS["said"], Said, **of)
