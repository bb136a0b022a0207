"""The load cell: a 24-bit bridge converter of the HX711 type, read so that no fault becomes a figure.

The bits are moved by the ``hx711`` package's single read. Its other doors are not used: they drop readings
of 0 and -1, wait for ever on a dead chip, and retry into the middle of an unfinished word. The driver sees
its pins through a tap that counts clock pulses and keeps the bits, so that what the driver returns as one
``False`` is told apart here: not ready, a clock pulse too long, or full scale.

What one burst proves: 25 pulses, none of them long, taken while one conversion stood, and DOUT high after
them. Anything else is a named state, the chip is power-cycled by its clock line, and the conversions that it
needs to settle are dropped.

What one burst cannot prove: that noise on the clock wire added no pulse, or took none while the word's lowest
bit was 1, or that no wire broke within the third of a millisecond that it lasts. So a count that looks like the
one before it with such a slip is not emitted; the next one is.
"""

import importlib.util
import logging
import time
from collections.abc import Callable
from types import ModuleType, SimpleNamespace
from typing import Any

from hardware.errors import HardwareError, TimingFault
from hardware.sample import Sample
from hardware.slips import could_be_slip
from hardware.ticker import Ticker

BURST_PULSES = 25  # 24 bits and one more: channel A, gain 128, the chip's power-on default (HX711 datasheet)
RESET_HIGH_S = 200e-6  # the chip powers down after 60 µs of high clock (HX711 datasheet); three times that
SETTLING_CONVERSIONS = 4  # output settling time after reset, 400 ms at 10 per second (HX711 datasheet)
FULL_SCALE = {0x7FFFFF: 8_388_607, 0x800000: -8_388_608}  # word -> count
NOT_READY_S = 0.55  # longer than a conversion that was due and a settling of its own accord after it
LATE_S = 0.7
SKIPPED_PERIODS = 2.5
STUCK_READINGS = 9  # a live bridge at gain 128 does not repeat a 24-bit count that often
STUCK_S = 0.75


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
        self.ready_s = 0.0
        self.high_s = float("-inf")  # when DOUT was last seen high between bursts

    def begin(self) -> None:
        self.pulses = self.word = 0

    def output(self, pin: int, level: bool) -> None:
        if level:
            self.pulses += 1
        self._gpio.output(pin, level)

    def input(self, pin: int) -> int:
        level: int = self._gpio.input(pin)
        if self.pulses:
            self.word = (self.word << 1) | level
        elif level:
            self.high_s = self._clock()
        else:
            self.ready_s = self._clock()
        return level

    def dout_is_high(self) -> bool:
        """Look at DOUT after a burst, when the chip must hold it high until its next conversion."""
        if not self._gpio.input(self._dout):
            return False
        self.high_s = self._clock()
        return True

    def release(self) -> None:
        self._gpio.cleanup(self._dout)
        self._gpio.cleanup(self._sck)

    def clock_level(self, level: bool) -> None:
        self._gpio.output(self._sck, level)


def _reader(driver: ModuleType) -> type:
    """Get the driver's class with its two recursive doors shut."""

    class Reader(driver.HX711):  # type: ignore[name-defined,misc]  # the driver has no types
        def _apply_setting(self) -> bool:
            return True  # the stock one reads once and sleeps half a second; our reset does the settling

        def get_raw_data(self, times: int = 5) -> list[int]:
            # Called by the driver's own _set_channel_gain when the 25th pulse came out long.
            raise TimingFault("the 25th clock pulse took more than 60 µs; the chip may have powered down")

    return Reader


