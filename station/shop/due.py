"""When is the next change due? By distance and by months, whichever comes first; a new unit's first one early."""

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, timedelta, tzinfo
from typing import Any

from station.common import days
from station.common.distance import KM_PER_MILE, format_distance
from station.common.words import N_, _
from station.learning import reason
from station.learning.history import compartment_jobs, newest_job
from station.record.archive import JobRecord
from station.shop.catalogue import Catalogue, Entry
from station.shop.rows import CompartmentRow, VehicleRow

COLUMNS = "vehicle compartment state due_date due_km now_km last_utc text time_zone".split()
BREAK_IN_KM = (15_000 * KM_PER_MILE, 20_000 * KM_PER_MILE)
BREAK_IN_WORDS = N_(
    "First change after break-in, 15,000 to 20,000 miles: new gears shed fine metal early (common practice, no source; the service manual has the last word)."
)
SHORT = N_("short fill")
LEFT_SHORT = frozenset({"wrong_grade", "not_filled", "short"})
"""Kinds of ``station.learning.reason`` after which no vehicle should run on."""
SOON = 0.1
"""The last tenth of an interval counts as "due soon"."""


@dataclass(frozen=True)
class Service:
    """The next change of one compartment. state: "short fill", "overdue", "due soon", "ok" or "unknown" (and text says why).

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
) -> Service:
    """The next change. last_utc, last_km: of the last closed job; None if there was none.

    today is a day of the zone. break_in: the unit was new when it came; its first change is due between the two distances of ``BREAK_IN_KM``.
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
        reasons.append(_("due at {km} ({miles})").format(**_distances(due_km)))
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
        return " ".join((text, _("The vehicle stands at {km}.").format(km=format_distance(now_km))))
    return " ".join((text, _("The distance now is not known."))) if interval_km is not None else text


def overview(
    ledger: Any,
    catalogue: Catalogue,
    today: date,
    distances_km: Mapping[str, float] | None = None,
    zone: tzinfo = UTC,
) -> list[Service]:
    """Every compartment in use, most urgent first. distances_km: by vehicle, where they are newer than the catalogue's.
    zone: whose day today is."""
    found = []
    for entry in catalogue.active("compartment"):
        vehicle = catalogue.get("vehicle", entry.key[0])
        if vehicle is None or vehicle.retired:
            continue
        found.append(service_of(ledger, entry, vehicle, today, (distances_km or {}).get(entry.key[0]), zone))
    order = (SHORT, "overdue", "due soon", N_("unknown"), "ok")
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
    """The next change of a catalogue's compartment."""
    name, part = compartment.key
    jobs = compartment_jobs(ledger, name, part, limit=1)
    last = jobs[0] if jobs else None
    last_km = last.distance_km if last is not None else None
    if now_km is None:
        now_km = vehicle.typed(VehicleRow).distance
    if last_km is not None:  # a distance noted at the last job is at least as new
        now_km = last_km if now_km is None else max(now_km, last_km)
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
    )
    return _left_short(ledger, name, part, service)


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


def _left_short(ledger: Any, vehicle: str, compartment: str, service: Service) -> Service:
    """A compartment that its newest job left not full is due before anything else."""
    job_id = newest_job(ledger, vehicle, compartment)
    told = None if job_id is None else reason.of_jobs(ledger, [job_id]).get(job_id)
    if told is None or told.kind not in LEFT_SHORT:
        return service
    return replace(service, state=SHORT, text=f"{told.text} {service.text}".strip(), short_job=job_id)


def table(services: Sequence[Service], zone: tzinfo) -> list[dict[str, Any]]:
    """Services as rows, each with the zone whose days its due date is one of."""
    return [{**service.to_dict(), "time_zone": days.zone_name(zone)} for service in services]
