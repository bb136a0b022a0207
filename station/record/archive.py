"""Reading the ledger for people: lists, one job whole, and the files that replay it."""

from collections.abc import Mapping
from typing import Any

import tomli_w

from calibration.certificates import Certificate
from station.given import recording
from station.given.job import answers_table
from station.record.ledger import Ledger

_TEXTS = ("notice", "stage", "note", "check", "abandoned", "mark", "step", "answer", "purge", "override")


def certificates(ledger: Ledger) -> tuple[Certificate, ...]:
    """The register of certificates, in the order in which they were made."""
    return tuple(
        Certificate.from_json(event["body"]["certificate"]) for event in ledger.shop_events("certificate")
    )


def job(ledger: Ledger, job_id: str, live: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """One job whole. live: the report so far of a job that is still open. Raises KeyError if unknown."""
    opened: dict[str, Any] | None = None
    closed: dict[str, Any] | None = None
    events = []
    for event in ledger.events(job_id):
        if event["kind"] == "job_open":
            opened = event
        elif event["kind"] == "result":
            closed = event
        elif event["kind"] in _TEXTS:
            events.append({"utc": event["utc"], "kind": event["kind"], "text": event["body"]["text"]})
    if opened is None:
        raise KeyError(job_id)
    spec = opened["body"]["job"]
    report = closed["body"]["report"] if closed is not None else live
    return {
        "job_id": job_id,
        "opened_utc": opened["utc"],
        "closed_utc": closed["utc"] if closed is not None else None,
        "clock_synced": bool(opened["clock_synced"]),
        "labels": spec.get("labels", {}),
        "capacity_text": spec["capacity"],
        "method": spec["method"],
        "backend": opened["body"].get("backend"),
        "report": report,
        "events": events,
        "notes": [event for event in events if event["kind"] == "note"],
    }


def job_toml(ledger: Ledger, job_id: str) -> str:
    """JOB.toml of a job, with what the technician answered later. Raises KeyError if unknown."""
    tables: dict[str, Any] | None = None
    answers: dict[str, str] = {}
    for event in ledger.events(job_id):
        if event["kind"] == "job_open":
            tables = {k: v for k, v in event["body"].items() if k != "backend"}
        elif event["kind"] == "answer":
            step, _, says = event["body"]["text"].partition(":")
            answers[step] = says
    if tables is None:
        raise KeyError(job_id)
    return tomli_w.dumps({**tables, **answers_table(answers)})


def recording_csv(ledger: Ledger, job_id: str) -> str:
    """The recording of a job: with its JOB.toml, ``tallypan replay`` gives its figures again."""
    return recording.write(ledger.samples(job_id))
