"""The job on the bay: what the technician may do now, what is kept of it, and how it ends. No threads, no devices."""

import uuid
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from hardware.sample import Sample
from station.bay import checklist, recovery
from station.bay.answering import meanwhile, need_asked
from station.bay.publishing import JobNow
from station.bay.purged import purged_text
from station.bay.supply_book import SupplyBook
from station.common.digits import number
from station.common.words import _
from station.core import amounts, interruption
from station.core import container as weighed
from station.core.limits import LIMITS as CORE
from station.core.notice import Notice
from station.core.second_pan import steps_since
from station.core.state import BayState, move_on, tell
from station.core.step import Effect, finish, step
from station.errors import InputError
from station.figures import balance
from station.filling.limits import LIMITS as FILLING
from station.filling.overrun import Stop
from station.given.config import BayConfig
from station.given.job import JobSpec
from station.given.said import Came, Mark, SetAside
from station.given.stages import BEFORE_FILL, PUMPED, UNDER_WAY, Cause, Stage
from station.learning.reason import GIVEN, needs_words, of_report
from station.learning.reason import reason as told
from station.record.ledger import Ledger, Moment, job_row, now
from station.record.recorder import Recorder
from station.shop.shop import row_labels
from station.weighing import steps


class Desk:
    """Holds the present job's state and writes its record. Used from the engine's thread alone.

    state and job_id stay those of the last job until the next one is opened. t_s: the stream's newest moment.
    shift_s: how far the stream's time is ahead of the clock, after a job of another boot was taken up again.
    came_utc: when each step on the pan was seen, by the wall's clock; of a step from before a restart it is unknown.
    given_up: why the newest job that a stopped station had left open is not gone on with.
    """

    def __init__(self, config: BayConfig, recorder: Recorder, backend: str, t_s: float) -> None:
        self._config, self._recorder, self._backend = config, recorder, backend
        self.t_s, self.shift_s = t_s, 0.0
        self.state: BayState | None = None
        self.job_id: str | None = None
        self.opened_utc = ""
        self.done = True
        self._clock_synced = False
        self._opening: Mapping[str, Any] = {}
        self._leaving: tuple[JobNow, ...] = ()
        self.given_up: str | None = None
        self.ticked: frozenset[str] = frozenset()
        self.capacity_confirmed = False
        self.came_utc: dict[str, str] = {}
        self.supply = SupplyBook(config, recorder)

    def take(self, sample: Sample) -> tuple[Effect, ...]:
        """Record and step one sample, if a job is open."""
        self.t_s = sample.t_s
        if self.state is None or self.done or self.job_id is None:
            return ()
        if sample.source != "tick":
            self._recorder.sample(self.job_id, sample)
        before = self.state
        self.state, effects = step(before, sample)
        if self.state.supply.purged_l != before.supply.purged_l:
            self.supply.purged(self.job_id, before, self.state)
            self.event("purge", purged_text(before, self.state))
        for came in steps_since(before, self.state):
            at = now(self.t_s)
            self.came_utc[came.id] = at.utc
            self._recorder.event(self.job_id, "step", {"text": f"{came.id}: {steps.in_words(came)}"}, at)
        for effect in effects:
            if isinstance(effect, Stop):
                self.supply.stopped(self.job_id, self.state, effect)
        return effects

    def event(self, kind: str, text: str) -> None:
        """Add to the job's record. Raises InputError where there is no job."""
        if self.job_id is None:
            raise InputError(_("No job is open."))
        self._recorder.event(self.job_id, kind, {"text": text}, now(self.t_s))

    def need_free(self) -> None:
        """Raises InputError while a job is open."""
        if self.state is not None and not self.done:
            raise InputError(_("A job is open on this bay. Close or abandon it first."))

    def need_job(self) -> BayState:
        """The open job's state. Raises InputError where there is none."""
        if self.state is None or self.done:
            raise InputError(_("No job is open on this bay. Plan one first."))
        return self.state

    def need_this(self, job_id: str | None) -> None:
        """Raises InputError where another job is open than the one that the caller has looked at."""
        self.need_job()
        if job_id != self.job_id:
            raise InputError(_("Another job was opened meanwhile. Look at the page, then mark again."))

    def open(self, spec: JobSpec) -> str:
        """Begin a job; its id. Raises InputError while another is open."""
        self.need_free()
        spec = self.supply.prepare(spec)
        self.supply.job_begins()
        at = now(self.t_s)
        job_id = f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{uuid.uuid4().hex[:6]}"
        learned = self.supply.learned(spec.labels.get("fluid", ""))
        first = recovery.first_state(spec, self._config.settings, learned)
        opening = {**spec.to_table(), "backend": self._backend, "learned": learned.to_dict()}
        self._recorder.event(job_id, "job_open", opening, at)
        self._begin(job_id, opening, at.utc, at.clock_synced, first)
        return job_id

    def _begin(
        self, job_id: str, opening: Mapping[str, Any], utc: str, clock_synced: bool, state: BayState
    ) -> None:
        """Take a job up, a new one or one from before a restart."""
        self.job_id, self._opening, self.opened_utc, self._clock_synced = job_id, opening, utc, clock_synced
        self.state, self.done = state, False
        self.ticked, self.capacity_confirmed, self.came_utc = frozenset(), False, {}

    def job_now(self) -> JobNow | None:
        """The present job, or the last until the next is opened."""
        if self.state is None or self.job_id is None:
            return None
        return JobNow(
            self.job_id,
            self.opened_utc,
            self._clock_synced,
            self._opening,
            self.state,
            self.done,
            capacity_confirmed=self.capacity_confirmed,
            ticked=self.ticked,
        )

    def leaving(self) -> tuple[JobNow, ...]:
        """Jobs that are over and not on disk as such yet, newest first."""
        written = self._recorder.written
        self._leaving = tuple(
            job for job in self._leaving if job.written_at is None or job.written_at > written
        )
        return self._leaving

    def may_mark(self, mark: Mark, reason: str = "") -> None:
        """Raises InputError where the mark makes no sense now, waits for something, or needs a reason."""
        state = self.need_job()
        offered = {n.mark: n for n in checklist.next_marks(state, self.ticked)}
        if mark not in offered:
            raise InputError(
                _("{mark!r} does not fit the stage {stage!r}; what fits now: {offered}.").format(
                    mark=mark.value, stage=_(state.stage.value), offered=", ".join(offered)
                )
            )
        if offered[mark].why is not None:
            raise InputError(_("{mark} waits: {why}").format(mark=offered[mark].label, why=offered[mark].why))
        if len(reason) > 200:
            raise InputError(_("The reason is too long; expected at most 200 characters."))
        if mark is Mark.CLOSE and not reason.strip():
            self._may_close(state)

    def mark(self, mark: Mark, reason: str) -> None:
        """Keep a mark. Raises InputError as ``may_mark`` does."""
        self.may_mark(mark, reason)
        if mark is Mark.CLOSE and reason.strip():
            self.event("note", f"{GIVEN}: {reason.strip()}")
        if mark is not Mark.TAKE_BACK:  # the step says which one, and whether it could be
            self.event("mark", mark.value)

    def _may_close(self, state: BayState) -> None:
        """Raises InputError for a job that nobody should close without a word."""
        outcome = of_report(balance.report(state))
        found = told(outcome)
        if found is not None and needs_words(outcome):
            raise InputError(
                _("{text} To close it as it is, give a reason; it goes into the record.").format(
                    text=found.text
                )
            )

    def check(self, key: str, done: bool) -> list[tuple[str, str]]:
        """Tick or untick an item of the stage; what to feed in where the tick is a mark. Raises InputError for another."""
        state = self.need_job()
        item = checklist.named(state, key)
        if item.mark is not None:
            mark = checklist.mark_of(state, item.mark, done)
            if mark is item.mark:
                self.event("mark", mark.value)
            return [] if mark is None else [("mark", mark.value)]
        self.ticked = self.ticked | {key} if done else self.ticked - {key}
        text = (_("done: {item}") if done else _("not done: {item}")).format(item=_(item.text))
        self._recorder.event(self.job_id, "check", {"text": text, "key": key, "done": done}, now(self.t_s))
        return []

    def note(self, text: str) -> None:
        """Add the technician's own words. Raises InputError where no job is open."""
        self.need_job()
        self.event("note", text)
        if text.startswith(recovery.CAPACITY_NOTE):
            self.capacity_confirmed = True

    def top_up(self) -> list[tuple[str, str | float]]:
        """What to feed into the stream for one small step more. Raises InputError outside fill and settle."""
        state = self.need_job()
        if state.stage not in PUMPED:
            raise InputError(_("A top-up belongs to the fill or settle stage."))
        self.event(
            "note",
            _("top-up: target raised by {top_up_ml} mL").format(
                top_up_ml=number(CORE.top_up_l * 1000, ".0f")
            ),
        )
        begin: list[tuple[str, str | float]] = [("mark", "fill_start")] if state.stage is Stage.SETTLE else []
        return [*begin, ("top_up", CORE.top_up_l)]

    def purge(self, begin: bool) -> tuple[str, float]:
        """What to feed into the stream to begin or end a purge of the hose. Raises InputError out of its stages."""
        state = self.need_job()
        if not begin:
            return "purge", 0.0
        if state.stage not in BEFORE_FILL:
            raise InputError(
                _("A purge comes before the fill, with the hose in a waste vessel; this is {stage}.").format(
                    stage=_(state.stage.value)
                )
            )
        needed_l = amounts.purge_needed_l(state) or FILLING.purge_volumes * self._config.settings.hose_l
        if not needed_l > 0:
            raise InputError(_("This bay does not say what its hose holds; set hose_l in [run] of its file."))
        self.event(
            "note",
            _("purge of {needed_ml} mL begun: hose in a waste vessel, not over the pan").format(
                needed_ml=number(needed_l * 1000, ".0f")
            ),
        )
        return "purge", needed_l

    def override(self, lock: SetAside, reason: str) -> tuple[str, str]:
        """What to feed in to go on in spite of an interlock. Raises InputError without a reason."""
        self.need_job()
        if not reason.strip() or len(reason) > 200:
            raise InputError(_("A reason of at most 200 characters is needed; it goes into the record."))
        self.event("override", f"{lock}: {reason.strip()}")
        return "override", f"{lock}:{reason.strip()}"

    def answer(self, step_id: str, came: Came) -> tuple[str, str]:
        """What to feed in when the technician says what a step on the pan was. It may be said anew until the close.

        Raises InputError for a step that nobody asks about.
        """
        need_asked(balance.what_came(self.need_job()), step_id)
        return "answer", f"{step_id}:{came}"

    def weigh_container(self, which: str, kg: float, u_kg: float) -> tuple[str, str]:
        """What to feed in for a container that somebody weighed before or after the fill. Raises InputError."""
        return weighed.ask(self.need_job(), which, kg, u_kg)

    def connect(self, container: str, fluid: str, left_l: float) -> tuple[str, str] | None:
        """Another container at the pump; what to feed in where a job is open. Raises InputError."""
        job = None if self.done else self.state
        if job is not None and job.pump.hold.running:
            raise InputError(_("The pump runs. Let go before another container is connected."))
        drum = self.supply.connect(
            job, container, fluid, left_l, self.t_s, None if job is None else self.job_id
        )
        return None if job is None else ("drum", drum.to_text())

    def abandon(self, reason: str) -> None:
        """Give the job up, keeping everything. Raises InputError where there is none."""
        state = self.need_job()
        self.event("abandoned", reason)
        self.state = move_on(state, Cause.ABANDON)
        self.finish()

    def finish(self) -> None:
        """Write the job's result."""
        if self.state is None or self.job_id is None:
            return
        self.done = True
        self.state = finish(self.state)
        at = self._write_result(self.job_id, self.opened_utc, self.state)
        over = self.job_now()
        if over is not None:
            over = replace(over, closed_utc=at.utc, written_at=self._recorder.next_ticket)
            self._leaving = (over, *self._leaving)

    def _write_result(self, job_id: str, opened_utc: str, state: BayState) -> Moment:
        self.supply.settle(job_id, state)
        at = now(self.t_s)
        report = balance.report(state)
        labels = row_labels(self._config, state.spec.labels, state.spec.method)
        row = job_row(job_id, opened_utc, at.utc, labels, report, state.spec.distance_km)
        self._recorder.result(job_id, report, row, at)
        return at

    def answer_interruption(self, pan_moved: bool, filled: bool) -> tuple[str, str]:
        """What to feed in when the technician says what happened while the station was stopped. Raises InputError
        where that is not asked."""
        if not interruption.asks(self.need_job()):
            raise InputError(
                _("There is nothing to answer: the station was not stopped in the middle of this job.")
            )
        self.event("resumed", meanwhile(pan_moved, filled))
        return interruption.SOURCE, interruption.answer(pan_moved, filled)

    def recover(self, ledger: Ledger) -> str | None:
        """Jobs that a stopped station left open: the newest is gone on with, at its stage, its pump off, also after a
        reboot; what its stream is asked then. What lies further back is closed as abandoned, and so is every job of a
        simulated bay: its axle is gone with its process.
        """
        self.supply.read(ledger)
        left = ledger.unfinished()
        for job_id in left:
            job = recovery.left_open(ledger, job_id, self._config.settings)
            self._recorder.resume(job_id, list(job.samples))
            state = job.state
            backends = {self._backend, job.opening.get("backend")}
            if backends == {"pi"} and state.stage in UNDER_WAY and job_id == left[-1]:
                return self._resume(job)
            if state.stage is not Stage.CLOSED:
                self.given_up = recovery.why_given_up(simulated="simulated" in backends)
                notice = Notice("interrupted", self.given_up, state.t_s)
                state = tell(move_on(finish(state), Cause.ABANDON), notice)
            self._write_result(job_id, job.opened_utc, state)
        return None

    def _resume(self, job: recovery.LeftOpen) -> str:
        """Take up a job from before a restart, with what was ticked, confirmed and seen in it."""
        self._begin(job.job_id, job.opening, job.opened_utc, job.clock_synced, job.state)
        self.ticked, self.capacity_confirmed = job.ticked, job.capacity_confirmed
        self.came_utc = dict(job.came_utc)
        self.supply.job_begins()
        at = now(self.t_s)
        goes_on_at_s = job.goes_on_at_s(at)
        self.shift_s, self.t_s = goes_on_at_s - self.t_s, goes_on_at_s
        text = _(
            "the station was stopped in the middle of this job, and goes on with it; the pump stayed off"
        )
        body = {"text": text, "ahead_s": self.shift_s}
        self._recorder.event(self.job_id, "resumed", body, now(self.t_s))
        return job.question(at)
