"""Reading the ledger for people: lists, one job whole, and the files that replay it."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

import tomli_w

from calibration.certificates import Certificate
from station.errors import InputError, LedgerError
from station.given import recording
from station.given.evidence import ContainerWeighing, weighings_of
from station.given.job import answers_table
from station.given.job_facts import facts_apart
from station.given.report import Report
from station.given.stages import Cause
from station.record.ledger import JobRow, Ledger

_TEXTS = (
    "notice",
    "stage",
    "clock",
    "note",
    "check",
    "abandoned",
    "mark",
    "taken_back",
    "step",
    "answer",
    "container",
    "container_weighed",
    "purge",
    "override",
    "resumed",
)


INVENTED = "simulated"
"""Kind of the entry with which a record begins whose first years were invented."""
_NOT_OF_THE_SPEC = ("backend", "learned", "by")
"""What a job's opening holds beside the tables of its JOB.toml."""


@dataclass(frozen=True)
class LiveJob:
    """What is known of a job that is open, or whose last entries are on their way to the disk.

    opening: the body of its opening. report: so far, or its last. closed_utc: None while it is open.
    """

    opened_utc: str
    clock_synced: bool
    opening: Mapping[str, Any]
    report: Report | None
    closed_utc: str | None


@dataclass(frozen=True)
class Entry:
    """An entry of a job's record that has a text. by: who was signed in; "" where nobody was."""

    utc: str
    kind: str
    text: str
    by: str = ""


@dataclass(frozen=True)
class JobRecord:
    """One job whole. closed_utc: None while it is open. report: None of one that was never measured to an end.

    opened_by, closed_by: who was signed in; "" where nobody was. clock_synced, closed_synced: whether the clock was set when it was
    opened, and closed. times_off_s, closed_off_s: to be added to what it said then, see ``times_off_s``. software: that measured; None where no result names it. certificates: pan,
    meter → number and check sum of the one that its line came from.
    """

    job_id: str
    opened_utc: str
    closed_utc: str | None
    opened_by: str
    closed_by: str
    clock_synced: bool
    times_off_s: float | None
    labels: Mapping[str, str]
    distance_km: float | None
    calibration_due: str
    capacity_text: str
    method: str
    backend: str | None
    software: str | None
    report: Report | None
    events: tuple[Entry, ...]
    certificates: Mapping[str, str] = field(default_factory=dict)
    closed_synced: bool = True
    closed_off_s: float | None = None

    @property
    def opened_at(self) -> str:
        """When it was opened, as far as a clock has told."""
        return _put_right(self.opened_utc, self.times_off_s)

    @property
    def closed_at(self) -> str | None:
        """When it was closed, as far as a clock has told; None while it is open."""
        return None if self.closed_utc is None else _put_right(self.closed_utc, self.closed_off_s)

    @property
    def measured(self) -> Report:
        """Its report. Raises InputError where it has none."""
        if self.report is None:
            raise InputError(f"the job {self.job_id} is still open; see its page.")
        return self.report

    def texts(self, *kinds: str) -> list[str]:
        """What its entries of some kinds say, in their order."""
        return [entry.text for entry in self.events if entry.kind in kinds]

    def to_dict(self) -> dict[str, Any]:
        events = [vars(entry) for entry in self.events]
        return {
            **vars(self),
            "labels": dict(self.labels),
            "certificates": dict(self.certificates),
            "report": None if self.report is None else self.report.to_dict(),
            "events": events,
            "notes": [event for event in events if event["kind"] == "note"],
        }


def spec_tables(opening: Mapping[str, Any]) -> dict[str, Any]:
    """The tables of JOB.toml out of the body of a job's opening."""
    return {name: table for name, table in opening.items() if name not in _NOT_OF_THE_SPEC}


def begins_invented(ledger: Ledger) -> bool:
    """Whether a record's first years were invented."""
    return next(ledger.shop_events(INVENTED), None) is not None


def of_simulated_bay(ledger: Ledger) -> bool:
    """Whether a record's newest job was one of a simulated bay; False where there is none."""
    found = ledger.db.execute(
        """select json_extract(body, '$.backend') from event where kind = 'job_open'
           and job_id = (select job_id from job order by rowid desc limit 1)"""
    ).fetchone()
    return found is not None and found[0] == "simulated"


def certificates(ledger: Ledger) -> tuple[Certificate, ...]:
    """The register of certificates, in the order in which they were made. Raises LedgerError for one that is not what
    was recorded, since a figure must not rest on it, and ValueError for what is none."""
    return tuple(_certificate(ledger, event) for event in ledger.shop_events("certificate"))


def _certificate(ledger: Ledger, event: Mapping[str, Any]) -> Certificate:
    text = event["body"].get("certificate")
    found = Certificate.from_json(str(text))
    if sha256(str(text).encode()).hexdigest() != event["body"].get("sha256"):
        raise LedgerError(
            f"ledger {ledger.path}: the certificate {found.number} (event {event['seq']}) was changed. Run tallypan verify, and "
            "restore a backup."
        )
    return found


