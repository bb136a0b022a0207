"""Pulse counting: gpiozero's mock pins at the lowest layer, and a request as gpiod gives it."""

import enum
import gc
import sys
import types
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from gpiozero.exc import GPIOPinInUse
from gpiozero.pins.mock import MockFactory
from hypothesis import given
from hypothesis import strategies as st

from hardware.errors import PulseSourceError
from hardware.pulses import (
    GpiodPulseCounter,
    GpiozeroPulseCounter,
    MeterPoller,
    PulseCounter,
    Pulses,
    open_line,
)
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock
from tests.hardware.benches import Wait


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


class Level(enum.Enum):
    INACTIVE = 0
    ACTIVE = 1


class Edge(enum.Enum):
    RISING_EDGE = 1
    FALLING_EDGE = 2


@dataclass
class Event:
    """An edge event as gpiod gives it."""

    event_type: Edge
    timestamp_ns: int
    line_seqno: int
    Type = Edge


class Kernel:
    """A line request as the kernel keeps it: numbers each edge it sees, queues 16 of them, drops the oldest.

    Its direction is the level when the interrupt is served, so edges that come together are one (gpiolib-cdev.c).
    """

    lines = (17,)

    def __init__(self, queue: int = 16, number: int = 0, high: bool = True) -> None:
        self.events: deque[Event] = deque(maxlen=queue)
        self.number, self.high = number, high
        self.released = self.broken = False
        self.now_ns = 1_000_000_000

    def edge(self, after_ms: float = 2.0, together: int = 1) -> None:
        """The level changes; ``together`` times before the interrupt is served."""
        self.now_ns += round(after_ms * 1e6)
        self.high ^= together % 2 == 1
        self.number = (self.number + 1) & 0xFFFFFFFF
        self.events.append(
            Event(Edge.RISING_EDGE if self.high else Edge.FALLING_EDGE, self.now_ns, self.number)
        )

    def pulses(self, n: int) -> None:
        for _ in range(2 * n):
            self.edge()

    def get_value(self, line: int) -> enum.Enum:
        return Level.ACTIVE if self.high else Level.INACTIVE

    def wait_edge_events(self, timeout: float) -> bool:
        if self.released:
            raise RuntimeError("GPIO lines have been released")
        if self.broken:
            raise OSError(19, "No such device")
        return bool(self.events)

    def read_edge_events(self) -> list[Event]:
        events = list(self.events)[:4]  # a read may give fewer than are waiting
        for _ in events:
            self.events.popleft()
        return events

    def release(self) -> None:
        self.released = True


def of_gpiozero(factory: MockFactory) -> tuple[PulseCounter, Callable[[int], None]]:
    counter, pin = GpiozeroPulseCounter(17, factory), factory.pin(17)

    def pulses(n: int) -> None:
        for _ in range(n):
            pin.drive_low()
            pin.drive_high()

    return counter, pulses


def of_gpiod(_: MockFactory) -> tuple[PulseCounter, Callable[[int], None]]:
    kernel = Kernel()
    return GpiodPulseCounter(kernel), kernel.pulses


@pytest.mark.parametrize("opened", [of_gpiozero, of_gpiod])
def test_every_counter_passes_what_any_counter_must(
    opened: Callable[[MockFactory], tuple[PulseCounter, Callable[[int], None]]], factory: MockFactory
) -> None:
    """One fall is one pulse, nothing is lost between two reads, and a closed counter says that it is closed."""
    counter, pulses = opened(factory)
    total = 0
    for burst in (0, 1, 3, 400, 0):
        pulses(burst)
        gc.collect()  # gpiozero holds its callbacks weakly: the count must survive a collection
        total += burst
        assert counter.read() == Pulses(total)
    counter.close()
    with pytest.raises(PulseSourceError, match="closed; open the rig again"):
        counter.read()


