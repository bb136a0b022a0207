"""The imperative shell: one thread takes every sample, steps the core, and carries out what follows.

The guard's heartbeat is sent from that same loop and from nowhere else: if it hangs, the beats end and the guard
drops the pump.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import replace
from typing import Any

from calibration import budget
from calibration.certificates import Certificate
from hardware.sample import Sample
from station.bay import plan, view
from station.bay.desk import Desk
from station.bay.ports import BenchPort, RigPort
from station.bay.records import Records
from station.bay.views import BayView
from station.bay.watchdog import BEAT_S, notify
from station.calibrating.calibration_desk import CalibrationDesk
from station.common import days
from station.core import interlocks
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import Effect, LedgerEvent, PumpCommand
from station.errors import InputError, StationError
from station.figures import balance
from station.given.config import BayConfig
from station.given.stages import Stage
from station.learning import condition, why
from station.record import archive
from station.record.ledger import clock_synced, now
from station.record.recorder import Recorder
from station.shop import preview
from station.shop.shop import Shop, facts, learned

log = logging.getLogger(__name__)

LOOP_S = 0.02
PUBLISH_S = 0.1
BACKLOG_S = 0.5
"""A stream this far behind its clock is no ground to run a pump on."""
PAGE_LAPSE_S = 0.2
"""The page beats every 100 ms; one lost beat is forgiven, a second stops the pump."""
CALL_S = 5.0
WRITTEN_S = 3.0

_Call = tuple[Callable[[], Any], "Future[Any]"]


class Engine(Records):
    """One bay: its devices, its present job, its record. Every public method may be called from any thread.

    Raises LedgerError where the record cannot be opened, StartFaults where devices cannot.
    """

    def __init__(
        self,
        config: BayConfig,
        open_rig: Callable[[Callable[[Sample], None]], RigPort],
        clock: Callable[[], float] = time.monotonic,
        bench: BenchPort | None = None,
    ) -> None:
        self.config, self.bay_name = config, config.name
        self._clock, self._bench = clock, bench
        self._inbox: queue.SimpleQueue[Sample | _Call] = queue.SimpleQueue()
        self._halt = threading.Event()
        self._subscribers: list[Callable[[BayView], None]] = []
        self._subscribers_lock = threading.Lock()
        self._latest: dict[str, Sample] = {}
        self._run_pump = self._fine = False
        self._page_held_until_s = 0.0
        self._page_held = False
        self._idle_notice: Notice | None = None
        self._published_s = 0.0
        self._told_alive_s = 0.0
        self._seq = 0
        self._view: BayView
        budget.preload()  # half a second that must not fall into a running loop
        self._recorder = Recorder(config.ledger, self._ledger_fault)
        try:
            self._rig = open_rig(self._inbox.put)
            self.backend = self._rig.backend
        except Exception:
            self._recorder.close()
            raise
        self._desk = Desk(config, self._recorder, self.backend, clock())
        with self.reading() as ledger:
            self._desk.recover(ledger)
            register = archive.certificates(ledger)
            self._shop = Shop(config, self._recorder, ledger)
        self._calibration = CalibrationDesk(config, self._recorder, register)
        self._publish()
        self._thread = threading.Thread(target=self._loop, name="engine", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Pump off, devices closed, everything written."""
        self._halt.set()
        self._thread.join(5.0)
        try:
            self._rig.close()
        finally:
            self._recorder.close()

    # --- from any thread -----------------------------------------------------------------------------------

    def view(self) -> BayView:
        """The newest view."""
        return self._view

    def subscribe(self, callback: Callable[[BayView], None]) -> Callable[[], None]:
        """Have each new view handed over, from the engine's thread. Returns what ends it."""
        with self._subscribers_lock:
            self._subscribers.append(callback)

        def end() -> None:
            with self._subscribers_lock:
                if callback in self._subscribers:
                    self._subscribers.remove(callback)

        return end

    def plan_options(self) -> dict[str, Any]:
        return plan.options(self._shop.config())

    def plan_preview(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """What a plan comes to, before its job is opened; see ``station.shop.preview``. Raises InputError as open_job does."""
        settings = self.settings()
        spec = plan.spec_from_form(settings, form, self._calibration.lines())
        with self.reading() as ledger:
            return preview.preview(
                settings,
                self.catalogue(),
                ledger,
                spec,
                learned(self.config, ledger, spec),
                self._desk.supply.hose,
                days.today(settings.zone),
                now().utc,
            ).to_dict()

    def open_job(self, form: Mapping[str, Any]) -> str:
        """Begin a job. Raises InputError where the form does not say what is needed, or a job is open."""
        return str(self._call(lambda: self._open(form)))

    def mark(self, mark: str) -> None:
        """Set a mark. Raises InputError where it makes no sense now."""
        self._call(lambda: self._mark(mark))

    def check(self, key: str, done: bool) -> None:
        """Tick or untick a checklist item of the present stage. Raises InputError for another."""
        self._call(lambda: self._desk.check(key, done))

    def hold(self, held: bool) -> None:
        """The page's hold-to-run: say True at least every 100 ms, False on letting go."""
        self._page_held_until_s = time.monotonic() + PAGE_LAPSE_S if held else 0.0

    def stop(self) -> None:
        """Stop the pump whoever holds it; it stays off until every control has been let go."""
        self._page_held_until_s = 0.0
        self._inbox.put(Sample(self._clock(), "stop", 1))

    def top_up(self) -> None:
        """Raise the target by one small step. Raises InputError outside the fill and settle stages."""
        self._call(self._top_up)

    def calibration(self) -> dict[str, Any]:
        """The calibration under way, if any, and the register of certificates."""
        return dict(self._call(self._calibration.to_dict))

    def calibrate(self, action: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Do one thing in a calibration and return ``calibration()``. Raises InputError, leaving all as it was.

        begin (kind, for a meter also fluid and volume), read (step, load, place), strike (index, reason),
        begin_run, end_run, drop_run, finish (what the certificate says), abandon (reason).
        """
        self._call(lambda: self._calibrate(action, values))
        return self.calibration()

    def certificate(self, number: str) -> Certificate:
        """One certificate. Raises KeyError if unknown."""
        return {c.number: c for c in self._calibration.register}[number]

    def settings(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries in it."""
        return self._shop.config()

    def enter(self, action: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Enter something that the shop keeps beside its jobs; see ``station.shop.shop.Shop.do``. It is on disk when this
        returns. Raises InputError, or LedgerError where the record does not take it yet."""
        return self._written(dict(self._call(lambda: self._shop.do(action, values))))

    def photo(self, job_id: str, data: bytes, by: str, text: str) -> dict[str, Any]:
        """Keep a photo of a job; on disk when this returns. Raises InputError for what is no JPEG or PNG, or too large,
        LedgerError where the record does not take it yet."""
        # Decoded and stored by the caller's thread: the engine's has a pump's heartbeat to send.
        picture = condition.clean_photo(data)
        condition.store(condition.folder_of(self.config.ledger), picture)
        return self._written(dict(self._call(lambda: self._shop.photo(job_id, picture, by, text))))

    def note(self, kind: str, text: str) -> None:
        """Add the technician's own words to the job. Raises InputError."""
        if not text.strip() or len(text) > 1000 or len(kind) > 40:
            raise InputError("The note is empty or too long; expected up to 1000 characters.")
        self._call(lambda: self._note(f"{kind}: {text.strip()}"))

    def purge(self, begin: bool) -> None:
        """Begin or end a purge of the hose into a waste vessel; the pump then runs as long as it is held.

        Raises InputError in the fill and after it.
        """
        self._call(lambda: self._feed(self._desk.purge(begin)))

    def override(self, kind: str, reason: str) -> None:
        """Go on in spite of an interlock, with a reason for the record. Raises InputError where that cannot be."""
        self._call(lambda: self._feed(self._desk.override(kind, reason)))

    def answer(self, step_id: str, word: str) -> None:
        """Say what a step on the pan was, "fluid" or "object". Raises InputError for a step that is not asked about."""
        self._call(lambda: self._feed(self._desk.answer(step_id, word)))

    def connect_drum(self, container: str, fluid: str, left: str) -> None:
        """Another container at the pump. left: what is in it, with its unit. Raises InputError."""
        self._call(lambda: self._feed(self._desk.connect(container, fluid, left)))

    def clear_pump(self) -> None:
        """Clear what a trip, a bad beat or a stuck pin latched, once its cause is found."""
        self._call(self._rig.clear_pump)

    def abandon(self, reason: str) -> None:
        """Give the job up; everything measured is kept. Raises InputError without a reason."""
        if not reason.strip():
            raise InputError("A reason is needed to abandon a job; it goes into the record.")
        self._call(lambda: self._abandon(reason.strip()))

    def bench(self, verb: str) -> None:
        """Do something to the simulated bay. Raises InputError elsewhere, or for an unknown verb."""
        if self._bench is None:
            raise InputError("There is no bench panel on a real bay.")
        if verb == "faster" and self._view.stage == "fill":
            raise InputError("A fill runs at its own pace: the pump's hold is in real seconds.")
        self._bench.do(verb)

    def truth(self) -> dict[str, float]:
        """What really happened on the simulated bay. Raises InputError on a real one."""
        if self._bench is None:
            raise InputError("Only a simulated bay knows the truth.")
        return self._bench.truth()

    def heard(self) -> tuple[dict[str, Any], dict[str, str]]:
        """Newest value of each source, and each device's own word about itself."""
        latest = dict(self._latest)
        states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
        return {source: x.value for source, x in latest.items()}, states

    def _written(self, result: dict[str, Any]) -> dict[str, Any]:
        # Waited for in the caller's thread: the engine's has a pump's heartbeat to send.
        self._recorder.wait_written(WRITTEN_S)
        return result

    def _call(self, function: Callable[[], Any]) -> Any:
        future: Future[Any] = Future()
        self._inbox.put((function, future))
        try:
            return future.result(CALL_S)
        except TimeoutError:
            raise StationError("The station did not answer in time. Try again.") from None

    # --- the engine's thread -------------------------------------------------------------------------------

    def _loop(self) -> None:
        while not self._halt.is_set():
            try:
                self._turn()
                if time.monotonic() - self._told_alive_s >= BEAT_S:
                    self._told_alive_s = time.monotonic()
                    notify("WATCHDOG=1")
            except Exception:
                log.exception("the engine failed; the pump is off")
                self._run_pump = False
                self._rig.beat(False)
                self._inbox.put(Sample(self._clock(), "engine_state", "failed"))
                time.sleep(LOOP_S)
        self._rig.beat(False)

    def _turn(self) -> None:
        try:
            item: Sample | _Call | None = self._inbox.get(timeout=LOOP_S)
        except queue.Empty:
            item = None
        for _ in range(500):
            if item is None:
                break
            if isinstance(item, Sample):
                self._take(item)
            else:
                self._reply(item)
            try:
                item = self._inbox.get_nowait()
            except queue.Empty:
                item = None
        if item is not None:
            self._take(item) if isinstance(item, Sample) else self._reply(item)
        held = time.monotonic() < self._page_held_until_s
        if held or self._page_held:
            self._take(Sample(self._clock(), "hold", int(held)))
        self._page_held = held
        if self._clock() - self._desk.t_s > LOOP_S:
            self._take(Sample(self._clock(), "tick", 0))
        self._rig.beat(self._run_pump and self._clock() - self._desk.t_s < BACKLOG_S, self._fine)
        if time.monotonic() - self._published_s >= PUBLISH_S:
            self._publish()

    def _reply(self, call: _Call) -> None:
        function, future = call
        try:
            result = function()
            self._publish()  # whoever asked sees what came of it
            future.set_result(result)
        except Exception as error:
            future.set_exception(error)

    def _take(self, sample: Sample) -> None:
        # Devices stamp in threads of their own: a few milliseconds out of order is queueing, not time travel.
        # The stream's order is the order of arrival, here and in every replay.
        sample = sample._replace(t_s=max(sample.t_s, self._desk.t_s))
        if sample.source != "tick":
            self._latest[sample.source] = sample
        if sample.source == "pump":
            self._published_s = 0.0  # the page shows the pump's state at once
        if self._desk.done and sample.source == "meter":
            self._idle(sample)
        for effect in self._desk.take(sample):
            self._carry_out(effect)
        for effect in self._calibration.take(sample):
            if isinstance(effect, PumpCommand):
                self._command(effect)
        state = self._desk.state
        if state is not None and state.stage is Stage.CLOSED and not self._desk.done:
            self._finish()

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, PumpCommand):
            self._command(effect)
            state = self._desk.state
            if state is not None and state.pump.hold.latched is not None:
                self._rig.beep(2)
        elif isinstance(effect, Notice):
            self._desk.event("notice", f"{effect.kind}: {effect.text}")
            if effect.stops:
                self._rig.beep(3)
        elif isinstance(effect, LedgerEvent):
            self._desk.event(effect.kind, effect.text)
            if self._bench is not None:
                self._bench.stage_changed(effect.text)

    def _open(self, form: Mapping[str, Any]) -> str:
        self._desk.need_free()
        if self._calibration.kind is not None:
            raise InputError("A calibration is under way on this bay. Finish or abandon it first.")
        spec = plan.spec_from_form(self._shop.config(), form, self._calibration.lines())
        with self.reading() as ledger:
            shop = learned(self.config, ledger, spec)
        labels = {**spec.labels, "expected_from": shop.words}
        spec = replace(spec, retained_l=shop.retained_l, u_retained_l=shop.u_l, labels=labels)
        if self._bench is not None:
            self._bench.new_vehicle(spec)
        self._idle_notice = None
        job_id = self._desk.open(spec)
        for opening in self._desk.supply.opening():
            self._feed(opening)
        for source, sample in list(self._latest.items()):
            if source.endswith("_state") or source in ("pump", "stop_open"):
                self._take(sample)
        return job_id

    def _feed(self, given: tuple[str, str | float] | None) -> None:
        """Put something of the station's own into the stream."""
        if given is not None:
            self._take(Sample(self._clock(), *given))

    def _idle(self, sample: Sample) -> None:
        """Nothing should pass the meter between jobs, but for proving runs."""
        found = self._desk.supply.idle(sample, may_flow=self._calibration.prover is not None)
        if found is None:
            return
        self._idle_notice = Notice(
            "flow_while_stopped", interlocks.text("flow_while_stopped", found), sample.t_s, True
        )
        self._command(PumpCommand(False, trip=True))
        self._rig.beep(3)
        self._recorder.event(None, "notice", {"text": self._idle_notice.text}, now(sample.t_s))

    def _mark(self, mark: str) -> None:
        self._desk.may_mark(mark)
        if mark == "fill_start":
            self._doubt_the_unit(self._desk.need_job())
        self._desk.event("mark", mark)
        self._take(Sample(self._clock(), "mark", mark))

    def _doubt_the_unit(self, state: BayState) -> None:
        """A capacity that was probably typed in another unit floods an axle: asked about before the pump can run."""
        if self._desk.capacity_confirmed or state.fill.base is not None or self._desk.job_id is None:
            return
        # Out of the state, and not out of the record, which may still be on its way to the disk.
        job = {
            "job_id": self._desk.job_id,
            "opened_utc": self._desk.opened_utc,
            "capacity_text": state.spec.capacity_text,
            "method": state.spec.method,
            "labels": state.spec.labels,
            "report": balance.report(state),
        }
        with self.reading() as ledger:
            known = facts(self.config, self.catalogue(), ledger, job)
        mixed = why.unit_mixup(known)
        if mixed is not None and mixed.certainty == "likely":
            raise InputError(
                f"{mixed.text} If the listed capacity is right, confirm it with a note; else abandon the job and "
                "plan it again with the right unit."
            )

    def _note(self, text: str) -> None:
        self._desk.need_job()
        self._desk.event("note", text)
        if text.startswith("capacity:"):
            self._desk.capacity_confirmed = True

    def _top_up(self) -> None:
        for source, value in self._desk.top_up():
            self._take(Sample(self._clock(), source, value))

    def _abandon(self, reason: str) -> None:
        self._desk.abandon(reason)
        self._stop_pump()

    def _finish(self) -> None:
        self._desk.finish()
        self._stop_pump()

    def _command(self, command: PumpCommand) -> None:
        self._run_pump, self._fine = command.run, command.fine
        self._rig.beat(command.run, command.fine)
        if command.trip:
            self._rig.trip_pump()
        self._rig.set_lamp("on" if command.run else "fast" if command.trip else "slow")

    def _stop_pump(self) -> None:
        self._command(PumpCommand(False))
        self._rig.set_lamp("off")

    def _calibrate(self, action: str, values: Mapping[str, Any]) -> None:
        if action == "begin":
            self._desk.need_free()
        if action in ("abandon", "drop_run"):
            self._page_held_until_s = 0.0
            self._stop_pump()
        self._calibration.do(action, values)
        if action == "begin":
            for source, sample in list(self._latest.items()):
                if source.endswith("_state"):
                    self._take(sample)

    def _ledger_fault(self, text: str | None) -> None:
        self._inbox.put(Sample(self._clock(), "ledger_state", "failed" if text is not None else "ok"))

    def _publish(self) -> None:
        self._published_s = time.monotonic()
        self._seq += 1
        desk, prover = self._desk, self._calibration.prover
        now = BayView(
            seq=self._seq,
            t_s=desk.t_s,
            bay=self.bay_name,
            backend=self.backend,
            clock_synced=clock_synced(),
            speed=self._bench.speed if self._bench is not None else 1.0,
            pan_g=self._pan_g(),
            supply=view.supply_view(desk.supply, None if desk.done else desk.state),
        )
        if prover is not None:
            self._view = view.proving_view(now, prover.state)
        elif desk.state is not None and desk.job_id is not None:
            self._view = view.working_view(now, desk.state, desk.job_id, desk.ticked, desk.came_utc)
        else:
            self._view = view.idle_view(now, self._latest, self._idle_notice)
        with self._subscribers_lock:
            subscribers = list(self._subscribers)
        for callback in subscribers:
            try:
                callback(self._view)
            except Exception:
                log.exception("a subscriber failed")

    def _pan_g(self) -> float | None:
        sample = self._latest.get("pan")
        if sample is None or self._desk.t_s - sample.t_s > 2.0:
            return None
        return self.config.pan.indicated_kg(float(sample.value)) * 1000.0
