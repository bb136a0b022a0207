"""Meter pulses behind one small port: a count since the start, whoever counts, and what was wrong on the wire.

No debounce in the kernel. It is delayed work that runs on the timer tick, so every pulse shorter than 4 to 8 ms (at
250 ticks a second) is swallowed, and the line's sequence number, which counts behind it, does not know. A wire that
bounces wants a resistor, a capacitor and a Schmitt trigger; one that bounces all the same is told by its intervals.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from gpiozero import InputDevice

from hardware.errors import PulseSourceError
from hardware.guard import header_chip
from hardware.sample import Sample
from hardware.ticker import Ticker

SHORTEST_S = 500e-6
"""Two edges closer than this are a contact that bounces or noise: a meter of 400 pulses a litre at 20 L/min has 3.75 ms
between its edges; a reed bounces for 0.05 to 1 ms (common practice, no source)."""
EVENT_BUFFER = 1024
"""Edges that wait in the kernel: at 400 pulses a second they last for 1.3 s of a stalled process."""
METER_S = 0.05
"""Between two counts."""
QUIET_S = 2.0
"""So long after the last trouble on the wire is it called well again."""


@dataclass(frozen=True)
class Pulses:
    """What a counter knows. count: pulses since the start. bounced: intervals too short for a pulse, missed: edges that
    were not reported and were put back by what came before and after them; both since the last reading."""

    count: int
    bounced: int = 0
    missed: int = 0


class PulseCounter(Protocol):
    """Counts one edge per pulse. Its count never falls and starts at 0."""

    def read(self) -> Pulses:
        """Get the pulses until now. Raises PulseSourceError when the input cannot be read."""

    def close(self) -> None:
        """Let go of the pin."""


CLOSED = "the pulse input is closed; open the rig again"


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

    def read(self) -> Pulses:
        if self._device.closed:
            raise PulseSourceError(CLOSED)
        return Pulses(self._count)

    def close(self) -> None:
        self._device.close()


def open_line(line: int, chip: str | None = None) -> Any:
    """Get a request for both edges of one line, pulled up. chip: its device file; the header's where it is left out.

    Raises PulseSourceError when gpiod is missing, there is no such chip, or the line is taken.
    """
    try:
        import gpiod
        from gpiod.line import Bias, Clock, Edge
    except ImportError as error:
        raise PulseSourceError("gpiod is not installed; install the project with its extra [pi]") from error
    settings = gpiod.LineSettings(edge_detection=Edge.BOTH, bias=Bias.PULL_UP, event_clock=Clock.MONOTONIC)
    try:
        return gpiod.request_lines(
            chip or header_chip(),
            config={line: settings},
            consumer="tallypan",
            event_buffer_size=EVENT_BUFFER,
        )
    except OSError as error:
        raise PulseSourceError(f"line {line} cannot be claimed ({error}); who else uses it?") from error


class GpiodPulseCounter:
    """Counts falling edges by the kernel's own numbers of edges, which stay true while Python stalls.

    The kernel numbers each edge before it queues it, and drops the oldest when its queue is full
    (drivers/gpio/gpiolib-cdev.c). Levels alternate, so the newest edge's number and direction say how many falls there
    were, however many events were lost. The same argument finds an edge that came before the kernel had numbered the one
    before, which it does in the interrupt's thread: two rises in a row have had a fall between them. Three edges that are
    numbered as one look like one, and a pulse is gone untold.
    request: a gpiod line request for both edges of one line. shortest_s: below this two edges are no pulse.
    """

    def __init__(self, request: Any, shortest_s: float = SHORTEST_S) -> None:
        self._request, self._shortest_ns = request, round(shortest_s * 1e9)
        self._count = 0
        self._number = 0
        self._low = request.get_value(request.lines[0]).value == 0
        self._at_ns: int | None = None
        self._closed = False

    def read(self) -> Pulses:
        if self._closed:
            raise PulseSourceError(CLOSED)
        bounced = missed = 0
        try:
            while self._request.wait_edge_events(0):
                for event in self._request.read_edge_events():
                    low = event.event_type is event.Type.FALLING_EDGE
                    edges = (event.line_seqno - self._number) & 0xFFFFFFFF  # the kernel's counter has 32 bits
                    if (self._low ^ (edges % 2 == 1)) != low:
                        edges += 1
                        missed += 1
                    self._count += (edges + (not self._low)) // 2
                    gap_ns = None if self._at_ns is None else event.timestamp_ns - self._at_ns
                    if gap_ns is not None and gap_ns < self._shortest_ns * edges:
                        bounced += 1
                    self._low, self._number, self._at_ns = low, event.line_seqno, event.timestamp_ns
        except OSError as error:
            raise PulseSourceError(f"the pulse input cannot be read: {error}") from error
        return Pulses(self._count, bounced, missed)

    def close(self) -> None:
        self._closed = True
        self._request.release()


class MeterPoller:
    """Emits the cumulative count at a steady rate, also while it stands still: silence is then a fault.

    source: ``meter`` or ``meter_b``. ``<source>_state`` is ``ok``, ``failed`` (cannot be read), ``bouncing`` (edges too
    close together for pulses: the count is too high) or ``missed`` (edges that were not reported and were put back: the
    count is right as long as no more than one was missed at a time). interval_s: seconds.
    """

    def __init__(
        self,
        counter: PulseCounter,
        put: Callable[[Sample], None],
        source: str = "meter",
        interval_s: float = METER_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._counter, self._put, self._source, self._clock = counter, put, source, clock
        self._state: str | None = None
        self._trouble = "ok"
        self._trouble_s = float("-inf")
        self._ticker = Ticker(source, self.poll, interval_s, clock=clock)

    def poll(self) -> None:
        """Emit one count, or the state ``failed`` when the counter cannot be read."""
        try:
            pulses = self._counter.read()
        except Exception:
            self._become("failed")
            raise
        now_s = self._clock()
        if pulses.bounced or pulses.missed:
            self._trouble, self._trouble_s = "bouncing" if pulses.bounced else "missed", now_s
        elif now_s - self._trouble_s > QUIET_S:
            self._trouble = "ok"
        self._become(self._trouble)
        self._put(Sample(now_s, self._source, pulses.count))

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        self._ticker.stop()

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), f"{self._source}_state", state))
