"""What other systems are told of a bay's record, and how it is signed. Pure.

A notice is an event of CloudEvents 1.0 in its JSON format, sent by HTTP with the headers and the signature of Standard
Webhooks 1.0. Its id is made of what it tells, so that the same entry gives the same id however often it is drawn. Who did the
work is in no notice: that stays in the record.
"""

import base64
import hashlib
import hmac
import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import Any, Final
from urllib.parse import quote

from station.common.days import WARN_DAYS
from station.given.receivers import Kind
from station.record.many.arriving import Entry
from station.record.many.derive import Job, drawn
from station.record.many.queries import Certified

CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"
TYPES: Final[Mapping[Kind, str]] = {
    "job closed": "tallypan.job.closed",
    "short fill": "tallypan.fill.short",
    "calibration due": "tallypan.calibration.due",
}
FACTS: Final = (
    "job_id opened_utc closed_utc verdict vehicle compartment compartment_type grade fluid container meter method "
    "listed_capacity_l expected_fill_l expected_fill_u95_l drained_l drained_u95_l metered_l overflow_l overflow_u95_l "
    "filled_l filled_u95_l"
).split()
"""What is told of a job, under the names of its row."""
_IDS: Final = uuid.UUID("6f2b2a0e-5b0c-4c1e-9a53-7d1f0c9e4b21")
"""Under which names become ids (RFC 9562, version 5)."""


@dataclass(frozen=True)
class Notice:
    """id: of what it tells, and the same whenever it is told. body: the event as it goes out."""

    id: str
    kind: Kind
    body: str


def of_entries(
    company: str, shop: str, bay: str, entries: Sequence[Entry], zone: tzinfo, kinds: Sequence[Kind]
) -> list[Notice]:
    """What a run of a bay's entries gives a receiver of these kinds. zone: whose days the shop counts in."""
    by_seq = {entry.seq: entry for entry in entries}
    told = []
    for job in drawn(entries, zone).jobs:
        if job.row.stage != "closed":
            continue
        of: list[Kind] = ["job closed", "short fill"] if job.row.verdict == "short" else ["job closed"]
        entry = by_seq[job.seq]
        data = _job(job, shop, bay, entry)
        for kind in of:
            if kind in kinds:
                of_job = (entry.hash, entry.utc, job.row.job_id, data, f"{entry.seq:020}")
                told.append(_notice(company, shop, bay, kind, *of_job))
    return told


def _job(job: Job, shop: str, bay: str, entry: Entry) -> dict[str, Any]:
    where = f"/jobs/{quote(shop)}/{quote(bay)}/{quote(job.row.job_id, safe='')}"
    facts = {name: getattr(job.row, name) for name in FACTS}
    return {
        "shop": shop,
        "bay": bay,
        **facts,
        "deviation_percent": job.deviation_percent,
        "clock_synced": bool(entry.clock_synced),
        "page": where,
    }


def of_certificate(company: str, one: Certified, today: date) -> Notice | None:
    """That a calibration ends soon, or has ended; None before. today: of its shop."""
    left = (one.valid_until - today).days
    if left > WARN_DAYS:
        return None
    state = "overdue" if left < 0 else "due soon"
    data = {
        "shop": one.shop,
        "bay": one.bay,
        "kind": one.kind,
        "instrument": one.instrument,
        "number": one.number,
        "made_at": one.made_at,
        "valid_until": one.valid_until.isoformat(),
        "state": state,
        "page": "/calibrations",
    }
    of = f"{one.number} {one.valid_until} {state}"
    utc = datetime(today.year, today.month, today.day, tzinfo=UTC).isoformat()
    return _notice(company, one.shop, one.bay, "calibration due", of, utc, one.instrument, data)


def _notice(
    company: str,
    shop: str,
    bay: str,
    kind: Kind,
    of: str,
    utc: str,
    subject: str,
    data: Mapping[str, Any],
    sequence: str = "",
) -> Notice:
    """sequence: where it stands in its bay's record, as texts sort (CloudEvents, extension Sequence, from memory)."""
    name = str(uuid.uuid5(_IDS, "\n".join((company, shop, bay, kind, of))))
    event = {
        "specversion": "1.0",
        "id": name,
        "source": f"/{quote(company)}/{quote(shop)}/{quote(bay)}",
        "type": TYPES[kind],
        "subject": subject,
        "time": utc,
        **({"sequence": sequence} if sequence else {}),
        "datacontenttype": "application/json",
        "data": data,
    }
    return Notice(name, kind, json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":")))


def headers(notice_id: str, body: bytes, at_s: int, secrets: Sequence[bytes]) -> dict[str, str]:
    """What goes before a body: its type, its id, when this try was made, and a signature by each secret.

    at_s: seconds since 1970. The signature is HMAC-SHA256 over ``id.time.body``, in base64 behind ``v1,`` (Standard
    Webhooks 1.0, signature scheme; the test has its published example).
    """
    signed = b".".join((notice_id.encode(), str(at_s).encode(), body))
    marks = (base64.b64encode(hmac.digest(secret, signed, hashlib.sha256)).decode() for secret in secrets)
    return {
        "Content-Type": CONTENT_TYPE,
        "webhook-id": notice_id,
        "webhook-timestamp": str(at_s),
        "webhook-signature": " ".join(f"v1,{mark}" for mark in marks),
    }
