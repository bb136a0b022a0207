"""One bay as its pages see it. Every method may be called from any thread: it reads the newest snapshot, or has the
engine's thread do something and waits, in the caller's own thread, until what it did is on disk.
"""

import logging
import queue
import time
from collections.abc import Callable
from concurrent.futures import TimeoutError as NoAnswer
from contextvars import copy_context
from dataclasses import replace
from typing import Any, TypeVar

from calibration import budget
from hardware.sample import Sample
from station.bay import answering, checklist, commissioning, health, identity, plan
from station.bay.calls import Calibrations, Entries
from station.bay.clock_watch import ClockWatch
from station.bay.health import Check, Health
from station.bay.loop import LOW_DISK_BYTES, Call, Inbox, Loop
from station.bay.notice_book import NoticeBook
from station.bay.plan import PlanForm, PlanOptions
from station.bay.ports import BenchPort, RigPort
from station.bay.publishing import JobNow
from station.bay.records import Records
from station.bay.views import BayView
from station.common import days
from station.common.words import _
from station.errors import Asked, InputError, LedgerError, StationError
from station.figures import balance
from station.given.bench import BenchVerb
from station.given.config import BayConfig
from station.given.said import Came, Mark, SetAside
from station.learning import asking, why
from station.record import archive
from station.record.ledger import now
from station.record.recorder import Recorder
from station.shop import preview
from station.shop.shop import capacity_question, facts, learned, planned

T = TypeVar("T")

log = logging.getLogger(__name__)

PAGE_LAPSE_S = 0.2
"""The page beats every 100 ms; one lost beat is forgiven, a second stops the pump."""
CALL_S = 5.0
"""An engine that does not take a call for this long hangs; systemd restarts it."""
WRITTEN_S = 3.0
"""A card that syncs for longer than this is failing; the page is told, and the entry stays in line."""


