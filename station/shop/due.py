"""When is the next change due? By distance and by months, whichever comes first; a new unit's first one early."""

import calendar
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, timedelta, tzinfo
from typing import Any

from station.common import days
from station.common.digits import number
from station.common.distance import KM_PER_MILE, format_distance
from station.common.sentences import listed
from station.common.words import N_, _
from station.learning import reason
from station.learning.history import compartment_jobs, newest_job, newest_reading_km
from station.record.archive import JobRecord
from station.record.ledger import JobRow
from station.shop.catalogue import Catalogue, Entry
from station.shop.rows import CompartmentRow, VehicleRow

COLUMNS = "vehicle compartment state due_date due_km now_km last_utc low_visits visits text time_zone".split()
BREAK_IN_KM = (15_000 * KM_PER_MILE, 20_000 * KM_PER_MILE)
BREAK_IN_WORDS = N_(
    "First change after break-in, 15,000 to 20,000 miles: new gears shed fine metal early (common practice, no source; the service manual has the last word)."
)
SHORT, LEAKS, LOW = N_("short fill"), "leaks", "came in low"
LEFT_SHORT = frozenset({"wrong_grade", "not_filled", "short"})
"""Kinds of ``station.learning.reason`` after which no vehicle should run on."""
LOW_AT, LOW_OF = 2, 6
"""Of so many visits so many come in low before that says more than one odd drain does (common practice, no source)."""
SOON = 0.1
"""The last tenth of an interval counts as "due soon"."""


@dataclass(frozen=True)
class Service:
    """The next change of one compartment. state: "short fill", "leaks", "came in low", "overdue", "due soon", "ok" or "unknown" (and text says why).

    due_date, due_km: whichever are known; due_km is a reading of the vehicle's distance. first: a break-in change.
    """

    vehicle: str
    compartment: str
    state: str
    text: str
    last_utc: str | None
    last_km: float | None
    now_km: float | None
    due_date: str | None
    due_km: float | None
    first: bool
    short_job: str | None = None
    """The job that left the compartment not full, where the newest one did."""
    leak_job: str | None = None
    """The job whose leak watch found a leak, where the newest one did."""
    visits: int = 0
    low_visits: int = 0
    """At so many of the newest visits less had come out than the compartment should hold; 0 where the newest brought all."""

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def add_months(day: date, months: int) -> date:
    """The same day some months on; the month's last day where it has no such day."""
    year, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + year, month + 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def next_service(
    vehicle: str,
    compartment: str,
    today: date,
    *,
    last_utc: str | None = None,
    last_km: float | None = None,
    now_km: float | None = None,
    interval_km: float | None = None,
    interval_months: int | None = None,
    break_in: bool = False,
    new_km: float = 0.0,
    zone: tzinfo = UTC,
    noted: bool = True,
) -> Service:
    """The next change. last_utc, last_km: of the last closed job; None if there was none.

    today is a day of the zone. break_in: the unit was new when it came; its first change is due between the two distances of ``BREAK_IN_KM``.
    noted: whether last_km was noted at the last job, and is no older reading.
    Raises ValueError for a negative distance or interval.
    """
    for name, value in (
        ("last_km", last_km),
        ("now_km", now_km),
        ("interval_km", interval_km),
        ("new_km", new_km),
    ):
        if value is not None and not value >= 0:
            raise ValueError(f"{name} is {value}, expected zero or more km")
    first = break_in and _none_since(new_km, last_utc, last_km)
    due_km = due_day = None
    soon_km = soon_day = None
    if first:
        soon_km, due_km = (new_km + distance_km for distance_km in BREAK_IN_KM)
    elif interval_km is not None and last_km is not None:
        due_km = last_km + interval_km
        soon_km = due_km - SOON * interval_km
    if interval_months is not None and last_utc is not None:
        begun = date.fromisoformat(days.day_of(last_utc, zone))
        due_day = add_months(begun, interval_months)
        soon_day = due_day - timedelta(days=SOON * (due_day - begun).days)
    states, reasons = [], []
    if due_km is not None:
        at = (
            _("due at {km} ({miles})")
            if noted or first
            else _(
                "due at {km} ({miles}), counted from the newest reading before the last change, at which none was noted"
            )
        )
        reasons.append(at.format(**_distances(due_km)))
        if now_km is not None and soon_km is not None:
            states.append(_state(now_km >= due_km, now_km >= soon_km))
    if due_day is not None:
        reasons.append(_("due on {day}").format(day=due_day.isoformat()))
        if soon_day is not None:
            states.append(_state(today >= due_day, today >= soon_day))
    state = min(states, key=_WORST_FIRST.index, default="unknown")
    text = _text(state, reasons, first, last_utc, interval_km, interval_months, now_km)
    day_text = due_day.isoformat() if due_day is not None else None
    return Service(vehicle, compartment, state, text, last_utc, last_km, now_km, day_text, due_km, first)


