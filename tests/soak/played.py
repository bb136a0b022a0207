"""A bay whose axle is the simulated plant, on a clock that its hands turn: whole jobs through the running engine, as fast
as it takes them or in real time."""

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from hardware.sample import Sample
from hardware.simulated.plant import Plant
from station.bay.engine import Engine
from station.errors import StationError
from station.given.said import Mark
from station.rehearsing.rehearse import hidden
from station.rehearsing.scenario import read_scenario
from tests.station.bay.fake_rig import FORM, FakeRig, config

T = TypeVar("T")

STEP_S = 0.05
BATCH = 5
"""Steps of the plant between two looks whether the engine keeps up; it runs no pump on a stream half a second old."""


class PlayedRig(FakeRig):
    """Devices that answer at once. on: what the pump was last told; told: called when that is something else, with the real
    clock's time. beats_s: when it was told anything."""

    def __init__(self, put: Callable[[Sample], None]) -> None:
        super().__init__(put)
        self.on = False
        self.told: Callable[[bool, float], None] = lambda on, at_s: None
        self.beats_s: list[float] | None = None

    def beat(self, run: bool, fine: bool = False) -> bool:
        if self.beats_s is not None:
            self.beats_s.append(time.monotonic())
        if run != self.on:
            self.on = run
            self.told(run, time.monotonic())
        return True


class Played:
    """One bay and whoever works it. each: called after every step of the plant, such as to wait for the real time. wall:
    what the bay takes for the wall clock."""

    def __init__(
        self, folder: Path, each: Callable[[], None] = lambda: None, wall: Callable[[], float] = time.time
    ) -> None:
        self._scenario, self._each = read_scenario(None), each
        self._base_s = self.t_s = 100.0
        self._pulses = self._ticks = self._seed = 0
        self._told = False
        self.slow: list[str] = []
        """What the station had no answer to in time, on a busy machine."""
        self.plant = Plant(self._scenario.plant)
        rigs: list[PlayedRig] = []

        def open_rig(put: Callable[[Sample], None]) -> PlayedRig:
            rigs.append(PlayedRig(put))
            return rigs[0]

        self.engine = Engine(config(folder), open_rig, clock=lambda: self.t_s, wall=wall)
        self.rig = rigs[0]
        self.put("pump_state", "ok")
        self.put("pump", 0)

    def put(self, source: str, value: int | float | str) -> None:
        self.rig.put(Sample(self.t_s, source, value))

    def new_axle(self) -> None:
        self._base_s, self._pulses = self.t_s, self._pulses + self.plant.pulses
        self._seed += 1
        self.plant = Plant(hidden(self._scenario.plant, self._scenario.spec, self._seed))

    def wait(self, seconds: float, until: Callable[[], bool] = lambda: False, **held: int) -> None:
        """Let the plant go on, with what is held told along."""
        for n in range(round(seconds / STEP_S)):
            if n % BATCH == 0:
                self.settle()
                if until():
                    return
            if self.rig.on != self._told:
                self._told = self.rig.on
                self.put("pump", int(self._told))
            for source, value in held.items():
                self.put(source, value)
            self.plant.advance(STEP_S, self.rig.on)
            self.t_s = self._base_s + self.plant.time_s
            self._ticks += 1
            self.put("meter", self._pulses + self.plant.pulses)
            if self._ticks % 2 == 0:
                self.put("pan", self.plant.adc_count())
            if self._ticks % 20 == 0:
                for source, value_c in self.plant.temperatures().items():
                    self.put(source, round(value_c * 16.0) / 16.0)
            self._each()
        self.settle()

    def settle(self) -> None:
        """Wait until the engine has taken what was put."""
        while self.engine._inbox.qsize():
            time.sleep(0.0005)

    def do(self, deed: Callable[[], T]) -> T | None:
        """What a technician does who reads that the station is slow, and that it has it: go on."""
        try:
            return deed()
        except StationError as error:
            self.slow.append(str(error))
            return None

    def to_fill(self, drain_s: float = 45.0) -> None:
        """A job from its plan to where the pump may be held."""
        self.new_axle()
        self.wait(2.0)
        form = replace(FORM, capacity_reason="played: this drain is cut short")
        self.do(lambda: self.engine.open_job(form))
        self._tick()
        self._mark(Mark.PAN_PLACED)
        self.wait(6.0)
        self._mark(Mark.DRAIN_OPEN)
        self.plant.open_drain()
        self.wait(drain_s)
        self._mark(Mark.DRAIN_DONE)
        self.plant.close_drain()
        self.wait(2.0)
        self._tick()
        self._mark(Mark.RESEAL_DONE)
        self.wait(2.0)
        self.do(lambda: self.engine.note("capacity", "as listed: the drain was cut short"))
        self._mark(Mark.FILL_START)
        self._tick()

    def _tick(self) -> None:
        for item in self.engine.view().checklist:
            self.do(lambda key=item.key: self.engine.check(key, True))  # type: ignore[misc]

    def _mark(self, mark: Mark, reason: str = "") -> None:
        self.do(lambda: self.engine.mark(mark, reason))

    def job(self) -> None:
        """A whole job, closed."""
        self.to_fill()
        self.wait(120.0, until=lambda: self.engine.view().latched is not None, pendant=1)
        self.wait(2.0, pendant=0)
        self.finish()

    def finish(self) -> None:
        """From a fill that has reached its target to a closed job."""
        self._mark(Mark.LEVEL_SEEN)
        self._mark(Mark.FILL_DONE)
        self.wait(3.0)
        self.plant.plug_in()
        self._mark(Mark.PLUG_IN)
        self._tick()
        self.wait(10.0)
        self._mark(Mark.CLOSE, "played")

    def close(self) -> None:
        self.engine.close()