def test_gpiozeros_counter_holds_its_pin_alone(factory: MockFactory) -> None:
    counter = GpiozeroPulseCounter(17, factory)
    with pytest.raises(GPIOPinInUse):
        GpiozeroPulseCounter(17, factory)
    counter.close()


def test_the_kernels_numbers_count_every_pulse_however_many_events_were_lost() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    assert counter.read() == Pulses(0)
    total = 0
    for burst in (1, 5, 16, 17, 1000, 0, 100_000):
        kernel.pulses(burst)
        total += burst
        assert counter.read() == Pulses(total)
    # the planted fault: a count of events instead of their numbers
    kernel.pulses(1000)
    assert len(kernel.events) == 16


def test_a_line_that_is_low_when_it_is_opened_has_had_no_pulse_yet() -> None:
    kernel = Kernel(high=False)
    counter = GpiodPulseCounter(kernel)
    kernel.edge()
    assert counter.read() == Pulses(0)
    kernel.edge()
    assert counter.read() == Pulses(1)


@given(st.lists(st.tuples(st.integers(1, 2), st.integers(0, 40)), max_size=60), st.booleans())
def test_an_edge_that_came_together_with_another_is_put_back_and_told(
    story: list[tuple[int, int]], high: bool
) -> None:
    """Two edges in one interrupt leave the level as it was: the next event has the direction of the last one."""
    kernel = Kernel(high=high)
    counter = GpiodPulseCounter(kernel)
    falls, level, told = 0, high, 0
    for together, quietly in story:
        for _ in range(together):
            level = not level
            falls += not level
        kernel.edge(together=together)
        for _ in range(quietly):
            level = not level
            falls += not level
            kernel.edge()
        told += counter.read().missed
    lost = sum(together == 2 for together, _ in story)
    assert (counter.read().count, told) == (falls, lost)


def test_two_edges_together_at_once_are_one_pulse_and_told() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.pulses(3)
    kernel.edge(together=2)
    assert counter.read() == Pulses(4, missed=1)


def test_a_contact_that_bounces_is_told_by_its_intervals() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.pulses(5)
    for _ in range(4):
        kernel.edge(after_ms=0.1)
    reading = counter.read()
    assert (reading.count, reading.bounced) == (7, 4)
    kernel.pulses(5)
    assert counter.read() == Pulses(12)


def test_noise_that_overflows_the_queue_is_told_and_a_stall_at_an_honest_rate_is_not() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.pulses(500)
    assert counter.read() == Pulses(500)
    for _ in range(1000):
        kernel.edge(after_ms=0.05)
    assert counter.read().bounced > 0


def test_the_kernels_counter_may_wrap() -> None:
    kernel = Kernel(number=0xFFFFFFFE - 20)
    counter = GpiodPulseCounter(kernel)
    counter._number = kernel.number
    kernel.pulses(10)
    assert counter.read() == Pulses(10)
    kernel.pulses(5)
    assert counter.read() == Pulses(15)


def test_a_line_that_is_gone_is_an_error_and_close_releases_it() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.broken = True
    with pytest.raises(PulseSourceError, match="No such device"):
        counter.read()
    counter.close()
    assert kernel.released


def test_the_poller_is_steady_also_when_nothing_flows() -> None:
    clock, kernel = VirtualClock(50.0), Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, clock=clock)
    for _ in range(5):
        poller.poll()
        clock.sleep(0.05)
    kernel.pulses(3)
    poller.poll()
    assert samples[0] == (50.0, "meter_state", "ok")
    assert [sample.value for sample in samples[1:]] == [0, 0, 0, 0, 0, 3]
    assert [sample.source for sample in samples[1:]] == ["meter"] * 6
    assert samples[-1].t_s == pytest.approx(50.25)


def test_the_poller_names_a_failed_counter_and_its_recovery() -> None:
    kernel = Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, source="meter_b", clock=VirtualClock())
    poller.poll()
    kernel.broken = True
    for _ in range(3):
        with pytest.raises(PulseSourceError):
            poller.poll()
    kernel.broken = False
    poller.poll()
    states = [sample.value for sample in samples if sample.source == "meter_b_state"]
    assert states == ["ok", "failed", "ok"]