_WORST_FIRST = (N_("overdue"), N_("due soon"), N_("ok"))


def _state(due: bool, soon: bool) -> str:
    return "overdue" if due else "due soon" if soon else "ok"


def _none_since(new_km: float, last_utc: str | None, last_km: float | None) -> bool:
    """Whether a unit fitted at new_km has had no change of its own yet."""
    return last_utc is None or (last_km is not None and last_km < new_km)


def is_first_change(ledger: Any, compartment: Entry, job_id: str) -> bool:
    """Whether a job of a compartment was the first change of a unit that was new when it came."""
    listed = compartment.typed(CompartmentRow)
    if listed.break_in != "yes":
        return False
    vehicle, part = compartment.key
    before = compartment_jobs(ledger, vehicle, part, job_id, 1)
    last = before[0] if before else None
    if last is None:
        return True
    return _none_since(listed.new_at or 0.0, last.opened_utc, last.distance_km)


def _text(
    state: str,
    reasons: list[str],
    first: bool,
    last_utc: str | None,
    interval_km: float | None,
    interval_months: int | None,
    now_km: float | None,
) -> str:
    text = ", ".join(reasons)
    text = f"{text[0].upper()}{text[1:]}." if text else ""
    if first:
        text = f"{text} {_(BREAK_IN_WORDS)}"
    if state == "unknown":
        if reasons:
            return " ".join((text, _("The vehicle's distance now is not known.")))
        if interval_km is None and interval_months is None:
            return _("No interval is listed; enter it from the service manual.")
        if last_utc is None:
            return _("No change is on record here.")
        return _("The vehicle's distance at the last change is not on record.")
    if now_km is not None and (first or interval_km is not None):
        return " ".join((text, _("The vehicle's newest reading is {km}.").format(km=format_distance(now_km))))
    return " ".join((text, _("The distance now is not known."))) if interval_km is not None else text


def overview(
    ledger: Any,
    catalogue: Catalogue,
    today: date,
    zone: tzinfo = UTC,
) -> list[Service]:
    """Every compartment in use, most urgent first. zone: whose day today is."""
    found = []
    for entry in catalogue.active("compartment"):
        vehicle = catalogue.get("vehicle", entry.key[0])
        if vehicle is None or vehicle.retired:
            continue
        found.append(service_of(ledger, entry, vehicle, today, zone=zone))
    order = (SHORT, LEAKS, LOW, "overdue", "due soon", N_("unknown"), "ok")
    return sorted(found, key=lambda s: (order.index(s.state), s.vehicle, s.compartment))


def interval_km(compartment: Entry) -> float | None:
    """The catalogue's service interval by distance; None where none is listed."""
    return compartment.typed(CompartmentRow).interval_distance


def service_of(
    ledger: Any,
    compartment: Entry,
    vehicle: Entry,
    today: date,
    now_km: float | None = None,
    zone: tzinfo = UTC,
) -> Service:
    """The next change of a catalogue's compartment. now_km: what the vehicle is said to have run; None where nobody says.

    A vehicle does not run backwards, so the largest reading that anybody noted is the newest, in whatever compartment's
    job. A change at which none was noted is counted from the newest before it: due a little early, never late.
    """
    name, part = compartment.key
    jobs = compartment_jobs(ledger, name, part, limit=1)
    last = jobs[0] if jobs else None
    last_km = None if last is None else last.distance_km
    noted = last is None or last_km is not None
    if last is not None and last_km is None:
        entered = vehicle.versions[:1] and vehicle.versions[0][0] <= last.opened_utc
        listed_km = vehicle.typed(VehicleRow, last.opened_utc).distance if entered else None
        last_km = _largest(newest_reading_km(ledger, name, last.job_id), listed_km)
    now_km = _largest(now_km, vehicle.typed(VehicleRow).distance, newest_reading_km(ledger, name))
    listed = compartment.typed(CompartmentRow)
    months = listed.interval_months
    service = next_service(
        name,
        part,
        today,
        last_utc=last.opened_utc if last is not None else None,
        last_km=last_km,
        now_km=now_km,
        interval_km=listed.interval_distance,
        interval_months=None if months is None else int(months),
        break_in=listed.break_in == "yes",
        new_km=listed.new_at or 0.0,
        zone=zone,
        noted=noted,
    )
    return _needs_a_look(ledger, name, part, service)


