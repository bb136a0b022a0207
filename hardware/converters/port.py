"""What every reader of a 24-bit bridge converter gives, however it moves the bits."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

BURST_PULSES = 25  # 24 bits and one more: channel A, gain 128, the chip's power-on default (HX711 datasheet)
POWER_DOWN_S = 60e-6
"""Clock high for this long powers the chip down (HX711 datasheet)."""
RESET_HIGH_S = 200e-6  # three times that
LOOKS = 4
"""Looks for a ready conversion before a reader gives the turn back, a twentieth of a period apart."""


@dataclass(frozen=True, slots=True)
class Burst:
    """One conversion clocked out. Times are monotonic seconds of the reader's clock.

    word: the 24 bits, highest first. pulses: how many clock pulses were sent. clock_high_s: the longest of them, an
    upper bound where a program makes them; infinite where one was found too long without saying by how much.
    seen_high_s: when DOUT was last seen high before the burst. ready_s: when it was first seen low. ended_s: after the
    last pulse. after_s: when DOUT was seen high behind the burst, as the chip must hold it; None where it was not.
    """

    word: int
    pulses: int
    clock_high_s: float
    seen_high_s: float
    ready_s: float
    ended_s: float
    after_s: float | None

    @property
    def count(self) -> int:
        """The word as a signed number, full scale included."""
        return self.word - (1 << 24) if self.word & 1 << 23 else self.word

    @property
    def in_time(self) -> bool:
        """Whether all pulses were sent and none can have powered the chip down."""
        return self.pulses == BURST_PULSES and self.clock_high_s < POWER_DOWN_S


class Converter(Protocol):
    """A way to the chip. All raise HardwareError or OSError where its pins or files cannot be used."""

    @property
    def name(self) -> str:
        """As the bay's file names it."""

    def burst(self) -> Burst | None:
        """Wait a moment for a conversion and clock it out; None while there is none."""

    def reset(self) -> None:
        """Power the chip down and up, as far as this reader can."""

    def trial_s(self, pulses: int) -> list[float]:
        """How long the clock was high in each of so many pulses, whatever the chip makes of them: reset it next."""

    def release(self) -> None:
        """Let go of pins and files, for good."""


class Waiting:
    """Looks at DOUT between bursts and keeps when it was seen high and when low."""

    def __init__(
        self,
        look: Callable[[], int],
        clock: Callable[[], float],
        sleep: Callable[[float], None],
        rate_sps: float,
    ) -> None:
        self._look, self._clock, self._sleep = look, clock, sleep
        self._pause_s = 1.0 / rate_sps / 20  # a late look stays short at any rate
        self.high_s = float("-inf")
        self.ready_s = 0.0

    def is_ready(self) -> bool:
        for _ in range(LOOKS):
            if not self._look():
                self.ready_s = self._clock()
                return True
            self.high_s = self._clock()
            self._sleep(self._pause_s)
        return False

    def after(self) -> float | None:
        """Look at DOUT after a burst, when the chip must hold it high until its next conversion."""
        if not self._look():
            return None
        self.high_s = self._clock()
        return self.high_s