def test_the_poller_tells_a_bouncing_contact_until_it_has_been_quiet() -> None:
    clock, kernel = VirtualClock(50.0), Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, clock=clock)
    kernel.pulses(2)
    poller.poll()
    kernel.edge(after_ms=0.05)
    for _ in range(90):
        poller.poll()
        clock.sleep(0.05)
    told = [(s.value, round(s.t_s - 50.0, 2)) for s in samples if s.source == "meter_state"]
    assert [word for word, _ in told] == ["ok", "bouncing", "ok"]
    assert told[2][1] == pytest.approx(2.05, abs=0.06)


def test_the_pollers_thread_outlives_a_failed_counter(wait_for: Wait) -> None:
    kernel = Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, interval_s=0.005)
    kernel.broken = True
    poller.start()
    wait_for(lambda: bool(samples) and samples[-1].value == "failed")
    kernel.broken = False
    kernel.pulses(2)
    wait_for(lambda: samples[-1][1:] == ("meter", 2))
    poller.stop()
    poller.start()
    with pytest.raises(RuntimeError, match="already running"):
        poller.start()
    poller.stop()


class FakeGpiod(types.ModuleType):
    """As much of the gpiod module as asking for a line takes."""

    def __init__(self, busy: bool = False) -> None:
        super().__init__("gpiod")
        self.busy = busy
        self.asked: tuple[str, dict[str, Any]] = ("", {})
        self.line = types.ModuleType("gpiod.line")
        self.line.Edge = types.SimpleNamespace(BOTH="both")  # type: ignore[attr-defined]
        self.line.Bias = types.SimpleNamespace(PULL_UP="pull up")  # type: ignore[attr-defined]
        self.line.Clock = types.SimpleNamespace(MONOTONIC="monotonic")  # type: ignore[attr-defined]

    def LineSettings(self, **settings: Any) -> dict[str, Any]:
        return settings

    def request_lines(self, path: str, **how: Any) -> str:
        if self.busy:
            raise OSError(16, "Device or resource busy")
        self.asked = (path, how)
        return "the request"


@pytest.fixture
def gpiod(monkeypatch: pytest.MonkeyPatch) -> Callable[..., FakeGpiod]:
    def plug(busy: bool = False) -> FakeGpiod:
        fake = FakeGpiod(busy)
        monkeypatch.setitem(sys.modules, "gpiod", fake)
        monkeypatch.setitem(sys.modules, "gpiod.line", fake.line)
        return fake

    return plug


def test_both_edges_are_asked_for_and_no_debounce(
    gpiod: Callable[..., FakeGpiod], monkeypatch: pytest.MonkeyPatch
) -> None:
    fake = gpiod()
    monkeypatch.setattr("hardware.pulses.header_chip", lambda: "/dev/gpiochip4")
    assert open_line(17) == "the request"
    path, how = fake.asked
    assert path == "/dev/gpiochip4"
    assert how["event_buffer_size"] == 1024
    settings = how["config"][17]
    # Not one more: the kernel's debounce would swallow every pulse shorter than its tick.
    assert settings == {"edge_detection": "both", "bias": "pull up", "event_clock": "monotonic"}


def test_no_chip_a_busy_line_and_no_gpiod_are_named(
    gpiod: Callable[..., FakeGpiod], monkeypatch: pytest.MonkeyPatch
) -> None:
    gpiod()
    with pytest.raises(PulseSourceError, match=r"pinctrl-rp1.*found none"):
        open_line(17)
    gpiod(busy=True)
    with pytest.raises(PulseSourceError, match=r"line 17 cannot be claimed.*busy"):
        open_line(17, "/dev/gpiochip0")
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(PulseSourceError, match=r"extra \[pi\]"):
        open_line(17)
