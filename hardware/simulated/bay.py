"""A whole bay without a Pi: chips, pins and files at the end of every wire, and one plant behind them all."""

import mmap
import shutil
import tempfile
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from gpiozero.pins.mock import MockFactory, MockPin

from hardware.guard import PIN_BYTES, level_of
from hardware.pins import PinMap
from hardware.simulated.clock import BayClock, ReadersClock, VirtualClock, WireClock
from hardware.simulated.gpio import SimulatedGpio
from hardware.simulated.hx711_chip import Hx711Chip
from hardware.ticker import Ticker

STEP_S = 0.02
LOOK_PERIODS = 0.25
"""Of a conversion, within which its reader looks again; time waits for it."""
TEMPERATURE_STEP_S = 0.5
IN_HAND_C, COOLS_S = 8.0, 60.0
"""What a hand adds to a sensor at room temperature, and how it loses that again."""
PIN_FAULTS = {"none": 0, "stuck on": 1, "stuck off": 2}


def _pin_file(path: Path) -> mmap.mmap:
    path.write_bytes(bytes(PIN_BYTES))
    with path.open("r+b") as file:
        return mmap.mmap(file.fileno(), PIN_BYTES)


class WiredPin(MockPin):  # type: ignore[misc]  # gpiozero has no types
    """An input whose wire may be grounded: the pull-up wins only while it is not."""

    def __init__(self, factory: Any, info: Any) -> None:
        self.grounded = False
        super().__init__(factory, info)

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        self.settle()

    def ground(self, grounded: bool) -> None:
        self.grounded = grounded
        self.settle()

    def settle(self) -> None:
        if self.function == "input":
            (self.drive_low if self.grounded else self.drive_high)()


class Plant(Protocol):
    """The physics behind the wires."""

    @property
    def pulses(self) -> int: ...

    @property
    def time_s(self) -> float: ...

    def advance(self, dt_s: float, pump_on: bool) -> None: ...

    def adc_count(self) -> int: ...

    def temperatures(self) -> Mapping[str, float]: ...


class Wire:
    """A load cell's converter behind pins of its own, on a clock of its own: two are read by two threads.

    count: one conversion. attend: says that it is looked at.
    """

    def __init__(
        self,
        count: Callable[[], int],
        clock: BayClock | VirtualClock,
        attend: Callable[[], object],
        dout: int,
        sck: int,
        rate_sps: float,
    ) -> None:
        self.clock = WireClock(clock, clock.sleep, attend=attend)
        self.gpio = SimulatedGpio(self.clock)
        self.chip = Hx711Chip(count, self.clock, rate_sps)
        self.gpio.attach(self.chip, dout, sck)


