"""Clocks of a simulated bay."""

import threading
import time
from collections.abc import Callable

MOST_AHEAD_S = 0.06
"""Wall seconds by which the clock runs ahead of the plant's last step: three of its steps."""
MOST_LATE_S = 0.3
"""Bay seconds of the same, however fast time runs: what came out of the plug in three was a bolt that fell into the pan."""
GIVEN_UP_S = 5.0
"""Wall seconds for which the clock waits for a reader: one that stays away longer has ended. On a computer that is busy ten
times over a thread may be kept waiting for two."""


class BayClock:
    """Monotonic seconds of a plant, ``speed`` times as fast as the wall's while the computer keeps up.

    The plant says ``go_on`` each time it has come up to now. Where it does not come to that, for a busy computer or
    a stalled process, the clock waits for it: simulated time slows down, so no sensor is late by more than a moment
    and none seems silent because the machine was busy. It waits as well for those who read the bay and say ``attend``
    at each look, since a reader's thread may be held up while the plant's is not.

    wall: monotonic seconds.
    """

    def __init__(self, speed: float = 1.0, wall: Callable[[], float] = time.monotonic) -> None:
        if not speed > 0:
            raise ValueError(f"speed is {speed}; expected more than 0, 1 for real time")
        self._speed = speed
        self._wall = wall
        self._lock = threading.Lock()
        self._bay_s = self._wall_s = wall()
        self._looked: dict[
            str, tuple[float, float]
        ] = {}  # bay seconds up to which time may run, wall seconds

    @property
    def speed(self) -> float:
        return self._speed

    def set_speed(self, speed: float) -> None:
        """Run faster or slower from now on, without a jump."""
        if not speed > 0:
            raise ValueError(f"speed is {speed}; expected more than 0, 1 for real time")
        with self._lock:
            self._take_up()
            self._speed = speed

    def go_on(self) -> None:
        """The plant has come up to now; time that passed while it could not is dropped."""
        with self._lock:
            self._take_up()

    def attend(self, reader: str, ahead_s: float) -> float:
        """Say that the bay is being read, now, by one of its readers; now. ahead_s: bay seconds by which the clock runs
        ahead of this look."""
        with self._lock:
            wall_s = self._wall()
            bay_s = self._at(wall_s)
            self._looked[reader] = bay_s + ahead_s, wall_s
            return bay_s

    def __call__(self) -> float:
        with self._lock:
            return self._at(self._wall())

    def sleep(self, duration_s: float) -> None:
        time.sleep(duration_s / self._speed)

    def _at(self, wall_s: float) -> float:
        bay_s = self._bay_s + min(min(wall_s - self._wall_s, MOST_AHEAD_S) * self._speed, MOST_LATE_S)
        for until_s, looked_s in self._looked.values():
            if wall_s - looked_s < GIVEN_UP_S:
                bay_s = min(bay_s, until_s)
        return max(self._bay_s, bay_s)

    def _take_up(self) -> None:
        wall_s = self._wall()
        self._bay_s, self._wall_s = self._at(wall_s), wall_s


class VirtualClock:
    """Seconds that pass only when somebody sleeps."""

    def __init__(self, now_s: float = 0.0) -> None:
        self._now_s = now_s

    def __call__(self) -> float:
        return self._now_s

    def attend(self, reader: str, ahead_s: float) -> float:
        """Nobody need be waited for: whoever sleeps is whoever reads."""
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        self._now_s += duration_s


class ReadersClock:
    """A bay's clock for one of its readers, whose every question is a look: time waits for it."""

    def __init__(self, clock: BayClock | VirtualClock, reader: str, ahead_s: float) -> None:
        self._clock, self._reader, self._ahead_s = clock, reader, ahead_s

    @property
    def speed(self) -> float:
        return self._clock.speed if isinstance(self._clock, BayClock) else 1.0

    def __call__(self) -> float:
        return self._clock.attend(self._reader, self._ahead_s)


class WireClock:
    """Time as the simulated wire sees it: the base clock between bursts, microseconds within them.

    A laptop interrupts a Python process for milliseconds, which a real converter would take for power-downs.
    So from the look that finds a conversion ready to the first look after its burst, each pin operation takes
    ``operation_s`` and nothing else counts; a stall is something that a test asks for, by an operation that
    takes longer.
    """

    def __init__(
        self,
        base: Callable[[], float],
        sleep: Callable[[float], None],
        operation_s: float = 1e-6,
        attend: Callable[[], object] = lambda: None,
    ) -> None:
        self._base, self._sleep, self._operation_s, self._attend = base, sleep, operation_s, attend
        self._now_s = base()
        self._held = False

    def __call__(self) -> float:
        return self._now_s if self._held else max(self._now_s, self._base())

    def write(self, in_burst: bool) -> None:
        """Count one write to a chip's pin. in_burst: whether the chip is now in the middle of one."""
        self._now_s = self() + self._operation_s
        self._held = self._held or in_burst  # the last pulse ends with a write; only a look ends the burst

    def look(self, in_burst: bool) -> None:
        """Count one read of a chip's pin. in_burst: whether a burst begins here or goes on."""
        self._attend()
        self._now_s = self() + self._operation_s
        self._held = in_burst

    def sleep(self, duration_s: float) -> None:
        self._now_s = self() + duration_s
        self._held = False
        self._sleep(duration_s)
