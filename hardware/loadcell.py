"""The load cell: a 24-bit bridge converter of the HX711 type, read so that no fault becomes a figure.

What one burst proves, whichever reader moved its bits: 25 pulses, none of them long, taken while one conversion stood,
and DOUT high after them. Anything else is a named state, the chip is power-cycled by its clock line, and the
conversions that it needs to settle are dropped.

What one burst cannot prove: that noise on the clock wire added no pulse, or took none while the word's lowest
bit was 1, or that no wire broke within the third of a millisecond that it lasts. So a count that looks like the
one before it with such a slip is not emitted; the next one is.
"""

import time
from collections.abc import Callable

from hardware.converters.port import Converter
from hardware.sample import Sample
from hardware.slips import could_be_slip
from hardware.ticker import Ticker

SETTLING_CONVERSIONS = 4  # output settling time after reset, 400 ms at 10 per second (HX711 datasheet)
FULL_SCALE = (8_388_607, -8_388_608)
NOT_READY_S = 0.55  # longer than a conversion that was due and a settling of its own accord after it
LATE_S = 0.7
SKIPPED_PERIODS = 2.5
STUCK_READINGS = 9  # a live bridge at gain 128 does not repeat a 24-bit count that often
STUCK_S = 0.75


class LoadCell:
    """Emits its source's counts, ``pan`` or ``pan_b``, and ``<source>_state`` in ok, unplugged, saturated, stuck,
    misaligned, timing.

    converter: moves the bits, by the same clock. put: takes each Sample. clock, sleep: monotonic seconds; give both a
    virtual pair in tests. rate_sps: conversions per second that the chip's rate pin selects.
    """

    def __init__(
        self,
        converter: Converter,
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        rate_sps: float = 10.0,
        source: str = "pan",
    ) -> None:
        if not rate_sps > 0:
            raise ValueError(f"rate_sps is {rate_sps}; expected conversions per second above 0, as 10 or 80")
        self._put, self._clock, self._sleep, self._source = put, clock, sleep, source
        self._period_s = 1.0 / rate_sps
        self._converter = converter
        self._ticker = Ticker(f"load cell of {source}", self.poll, 0.0, self._failed)
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
        """Stop reading, for good, and let go of what it is read through."""
        self._ticker.stop()
        self._converter.release()

    def poll(self) -> None:
        """Try one reading: at most one sample, and one of its state if that changed."""
        if not self._started:
            self._reset()
            self._started = True
        burst = self._converter.burst()
        if burst is None:
            self._not_ready()
        elif not burst.in_time:
            self._fault("timing")
        elif burst.after_s is None:
            self._fault("stuck" if burst.word == 0 else "misaligned")
        elif burst.seen_high_s - self._alive_s > SKIPPED_PERIODS * self._period_s:
            # It skipped conversions: unplugged and back, a supply dip, or a stray pulse chose channel B.
            self._fault("unplugged" if self._state == "unplugged" else "misaligned")
        elif self._to_drop > 0:
            self._to_drop -= 1
            self._alive_s = self._good_s = burst.after_s
        elif burst.ended_s - burst.seen_high_s > 0.8 * self._period_s:
            # This thread looked too late: the next conversion may have come while this one was clocked out.
            # DOUT was high after it, so the chip is in step again at its next conversion at the latest.
            self._alive_s = burst.after_s
            if burst.ended_s - self._good_s > LATE_S:
                self._become("timing")
        else:
            self._alive_s = self._good_s = burst.after_s
            self._good(burst.count, burst.ready_s)

    def _good(self, count: int, ready_s: float) -> None:
        if count in FULL_SCALE:
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
        self._put(Sample(ready_s, self._source, count))

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
        self._converter.reset()
        self._alive_s = self._clock() + SETTLING_CONVERSIONS * self._period_s
        self._to_drop = SETTLING_CONVERSIONS
        self._same = None

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), f"{self._source}_state", state))
