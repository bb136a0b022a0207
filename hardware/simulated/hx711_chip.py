"""A 24-bit bridge converter of the HX711 type, bit by bit.

Written from the HX711 datasheet: DOUT falls when a conversion is ready; each rising clock edge shifts out one
bit, highest first; the 25th pulse lifts DOUT; 25, 26 or 27 pulses choose channel A at gain 128, B at 32 or A
at 64 for the next conversion; clock high for 60 µs powers the chip down, clock low afterwards resets it to
channel A at gain 128; after a reset or a change of channel or gain DOUT stays high for four conversions.

An unfinished burst stays unfinished until the next conversion (an assumption; the datasheet is silent).
"""

import threading
from collections.abc import Callable

POWER_DOWN_S = 60e-6
HIGHEST, LOWEST = 0x7FFFFF, -0x800000
DIVISORS = {25: 1, 27: 2}  # pulses -> by how much less the bridge's signal counts than at gain 128


class Hx711Chip:
    """Shows ``count()`` of the bridge at gain 128, clipped to 24 bits, to whoever clocks it.

    clock: seconds. rate_sps: conversions per second. other_count: channel B. settling_shown: show the four
    unsettled conversions after a reset instead of hiding them, as some chips of the type do.
    """

    def __init__(
        self,
        count: Callable[[], int],
        clock: Callable[[], float],
        rate_sps: float = 10.0,
        other_count: int = 0,
        settling: int = 4,
        settling_shown: bool = False,
    ) -> None:
        self._count, self._clock, self._other_count = count, clock, other_count
        self._period_s = 1.0 / rate_sps
        self._settling, self._settling_shown = settling, settling_shown
        self._lock = threading.RLock()
        self._clock_high_s: float | None = None
        self._pulses = 0
        self._setting = self._setting_before = 25
        self._unsettled = 0
        self._word = 0
        self._ready = False
        self._fault = ""
        self._swallow = 0
        self._restart(clock())

    # the wire

    @property
    def in_burst(self) -> bool:
        return self._clock_high_s is not None or 0 < self._pulses < 25

    def set_clock(self, level: bool) -> None:
        with self._lock:
            now_s = self._clock()
            self._convert_until(now_s)
            if level and self._clock_high_s is None:
                self._clock_high_s = now_s
                self._pulse()
            elif not level and self._clock_high_s is not None:
                powered_down = now_s - self._clock_high_s > POWER_DOWN_S
                self._clock_high_s = None
                if powered_down:
                    self._restart(now_s)

    def data(self) -> int:
        with self._lock:
            now_s = self._clock()
            self._convert_until(now_s)
            if self._fault == "low":
                return 0
            if self._fault == "unplugged" or self._is_down(now_s):
                return 1
            if self._pulses == 0:
                return int(not self._ready)
            if self._pulses <= 24:
                return (self._word >> (24 - self._pulses)) & 1
            return 1

    # the world

    def unplug(self) -> None:
        """Pull the plug: the Pi's pull-up holds the data line high."""
        self._fault = "unplugged"

    def stick_low(self) -> None:
        """Short the data line to ground."""
        self._fault = "low"

    def freeze(self) -> None:
        """Keep converting, but always to the same word."""
        self._fault = "frozen"

    def swallow_pulses(self, n: int = 1) -> None:
        """Let the chip miss the next n clock pulses, as a loose clock wire would."""
        self._swallow = n

    def repair(self) -> None:
        """Undo every fault; a chip that was unplugged starts anew."""
        with self._lock:
            if self._fault == "unplugged":
                self._restart(self._clock())
            self._fault = ""
            self._swallow = 0

    # inside

    def _is_down(self, now_s: float) -> bool:
        return self._clock_high_s is not None and now_s - self._clock_high_s > POWER_DOWN_S

    def _restart(self, now_s: float) -> None:
        self._pulses = 0
        self._ready = False
        self._setting = self._setting_before = 25
        self._settle(now_s)

    def _settle(self, now_s: float) -> None:
        hidden = 0 if self._settling_shown else self._settling
        self._unsettled = self._settling if self._settling_shown else 0
        self._next_s = now_s + (hidden + 1 if self._settling_shown else hidden) * self._period_s

    def _pulse(self) -> None:
        if self._swallow > 0:
            self._swallow -= 1
            return
        if not self._ready and self._pulses == 0:
            return
        self._pulses += 1
        self._ready = False
        if self._pulses >= 25:
            self._setting = min(self._pulses, 27)

    def _convert_until(self, now_s: float) -> None:
        """Finish the conversions that fell due; only the last of them is still there to be seen."""
        if now_s < self._next_s or self._is_down(now_s):
            return
        if self._setting != self._setting_before:
            self._setting_before = self._setting
            self._pulses = 0
            self._ready = False
            self._settle(self._next_s)
            if now_s < self._next_s:
                return
        due = int((now_s - self._next_s) / self._period_s) + 1
        self._next_s += due * self._period_s
        self._pulses = 0
        self._ready = True
        if self._fault != "frozen":
            self._word = self._convert(due) & 0xFFFFFF

    def _convert(self, due: int) -> int:
        value = self._other_count if self._setting == 26 else self._count() // DIVISORS[self._setting]
        self._unsettled = max(0, self._unsettled - due + 1)
        if self._unsettled > 0:
            value //= 1 + self._unsettled  # part of the way from zero, as a filter that has not filled yet
            self._unsettled -= 1
        return min(max(value, LOWEST), HIGHEST)
