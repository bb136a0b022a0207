"""What the technician touches and sees: pendant, stop sense, lamp, buzzer."""

import threading
import time
from collections.abc import Callable
from typing import Any

from gpiozero import LED, Button, Buzzer

from hardware.sample import Sample
from hardware.ticker import Ticker

REPEAT_S = 0.05
# pattern -> seconds on, seconds off; None where it does not blink
LAMP_PATTERNS: dict[str, tuple[float, float] | None] = {
    "off": None,
    "on": None,
    "slow": (0.8, 0.8),
    "fast": (0.15, 0.15),
}
BEEP_ON_S, BEEP_OFF_S = 0.12, 0.12


class _Contact:
    """One contact to ground: 1 on change and, while 1, repeated; 0 on change."""

    def __init__(
        self, source: str, pin: int, when_closed: int, put: Callable[[Sample], None],
        clock: Callable[[], float], factory: Any,
    ) -> None:  # fmt: skip
        self._source, self._when_closed, self._put, self._clock = source, when_closed, put, clock
        self._lock = threading.Lock()
        self._last: int | None = None
        self.button = Button(pin, pull_up=True, pin_factory=factory)
        self.button.when_pressed = self._on_edge
        self.button.when_released = self._on_edge

    def _on_edge(self) -> None:
        try:
            self.poll(only_changes=True)
        except Exception:  # it would end the notify thread for all inputs; the next poll reports the fault
            return

    def poll(self, only_changes: bool = False) -> None:
        with self._lock:
            level = self._when_closed if self.button.is_pressed else 1 - self._when_closed
            if level != self._last or (level == 1 and not only_changes):
                self._last = level
                self._put(Sample(self._clock(), self._source, level))


class Panel:
    """Emits ``pendant`` and ``stop_open`` (0 or 1) and drives the lamp and the buzzer.

    Each is emitted at start, on each change and every 50 ms while 1. A broken wire reads as pendant not held
    and as stop open. Pins: BCM numbers, None where not fitted. factory: a gpiozero pin factory.
    """

    def __init__(
        self,
        put: Callable[[Sample], None],
        factory: Any,
        pendant: int,
        stop_sense: int | None = None,
        lamp: int | None = None,
        buzzer: int | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._contacts: list[_Contact] = []
        self._lamp: LED | None = None
        self._buzzer: Buzzer | None = None
        try:
            self._contacts.append(_Contact("pendant", pendant, 1, put, clock, factory))
            if stop_sense is not None:
                self._contacts.append(_Contact("stop_open", stop_sense, 0, put, clock, factory))
            self._lamp = None if lamp is None else LED(lamp, pin_factory=factory)
            self._buzzer = None if buzzer is None else Buzzer(buzzer, pin_factory=factory)
        except Exception:
            self.close()
            raise
        self._ticker = Ticker("panel", self.poll, REPEAT_S, clock=clock)

    def poll(self) -> None:
        """Emit what changed or is held."""
        for contact in self._contacts:
            contact.poll()

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        self._ticker.stop()

    def set_lamp(self, pattern: str) -> None:
        """Show off, on, slow or fast. Raises ValueError for any other pattern."""
        if pattern not in LAMP_PATTERNS:
            raise ValueError(f"lamp pattern is {pattern!r}; expected one of {', '.join(LAMP_PATTERNS)}")
        if self._lamp is None:
            return
        times = LAMP_PATTERNS[pattern]
        if times is not None:
            self._lamp.blink(*times)
        elif pattern == "on":
            self._lamp.on()
        else:
            self._lamp.off()

    def beep(self, n: int = 1) -> None:
        """Sound n short beeps, 1 to 10. Raises ValueError outside that range."""
        if not 1 <= n <= 10:
            raise ValueError(f"number of beeps is {n}; expected 1 to 10")
        if self._buzzer is not None:
            self._buzzer.beep(BEEP_ON_S, BEEP_OFF_S, n=n)

    def close(self) -> None:
        """Let go of the pins; lamp and buzzer off first."""
        for output in (self._lamp, self._buzzer):
            if output is not None:
                output.off()
                output.close()
        for contact in self._contacts:
            contact.button.close()
