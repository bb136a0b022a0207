"""The depot's bay while it is played: a rehearsal's, whose samples go over the station's desk."""

import random
from dataclasses import replace
from typing import Any

from hardware.sample import Sample
from hardware.simulated.plant import Plant
from station.bay.desk import Desk
from station.core import amounts
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import LedgerEvent, PumpCommand
from station.given.stages import Stage
from station.learning.reason import GIVEN
from station.rehearsing.rehearse import STEP_S, Bay, hidden
from station.rehearsing.scenario import Scenario
from tests.depot import timetable
from tests.depot.timetable import Service

_PACE = {
    Stage.DRAIN: (1, 16, 8, 60), Stage.DRIP: (2, 16, 8, 100), Stage.RESEAL: (4, 16, 16, 160),
    Stage.SETTLE: (4, 16, 8, 100), Stage.LEAK_WATCH: (4, 16, 8, 100),
}  # fmt: skip
"""Stage → after how many steps of time the plant moves on, and meter, pan and thermometers are read, in quiet stretches."""


PRESSED_EVERY_S = 0.18
"""A held pendant is heard anew before ``hold_lapses_s`` is over."""


class DepotBay(Bay):
    """A rehearsal's bay whose samples go over the station's desk; what the desk has done is done."""

    def __init__(self, scenario: Scenario, seed: int, desk: Desk, service: Service) -> None:
        self.spec, self._desk, self._service = scenario.spec, desk, service
        built = hidden(scenario.plant, scenario.spec, seed)
        # A bay's own scale and meter, and a bus's own size, stay what they are from one job to the next.
        self.plant = Plant(replace(built, kg_per_count=scenario.plant.kg_per_count, k_factor_per_l=scenario.plant.k_factor_per_l, capacity_l=scenario.plant.capacity_l))  # fmt: skip
        self.samples = []
        self.pump_on = False
        self.mishaps, self.due, self.happened = list(scenario.mishaps), [], []
        self.solvent_at = None
        self._rng = random.Random(f"sensors {seed}")
        self._ticks = 0
        self._pressed_s = -1.0
        self.content_l = 0.0

    @property
    def state(self) -> BayState:  # type: ignore[override]
        assert self._desk.state is not None
        return self._desk.state

    def put(self, source: str, value: int | float | str) -> None:
        if source == "pendant" and value:
            if self.plant.time_s - self._pressed_s < PRESSED_EVERY_S:
                return
            self._pressed_s = self.plant.time_s
        if source == "mark":
            self._before(str(value))
            self._desk.event("mark", str(value))
        self._take(Sample(round(self.plant.time_s, 3), source, value))
        if source == "mark":
            self.arm(str(value))
        if self.state.stage is Stage.CLOSED and not self._desk.done:
            self._desk.finish()

    def _take(self, sample: Sample) -> None:
        for effect in self._desk.take(sample):
            if isinstance(effect, PumpCommand) and effect.run != self.pump_on:
                self.pump_on = effect.run
                self.put("pump", int(effect.run))
            elif isinstance(effect, Notice):
                self._desk.event("notice", f"{effect.kind}: {effect.text}")
            elif isinstance(effect, LedgerEvent):
                self._desk.event(effect.kind, effect.text)

    def _before(self, mark: str) -> None:
        if mark == "fill_start":
            if self._mixed_up():
                self._desk.note("capacity: as it stands on the list")
            super().wait(2.0)
            if amounts.purge_needed_l(self.state) > 0:
                self._purge()
        if mark == "close" and self._service.closed_with:
            self._desk.event("note", f"{GIVEN}: {self._service.closed_with}")
        if mark == "close":
            self.content_l = self.plant.filled_l(20.0) + self.plant.retained_l

    def _mixed_up(self) -> bool:
        place = (self._service.vehicle, self._service.part)
        return place == timetable.MIXED_UP and self._service.day >= timetable.MIXED_SINCE

    def _purge(self) -> None:
        """The hose into a waste vessel, and on until it holds nothing of another grade."""
        self.plant.hose_at = "waste"
        self.put(*self._desk.purge(begin=True))
        for _ in range(round(120.0 / STEP_S)):
            self.put("pendant", 1)
            self.advance()
            if self.state.pump.hold.latched is not None:
                break
        self.put("pendant", 0)
        super().wait(5.0)
        self.put("purge", 0.0)
        self.plant.hose_at = "plug"

    def advance(self) -> None:
        self.plant.advance(STEP_S, self.pump_on)
        self._ticks += 1
        self._put_sensors(2, 4, 40)

    def _put_sensors(self, meter: int, pan: int, temperatures: int) -> None:
        """One of each every so many steps."""
        if self._ticks % meter == 0:
            self.put("meter", self.plant.pulses)
        if self._ticks % pan == 0:
            self.put("pan", self.plant.adc_count())
        if self._ticks % temperatures == 0:
            for source, value_c in self.plant.temperatures().items():
                self.put(source, round((value_c + self._rng.gauss(0.0, 0.1)) * 16.0) / 16.0)

    def wait(self, seconds: float, each: Any = None) -> None:
        """A quiet stretch: fewer readings than a bay takes, or two years would take a night to play."""
        stage, left = self.state.stage, round(seconds / STEP_S)
        if self.pump_on or (stage in (Stage.FILL, Stage.SETTLE) and seconds < 30.0):
            super().wait(seconds, each)
            return
        step, meter, pan, warm = _PACE.get(stage, (4, 16, 8, 100))
        self._ticks += -self._ticks % step
        while left > 0:
            n = min(step, left)
            left -= n
            self.plant.advance(n * STEP_S, self.pump_on)
            self._ticks += n
            if n != step:
                self._ticks += step - n
            self._put_sensors(meter, pan, warm)
            if self.due:
                self.play()
