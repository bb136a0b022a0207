"""What the ledger knows about a job's surroundings: the compartment's last job, its type, its meter."""

import math
from collections.abc import Mapping
from datetime import UTC, tzinfo
from statistics import fmean, stdev
from typing import Any, NamedTuple

from calibration.budget import NORMAL_95
from station.given.evidence import MeterRecord
from station.given.report import DRAIN_CUT_SHORT, Report
from station.learning.condition import of_job
from station.learning.expected import Expected, expected_fill
from station.learning.why import Facts, Previous
from station.record.ledger import JobRow, type_of
from station.record.rows import CONTRADICTED, PROVED, STRAY_REL

METER_JOBS = 30
_END = "9999"
_BEHIND_ALL = 2**62


class NextDrain(NamedTuple):
    """A fill that has drained again. off_rel: filled over drained, less one. minus_rel, plus_rel: its tolerance over its expected
    fill; None where an older record has none."""

    job_id: str
    utc: str
    off_rel: float
    minus_rel: float | None = None
    plus_rel: float | None = None


def _place(ledger: Any, job_id: str | None) -> int:
    """Where a job stands among those that have ended, in the order of the record, which no jump of the wall clock moves;
    behind them all for one that is open, and for none."""
    row = ledger.db.execute("select rowid from job where job_id = ?", [job_id]).fetchone()
    return _BEHIND_ALL if row is None else int(row[0])


def compartment_jobs(
    ledger: Any, vehicle: str, compartment: str, before: str | None = None, limit: int = 50
) -> list[JobRow]:
    """A compartment's closed jobs, newest first; those that the record has before one job, where it is named."""
    rows = ledger.db.query(
        """select * from job where vehicle = ? and compartment = ? and rowid < ? and stage = 'closed'
           order by rowid desc limit ?""",
        [vehicle, compartment, _place(ledger, before), limit],
    )
    return [JobRow.of(row) for row in rows]


def newest_job(ledger: Any, vehicle: str, compartment: str) -> str | None:
    """The id of a compartment's newest job that has ended, closed or given up."""
    row = ledger.db.execute(
        "select job_id from job where vehicle = ? and compartment = ? order by rowid desc limit 1",
        [vehicle, compartment],
    ).fetchone()
    return None if row is None else str(row[0])


def newest_reading_km(ledger: Any, vehicle: str, until: str | None = None) -> float | None:
    """The largest distance that a vehicle's jobs noted, given-up ones among them; by one job's end, where that is named."""
    sql = "select max(distance_km) from job where vehicle = ? and rowid <= ?"
    found = ledger.db.execute(sql, [vehicle, _place(ledger, until)]).fetchone()[0]
    return None if found is None else float(found)


def last_service_utc(ledger: Any, vehicle: str, compartment: str) -> str | None:
    """When a compartment's newest closed job was opened."""
    jobs = compartment_jobs(ledger, vehicle, compartment, limit=1)
    return jobs[0].opened_utc if jobs else None


def previous_job(
    ledger: Any, vehicle: str, compartment: str, before: str | None = None, distance_km: float | None = None
) -> Previous | None:
    """The compartment's last closed job. distance_km: the vehicle's distance now."""
    jobs = compartment_jobs(ledger, vehicle, compartment, before, 1)
    job = jobs[0] if jobs else None
    if job is None or job.expected_fill_l is None:
        return None
    driven = None if distance_km is None or job.distance_km is None else distance_km - job.distance_km
    return Previous(
        job.opened_utc,
        job.verdict,
        job.filled_l,
        (job.filled_u95_l or 0.0) / NORMAL_95,
        job.expected_fill_l,
        driven if driven is not None and driven >= 0 else None,
    )


U_NEXT_REL = 0.011
"""Standard uncertainty that all next drains share, relative, and no number of them averages out: 0.5 % for the density of oils
that were in use, 1 % for what a fleet's compartments seep (common practice, no source)."""


def next_drains(
    ledger: Any, meter: str, before: str | None = None, limit: int = METER_JOBS, until_utc: str = _END
) -> list[NextDrain]:
    """A meter's newest fills that have drained again, before a job and by a time, oldest first: what was filled over what
    came out.

    The pump does not control what the next job drains, and the pan weighs it: what stays behind stays behind both times.
    """
    rows = ledger.db.execute(
        f"""select f.job_id, f.opened_utc, f.filled_l / n.drained_l - 1.0 as off,
            f.tolerance_minus_l / f.expected_fill_l, f.tolerance_plus_l / f.expected_fill_l from job f join job n on n.rowid = (
                select rowid from job where vehicle = f.vehicle and compartment = f.compartment
                and rowid > f.rowid order by rowid limit 1)
            where f.meter = ? and f.stage = 'closed' and f.filled_l > 0 and f.opened_utc < ? and n.rowid < ?
            and n.opened_utc < ?
            and n.stage = 'closed'
            and n.method = f.method and n.drained_l > 0 and abs(off) < {STRAY_REL}
            order by f.rowid desc limit ?""",
        [meter, until_utc, _place(ledger, before), until_utc, limit],
    ).fetchall()
    return [NextDrain(*row) for row in reversed(rows)]


