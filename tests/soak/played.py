"""A bay whose axle is the simulated plant, on a clock that its hands turn: whole jobs through the running engine, as fast
as it takes them or in real time."""

import time
from collections.abc import Callable
from pathlib import Path

from hardware.sample import Sample
from hardware.simulated.plant import Plant
from station.bay.engine import Engine
from station.given.said import Mark
from station.rehearsing.rehearse import hidden
from station.rehearsing.scenario import read_scenario
from tests.station.bay.fake_rig import FORM, FakeRig, config

STEP_S = 0.05
BATCH = 5
"""Steps of the plant between two looks whether the engine keeps up; it runs no pump on a stream half a second old."""


class PlayedRig(FakeRig):
    """Devices that answer at once. on: what the pump was last told. beats_s: when it was told so, by the real clock."""

    def __init__(self, put: Callable[[Sample], None]) -> None:
        super().__init__(put)
        self.on = False
        self.changed_s = 0.0
        self.beats_s: list[float] | None = None

    def beat(self, run: bool, fine: bool = False) -> bool:
        if self.beats_s is not None:
            self.beats_s.append(time.monotonic())
        if run != self.on:
            self.on, self.changed_s = run, time.monotonic()
        return True


class Played:
    """One bay and whoever works it. each: called after every step of the plant, such as to wait for the real time."""

    def __init__(self, folder: Path, each: Callable[[], None] = lambda: None) -> None:
        self._scenario, self._each = read_scenario(None), each
        self._base_s = self.t_s = 100.0
        self._pulses = self._ticks = self._seed = 0
        self._told = False
        self.plant = Plant(self._scenario.plant)
        rigs: list[PlayedRig] = []

        def open_rig(put: Callable[[Sample], None]) -> PlayedRig:
            rigs.append(PlayedRig(put))
            return rigs[0]

        self.engine = Engine(config(folder), open_rig, clock=lambda: self.t_s)
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
        while self.engine.health().inbox:
            time.sleep(0.0005)

    def to_fill(self, drain_s: float = 45.0) -> str:
        """A job from its plan to where the pump may be held; its id."""
        engine = self.engine
        self.new_axle()
        self.wait(2.0)
        job_id = engine.open_job({**FORM, "capacity_reason": "played: this drain is cut short"})
        self._tick()
        engine.mark(Mark.PAN_PLACED)
        self.wait(6.0)
        engine.mark(Mark.DRAIN_OPEN)
        self.plant.open_drain()
        self.wait(drain_s)
        engine.mark(Mark.DRAIN_DONE)
        self.plant.close_drain()
        self.wait(2.0)
        self._tick()
        engine.mark(Mark.RESEAL_DONE)
        self.wait(2.0)
        engine.note("capacity", "as listed: the drain was cut short")
        engine.mark(Mark.FILL_START)
        self._tick()
        return job_id

    def _tick(self) -> None:
        for item in self.engine.view().checklist:
            self.engine.check(item.key, True)

    def job(self) -> str:
        """A whole job, closed; its id."""
        engine = self.engine
        job_id = self.to_fill()
        self.wait(120.0, until=lambda: engine.view().latched is not None, pendant=1)
        self.wait(2.0, pendant=0)
        engine.mark(Mark.LEVEL_SEEN)
        engine.mark(Mark.FILL_DONE)
        self.wait(3.0)
        self.plant.plug_in()
        engine.mark(Mark.PLUG_IN)
        self._tick()
        self.wait(10.0)
        engine.mark(Mark.CLOSE, "played")
        return job_id

    def close(self) -> None:
        self.engine.close()
