"""Meter pulses behind one small port: a count since the start, whoever counts."""

import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any, Protocol

from gpiozero import InputDevice

from hardware.errors import PulseSourceError
from hardware.sample import Sample
from hardware.ticker import Ticker

DEBOUNCE_S = 200e-6  # well below half a period of the fastest train, or the kernel would swallow pulses
EVENT_BUFFER = 1024
HEADER_LABELS = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835")  # Pi 5, Pi 4, Pi 3 and before


class PulseCounter(Protocol):
    """Counts one edge per pulse. ``count`` never falls and starts at 0."""

    def count(self) -> int:
        """Get the pulses since the start. Raises PulseSourceError when the input cannot be read."""

    def close(self) -> None:
        """Let go of the pin."""


class GpiozeroPulseCounter:
    """Counts falling edges in gpiozero's thread; right up to about 100 pulses per second.

    Python counts, so a stalled process may lose pulses: on a Pi prefer GpiodPulseCounter.
    pin: BCM number, pulled up, for an open-collector meter. factory: a gpiozero pin factory.
    """

    def __init__(self, pin: int, factory: Any) -> None:
        self._count = 0
        self._device = InputDevice(pin, pull_up=True, pin_factory=factory)
        self._device.pin.edges = "falling"
        # gpiozero keeps only a weak reference; the bound method lives as long as this object does.
        self._device.pin.when_changed = self._on_edge

    def _on_edge(self, _ticks: float, state: int) -> None:
        # An exception in any callback would end gpiozero's one notify thread, and with it every input.
        if not state:
            self._count += 1

    def count(self) -> int:
        if self._device.closed:
            raise PulseSourceError("the pulse input is closed; open the rig again")
        return self._count

    def close(self) -> None:
        self._device.close()


def chip_paths() -> list[str]:
    """Get the device files of all GPIO chips."""
    return sorted(str(path) for path in Path("/dev").glob("gpiochip*"))


def open_line(line: int, labels: tuple[str, ...] = HEADER_LABELS) -> Any:
    """Get a request for falling edges on one line of the first GPIO chip that bears one of the labels.

    The chip's number differs between Pi models and kernels; its label does not.
    Raises PulseSourceError when gpiod is missing, no chip has such a label, or the line is taken.
    """
    try:
        import gpiod
        from gpiod.line import Bias, Clock, Edge
    except ImportError as error:
        raise PulseSourceError("gpiod is not installed; install the project with its extra [pi]") from error
    seen = []
    for path in chip_paths():
        with gpiod.Chip(path) as chip:
            seen.append(chip.get_info().label)
        if seen[-1] in labels:
            break
    else:
        raise PulseSourceError(
            f"no GPIO chip is labelled {' or '.join(labels)}; found {', '.join(seen) or 'none'}. "
            "Is this a Raspberry Pi, and is the user in the group gpio?"
        )
    settings = gpiod.LineSettings(
        edge_detection=Edge.FALLING,
        bias=Bias.PULL_UP,
        debounce_period=timedelta(seconds=DEBOUNCE_S),
        event_clock=Clock.MONOTONIC,
    )
    try:
        return gpiod.request_lines(
            path, config={line: settings}, consumer="tallypan", event_buffer_size=EVENT_BUFFER
        )
    except OSError as error:
        raise PulseSourceError(
            f"line {line} of {seen[-1]} cannot be claimed ({error}); who else uses it?"
        ) from error


class GpiodPulseCounter:
    """Counts by the kernel's own line sequence number, which stays true while Python stalls.

    The kernel numbers each edge before it queues it, and drops the oldest when its queue is full
    (drivers/gpio/gpiolib-cdev.c): the newest number is the count, however many events were lost.
    request: a gpiod line request for one line.
    """

    def __init__(self, request: Any) -> None:
        self._request = request
        self._count = 0
        self._last = 0

    def count(self) -> int:
        try:
            while self._request.wait_edge_events(0):
                newest = self._request.read_edge_events()[-1].line_seqno
                self._count += (newest - self._last) & 0xFFFFFFFF  # the kernel's counter is 32 bits wide
                self._last = newest
        except OSError as error:
            raise PulseSourceError(f"the pulse input cannot be read: {error}") from error
        return self._count

    def close(self) -> None:
        self._request.release()


class MeterPoller:
    """Emits the cumulative count at a steady rate, also while it stands still: silence is then a fault.

    source: ``meter`` or ``meter_b``; ``<source>_state`` is ``ok`` or ``failed``. interval_s: seconds.
    """

    def __init__(
        self,
        counter: PulseCounter,
        put: Callable[[Sample], None],
        source: str = "meter",
        interval_s: float = 0.05,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._counter, self._put, self._source, self._clock = counter, put, source, clock
        self._state: str | None = None
        self._ticker = Ticker(source, self.poll, interval_s, clock=clock)

    def poll(self) -> None:
        """Emit one count, or the state ``failed`` when the counter cannot be read."""
        try:
            count = self._counter.count()
        except Exception:
            self._become("failed")
            raise
        self._become("ok")
        self._put(Sample(self._clock(), self._source, count))

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        self._ticker.stop()

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), f"{self._source}_state", state))
