"""What the engine's thread lets others see: one frozen snapshot after each change and ten times a second, whole or not
at all. Whoever reads takes the newest once and keeps to it, so that a job's id and its state always belong together.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from calibration.certificates import Certificate
from hardware.sample import Sample
from station.bay.views import BayView
from station.calibrating.in_force import Lines
from station.core.state import BayState
from station.figures import balance
from station.filling.hose import Hose
from station.given.report import Report
from station.record.archive import LiveJob
from station.shop.catalogue import Catalogue

log = logging.getLogger(__name__)

FIGURES_S = 0.25
"""So long the figures of a view stand while nothing but time and flow goes on. Their budgets are three quarters of what the
engine has to do with the pump on, and nobody reads them faster; what the pump still has to give is told at every view."""


@dataclass(frozen=True)
class JobNow:
    """A job as it was at one moment. opening: the body of its opening in the record. done: closed or abandoned.

    written_at: the ticket with which its result is on disk; None while the job is open. capacity_confirmed: the technician
    has said that the listed capacity is right. ticked: keys of the checklist items that are done.
    """

    job_id: str
    opened_utc: str
    clock_synced: bool
    opening: Mapping[str, Any]
    state: BayState
    done: bool = False
    closed_utc: str | None = None
    written_at: int | None = None
    capacity_confirmed: bool = False
    ticked: frozenset[str] = frozenset()

    def live(self, report: Report | None) -> LiveJob:
        """What the record will say of it, while it is still on its way there."""
        return LiveJob(self.opened_utc, self.clock_synced, self.opening, report, self.closed_utc)


@dataclass(frozen=True)
class Snapshot:
    """One moment of the bay.

    job: the present one, or the last until the next is opened. leaving: jobs that are over and whose result may not be
    on disk yet, newest first. lines: those in force. heard: the newest sample of each source.
    """

    view: BayView
    job: JobNow | None
    leaving: tuple[JobNow, ...]
    catalogue: Catalogue
    register: tuple[Certificate, ...]
    lines: Lines
    hose: Hose
    heard: Mapping[str, Sample]

    @property
    def open_job(self) -> JobNow | None:
        return None if self.job is None or self.job.done else self.job

    def find(self, job_id: str) -> JobNow | None:
        """A job that the record may not have whole yet."""
        known = (self.open_job, *self.leaving)
        return next((job for job in known if job is not None and job.job_id == job_id), None)


class Reports:
    """What a job came to by now, for its view. For the engine's thread alone. clock: seconds of the real time."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._kept: tuple[Report, BayState, float] | None = None

    def forget(self) -> None:
        """More has changed than samples tell."""
        self._kept = None

    def of(self, state: BayState) -> Report:
        """At most ``FIGURES_S`` old, by the bay's time and by the real one."""
        now_s = self._clock()
        if self._kept is not None:
            report, at, made_s = self._kept
            young = state.t_s - at.t_s < FIGURES_S and now_s - made_s < FIGURES_S
            if young and (at.spec, at.stage, at.pump.on) == (state.spec, state.stage, state.pump.on):
                return report
        report = balance.report(state)
        self._kept = (report, state, now_s)
        return report


class Publisher:
    """Keeps the newest snapshot and hands its view to whoever subscribed. ``put`` is for the engine's thread alone."""

    def __init__(self) -> None:
        self._newest: Snapshot | None = None
        self._subscribers: list[Callable[[BayView], None]] = []
        self._lock = threading.Lock()

    @property
    def newest(self) -> Snapshot:
        if self._newest is None:
            raise RuntimeError("nothing was published yet")
        return self._newest

    def subscribe(self, callback: Callable[[BayView], None]) -> Callable[[], None]:
        """Have each new view handed over, from the engine's thread. Returns what ends it."""
        with self._lock:
            self._subscribers.append(callback)

        def end() -> None:
            with self._lock:
                if callback in self._subscribers:
                    self._subscribers.remove(callback)

        return end

    def put(self, snapshot: Snapshot) -> None:
        self._newest = snapshot
        with self._lock:
            subscribers = list(self._subscribers)
        for callback in subscribers:
            try:
                callback(snapshot.view)
            except Exception:
                log.exception("a subscriber failed")