class Engine(Records):
    """One bay: its devices, its present job, its record.

    Raises LedgerError where the record cannot be opened, StartFaults where devices cannot.
    """

    def __init__(
        self,
        config: BayConfig,
        open_rig: Callable[[Callable[[Sample], None]], RigPort],
        clock: Callable[[], float] = time.monotonic,
        bench: BenchPort | None = None,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.config, self.bay_name = config, config.name
        self._clock, self._bench = clock, bench
        self._inbox: Inbox = queue.SimpleQueue()
        budget.preload()  # a quarter of a second that must not fall into a running loop
        self.software = identity.of()
        self._recorder = Recorder(config.ledger, self._ledger_fault, self.software)
        try:
            self._rig = open_rig(self._inbox.put)
        except Exception:
            self._recorder.close()
            raise
        self.backend = self._rig.backend
        try:
            identity.tell(self._recorder, config.ledger)
            self._loop = Loop(
                config, self._inbox, self._rig, self._recorder, clock, bench, ClockWatch(self._recorder, wall)
            )
        except Exception:
            self._rig.close()
            self._recorder.close()
            raise
        self._published = self._loop.published
        self._beside: dict[str, Callable[[], Check]] = {}
        self._asked_of = ""
        self.notices: NoticeBook | None = None  # where this bay tells other systems by itself
        self._loop.standing = self._standing
        self.calibrations = Calibrations(self._loop, self._call)
        self.entries = Entries(self._loop, config, self._call)
        with self.reading() as ledger:
            past = [event["body"] for event in ledger.shop_events(commissioning.EVENT)]
            self.invented_past = archive.begins_invented(ledger)
        self.commissioning = commissioning.Commissioning(
            past,
            commissioning.wired(config, self.backend == "simulated"),
            lambda: self.heard()[0],
            lambda body: self._call(lambda: self._recorder.event(None, commissioning.EVENT, body, now())),
            lambda pan, count: self._published.newest.lines.of_pan(pan).indicated_kg(count),
            clock,
        )
        try:  # what a stop in mid-job left is in the record before anybody looks
            self._recorder.wait_written(self._recorder.seal(), WRITTEN_S)
        except LedgerError as error:
            log.error("%s", error)
        self._loop.start()

    def close(self) -> None:
        """Pump off, devices closed, everything written. Raises LedgerError naming what could not be."""
        self.commissioning.close()
        self._loop.stop()
        try:
            self._rig.close()
        finally:
            self._recorder.close()

    def _ledger_fault(self, text: str | None) -> None:
        self._inbox.put(Sample(self._clock(), "ledger_state", "failed" if text is not None else "ok"))

    # --- reading -------------------------------------------------------------------------------------------

    def view(self) -> BayView:
        """The newest view."""
        return self._published.newest.view

    def subscribe(self, callback: Callable[[BayView], None]) -> Callable[[], None]:
        """Have each new view handed over, from the engine's thread. Returns what ends it."""
        return self._published.subscribe(callback)

    def plan_options(self) -> PlanOptions:
        return plan.options(self.settings())

    def plan_preview(self, form: PlanForm) -> preview.Preview:
        """What a plan comes to, before its job is opened; see ``station.shop.preview``. Raises InputError as open_job does."""
        settings, here = self.settings(), self._published.newest
        spec = plan.spec_from_form(settings, form, here.lines)
        with self.reading() as ledger:
            return preview.preview(
                settings,
                here.catalogue,
                ledger,
                spec,
                learned(self.config, ledger, spec),
                here.hose,
                days.today(settings.zone),
                plan.pan_small(spec, settings.settings, self.heard()[0]),
            )

    def heard(self) -> tuple[dict[str, Any], dict[str, str]]:
        """Newest value of each source, and each device's own word about itself."""
        latest = self._published.newest.heard
        states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
        return {source: x.value for source, x in latest.items()}, states

    def health(self) -> Health:
        """Whether the station is well, and what it has done; asks no device and waits for nothing."""
        here, recorder, turns = self._published.newest, self._recorder, self._loop.turns
        said = self.heard()[1]
        pans = ("pan",) if self.config.pan_b is None else ("pan", "pan_b")
        checks = {
            "engine": health.engine_check(time.monotonic() - turns.last_s),
            "ledger": health.ledger_check(recorder.fault),
            "disk": health.disk_check(recorder.free_bytes, LOW_DISK_BYTES),
            "clock": health.clock_check(here.view.clock_synced),
            "guard": health.guard_check(said.get("pump")),
            **{pan: health.pan_check(said.get(pan)) for pan in pans},
            **self._checked_beside(),
        }
        return Health(
            checks,
            turns,
            recorder.written,
            recorder.waiting,
            self._inbox.qsize(),
            recorder.free_bytes,
            dict(recorder.over),
            here.open_job is not None,
            bool(here.view.pump_on),
            self.software,
        )

    def watch(self, name: str, check: Callable[[], Check]) -> None:
        """Have something beside the engine told on the page and in its health: the backup, the roll-up."""
        self._beside[name] = check

    def _checked_beside(self) -> dict[str, Check]:
        return {name: check() for name, check in self._beside.items()}

    def _standing(self) -> tuple[str, ...]:
        return health.standing_flags(self._checked_beside(), self._recorder.free_bytes, LOW_DISK_BYTES)

    def truth(self) -> dict[str, float]:
        """What really happened on the simulated bay. Raises InputError on a real one."""
        if self._bench is None:
            raise InputError(_("Only a simulated bay knows the truth."))
        return self._bench.truth()

    # --- the pump: these wait for nothing ------------------------------------------------------------------

    def hold(self, held: bool) -> None:
        """The page's hold-to-run: say True at least every 100 ms, False on letting go."""
        self._loop.page_held_until_s = time.monotonic() + PAGE_LAPSE_S if held else 0.0

    def stop(self) -> None:
        """Stop the pump whoever holds it; it stays off until every control has been let go."""
        self._loop.page_held_until_s = 0.0
        self._inbox.put(Sample(self._clock(), "stop", 1))

    def clear_pump(self) -> None:
        """Clear what a trip, a bad beat or a stuck pin latched, once its cause is found."""
        self._call(self._rig.clear_pump)

    def bench(self, verb: BenchVerb) -> None:
        """Do something to the simulated bay. Raises InputError elsewhere."""
        if self._bench is None:
            raise InputError(_("There is no bench panel on a real bay."))
        if verb in (BenchVerb.FASTER, BenchVerb.FASTEST) and self.view().stage == "fill":
            raise InputError(_("A fill runs at its own pace: the pump's hold is in real seconds."))
        self._bench.do(verb)

    # --- changes: on disk when they return. Each raises LedgerError where the record does not take it yet ---

    def open_job(self, form: PlanForm) -> str:
        """Begin a job. Raises InputError where the form does not say what is needed, or a job is open, and
        LedgerError where the record has no room for one."""
        self._call(self._loop.need_free)
        health.need_room(self._recorder.fault, self._recorder.free_bytes, LOW_DISK_BYTES)
        spec = plan.spec_from_form(self.settings(), form, self._published.newest.lines)
        with self.reading() as ledger:
            spec, shop = planned(self.config, ledger, spec)
            asked = capacity_question(self.catalogue(), ledger, spec, shop, self.settings().country)
        if asked is not None:
            reason = form.capacity_reason.strip()
            if not reason:
                raise InputError(asked.wants_reason)
            spec = replace(spec, labels={**spec.labels, "capacity_reason": reason})
        return self._call(lambda: self._loop.open(spec))

    def mark(self, mark: Mark, reason: str = "", ask: bool = False) -> None:
        """Set a mark. reason: why a job is closed as it is, where its fill is not full. ask: have a person asked once whether
        it is so. Raises InputError where the mark makes no sense now, or where such a job is closed without a reason."""
        job = self._published.newest.open_job
        if ask and mark is Mark.DRAIN_DONE and job is not None and job.job_id != self._asked_of:
            self._asked_of = job.job_id
            answering.need_drained(job.state)
        if mark is Mark.FILL_START and job is not None:
            self._doubt_the_unit(job)
        self._call(lambda: self._loop.mark(mark, None if job is None else job.job_id, reason))

    def _doubt_the_unit(self, job: JobNow) -> None:
        """A capacity that was probably typed in another unit floods an axle: asked about before the pump can run."""
        state = job.state
        offered = any(
            n.mark is Mark.FILL_START and n.why is None for n in checklist.next_marks(state, job.ticked)
        )
        if job.capacity_confirmed or state.fill.base is not None or not offered:
            return
        report = balance.report(state)
        with self.reading() as ledger:
            record = archive.job(ledger, job.job_id, job.live(report))
            mixed = why.unit_mixup(facts(self.config, self.catalogue(), ledger, record, report))
        if mixed is not None and mixed.certainty == "likely":
            raise InputError(
                _(
                    "{text} If the listed capacity is right, confirm it with a note; else abandon the job and plan it again with the right unit."
                ).format(text=mixed.text)
            )
        for asked in asking.of_report(report, state.spec.capacity_text, self.config.country):
            raise Asked(
                _(
                    "{text} If the listed capacity is right all the same, confirm it with a note; else abandon the job and plan it again."
                ).format(text=asked.text)
            )

    def check(self, key: str, done: bool) -> None:
        """Tick or untick a checklist item of the present stage. Raises InputError for another."""
        self._call(lambda: self._loop.feed(*self._loop.desk.check(key, done)))

    def top_up(self) -> None:
        """Raise the target by one small step. Raises InputError outside the fill and settle stages."""
        self._call(self._loop.top_up)

    def note(self, kind: str, text: str) -> None:
        """Add the technician's own words to the job. Raises InputError."""
        if not text.strip() or len(text) > 1000 or len(kind) > 40:
            raise InputError(_("The note is empty or too long; expected up to 1000 characters."))
        self._call(lambda: self._loop.desk.note(f"{kind}: {text.strip()}"))

    def purge(self, begin: bool) -> None:
        """Begin or end a purge of the hose into a waste vessel; the pump then runs as long as it is held.

        Raises InputError in the fill and after it.
        """
        self._call(lambda: self._loop.purge(begin))

    def override(self, lock: SetAside, reason: str) -> None:
        """Go on in spite of an interlock, with a reason for the record. Raises InputError without one."""
        self._call(lambda: self._loop.override(lock, reason))

    def answer(self, step_id: str, came: Came) -> None:
        """Say what a step on the pan was. Raises InputError for a step that is not asked about."""
        self._call(lambda: self._loop.answer(step_id, came))

    def answer_interruption(self, pan_moved: bool, filled: bool) -> None:
        """Say what happened while the station was stopped in mid-job. Raises InputError where that is not asked."""
        self._call(lambda: self._loop.answer_interruption(pan_moved, filled))

    def weigh_container(self, which: str, kg: float, u_kg: float) -> None:
        """What a scale showed for the container, "before" or "after" the fill. Raises InputError."""
        self._call(lambda: self._loop.feed(self._loop.desk.weigh_container(which, kg, u_kg)))

    def connect_drum(self, container: str, fluid: str, left_l: float) -> None:
        """Another container at the pump. left_l: what is in it. Raises InputError."""
        self._call(lambda: self._loop.connect(container, fluid, left_l))

    def abandon(self, reason: str) -> None:
        """Give the job up; everything measured is kept. Raises InputError without a reason."""
        if not reason.strip():
            raise InputError(_("A reason is needed to abandon a job; it goes into the record."))
        self._call(lambda: self._loop.abandon(reason.strip()))

    def _call(self, function: Callable[[], T]) -> T:
        context = copy_context()  # who asks goes along into the engine's thread
        call = Call(lambda: context.run(function))
        self._inbox.put(call)
        try:
            result, ticket = call.done.result(CALL_S)
        except NoAnswer:
            if call.done.cancel():
                raise StationError(
                    _("The station did not answer in time; nothing was done. Try again.")
                ) from None
            raise StationError(
                _(
                    "The station has begun this and has not finished it. Look at the page before you try again."
                )
            ) from None
        if ticket is not None:
            self._recorder.wait_written(ticket, WRITTEN_S)
        answer: T = result
        return answer