class SimulatedBay:
    """Wires a plant to a pump pin file, a converter chip, meter and panel pins and 1-Wire files.

    plant: advanced in steps of 20 ms. pan_rate_sps, pan_b_rate_sps: conversions per second. speed: bay seconds per second; 0 for a virtual clock that only
    ``advance`` moves. pins: the station's plan. ``plant`` may be spoken to only under ``lock``.

    For the program: gpio, factory, clock, sleep, wires by source, pump_file, thermometers. For the world: chip and
    the verbs below. gpio, chip, wire_clock: of the first pan.
    """

    def __init__(
        self,
        plant: Plant,
        speed: float = 1.0,
        pins: PinMap | None = None,
        pan_rate_sps: float = 10.0,
        pan_b_rate_sps: float = 10.0,
    ) -> None:
        self.plant = plant
        self.pins = PinMap() if pins is None else pins
        self.lock = threading.RLock()
        self.clock: BayClock | VirtualClock = VirtualClock() if speed == 0 else BayClock(speed)
        self.sleep = self.clock.sleep
        self.wires = {"pan": self._wire("pan", self._count, self.pins, pan_rate_sps)}
        if (second := self.pins.of_second()) is not None:
            self.wires["pan_b"] = self._wire("pan_b", self._count_b, second, pan_b_rate_sps)
        first = self.wires["pan"]
        self.gpio, self.chip, self.wire_clock = first.gpio, first.chip, first.clock
        self.factory = MockFactory(pin_class=WiredPin)
        self._stop_pressed = False
        if self.pins.stop_sense is not None:
            self.press_stop(False)
        self._folder = Path(tempfile.mkdtemp(prefix="tallypan-bay-"))
        self.pump_file = self._folder / "pump.pin"
        self._pump_pin = _pin_file(self.pump_file)
        fitted = {"fine": self.pins.pump_fine, "cutoff": self.pins.pump_cutoff, "watch": self.pins.pump_watch}
        self.pump_files = {
            name: self._folder / f"{name}.pin" for name, pin in fitted.items() if pin is not None
        }
        self._more_pins = {name: _pin_file(path) for name, path in self.pump_files.items()}
        self.thermometers = {source: self._folder / f"28-{source}" for source in plant.temperatures()}
        self._unplugged: set[str] = set()
        self._warmth_c: dict[str, float] = {}
        self._write_temperatures()
        self._temperatures_due_s = TEMPERATURE_STEP_S
        self._pulses_driven = self._pulses()
        self._stepped_s = self.clock()
        self._ticker = Ticker("simulated bay", self._step, STEP_S, clock=self.clock)

    def start(self) -> None:
        """Let time run. Needs a speed above 0."""
        if isinstance(self.clock, VirtualClock):
            raise RuntimeError("this bay has a virtual clock (speed 0); call advance(dt_s)")
        self._stepped_s = self.clock()
        self._ticker.start()

    def advance(self, dt_s: float) -> None:
        """Move a virtual clock and the plant with it."""
        self.clock.sleep(dt_s)
        self._step()

    def close(self) -> None:
        """Stop time and take the bay down. Close the rig first."""
        self._ticker.stop()
        for pin in (self._pump_pin, *self._more_pins.values()):
            pin.close()
        self.factory.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    @property
    def speed(self) -> float:
        """Get bay seconds per second of the wall; 0 on a virtual clock."""
        return self.clock.speed if isinstance(self.clock, BayClock) else 0.0

    def set_speed(self, speed: float) -> None:
        """Let time run faster or slower from now on."""
        if not isinstance(self.clock, BayClock):
            raise RuntimeError("this bay has a virtual clock (speed 0); call advance(dt_s)")
        self.clock.set_speed(speed)

    def replace_plant(self, plant: Plant) -> None:
        """Roll in another vehicle. The meter's count goes on from where it was."""
        with self.lock:
            self.plant = plant
            self._pulses_driven = self._pulses()

    def readers_clock(self, reader: str, ahead_s: float) -> ReadersClock:
        """Get the clock for a thread that reads the bay: time runs ahead of its last question by so much and no more."""
        return ReadersClock(self.clock, reader, ahead_s)

    @property
    def pump_on(self) -> bool:
        """Get the level on the relay's wire."""
        return level_of(self._pump_pin) == 1

    @property
    def cut(self) -> bool:
        """Whether the hard-wired stop or the second contact holds the pump's circuit open."""
        cutoff = self._more_pins.get("cutoff")
        return self._stop_pressed or (cutoff is not None and level_of(cutoff) == 0)

    def count(self, source: str) -> int:
        """One conversion of a pan's cell, for what stands at the far end of a line in its place."""
        return self._count() if source == "pan" else self._count_b()

    # the world

    def hold_pendant(self, held: bool) -> None:
        """Press or let go of the pendant: a contact to ground."""
        self._ground(self.pins.pendant, held)

    def press_stop(self, pressed: bool) -> None:
        """Press or release the hard-wired stop: it opens the pump's circuit, and its sense contact."""
        if self.pins.stop_sense is None:
            raise ValueError("stop_sense has no pin in this bay's plan; give it one to press the stop")
        self._stop_pressed = pressed
        self._ground(self.pins.stop_sense, not pressed)

    def fault_pump_pin(self, fault: str) -> None:
        """Stick the pump's pin: none, stuck on, stuck off."""
        if fault not in PIN_FAULTS:
            raise ValueError(f"pump pin fault is {fault!r}; expected one of {', '.join(PIN_FAULTS)}")
        self._pump_pin[1] = PIN_FAULTS[fault]

    def unplug_thermometer(self, source: str) -> None:
        """Take a sensor off the bus: the kernel removes its folder."""
        with self.lock:
            self._unplugged.add(source)
            shutil.rmtree(self.thermometers[source], ignore_errors=True)

    def plug_thermometer(self, source: str) -> None:
        with self.lock:
            self._unplugged.discard(source)
            self._write_temperatures()

    def warm_thermometer(self, source: str) -> None:
        """Take a sensor into the hand for a moment; it cools again by itself."""
        with self.lock:
            self._warmth_c[source] = IN_HAND_C

    # inside

    def _count(self) -> int:
        with self.lock:
            return self.plant.adc_count()

    def _count_b(self) -> int:
        with self.lock:
            return int(self.plant.adc_count_b())  # type: ignore[attr-defined]  # only a plant with two pans has it

    def _wire(self, source: str, count: Callable[[], int], pins: PinMap, rate_sps: float) -> Wire:
        attend = self.readers_clock(source, LOOK_PERIODS / rate_sps)
        return Wire(count, self.clock, attend, pins.pan_dout, pins.pan_sck, rate_sps)

    def _pulses(self) -> tuple[int, int]:
        return self.plant.pulses, getattr(self.plant, "pulses_b", self.plant.pulses)

    def _step(self) -> None:
        """Bring the plant up to now in equal steps. Now waits for it: see ``BayClock``."""
        if isinstance(self.clock, BayClock):
            self.clock.go_on()
        while self.clock() - self._stepped_s >= STEP_S - 1e-9:
            self._stepped_s += STEP_S
            with self.lock:
                line = getattr(self.plant, "line", None)  # a plant without a pump's line has nothing to cut
                if line is not None:
                    fine = self._more_pins.get("fine")
                    line.cut, line.fine = self.cut, fine is not None and level_of(fine) == 1
                self.plant.advance(STEP_S, self.pump_on)
                pulses = self._pulses()
                owed = tuple(now - before for now, before in zip(pulses, self._pulses_driven, strict=True))
                self._pulses_driven = pulses
            for meter, n in zip((self.pins.meter, self.pins.meter_b), owed, strict=True):
                for _ in range(n if meter is not None else 0):
                    self._ground(int(meter or 0), True)
                    self._ground(int(meter or 0), False)
            self._temperatures_due_s -= STEP_S
            if self._temperatures_due_s <= 0:
                self._temperatures_due_s += TEMPERATURE_STEP_S
                with self.lock:
                    kept = 1.0 - TEMPERATURE_STEP_S / COOLS_S
                    self._warmth_c = {source: kept * warmth for source, warmth in self._warmth_c.items()}
                    self._write_temperatures()

    def _ground(self, number: int, grounded: bool) -> None:
        pin: WiredPin = self.factory.pin(number)
        pin.ground(grounded)

    def _write_temperatures(self) -> None:
        """Write what the kernel would show: millidegrees, in the sensor's steps of 1/16 °C."""
        for source, temperature_c in self.plant.temperatures().items():
            if source in self._unplugged:
                continue
            folder = self.thermometers[source]
            folder.mkdir(exist_ok=True)
            fresh = folder / "temperature.new"
            temperature_c += self._warmth_c.get(source, 0.0)
            fresh.write_text(f"{round(round(temperature_c * 16) / 16 * 1000)}\n", encoding="ascii")
            fresh.replace(folder / "temperature")
