"""The one thread that writes the ledger, so that a slow card never holds up the pump's heartbeat.

What the engine's thread gives within one of its turns is one unit: it is on disk as a whole or not at all. While one
transaction is on its way to the disk more units queue up, and the next transaction takes them all (group commit), so
that an answer which waits for the disk waits for two of its syncs at most.
"""

import logging
import shutil
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hardware.sample import Sample
from station.errors import LedgerError
from station.given.report import Report
from station.record.author import signed
from station.record.ledger import JobRow, Ledger, Moment, SamplesDigest, now
from station.record.unsaved import SideNote, in_words

log = logging.getLogger(__name__)

BATCH_S = 1.2
"""Readings wait this long for company: so much is lost when the power fails."""
RETRY_S = 1.0
CLOSE_S = 10.0
"""A service that is stopped has to end; systemd's own patience is 90 s."""
GROUP = 500
"""Units in one transaction: a backlog after a full disk goes out in parts, so that whoever waits is told in between."""
DISK_EVERY_S = 5.0


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


_Unit = list[_Samples | _Event]


@dataclass
class _Open:
    """A job whose samples are still coming."""

    n: int = 0
    waiting: list[Sample] = field(default_factory=list)
    digest: SamplesDigest = field(default_factory=SamplesDigest)


class Recorder:
    """Takes events and samples from the engine's thread, writes them in order, and never drops one.

    on_fault: called from the writing thread with a sentence when the ledger refuses, and with None when it takes
    again. What was refused stays first in line and is tried again. left_unsaved: what the last stop could not store,
    in words; None where it stored all. software: the identity of what measures, kept with every result. over: jobs that
    came to an end since the start, by their last stage.
    """

    def __init__(self, path: Path, on_fault: Callable[[str | None], None], software: str = "") -> None:
        self._path, self._on_fault, self.software = path, on_fault, software
        self.over: Counter[str] = Counter()
        self._jobs: dict[str, _Open] = {}
        self._unit: _Unit = []
        self._sealed_s = time.monotonic()
        self._given = 0
        # What follows belongs to whoever holds _changed; it is held for moments only, never during a write.
        self._changed = threading.Condition()
        self._units: deque[_Unit] = deque()
        self._sealed = self._written = 0
        self._fault: str | None = None
        self._closing = False
        self._free_bytes: int | None = None
        self.left_unsaved: str | None = None
        self._ready = threading.Event()
        self._failed: LedgerError | None = None
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()
        self._ready.wait()
        if self._failed is not None:
            raise self._failed

    # --- engine's thread -----------------------------------------------------------------------------------

    @property
    def given(self) -> int:
        """How many events and samples were given so far."""
        return self._given

    @property
    def next_ticket(self) -> int:
        """With which ticket what was given last will be on disk."""
        return self._sealed + 1

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
        self._given += 1

    def event(self, job_id: str | None, kind: str, body: dict[str, Any], at: Moment) -> None:
        self._take_samples()
        self._unit.append(_Event(job_id, kind, signed(body), at))
        self._given += 1

    def result(self, job_id: str, report: Report, row: JobRow, at: Moment) -> None:
        """Close a job: its report, its row, and the digest of all its samples, in one transaction."""
        self._take_samples()
        job = self._jobs.pop(job_id, _Open())
        plain = row.to_dict()
        body = {
            "report": report.to_dict(),
            "row": plain,
            "samples": job.n,
            "samples_sha256": job.digest.hexdigest(),
            "software": self.software,
        }
        self.over[report.stage] += 1
        self._unit.append(_Event(job_id, "result", body, at, plain))
        self._given += 1

    def turn_over(self) -> None:
        """The engine's turn is over: hand its events to the writing thread, and samples once they are a batch."""
        if self._unit or time.monotonic() - self._sealed_s >= BATCH_S:
            self.seal()

    def seal(self) -> int:
        """Hand all that was given to the writing thread, as one unit; the ticket to wait for with ``wait_written``."""
        self._take_samples()
        self._sealed_s = time.monotonic()
        with self._changed:
            if self._unit:
                self._units.append(self._unit)
                self._sealed += 1
                self._unit = []
                self._changed.notify_all()
            return self._sealed

    def close(self) -> None:
        """Write what is waiting and stop. Raises LedgerError, naming it, where some of it could not be stored."""
        self.seal()
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(CLOSE_S)
        with self._changed:
            lost = [item for unit in self._units for item in unit]
        if lost:
            self._say_lost(lost)

    def _take_samples(self) -> None:
        for job_id, job in self._jobs.items():
            if job.waiting:
                self._unit.append(_Samples(job_id, job.n, job.waiting))
                job.n += len(job.waiting)
                job.waiting = []

    def _say_lost(self, lost: Sequence[_Samples | _Event]) -> None:
        events = [item for item in lost if isinstance(item, _Event)]
        samples = sum(len(item.rows) for item in lost if isinstance(item, _Samples))
        named = [
            {"job_id": e.job_id, "kind": e.kind, "text": e.body.get("text", ""), "utc": e.at.utc}
            for e in events
        ]
        for event in named:
            log.error("not stored: %(utc)s %(kind)s %(text)s (job %(job_id)s)", event)
        try:
            SideNote(self._path).write(len(events), samples, named)
        except OSError as error:
            log.error("and no note of it could be left beside the ledger (%s)", error)
        raise LedgerError(
            f"ledger {self._path}: {len(events)} entries and {samples} readings could not be stored before the "
            f"station ended ({self._fault or 'the disk does not answer'}). The log names them. Free some space, "
            "start the station, and enter again what is missing."
        )

    # --- any thread ----------------------------------------------------------------------------------------

    @property
    def written(self) -> int:
        """The newest ticket that is on disk."""
        return self._written

    @property
    def waiting(self) -> int:
        """Units that are on their way to the disk."""
        return self._sealed - self._written

    @property
    def fault(self) -> str | None:
        """Why the ledger does not take what it is given; None while it does."""
        return self._fault

    @property
    def free_bytes(self) -> int | None:
        """Free space where the ledger lies, as last looked at; None before, or where the system does not say."""
        return self._free_bytes

    def wait_written(self, ticket: int, within_s: float) -> None:
        """Return once all up to this ticket is on disk. Raises LedgerError where it is not, in time or at all;
        it stays in line all the same."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._written >= ticket or self._fault is not None or not self._thread.is_alive(),
                within_s,
            )
            if self._written >= ticket:
                return
            why = self._fault or "the disk is slow"
        raise LedgerError(
            f"The record does not take the entry yet ({why}). It is kept and tried again as long as the station "
            "runs; do not enter it a second time."
        )

    # --- recorder's thread ---------------------------------------------------------------------------------

    def _run(self) -> None:
        note = SideNote(self._path)
        try:
            ledger = Ledger(self._path)
        except LedgerError as error:
            self._failed = error
            self._ready.set()
            return
        self._look_at_the_disk()
        self._tell_what_was_left(ledger, note)
        self._ready.set()
        looked_s = time.monotonic()
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._units or self._closing, DISK_EVERY_S)
                group = [self._units[n] for n in range(min(GROUP, len(self._units)))]
                if self._closing and not group:
                    break
            if time.monotonic() - looked_s >= DISK_EVERY_S:
                looked_s = time.monotonic()
                self._look_at_the_disk()
            if group and not self._take_in(ledger, group):
                with self._changed:
                    if self._closing:
                        break
                    self._changed.wait_for(lambda: self._closing, RETRY_S)
        ledger.close()
        with self._changed:
            self._changed.notify_all()

    def _take_in(self, ledger: Ledger, group: list[_Unit]) -> bool:
        """Write a group, or as much of it as the ledger takes, in order; whether that was all."""
        fault = self._refused(ledger, group)
        if fault is None:
            self._is_written(len(group))
        elif len(group) > 1:  # one by one: what comes before the one that is refused is stored
            fault = None
            for unit in group:
                fault = self._refused(ledger, [unit])
                if fault is not None:
                    break
                self._is_written(1)
        with self._changed:
            before, self._fault = self._fault, fault
            self._changed.notify_all()
        if (before is None) != (fault is None):
            if fault is not None:
                log.error("%s", fault)
            self._on_fault(fault)
        return fault is None

    def _refused(self, ledger: Ledger, group: list[_Unit]) -> str | None:
        """Write these in one transaction; why not, if not."""
        try:
            with ledger.transaction():
                for unit in group:
                    for item in unit:
                        if isinstance(item, _Samples):
                            ledger.add_samples(item.job_id, item.first, item.rows)
                        else:
                            ledger.append(item.job_id, item.kind, item.body, item.at, item.row)
        except LedgerError as error:
            return str(error)
        except (
            Exception
        ) as error:  # whatever it is, this thread must not end: the record would stop without a word
            log.exception("the record could not be written")
            return f"ledger {self._path}: not written ({error!r})."
        return None

    def _is_written(self, units: int) -> None:
        with self._changed:
            for _ in range(units):
                self._units.popleft()
            self._written += units
            self._changed.notify_all()

    def _tell_what_was_left(self, ledger: Ledger, note: SideNote) -> None:
        left = note.read()
        if left is not None:
            self.left_unsaved = in_words(left)
            log.warning("%s", self.left_unsaved)
            try:
                ledger.append(None, "unsaved", {**left, "text": self.left_unsaved}, now())
            except LedgerError as error:
                log.error("%s", error)
                return  # the note stays until the ledger has it
        note.blank()

    def _look_at_the_disk(self) -> None:
        try:
            self._free_bytes = shutil.disk_usage(self._path.parent).free
        except OSError:
            self._free_bytes = None