def _largest(*readings_km: float | None) -> float | None:
    return max((km for km in readings_km if km is not None), default=None)


def after_job(catalogue: Catalogue, job: JobRecord, zone: tzinfo) -> str:
    """When the next change is due by a job and by what was listed when that ended, whatever came later: for its sheet.
    Empty where nothing says so."""
    vehicle, part = job.labels.get("vehicle", ""), job.labels.get("compartment", "")
    entry = catalogue.get("compartment", vehicle, part)
    if entry is None:
        return ""
    ended_utc = job.closed_utc or job.opened_utc
    listed = entry.typed(CompartmentRow, ended_utc)
    months, every_km = listed.interval_months, listed.interval_distance
    service = next_service(
        vehicle,
        part,
        date.fromisoformat(days.day_of(ended_utc, zone)),
        last_utc=job.opened_utc,
        last_km=job.distance_km,
        interval_km=every_km,
        interval_months=None if months is None else int(months),
        break_in=listed.break_in == "yes",
        new_km=listed.new_at or 0.0,
        zone=zone,
    )
    told = [] if service.due_date is None else [_("on {day}").format(day=service.due_date)]
    if service.due_km is not None:
        told.append(_("at {km} ({miles})").format(**_distances(service.due_km)))
    elif every_km is not None:
        told.append(_("after another {km} ({miles})").format(**_distances(every_km)))
    text = "".join(told)
    if len(told) > 1:
        text = _("{one}, or {other}, whichever comes first").format(one=told[0], other=told[1])
    return f"{text}. {_(BREAK_IN_WORDS)}" if service.first and told else text


def _distances(km: float) -> dict[str, str]:
    return {"km": format_distance(km), "miles": format_distance(km, "mi")}


def _needs_a_look(ledger: Any, vehicle: str, compartment: str, service: Service) -> Service:
    """A compartment that its newest job left not full, or leaking, or that keeps coming in low, is due before anything else."""
    visits, low_l = came_in_low(ledger, vehicle, compartment)
    job_id = newest_job(ledger, vehicle, compartment)
    told = None if job_id is None else reason.of_jobs(ledger, [job_id]).get(job_id)
    service = replace(service, visits=visits, low_visits=len(low_l))
    low = ""
    if len(low_l) >= LOW_AT:
        low = _("Came in low at {n} of the last {visits} visits, by {litres} L.").format(
            n=len(low_l), visits=visits, litres=listed([number(one_l, ".2f") for one_l in low_l])
        )
    kind = "" if told is None else told.kind
    if told is not None and kind in LEFT_SHORT:
        return replace(service, state=SHORT, text=_joined(told.text, low, service.text), short_job=job_id)
    if told is not None and kind == "leak":
        return replace(service, state=LEAKS, text=_joined(told.text, low, service.text), leak_job=job_id)
    if low:
        look = _("Look at seals, plug and breather.")
        return replace(service, state=LOW, text=_joined(low, look, service.text))
    return service


def came_in_low(ledger: Any, vehicle: str, compartment: str) -> tuple[int, list[float]]:
    """How many of a compartment's newest visits were looked at, ``LOW_OF`` at most, and what less than expected came out, in
    litres, oldest first, at those that came in low; none where the newest did not.

    Low is more than the tolerance and both U95 below the expected fill. A visit behind a short fill only finds that again.
    """
    jobs = compartment_jobs(ledger, vehicle, compartment, limit=LOW_OF + 1)
    seen = list(zip(jobs, [*jobs[1:], None], strict=False))[:LOW_OF]
    missing = [
        None if before is not None and before.verdict == "short" else _low_l(job) for job, before in seen
    ]
    newest_first = [one_l for one_l in missing if one_l is not None]
    return len(seen), newest_first[::-1] if missing[:1] != [None] else []


def _low_l(job: JobRow) -> float | None:
    if job.drained_l is None or job.expected_fill_l is None:
        return None
    missing_l = job.expected_fill_l - job.drained_l
    doubt_l = math.hypot(job.drained_u95_l or 0.0, job.expected_fill_u95_l or 0.0)
    return missing_l if missing_l > (job.tolerance_minus_l or 0.0) + doubt_l else None


def _joined(*sentences: str) -> str:
    return " ".join(one for one in sentences if one)


def table(services: Sequence[Service], zone: tzinfo) -> list[dict[str, Any]]:
    """Services as rows, each with the zone whose days its due date is one of."""
    return [{**service.to_dict(), "time_zone": days.zone_name(zone)} for service in services]