def meter_record(ledger: Any, meter: str, proved: bool, before: str | None = None) -> MeterRecord:
    """What the newest fills through a meter say of it. proved: whether its proving is in date.

    Only fills count that something else bore out, the level at the lip or what the next job drained: the pump stops at
    the metered target, so that any other would agree.
    """
    rows = ledger.db.execute(
        f"""select job_id, {PROVED} and not {CONTRADICTED}, filled_l / expected_fill_l - 1.0 from job where meter = ? and rowid < ?
            and stage = 'closed' and filled_l is not null and expected_fill_l > 0 order by rowid desc limit ?""",
        [meter, _place(ledger, before), METER_JOBS],
    ).fetchall()
    drained = {drain.job_id: drain.off_rel for drain in next_drains(ledger, meter, before)}
    offsets: dict[int, float] = {}
    for k, (job_id, seen, off) in enumerate(rows):
        told = [off] if seen and abs(off) < STRAY_REL else []
        told += [drained[job_id]] if job_id in drained else []
        if told:
            offsets[k] = fmean(told)
    if not offsets:
        return MeterRecord(proved=proved)
    n = len(offsets)
    scatter = stdev(offsets.values()) / math.sqrt(n) if n > 1 else 0.0
    by_drain = sum(rows[k][0] in drained for k in offsets) / n
    return MeterRecord(
        n, fmean(offsets.values()), math.hypot(scatter, U_NEXT_REL * by_drain), min(offsets), proved
    )


def facts(
    ledger: Any,
    report: Report,
    capacity_text: str,
    method: str,
    labels: Mapping[str, str],
    *,
    job_id: str | None = None,
    country: str | None = None,
    interval_km: float | None = None,
    meter_due: str = "",
    distance_km: float | None = None,
    zone: tzinfo = UTC,
) -> Facts:
    """What ``station.learning.why.causes`` needs, from a job's report (``station.figures.balance.report``) and the ledger.

    labels: the job's, as ``station.record.ledger.job_row`` takes them. interval_km: the compartment's service interval.
    distance_km: what the vehicle had run. meter_due: which certificate had run out.
    """
    vehicle, compartment = labels.get("vehicle", ""), labels.get("compartment", "")
    shop: Expected = expected_fill(
        ledger,
        type_of(vehicle, compartment, labels.get("compartment_type", "")),
        report.listed_capacity_l,
        method,
    )
    noted = None if job_id is None else of_job(ledger, job_id).condition
    meter = meter_record(ledger, labels.get("meter", ""), not meter_due, job_id)

    kinds = frozenset(notice.kind for notice in report.notices)
    at_lip = any(
        run.why == "lip step" for run in report.pump_runs
    )  # a proof at the lip goes beyond it as well
    beyond = [run for run in report.pump_runs if not at_lip and run.target_l > report.pump_runs[0].target_l]

    def u(u95_l: float | None) -> float:
        return (u95_l or 0.0) / NORMAL_95

    return Facts(
        capacity_text=capacity_text,
        listed_l=report.listed_capacity_l,
        expected_l=report.expected_fill_l,
        u_expected_l=u(report.expected_fill_u95_l),
        tolerance_minus_l=report.tolerance_minus_l,
        tolerance_plus_l=report.tolerance_plus_l,
        country=country,
        zone=zone,
        drained_l=None if DRAIN_CUT_SHORT in kinds else report.drained_l,
        u_drained_l=u(report.drained_u95_l),
        still_to_come_l=max(0.0, report.still_to_come_l or 0.0),
        metered_l=report.metered_l,
        overflow_l=report.overflow_l,
        u_overflow_l=u(report.overflow_u95_l),
        filled_l=report.filled_l,
        u_filled_l=u(report.filled_u95_l),
        level_seen=report.level_seen,
        stands_level=report.stands_level,
        notice_kinds=kinds,
        top_ups=len(beyond),
        topped_l=max(0.0, beyond[-1].final_l - report.pump_runs[0].target_l) if beyond else 0.0,
        shop=shop,
        previous=previous_job(ledger, vehicle, compartment, job_id, distance_km),
        condition=noted,
        interval_km=interval_km,
        meter=meter,
        meter_due=meter_due,
    )
