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
from typing import Any, Final, Protocol
from urllib.parse import quote

from station.common.days import WARN_DAYS
from station.given.receivers import Kind
from station.record.many.arriving import Entry
from station.record.many.derive import Job, drawn

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
    """id: of what it tells, and the same whenever it is told. body: the event as it goes out. seq: the entry that it tells of; None
    where it is none."""

    id: str
    kind: Kind
    body: str
    seq: int | None = None


@dataclass(frozen=True)
class Whose:
    """Of whose record a notice is. company: "" at a bay that tells by itself; shop: "" where its file names none."""

    company: str
    shop: str
    bay: str

    @property
    def source(self) -> str:
        return "".join(f"/{quote(name)}" for name in (self.company, self.shop, self.bay) if name)

    def page_of(self, job_id: str) -> str:
        """A job's page, at the roll-up or at the bay itself."""
        where = f"{quote(self.shop)}/{quote(self.bay)}/" if self.company else ""
        return f"/jobs/{where}{quote(job_id, safe='')}"


class Ending(Protocol):
    """What is told of a certificate."""

    @property
    def kind(self) -> str: ...

    @property
    def instrument(self) -> str: ...

    @property
    def number(self) -> str: ...

    @property
    def made_at(self) -> str: ...


def of_entries(whose: Whose, entries: Sequence[Entry], zone: tzinfo, kinds: Sequence[Kind]) -> list[Notice]:
    """What a run of a bay's entries gives a receiver of these kinds. zone: whose days the shop counts in."""
    by_seq = {entry.seq: entry for entry in entries}
    told = []
    for job in drawn(entries, zone).jobs:
        if job.row.stage != "closed":
            continue
        of: list[Kind] = ["job closed", "short fill"] if job.row.verdict == "short" else ["job closed"]
        entry = by_seq[job.seq]
        data = _job(job, whose, entry)
        for kind in of:
            if kind in kinds:
                told.append(_notice(whose, kind, entry.hash, entry.utc, job.row.job_id, data, entry.seq))
    return told


def _job(job: Job, whose: Whose, entry: Entry) -> dict[str, Any]:
    facts = {name: getattr(job.row, name) for name in FACTS}
    return {
        "shop": whose.shop,
        "bay": whose.bay,
        **facts,
        "deviation_percent": job.deviation_percent,
        "clock_synced": bool(entry.clock_synced),
        "page": whose.page_of(job.row.job_id),
    }


def of_certificate(whose: Whose, one: Ending, valid_until: date, today: date) -> Notice | None:
    """That a calibration ends soon, or has ended; None before. today: of its shop."""
    left = (valid_until - today).days
    if left > WARN_DAYS:
        return None
    state = "overdue" if left < 0 else "due soon"
    data = {
        "shop": whose.shop,
        "bay": whose.bay,
        "kind": one.kind,
        "instrument": one.instrument,
        "number": one.number,
        "made_at": one.made_at,
        "valid_until": valid_until.isoformat(),
        "state": state,
        "page": "/calibrations" if whose.company else "/calibration",
    }
    of = f"{one.number} {valid_until} {state}"
    utc = datetime(today.year, today.month, today.day, tzinfo=UTC).isoformat()
    return _notice(whose, "calibration due", of, utc, one.instrument, data)


def _notice(
    whose: Whose, kind: Kind, of: str, utc: str, subject: str, data: Mapping[str, Any], seq: int | None = None
) -> Notice:
    """seq: where it stands in its bay's record; told so that it sorts as text (CloudEvents, extension Sequence, from memory)."""
    name = str(uuid.uuid5(_IDS, "\n".join((whose.company, whose.shop, whose.bay, kind, of))))
    event = {
        "specversion": "1.0",
        "id": name,
        "source": whose.source,
        "type": TYPES[kind],
        "subject": subject,
        "time": utc,
        **({} if seq is None else {"sequence": f"{seq:020}"}),
        "datacontenttype": "application/json",
        "data": data,
    }
    body = json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Notice(name, kind, body, seq)


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
