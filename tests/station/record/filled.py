"""A record with closed jobs, samples, notes and movements in it, for whoever wants to break or copy one."""

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hardware.sample import Sample
from station.record.ledger import JOB_COLUMNS, Ledger, SamplesDigest, now
from tests.station.record.live_stream import live_stream

BATCH = 33
"""Samples in one write of the recorder: a second's."""


def row_of(job_id: str, filled_l: float = 2.9) -> dict[str, Any]:
    known = {
        "job_id": job_id,
        "opened_utc": "2026-01-01T08:00:00.000+00:00",
        "closed_utc": "2026-01-01T09:00:00.000+00:00",
        "stage": "closed",
        "vehicle": "Bus 7",
        "filled_l": filled_l,
        "verdict": "full",
    }
    return {**dict.fromkeys(JOB_COLUMNS), **known}


def play_job(ledger: Ledger, job_id: str, samples: list[Sample], close: bool = True) -> None:
    """One job as the recorder writes it."""
    ledger.append(job_id, "job_open", {"job": {"capacity": "2.9 L"}}, now(0.0))
    digest = SamplesDigest()
    for first in range(0, len(samples), BATCH):
        ledger.add_samples(job_id, first, samples[first : first + BATCH])
    for sample in samples:
        digest.add(sample)
    ledger.append(job_id, "note", {"text": f"a note on {job_id}"}, now(1.0))
    if close:
        row = row_of(job_id)
        body = {"report": {"filled_l": 2.9}, "row": row, "samples": len(samples)}
        ledger.append(job_id, "result", {**body, "samples_sha256": digest.hexdigest()}, now(2.0), row)


def filled(
    path: Path, jobs: int = 3, minutes: float = 0.3, then: Callable[[Ledger], None] | None = None
) -> Path:
    """A record of so many closed jobs, and one that is open."""
    ledger = Ledger(path)
    ledger.db.execute("pragma synchronous = off")  # nothing here is about syncing
    for n in range(jobs):
        play_job(ledger, f"job-{n}", live_stream(random.Random(n), minutes))
        body = {"kind": "waste", "fluid": "oil", "volume_l": 0.1 * n, "u95_l": 0.01, "note": f"of job-{n}"}
        ledger.append(None, "movement", body, now(3.0))
    play_job(ledger, "job-open", live_stream(random.Random(99), minutes), close=False)
    if then is not None:
        then(ledger)
    ledger.close()
    return path