class LoadCell:
    """Emits ``pan`` counts, and ``pan_state`` in ok, unplugged, saturated, stuck, misaligned, timing.

    dout, sck: BCM numbers. put: takes each Sample. clock, sleep: monotonic seconds; give both a virtual pair
    in tests. gpio: an RPi.GPIO-shaped object; default the installed ``RPi.GPIO``. rate_sps: conversions per
    second that the chip's rate pin selects. Raises HardwareError when there is no GPIO library.
    """

    def __init__(
        self,
        dout: int,
        sck: int,
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        gpio: Any = None,
        rate_sps: float = 10.0,
    ) -> None:
        if not rate_sps > 0:
            raise ValueError(f"rate_sps is {rate_sps}; expected conversions per second above 0, as 10 or 80")
        self._put, self._clock, self._sleep = put, clock, sleep
        self._period_s = 1.0 / rate_sps
        # The driver sleeps 10 ms between looks; a twentieth of a period keeps a late look short at any rate.
        driver = load_driver(gpio, clock, lambda _seconds: sleep(self._period_s / 20))
        self._tap = _Tap(driver.GPIO, dout, sck, clock)
        driver.__dict__["GPIO"] = self._tap
        self._reader = _reader(driver)(dout, sck)
        self._ticker = Ticker("load cell", self.poll, 0.0, self._failed)
        self._state: str | None = None
        self._to_drop = 0
        self._started = False
        self._alive_s = clock()  # when the chip last gave, or after a reset owed, a conversion
        self._good_s = self._alive_s
        self._previous: int | None = None
        self._doubted = False
        self._same: tuple[int, int, float] | None = None  # count, how often, since when

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        """Stop reading, for good, and let go of both pins."""
        self._ticker.stop()
        self._tap.release()

    def poll(self) -> None:
        """Try one reading: at most one ``pan`` sample, and a ``pan_state`` sample if that changed."""
        if not self._started:
            self._reset()
            self._started = True
        tap = self._tap
        tap.begin()
        try:
            returned = self._reader._read(max_tries=4)
        except TimingFault:
            self._fault("timing")
            return
        if tap.pulses == 0:
            self._not_ready()
            return
        ended_s = self._clock()
        seen_high_s = tap.high_s
        if tap.pulses != BURST_PULSES:
            self._fault("timing")
        elif not tap.dout_is_high():
            self._fault("stuck" if tap.word == 0 else "misaligned")
        elif seen_high_s - self._alive_s > SKIPPED_PERIODS * self._period_s:
            # It skipped conversions: unplugged and back, a supply dip, or a stray pulse chose channel B.
            self._fault("unplugged" if self._state == "unplugged" else "misaligned")
        elif self._to_drop > 0:
            self._to_drop -= 1
            self._alive_s = self._good_s = tap.high_s
        elif ended_s - seen_high_s > 0.8 * self._period_s:
            # This thread looked too late: the next conversion may have come while this one was clocked out.
            # DOUT was high after it, so the chip is in step again at its next conversion at the latest.
            self._alive_s = tap.high_s
            if ended_s - self._good_s > LATE_S:
                self._become("timing")
        else:
            self._alive_s = self._good_s = tap.high_s
            # The driver answers full scale with False, and a reading of 0 with 0: only identity tells.
            self._good(FULL_SCALE[tap.word] if returned is False else returned, tap.ready_s)

    def _good(self, count: int, ready_s: float) -> None:
        if count in FULL_SCALE.values():
            self._same = None
            self._become("saturated")
        else:
            if self._same is None or self._same[0] != count:
                self._same = (count, 0, ready_s)
            self._same = (count, self._same[1] + 1, self._same[2])
            if self._same[1] >= STUCK_READINGS and ready_s - self._same[2] >= STUCK_S:
                self._become("stuck")
                return
            previous, self._previous = self._previous, count
            if not self._doubted and previous is not None and could_be_slip(count, previous):
                self._doubted, self._previous = True, previous
                return
            self._doubted = False
            self._become("ok")
        self._put(Sample(ready_s, "pan", count))

    def _not_ready(self) -> None:
        """Name a silent chip once it has had time for its next conversion, or for settling after a reset."""
        if self._clock() - self._alive_s >= NOT_READY_S:
            self._become("unplugged")

    def _fault(self, state: str) -> None:
        self._become(state)
        self._reset()
        self._sleep(self._period_s)

    def _failed(self, _error: Exception) -> None:
        """The pins themselves could not be used: to the station that is a chip it cannot reach."""
        self._become("unplugged")
        self._started = False

    def _reset(self) -> None:
        """Power the chip down and up by its clock, and drop what it gives while settling."""
        self._tap.clock_level(True)
        self._sleep(RESET_HIGH_S)
        self._tap.clock_level(False)
        self._alive_s = self._clock() + SETTLING_CONVERSIONS * self._period_s
        self._to_drop = SETTLING_CONVERSIONS
        self._same = None

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), "pan_state", state))