def job(ledger: Ledger, job_id: str, live: LiveJob | None = None) -> JobRecord:
    """One job whole. live: what the record may not have of it yet. Raises KeyError if unknown."""
    opened: dict[str, Any] | None = None
    closed: dict[str, Any] | None = None
    events, closed_by = [], ""
    for event in ledger.events(job_id):
        if event["kind"] == "job_open":
            opened = event
        elif event["kind"] == "result":
            closed = event
        elif event["kind"] in _TEXTS:
            text, by = event["body"]["text"], event["body"].get("by", "")
            events.append(Entry(event["utc"], event["kind"], text, by))
            if event["kind"] == "abandoned" or (event["kind"] == "mark" and text == Cause.CLOSE):
                closed_by = by
    if opened is None and live is not None:
        opened = {"body": live.opening, "utc": live.opened_utc, "clock_synced": live.clock_synced}
    if opened is None:
        raise KeyError(job_id)
    report, closed_utc = (None, None) if live is None else (live.report, live.closed_utc)
    if closed is not None:
        report, closed_utc = Report.read(closed["body"]["report"]), closed["utc"]
    spec = facts_apart(opened["body"]["job"])
    return JobRecord(
        job_id=job_id,
        opened_utc=opened["utc"],
        closed_utc=closed_utc,
        opened_by=opened["body"].get("by", ""),
        closed_by=closed_by if closed is not None else "",
        clock_synced=bool(opened["clock_synced"]),
        times_off_s=times_off_s(ledger, opened),
        labels=spec["labels"],
        distance_km=spec.get("distance_km"),
        calibration_due=spec.get("calibration_due", ""),
        capacity_text=spec["capacity"],
        method=spec["method"],
        backend=opened["body"].get("backend"),
        software=None if closed is None else closed["body"].get("software"),
        report=report,
        events=tuple(events),
        certificates=spec.get("certificates", {}),
        closed_synced=True if closed is None else bool(closed["clock_synced"]),
        closed_off_s=None if closed is None else times_off_s(ledger, closed),
    )


def _put_right(utc: str, off_s: float | None) -> str:
    return (datetime.fromisoformat(utc) + timedelta(seconds=off_s)).isoformat() if off_s else utc


def times_off_s(ledger: Ledger, at: Mapping[str, Any]) -> float | None:
    """How far a time is off that was written before the clock was set, in seconds to be added to it; None where the clock
    was set then, or has not been set since.

    at: the event that was written. The steps since then in the same boot, up to the one that set the clock.
    """
    if at["clock_synced"] or "seq" not in at:
        return None
    by_s = 0.0
    for step in ledger.shop_events("clock_stepped", after=at["seq"]):
        if step["boot_id"] != at["boot_id"]:
            return None
        by_s += float(step["body"]["by_s"])
        if step["body"]["set"]:
            return by_s
    return None


def row(ledger: Ledger, job_id: str) -> JobRow | None:
    """A job's row in the list of jobs that have ended; None where it has none."""
    found = next(ledger.db.query("select * from job where job_id = ?", [job_id]), None)
    return None if found is None else JobRow.of(found)


def ended(entries: Iterable[tuple[str, str]]) -> tuple[Report, list[tuple[str, str]]] | None:
    """A job's last report, and what was said when it was given up or noted in it, each with its kind, from its entries of these kinds
    with their bodies; None of one that has not ended."""
    report: Report | None = None
    said = []
    for kind, body in entries:
        if kind == "result":
            report = Report.read(json.loads(body)["report"])
        else:
            said.append((kind, json.loads(body)["text"]))
    return None if report is None else (report, said)


def endings(ledger: Ledger, job_ids: Sequence[str]) -> dict[str, tuple[Report, list[tuple[str, str]]]]:
    """Job → how it ended; only of jobs that have."""
    sql = "select kind, body from event where job_id = ? and kind in ('result', 'note', 'abandoned') order by seq"
    found = {job_id: ended(ledger.db.execute(sql, [job_id])) for job_id in job_ids}
    return {job_id: one for job_id, one in found.items() if one is not None}


def job_toml(ledger: Ledger, job_id: str, live: LiveJob | None = None) -> str:
    """JOB.toml of a job, with what the technician answered and weighed later. live: as for ``job``. Raises KeyError if unknown."""
    tables = None if live is None else spec_tables(live.opening)
    answers: dict[str, str] = {}
    weighed: ContainerWeighing | None = None
    for event in ledger.events(job_id):
        if event["kind"] == "job_open":
            tables = spec_tables(event["body"])
        elif event["kind"] == "answer":
            step, _, says = event["body"]["text"].partition(":")
            answers[step] = says
        elif event["kind"] == "container_weighed":
            weighed = weighings_of(event["body"]["text"])
    if tables is None:
        raise KeyError(job_id)
    container = {} if weighed is None else {"container": weighed.to_table()}
    return tomli_w.dumps({**tables, **container, **answers_table(answers)})


def recording_csv(ledger: Ledger, job_id: str) -> str:
    """The recording of a job: with its JOB.toml, ``tallypan replay`` gives its figures again."""
    return recording.write(ledger.samples(job_id))
