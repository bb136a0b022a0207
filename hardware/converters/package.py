"""Through the ``hx711`` package's single read, on whatever library stands behind ``RPi.GPIO``: the portable reader.

The package's other doors are not used: they drop readings of 0 and -1, wait for ever on a dead chip, and retry into
the middle of an unfinished word. It sees its pins through a tap that counts and times clock pulses and keeps the bits,
so that what it returns as one ``False`` is told apart: not ready, a clock pulse too long, or full scale.
"""

import importlib.util
import logging
import time
from collections.abc import Callable
from types import ModuleType, SimpleNamespace
from typing import Any

from hardware.converters.port import BURST_PULSES, LOOKS, RESET_HIGH_S, Burst
from hardware.errors import HardwareError, TimingFault


def load_driver(gpio: Any, clock: Callable[[], float], sleep: Callable[[float], None]) -> ModuleType:
    """Get a private copy of the ``hx711`` module that uses these pins, this clock and a logger of its own.

    Private, because the driver keeps pins, time and logging as module globals: a copy per load cell keeps two
    cells apart, and keeps ``logging.debug`` of the driver from configuring the root logger.
    Raises HardwareError when neither a Pi's GPIO library nor the simulated one is installed.
    """
    spec = importlib.util.find_spec("hx711")
    if spec is None or spec.loader is None:
        raise HardwareError("the hx711 package is not installed; install the project's dependencies")
    driver = importlib.util.module_from_spec(spec)
    try:
        spec.loader.exec_module(driver)
    except (ImportError, RuntimeError) as error:
        raise HardwareError(
            f"the load-cell driver found no GPIO library ({error}); on a Pi install the extra [pi], "
            "elsewhere ask for the simulated bay by name"
        ) from error
    if gpio is not None:
        driver.__dict__["GPIO"] = gpio
    driver.__dict__.update(
        time=SimpleNamespace(perf_counter=clock, sleep=sleep),
        logging=logging.getLogger("hardware.loadcell.driver"),
    )
    return driver


class _Tap:
    """The pins as the driver sees them, keeping a tally of the burst. Lean: it runs inside timed pulses."""

    def __init__(self, gpio: Any, dout: int, sck: int, clock: Callable[[], float]) -> None:
        self._gpio, self._dout, self._sck, self._clock = gpio, dout, sck, clock
        self.BCM, self.IN, self.OUT = gpio.BCM, gpio.IN, gpio.OUT
        self.setmode, self.setup = gpio.setmode, gpio.setup
        self.pulses = 0
        self.word = 0
        self.rise_s = 0.0
        self.longest_s = 0.0
        self.ready_s = 0.0
        self.high_s = float("-inf")  # when DOUT was last seen high between bursts

    def begin(self) -> None:
        self.pulses = self.word = 0
        self.longest_s = 0.0

    def output(self, pin: int, level: bool) -> None:
        if level:
            self.pulses += 1
            self.rise_s = self._clock()
            self._gpio.output(pin, level)
            return
        self._gpio.output(pin, level)
        if self.pulses and (high_s := self._clock() - self.rise_s) > self.longest_s:
            self.longest_s = high_s

    def input(self, pin: int) -> int:
        level: int = self._gpio.input(pin)
        if self.pulses:
            self.word = (self.word << 1) | level
        elif level:
            self.high_s = self._clock()
        else:
            self.ready_s = self._clock()
        return level

    def after(self) -> float | None:
        """Look at DOUT after a burst, when the chip must hold it high until its next conversion."""
        if not self._gpio.input(self._dout):
            return None
        self.high_s = self._clock()
        return self.high_s

    def release(self) -> None:
        self._gpio.cleanup(self._dout)
        self._gpio.cleanup(self._sck)

    def clock_level(self, level: bool) -> None:
        self._gpio.output(self._sck, level)


def _reader(driver: ModuleType) -> type:
    """Get the driver's class with its two recursive doors shut."""

    class Reader(driver.HX711):  # type: ignore[name-defined,misc]  # the driver has no types
        def _apply_setting(self) -> bool:
            return True  # the stock one reads once and sleeps half a second; the load cell drops what settles

        def get_raw_data(self, times: int = 5) -> list[int]:
            # Called by the driver's own _set_channel_gain when the 25th pulse came out long.
            raise TimingFault("the 25th clock pulse took more than 60 µs; the chip may have powered down")

    return Reader


class PackageConverter:
    """dout, sck: BCM numbers. gpio: an RPi.GPIO-shaped object; default the installed ``RPi.GPIO``.

    Raises HardwareError when there is no GPIO library.
    """

    name = "package"

    def __init__(
        self,
        dout: int,
        sck: int,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        rate_sps: float = 10.0,
        gpio: Any = None,
    ) -> None:
        self._clock, self._sleep, self._sck = clock, sleep, sck
        # The driver sleeps 10 ms between looks; a twentieth of a period keeps a late look short at any rate.
        driver = load_driver(gpio, clock, lambda _seconds: sleep(1.0 / rate_sps / 20))
        self._tap = _Tap(driver.GPIO, dout, sck, clock)
        driver.__dict__["GPIO"] = self._tap
        self._reader = _reader(driver)(dout, sck)

    def burst(self) -> Burst | None:
        tap = self._tap
        tap.begin()
        too_long = False
        try:
            self._reader._read(max_tries=LOOKS)  # its answer is less than what the tap has seen
        except TimingFault:
            too_long = True
        if tap.pulses == 0:
            return None
        longest_s = float("inf") if too_long else tap.longest_s
        ended_s, seen_high_s = self._clock(), tap.high_s
        whole = tap.pulses == BURST_PULSES and not too_long
        after_s = tap.after() if whole else None
        return Burst(tap.word, tap.pulses, longest_s, seen_high_s, tap.ready_s, ended_s, after_s)

    def reset(self) -> None:
        self._tap.clock_level(True)
        self._sleep(RESET_HIGH_S)
        self._tap.clock_level(False)

    def trial_s(self, pulses: int) -> list[float]:
        taken = []
        for _ in range(pulses):
            self._tap.begin()
            self._tap.output(self._sck, True)
            self._tap.output(self._sck, False)
            taken.append(self._tap.longest_s)
        return taken

    def release(self) -> None:
        self._tap.release()
