"""The engine's thread: it takes every sample and every call, steps the core, and carries out what follows.

The guard's heartbeat is sent from this loop and from nowhere else: if it hangs, the beats end and the guard drops the
pump. Nothing here waits for the disk: what is written goes to the recorder, and whoever asked waits.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, TypeVar

from hardware.sample import Sample
from station.bay import view
from station.bay.clock_watch import ClockWatch
from station.bay.desk import Desk
from station.bay.ports import BenchPort, RigPort
from station.bay.publishing import Publisher, Reports, Snapshot
from station.bay.views import BayView
from station.bay.watchdog import Turns
from station.calibrating.calibration_desk import CalibrationDesk
from station.core import interlocks, interruption
from station.core.notice import Notice
from station.core.step import Effect, LedgerEvent, PumpCommand
from station.given.config import BayConfig
from station.given.job import JobSpec
from station.given.said import Came, Mark, SetAside
from station.given.stages import Stage
from station.record import archive
from station.record.ledger import Ledger, clock_synced, now
from station.record.recorder import Recorder
from station.shop.shop import Shop

log = logging.getLogger(__name__)

LOOP_S = 0.02
PUBLISH_S = 0.1
BACKLOG_S = 0.5
"""A stream this far behind its clock is no ground to run a pump on."""
ITEMS_A_TURN = 500
"""Beats and pages wait for no more than so many samples: a second of a backlog at full rate."""
LOW_DISK_BYTES = 50_000_000
"""No job begins with less free than this: ten hours of samples, and room for the record to be copied aside."""


@dataclass
class Call:
    """Something to be done in the engine's thread. done: (what it returned, the ticket of what it had recorded)."""

    function: Callable[[], Any]
    done: "Future[tuple[Any, int | None]]" = field(default_factory=Future)


T = TypeVar("T")
Inbox = queue.SimpleQueue[Sample | Call]


