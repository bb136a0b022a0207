"""The one thread that writes the ledger, so that a slow card never holds up the pump's heartbeat."""

import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hardware.sample import Sample
from station.errors import LedgerError
from station.record.ledger import Ledger, Moment, SamplesDigest

log = logging.getLogger(__name__)

BATCH_S = 0.25
RETRY_S = 1.0
POLL_S = 0.05


@dataclass
class _Samples:
    job_id: str
    first: int
    rows: list[Sample]


@dataclass
class _Event:
    job_id: str | None
    kind: str
    body: dict[str, Any]
    at: Moment
    row: Mapping[str, Any] | None = None


@dataclass
class _Open:
    """A job whose samples are still coming."""

    n: int = 0
    waiting: list[Sample] = field(default_factory=list)
    digest: SamplesDigest = field(default_factory=SamplesDigest)


class Recorder:
    """Takes events and samples from the engine's thread, writes them in order, and never drops one.

    on_fault: called from the writing thread with a sentence when the ledger refuses, and with None when it takes
    again. What was refused stays first in line and is tried again.
    """

    def __init__(self, path: Path, on_fault: Callable[[str | None], None]) -> None:
        self._path, self._on_fault = path, on_fault
        self._queue: queue.SimpleQueue[_Samples | _Event | threading.Event | None] = queue.SimpleQueue()
        self._jobs: dict[str, _Open] = {}
        self._flushed_s = time.monotonic()
        self._ready = threading.Event()
        self._failed: LedgerError | None = None
        self._fault: str | None = None
        self._closing = self._lost = False
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._failed is not None:
            raise self._failed

    # --- engine's thread -----------------------------------------------------------------------------------

    def resume(self, job_id: str, samples: list[Sample]) -> None:
        """Go on with a job whose first samples are on disk already."""
        opened = _Open(n=len(samples))
        for sample in samples:
            opened.digest.add(sample)
        self._jobs[job_id] = opened

    def sample(self, job_id: str, sample: Sample) -> None:
        job = self._jobs.setdefault(job_id, _Open())
        job.waiting.append(sample)
        job.digest.add(sample)
        if time.monotonic() - self._flushed_s >= BATCH_S:
            self._flush()

    def event(self, job_id: str | None, kind: str, body: dict[str, Any], at: Moment) -> None:
        self._flush()
        self._queue.put(_Event(job_id, kind, body, at))

    def result(self, job_id: str, report: dict[str, Any], row: Mapping[str, Any], at: Moment) -> None:
        """Close a job: its report, its row, and the digest of all its samples, in one transaction."""
        self._flush()
        job = self._jobs.pop(job_id, _Open())
        body = {
            "report": report,
            "row": dict(row),
            "samples": job.n,
            "samples_sha256": job.digest.hexdigest(),
        }
        self._queue.put(_Event(job_id, "result", body, at, row))

    def close(self) -> None:
        """Write what is waiting and stop."""
        self._flush()
        self._closing = True
        self._queue.put(None)
        self._thread.join(10.0)
        if self._thread.is_alive():
            log.error("the ledger %s still does not take what is waiting for it", self._path)

    def _flush(self) -> None:
        self._flushed_s = time.monotonic()
        for job_id, job in self._jobs.items():
            if job.waiting:
                self._queue.put(_Samples(job_id, job.n, job.waiting))
                job.n += len(job.waiting)
                job.waiting = []

    # --- any thread ----------------------------------------------------------------------------------------

    def wait_written(self, within_s: float) -> None:
        """Return once all that was given before is on disk. Raises LedgerError where it is not, in time or at all;
        it stays in line all the same."""
        written = threading.Event()
        self._queue.put(written)
        deadline_s = time.monotonic() + within_s
        while not written.wait(POLL_S):
            fault = self._fault
            if fault is not None or time.monotonic() >= deadline_s:
                raise LedgerError(
                    f"The record does not take the entry yet ({fault or 'the disk is slow'}). It is kept and tried "
                    "again as long as the station runs; do not enter it a second time."
                )

    # --- recorder's thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            ledger = Ledger(self._path)
        except LedgerError as error:
            self._failed = error
            self._ready.set()
            return
        self._ready.set()
        while (item := self._queue.get()) is not None:
            if isinstance(item, threading.Event):
                if not self._lost:
                    item.set()
                continue
            while not self._written(ledger, item):
                if self._closing:
                    self._lost = True
                    break
                time.sleep(RETRY_S)
        ledger.close()

    def _written(self, ledger: Ledger, item: _Samples | _Event) -> bool:
        try:
            if isinstance(item, _Samples):
                ledger.add_samples(item.job_id, item.first, item.rows)
            else:
                ledger.append(item.job_id, item.kind, item.body, item.at, item.row)
        except LedgerError as error:
            if self._fault is None:
                self._fault = str(error)
                log.error("%s", error)
                self._on_fault(str(error))
            return False
        if self._fault is not None:
            self._fault = None
            self._on_fault(None)
        return True
