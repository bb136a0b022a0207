"""An ``RPi.GPIO``-shaped set of pins with simulated chips behind them."""

import sys
from types import ModuleType
from typing import Protocol

from hardware.errors import PinDirection
from hardware.simulated.clock import WireClock


class Chip(Protocol):
    """What sits on a data and a clock line."""

    @property
    def in_burst(self) -> bool: ...

    def set_clock(self, level: bool) -> None: ...

    def data(self) -> int: ...


class SimulatedGpio:
    """The part of ``RPi.GPIO`` that a bit-banging driver uses, with the rules of real pins.

    Writing an input, or using a pin before its set-up, raises PinDirection.
    """

    BCM, OUT, IN, LOW, HIGH = 11, 0, 1, 0, 1  # the values of RPi.GPIO

    def __init__(self, clock: WireClock) -> None:
        self._clock = clock
        self._directions: dict[int, int] = {}
        self._levels: dict[int, int] = {}
        self._data_lines: dict[int, Chip] = {}
        self._clock_lines: dict[int, Chip] = {}

    def attach(self, chip: Chip, dout: int, sck: int) -> None:
        """Wire a chip's data output and clock input to two pins."""
        self._data_lines[dout] = chip
        self._clock_lines[sck] = chip

    def setmode(self, mode: int) -> None:
        if mode != self.BCM:
            raise ValueError(f"pin numbering is {mode}; expected BCM ({self.BCM})")

    def setup(self, pin: int, direction: int, initial: int = 0) -> None:
        self._directions[pin] = direction
        if direction == self.OUT:
            self.output(pin, bool(initial))

    def output(self, pin: int, level: bool) -> None:
        if self._directions.get(pin) != self.OUT:
            raise PinDirection(f"pin {pin} was written but is not set up as an output; call setup(pin, OUT)")
        self._levels[pin] = int(level)
        chip = self._clock_lines.get(pin)
        if chip is not None:
            chip.set_clock(bool(level))
            self._clock.write(chip.in_burst)

    def input(self, pin: int) -> int:
        if pin not in self._directions:
            raise PinDirection(f"pin {pin} was read before its set-up; call setup(pin, IN)")
        chip = self._data_lines.get(pin)
        if chip is None:
            return self._levels.get(pin, 0)
        level = chip.data()
        self._clock.look(chip.in_burst or level == self.LOW)  # a look that finds it ready begins the burst
        return level

    def cleanup(self, pin: int | None = None) -> None:
        """Forget the set-up of one pin, or of all."""
        for number in list(self._directions) if pin is None else [pin]:
            self._directions.pop(number, None)


def install(gpio: SimulatedGpio) -> None:
    """Make ``import RPi.GPIO`` give these pins. Called by name, never as a fallback.

    Raises RuntimeError when a real GPIO library is already loaded.
    """
    loaded = sys.modules.get("RPi.GPIO")
    if loaded is not None and not hasattr(loaded, "simulated_pins"):
        raise RuntimeError("a real RPi.GPIO is loaded; a simulated bay needs a process without it")
    module = ModuleType("RPi.GPIO", SimulatedGpio.__doc__)
    for name in ("BCM", "OUT", "IN", "LOW", "HIGH", "setmode", "setup", "output", "input", "cleanup"):
        setattr(module, name, getattr(gpio, name))
    module.__dict__["simulated_pins"] = gpio
    package = ModuleType("RPi")
    package.__dict__.update(GPIO=module, __path__=[])
    sys.modules["RPi"], sys.modules["RPi.GPIO"] = package, module
