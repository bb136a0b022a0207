"""The imperative shell: one thread takes every sample, steps the core, and carries out what follows.

The guard's heartbeat is sent from that same loop and from nowhere else: if it hangs, the beats end and the guard
drops the pump.
"""

import logging
import queue
import threading
import time
import uuid
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from calibration import budget
from hardware.sample import Sample
from station import archive, balance, checklist, plan, view
from station.bench import Bench
from station.config import BayConfig
from station.control import TOP_UP_L
from station.core import LedgerEvent, PumpCommand, finish, step
from station.errors import InputError, StationError
from station.job import spec_from_tables
from station.ledger import BOOT_ID, Ledger, clock_synced, job_row, now
from station.notice import Notice
from station.ports import RigPort
from station.recorder import Recorder
from station.state import BayState

log = logging.getLogger(__name__)

LOOP_S = 0.02
PUBLISH_S = 0.1
BACKLOG_S = 0.5
"""A stream this far behind its clock is no ground to run a pump on."""
PAGE_LAPSE_S = 0.2
"""The page beats every 100 ms; one lost beat is forgiven, a second stops the pump."""
CALL_S = 5.0

_Call = tuple[Callable[[], Any], "Future[Any]"]


class Engine:
    """One bay: its devices, its present job, its record. Every public method may be called from any thread.

    Raises LedgerError where the record cannot be opened, StartFaults where devices cannot.
    """

    def __init__(
        self,
        config: BayConfig,
        open_rig: Callable[[Callable[[Sample], None]], RigPort],
        clock: Callable[[], float] = time.monotonic,
        bench: Bench | None = None,
    ) -> None:
        self.config, self.bay_name = config, config.name
        self._clock, self._bench = clock, bench
        self._inbox: queue.SimpleQueue[Sample | _Call] = queue.SimpleQueue()
        self._halt = threading.Event()
        self._subscribers: list[Callable[[dict[str, Any]], None]] = []
        self._subscribers_lock = threading.Lock()
        self._state: BayState | None = None
        self._job_id: str | None = None
        self._opened_utc = ""
        self._done = True
        self._ticked: frozenset[str] = frozenset()
        self._latest: dict[str, Sample] = {}
        self._t_s = clock()
        self._run_pump = False
        self._page_held_until_s = 0.0
        self._page_held = False
        self._published_s = 0.0
        self._seq = 0
        self._view: dict[str, Any] = {}
        budget.preload()  # half a second that must not fall into a running loop
        self._recorder = Recorder(config.ledger, self._ledger_fault)
        try:
            self._rig = open_rig(self._inbox.put)
            self.backend = self._rig.backend
        except Exception:
            self._recorder.close()
            raise
        self._recover()
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

    def view(self) -> dict[str, Any]:
        """The newest view."""
        return self._view

    def subscribe(self, callback: Callable[[dict[str, Any]], None]) -> Callable[[], None]:
        """Have each new view handed over, from the engine's thread. Returns what ends it."""
        with self._subscribers_lock:
            self._subscribers.append(callback)

        def end() -> None:
            with self._subscribers_lock:
                if callback in self._subscribers:
                    self._subscribers.remove(callback)

        return end

    def plan_options(self) -> dict[str, Any]:
        return plan.options(self.config)

    def open_job(self, form: Mapping[str, Any]) -> str:
        """Begin a job. Raises InputError where the form does not say what is needed, or a job is open."""
        spec = plan.spec_from_form(self.config, form)
        return str(self._call(lambda: self._open(spec)))

    def mark(self, mark: str) -> None:
        """Set a mark. Raises InputError where it makes no sense now."""
        self._call(lambda: self._mark(mark))

    def check(self, key: str, done: bool) -> None:
        """Tick or untick a checklist item of the present stage. Raises InputError for another."""
        self._call(lambda: self._check(key, done))

    def hold(self, held: bool) -> None:
        """The page's hold-to-run: say True at least every 100 ms, False on letting go."""
        self._page_held_until_s = time.monotonic() + PAGE_LAPSE_S if held else 0.0

    def top_up(self) -> None:
        """Raise the target by one small step. Raises InputError outside the fill and settle stages."""
        self._call(self._top_up)

    def note(self, kind: str, text: str) -> None:
        """Add the technician's own words to the job. Raises InputError."""
        if not text.strip() or len(text) > 1000 or len(kind) > 40:
            raise InputError("The note is empty or too long; expected up to 1000 characters.")
        self._call(lambda: self._event("note", f"{kind}: {text.strip()}"))

    def abandon(self, reason: str) -> None:
        """Give the job up; everything measured is kept. Raises InputError without a reason."""
        if not reason.strip():
            raise InputError("A reason is needed to abandon a job; it goes into the record.")
        self._call(lambda: self._abandon(reason.strip()))

    def bench(self, verb: str) -> None:
        """Do something to the simulated bay. Raises InputError elsewhere, or for an unknown verb."""
        if self._bench is None:
            raise InputError("There is no bench panel on a real bay.")
        if verb == "faster" and self._view.get("stage") == "fill":
            raise InputError("A fill runs at its own pace: the pump's hold is in real seconds.")
        self._bench.do(verb)

    def truth(self) -> dict[str, float]:
        """What really happened on the simulated bay. Raises InputError on a real one."""
        if self._bench is None:
            raise InputError("Only a simulated bay knows the truth.")
        return self._bench.truth()

    def jobs(self, limit: int = 50, before: str | None = None) -> list[dict[str, Any]]:
        """Jobs, newest first; the open one leads."""
        with self._reading() as ledger:
            rows = archive.jobs(ledger, limit, before)
        state, job_id = self._state, self._job_id
        if before is None and state is not None and job_id is not None and not self._done:
            report = balance.report(state)
            row = job_row(job_id, self._opened_utc, "", state.spec.labels, report)
            rows.insert(0, {**row, "closed_utc": None})
        return rows

    def job(self, job_id: str) -> dict[str, Any]:
        """One job whole. Raises KeyError if unknown."""
        state = self._state
        live = balance.report(state) if state is not None and job_id == self._job_id else None
        with self._reading() as ledger:
            return archive.job(ledger, job_id, live)

    def heard(self) -> tuple[dict[str, Any], dict[str, str]]:
        """Newest value of each source, and each device's own word about itself."""
        latest = dict(self._latest)
        states = {s.removesuffix("_state"): str(x.value) for s, x in latest.items() if s.endswith("_state")}
        return {source: x.value for source, x in latest.items()}, states

    def recording_csv(self, job_id: str) -> str:
        with self._reading() as ledger:
            return archive.recording_csv(ledger, job_id)

    def job_toml(self, job_id: str) -> str:
        """Raises KeyError if unknown."""
        with self._reading() as ledger:
            return archive.job_toml(ledger, job_id)

    def _reading(self) -> "_Reader":
        return _Reader(Ledger(self.config.ledger, read_only=True))

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
                self._answer(item)
            try:
                item = self._inbox.get_nowait()
            except queue.Empty:
                item = None
        if item is not None:
            self._take(item) if isinstance(item, Sample) else self._answer(item)
        held = time.monotonic() < self._page_held_until_s
        if held or self._page_held:
            self._take(Sample(self._clock(), "hold", int(held)))
        self._page_held = held
        if self._clock() - self._t_s > LOOP_S:
            self._take(Sample(self._clock(), "tick", 0))
        self._rig.beat(self._run_pump and self._clock() - self._t_s < BACKLOG_S)
        if time.monotonic() - self._published_s >= PUBLISH_S:
            self._publish()

    def _answer(self, call: _Call) -> None:
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
        sample = sample._replace(t_s=max(sample.t_s, self._t_s))
        self._t_s = sample.t_s
        if sample.source != "tick":
            self._latest[sample.source] = sample
        if self._state is None or self._done or self._job_id is None:
            return
        if sample.source != "tick":
            self._recorder.sample(self._job_id, sample)
        self._state, effects = step(self._state, sample)
        for effect in effects:
            self._carry_out(effect)
        if self._state.stage == "closed":
            self._finish()

    def _carry_out(self, effect: object) -> None:
        if isinstance(effect, PumpCommand):
            self._run_pump = effect.run
            self._rig.beat(effect.run)
            self._rig.set_lamp("on" if effect.run else "slow")
            latched = self._state.hold.latched if self._state is not None else None
            if latched is not None:
                self._rig.beep(2)
        elif isinstance(effect, Notice):
            self._event("notice", f"{effect.kind}: {effect.text}")
            if effect.stops:
                self._rig.beep(3)
        elif isinstance(effect, LedgerEvent):
            self._event(effect.kind, effect.text)
            if self._bench is not None:
                self._bench.stage_changed(effect.text)

    def _event(self, kind: str, text: str) -> None:
        if self._job_id is None:
            raise InputError("No job is open.")
        self._recorder.event(self._job_id, kind, {"text": text}, now(self._t_s))

    def _open(self, spec: Any) -> str:
        if self._state is not None and not self._done:
            raise InputError("A job is open on this bay. Close or abandon it first.")
        if self._bench is not None:
            self._bench.new_vehicle(spec)
        at = now(self._t_s)
        job_id = f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{uuid.uuid4().hex[:6]}"
        self._recorder.event(job_id, "job_open", {**spec.to_table(), "backend": self.backend}, at)
        self._job_id, self._opened_utc, self._done = job_id, at.utc, False
        self._ticked = frozenset()
        self._state = BayState(spec, self.config.settings)
        for source, sample in list(self._latest.items()):
            if source.endswith("_state"):
                self._take(sample)
        return job_id

    def _mark(self, mark: str) -> None:
        state = self._need_job()
        offered = {n.mark: n for n in checklist.next_marks(state, self._ticked)}
        if mark not in offered:
            raise InputError(
                f"{mark!r} makes no sense in the stage {state.stage!r}; now: {', '.join(offered)}."
            )
        if offered[mark].why is not None:
            raise InputError(f"{offered[mark].label} waits: {offered[mark].why}")
        self._take(Sample(self._clock(), "mark", mark))
        self._event("mark", mark)

    def _check(self, key: str, done: bool) -> None:
        state = self._need_job()
        texts = {item.key: item.text for item in checklist.items(state)}
        if key not in texts:
            raise InputError(f"{key!r} is not on the list of this stage.")
        self._ticked = self._ticked | {key} if done else self._ticked - {key}
        self._event("check", f"{'done' if done else 'not done'}: {texts[key]}")

    def _top_up(self) -> None:
        state = self._need_job()
        if state.stage not in ("fill", "settle"):
            raise InputError("A top-up belongs to the fill or settle stage.")
        if state.stage == "settle":
            self._mark("fill_start")
        self._take(Sample(self._clock(), "top_up", TOP_UP_L))
        self._event("note", f"top-up: target raised by {TOP_UP_L * 1000:.0f} mL")

    def _abandon(self, reason: str) -> None:
        state = self._need_job()
        self._run_pump = False
        self._event("abandoned", reason)
        self._state = replace(state, stage="abandoned", stage_t_s=self._t_s)
        self._finish()

    def _need_job(self) -> BayState:
        if self._state is None or self._done:
            raise InputError("No job is open on this bay. Plan one first.")
        return self._state

    def _finish(self) -> None:
        if self._state is None or self._job_id is None:
            return
        self._run_pump, self._done = False, True
        self._state = finish(self._state)
        self._rig.set_lamp("off")
        self._write_result(self._job_id, self._opened_utc, self._state)

    def _write_result(self, job_id: str, opened_utc: str, state: BayState) -> None:
        at = now(self._t_s)
        report = balance.report(state)
        row = job_row(job_id, opened_utc, at.utc, state.spec.labels, report)
        self._recorder.result(job_id, report, row, at)

    def _ledger_fault(self, text: str | None) -> None:
        self._inbox.put(Sample(self._clock(), "ledger_state", "failed" if text is not None else "ok"))

    def _recover(self) -> None:
        """Jobs that a stopped station left open: gone on with after a restart, else closed as abandoned.

        After a restart of the service alone the monotonic clock runs on and so does the job, its pump off. After a
        reboot, or on a simulated bay, the vehicle's state cannot be joined to the samples: what was measured is
        kept and reported as abandoned.
        """
        with self._reading() as ledger:
            for job_id in ledger.unfinished():
                events = list(ledger.events(job_id))
                opened, samples = events[0], ledger.samples(job_id)
                tables = {k: v for k, v in opened["body"].items() if k != "backend"}
                state = BayState(spec_from_tables(tables, f"ledger, job {job_id}"), self.config.settings)
                for sample in samples:
                    state, _ = step(state, sample)
                self._recorder.resume(job_id, samples)
                same_run = (
                    opened["boot_id"] == BOOT_ID and self.backend == opened["body"].get("backend") == "pi"
                )
                if same_run and state.stage != "closed":
                    self._job_id, self._opened_utc, self._done = job_id, opened["utc"], False
                    self._state = replace(
                        state, hold=replace(state.hold, held_t_s={}, running_since_t_s=None)
                    )
                    self._event("note", "station: restarted during this job; the pump stayed off")
                    continue
                if state.stage != "closed":
                    text = "The station stopped during this job; its figures are as of the last reading kept."
                    notice = Notice("interrupted", text, state.t_s)
                    state = replace(finish(state), stage="abandoned", notices=(*state.notices, notice))
                self._write_result(job_id, opened["utc"], state)

    def _publish(self) -> None:
        self._published_s = time.monotonic()
        self._seq += 1
        head = {
            "seq": self._seq,
            "t_s": self._t_s,
            "bay": self.bay_name,
            "backend": self.backend,
            "clock_synced": clock_synced(),
            "speed": self._bench.speed if self._bench is not None else 1.0,
            "pan_g": self._pan_g(),
        }
        if self._state is not None and self._job_id is not None:
            body = view.state_view(self._state, self._ticked)
            body["job"] = view.job_view(self._state, self._job_id)
        else:
            body = view.idle_view(self._latest)
        self._view = {**body, **head}
        with self._subscribers_lock:
            subscribers = list(self._subscribers)
        for callback in subscribers:
            try:
                callback(self._view)
            except Exception:
                log.exception("a subscriber failed")

    def _pan_g(self) -> float | None:
        sample = self._latest.get("pan")
        if sample is None or self._t_s - sample.t_s > 2.0:
            return None
        if self._state is not None and self._state.pan.window:
            return self._state.pan.median_kg * 1000.0
        line = self.config.tables["pan"]
        return float((sample.value - line["zero_count"]) * line["kg_per_count"] * 1000.0)


class _Reader:
    """A read-only ledger for the length of a with block."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def __enter__(self) -> Ledger:
        return self._ledger

    def __exit__(self, *_: object) -> None:
        self._ledger.close()