class Loop:
    """One bay's thread. Once ``start`` was called it alone touches what is in here; others put a Call into the inbox and
    read what is published.

    inbox: what devices and callers put in. Raises LedgerError where the record cannot be read.
    """

    def __init__(
        self,
        config: BayConfig,
        inbox: Inbox,
        rig: RigPort,
        recorder: Recorder,
        clock: Callable[[], float],
        bench: BenchPort | None,
        clock_watch: ClockWatch,
    ) -> None:
        self._config, self._inbox, self._rig, self._recorder = config, inbox, rig, recorder
        self._clock, self._bench, self._clock_watch = clock, bench, clock_watch
        self._halt = threading.Event()
        self.published, self._reports = Publisher(), Reports()
        self.standing: Callable[[], tuple[str, ...]] = tuple  # what the page says for as long as it lasts
        self._latest: dict[str, Sample] = {}
        self._run_pump = self._fine = False
        self.page_held_until_s = 0.0
        """By time.monotonic; set by any thread, a single float."""
        self._page_held, self._seq, self._published_s = False, 0, 0.0
        self._idle_notice: Notice | None = None
        self.turns = Turns()
        self._answers: list[tuple[Call, Any, bool]] = []
        self.desk, self._shift_s = Desk(config, recorder, rig.backend, clock()), 0.0
        ledger = Ledger(config.ledger, read_only=True)
        try:
            question = self.desk.recover(ledger)
            self.shop = Shop(config, recorder, ledger)
            self.calibration = CalibrationDesk(config, recorder, archive.certificates(ledger), rig.backend)
            self._clock_watch.begin(ledger, self.desk)
        finally:
            ledger.close()
        if question is not None:
            # Another boot's clock began anew: the stream's time goes on from where the job's readings ended.
            self._shift_s = self.desk.shift_s
            self.feed((interruption.SOURCE, question))
        elif self.desk.given_up is not None:
            self._idle_notice = Notice("interrupted", self.desk.given_up, self._now_s())
        if recorder.left_unsaved is not None:
            self._idle_notice = Notice("unsaved", recorder.left_unsaved, self._now_s())
        self._publish()
        self._thread = threading.Thread(target=self._loop, name="engine", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Pump off, and no further turn."""
        self._halt.set()
        self._thread.join(5.0)

    # --- one turn after another ----------------------------------------------------------------------------

    def _loop(self) -> None:
        while not self._halt.is_set():
            try:
                self._turn()
                self.turns.over()
            except Exception:
                log.exception("the engine failed; the pump is off")
                self._run_pump = False
                self._rig.beat(False)
                self._inbox.put(Sample(self._clock(), "engine_state", "failed"))
                time.sleep(LOOP_S)
        self._rig.beat(False)

    def _turn(self) -> None:
        try:
            self._take_what_came()
        finally:
            self._answer()
        held = time.monotonic() < self.page_held_until_s
        if held or self._page_held:
            self.feed(("hold", int(held)))
        self._page_held = held
        if self._now_s() - self.desk.t_s > LOOP_S and self._inbox.empty():  # a tick must not hide a backlog
            self.feed(("tick", 0))
        self._rig.beat(self._run_pump and self._now_s() - self.desk.t_s < BACKLOG_S, self._fine)
        self._clock_watch.look(self.desk)
        self._recorder.turn_over()
        if time.monotonic() - self._published_s >= PUBLISH_S:
            self._publish()

    def _take_what_came(self) -> None:
        try:
            for n in range(ITEMS_A_TURN):
                item = self._inbox.get(timeout=LOOP_S) if n == 0 else self._inbox.get_nowait()
                if isinstance(item, Sample):
                    self.take(item._replace(t_s=item.t_s + self._shift_s))
                else:
                    self._do(item)
        except queue.Empty:
            return

    def _do(self, call: Call) -> None:
        if not call.done.set_running_or_notify_cancel():
            return  # whoever asked was told that nothing was done
        given = self._recorder.given
        try:
            result = call.function()
        except Exception as error:
            call.done.set_exception(error)
        else:
            self._answers.append((call, result, self._recorder.given != given))

    def _answer(self) -> None:
        """Tell all who asked within this turn: what they changed is in one snapshot, and goes to the disk as one unit."""
        answers, self._answers = self._answers, []
        if not answers:
            return
        ticket = self._recorder.seal()
        try:
            self._reports.forget()
            self._publish()  # whoever asked sees what came of it
        finally:
            for call, result, recorded in answers:
                call.done.set_result((result, ticket if recorded else None))

    def take(self, sample: Sample) -> None:
        """Take in one sample and do what it leads to."""
        # Devices stamp in threads of their own: the order of arrival is the stream's, here and in every replay.
        # Whole milliseconds, here and nowhere later: what is stepped is what is stored, and the clock's noise is not.
        sample = sample._replace(t_s=max(round(sample.t_s, 3), self.desk.t_s))
        if sample.source != "tick":
            self._latest[sample.source] = sample
            self.turns.samples += 1
        if sample.source == "pump":
            self._published_s = 0.0  # the page shows the pump's state at once
        if self.desk.done and sample.source == "meter":
            self._idle(sample)
        for effect in self.desk.take(sample):
            self._carry_out(effect)
        for effect in self.calibration.take(sample):
            if isinstance(effect, PumpCommand):
                self._command(effect)
        state = self.desk.state
        if state is not None and state.stage is Stage.CLOSED and not self.desk.done:
            self.desk.finish()
            self._stop_pump()

    def _carry_out(self, effect: Effect) -> None:
        if isinstance(effect, PumpCommand):
            self._command(effect)
            state = self.desk.state
            if state is not None and state.pump.hold.latched is not None:
                self._rig.beep(2)
        elif isinstance(effect, Notice):
            self.desk.event("notice", f"{effect.kind}: {effect.text}")
            if effect.stops:
                self._rig.beep(3)
        elif isinstance(effect, LedgerEvent):
            self.desk.event(effect.kind, effect.text)
            if self._bench is not None:
                self._bench.stage_changed(effect.text)

    def _idle(self, sample: Sample) -> None:
        """Nothing should pass the meter between jobs, but for proving runs."""
        found = self.desk.supply.idle(
            sample, self.calibration.lines().meter, may_flow=self.calibration.prover is not None
        )
        if found is None:
            return
        self._idle_notice = Notice(
            "flow_while_stopped", interlocks.text("flow_while_stopped", found), sample.t_s, True
        )
        self._command(PumpCommand(False, trip=True))
        self._rig.beep(3)
        self._recorder.event(None, "notice", {"text": self._idle_notice.text}, now(sample.t_s))

    def _command(self, command: PumpCommand) -> None:
        self._run_pump, self._fine = command.run, command.fine
        self._rig.beat(command.run, command.fine)
        if command.trip:
            self._rig.trip_pump()
        self._rig.set_lamp("on" if command.run else "fast" if command.trip else "slow")

    def _stop_pump(self) -> None:
        self._command(PumpCommand(False))
        self._rig.set_lamp("off")

    # --- what callers ask for, run between two samples -----------------------------------------------------

    def feed(self, *given: tuple[str, str | float] | None) -> None:
        """Put something of the station's own into the stream."""
        for one in given:
            if one is not None:
                self.take(Sample(self._now_s(), *one))

    def _now_s(self) -> float:
        """The stream's time."""
        return self._clock() + self._shift_s

    def open(self, spec: JobSpec) -> str:
        self.need_free()
        if self._bench is not None:
            self._bench.new_vehicle(spec)
        self._idle_notice = None
        job_id = self.desk.open(spec)
        self.feed(*self.desk.supply.opening())
        self._tell_states("pump", "stop_open")
        return job_id

    def need_free(self) -> None:
        """Raises InputError while a job is open or a calibration is under way."""
        self.desk.need_free()
        self.calibration.need_none()

    def _tell_states(self, *more: str) -> None:
        """Whoever begins to listen hears once more how the devices are."""
        for source, sample in list(self._latest.items()):
            if source.endswith("_state") or source in more:
                self.take(sample)

    def mark(self, mark: Mark, job_id: str | None, reason: str = "") -> None:
        """job_id: of the job for which the caller has checked that the mark may be set."""
        self.desk.need_this(job_id)
        self.desk.mark(mark, reason)
        self.feed(("mark", mark.value))

    def top_up(self) -> None:
        self.feed(*self.desk.top_up())

    def purge(self, begin: bool) -> None:
        self.feed(self.desk.purge(begin))

    def override(self, lock: SetAside, reason: str) -> None:
        self.feed(self.desk.override(lock, reason))

    def answer(self, step_id: str, came: Came) -> None:
        self.feed(self.desk.answer(step_id, came))

    def answer_interruption(self, pan_moved: bool, filled: bool) -> None:
        self.feed(self.desk.answer_interruption(pan_moved, filled))

    def connect(self, container: str, fluid: str, left_l: float) -> None:
        self.feed(self.desk.connect(container, fluid, left_l))

    def abandon(self, reason: str) -> None:
        self.desk.abandon(reason)
        self._stop_pump()

    def begin_calibration(self, begin: Callable[[], T]) -> T:
        """Raises InputError while a job is open."""
        self.desk.need_free()
        begun = begin()
        self._tell_states()
        return begun

    def give_up_run(self, give_up: Callable[[], T]) -> T:
        """End a proving run before its time: the pump first."""
        self.page_held_until_s = 0.0
        self._stop_pump()
        return give_up()

    # --- what others see -----------------------------------------------------------------------------------

    def _publish(self) -> None:
        self._published_s, self._seq = time.monotonic(), self._seq + 1
        desk, told, lines = self.desk, self._idle_notice, self.calibration.lines()
        at = BayView(
            seq=self._seq,
            t_s=desk.t_s,
            bay=self._config.name,
            backend=self._rig.backend,
            clock_synced=clock_synced(),
            speed=self._bench.speed if self._bench is not None else 1.0,
            standing=self.standing(),
            pan_g=view.pan_g(self._latest, desk.t_s, lines.pan),
            pan_b=view.pan_b(self._latest, desk.t_s, lines.pan_b),
            supply=view.supply_view(desk.supply, None if desk.done else desk.state),
        )
        self.published.put(
            Snapshot(
                view.whole(at, desk, self.calibration.prover, self._latest, told, self._reports.of),
                desk.job_now(),
                desk.leaving(),
                self.shop.catalogue,
                self.calibration.register,
                lines,
                desk.supply.hose,
                dict(self._latest),
            )
        )
