"""Pulse counting: gpiozero's mock pins at the lowest layer, and a request as gpiod gives it."""

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

from hardware.errors import PulseSourceError
from hardware.pulses import GpiodPulseCounter, GpiozeroPulseCounter, MeterPoller, open_line
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock
from tests.hardware.benches import Wait


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


def test_gpiozero_counts_one_edge_per_pulse(factory: MockFactory) -> None:
    counter = GpiozeroPulseCounter(17, factory)
    pin = factory.pin(17)
    assert counter.count() == 0
    for _ in range(1000):
        pin.drive_low()
        pin.drive_high()
    gc.collect()  # gpiozero holds its callbacks weakly: the count must survive a collection
    pin.drive_low()
    assert counter.count() == 1001
    counter.close()


def test_gpiozero_counter_holds_its_pin_alone_and_refuses_after_close(factory: MockFactory) -> None:
    counter = GpiozeroPulseCounter(17, factory)
    with pytest.raises(GPIOPinInUse):
        GpiozeroPulseCounter(17, factory)
    counter.close()
    with pytest.raises(PulseSourceError, match="closed"):
        counter.count()


@dataclass
class Event:
    line_seqno: int


class Kernel:
    """A line request as the kernel keeps it: numbers each edge, queues 16 of them, drops the oldest."""

    def __init__(self, queue: int = 16, number: int = 0) -> None:
        self.events: deque[Event] = deque(maxlen=queue)
        self.number, self.released, self.broken = number, False, False

    def edges(self, n: int) -> None:
        for _ in range(n):
            self.number = (self.number + 1) & 0xFFFFFFFF
            self.events.append(Event(self.number))

    def wait_edge_events(self, timeout: float) -> bool:
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


def test_the_kernels_numbers_count_every_edge_however_many_events_were_lost() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    assert counter.count() == 0
    total = 0
    for burst in (1, 5, 16, 17, 1000, 0, 100_000):
        kernel.edges(burst)
        total += burst
        assert counter.count() == total
    # the planted fault: a count of events instead of their numbers
    kernel.edges(1000)
    assert len(kernel.events) == 16


def test_the_kernels_counter_may_wrap() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.edges(10)
    counter.count()
    counter._last = kernel.number = 0xFFFFFFFE
    kernel.edges(5)
    assert counter.count() == 15


def test_a_line_that_is_gone_is_an_error_and_close_releases_it() -> None:
    kernel = Kernel()
    counter = GpiodPulseCounter(kernel)
    kernel.broken = True
    with pytest.raises(PulseSourceError, match="No such device"):
        counter.count()
    counter.close()
    assert kernel.released


def test_the_poller_is_steady_also_when_nothing_flows() -> None:
    clock, kernel = VirtualClock(50.0), Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, clock=clock)
    for _ in range(5):
        poller.poll()
        clock.sleep(0.05)
    kernel.edges(3)
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


def test_the_pollers_thread_outlives_a_failed_counter(wait_for: Wait) -> None:
    kernel = Kernel()
    samples: list[Sample] = []
    poller = MeterPoller(GpiodPulseCounter(kernel), samples.append, interval_s=0.005)
    kernel.broken = True
    poller.start()
    wait_for(lambda: bool(samples) and samples[-1].value == "failed")
    kernel.broken = False
    kernel.edges(2)
    wait_for(lambda: samples[-1][1:] == ("meter", 2))
    poller.stop()
    poller.start()
    with pytest.raises(RuntimeError, match="already running"):
        poller.start()
    poller.stop()


class FakeGpiod(types.ModuleType):
    """As much of the gpiod module as asking for a line takes."""

    def __init__(self, chips: dict[str, str], busy: bool = False) -> None:
        super().__init__("gpiod")
        self.chips, self.busy = chips, busy
        self.asked: tuple[str, dict[str, Any]] | None = None
        self.line = types.ModuleType("gpiod.line")
        line = vars(self.line)
        line["Edge"] = types.SimpleNamespace(FALLING="falling")
        line["Bias"] = types.SimpleNamespace(PULL_UP="pull up")
        line["Clock"] = types.SimpleNamespace(MONOTONIC="monotonic")

    def LineSettings(self, **settings: Any) -> dict[str, Any]:
        return settings

    def Chip(self, path: str) -> Any:
        label = self.chips[path]

        class Chip:
            def __enter__(self) -> "Chip":
                return self

            def __exit__(self, *_: object) -> None:
                return None

            def get_info(self) -> types.SimpleNamespace:
                return types.SimpleNamespace(label=label)

        return Chip()

    def request_lines(self, path: str, **how: Any) -> str:
        if self.busy:
            raise OSError(16, "Device or resource busy")
        self.asked = (path, how)
        return "the request"


@pytest.fixture
def gpiod(monkeypatch: pytest.MonkeyPatch) -> Callable[..., FakeGpiod]:
    def plug(chips: dict[str, str], busy: bool = False) -> FakeGpiod:
        fake = FakeGpiod(chips, busy)
        monkeypatch.setitem(sys.modules, "gpiod", fake)
        monkeypatch.setitem(sys.modules, "gpiod.line", fake.line)
        monkeypatch.setattr("hardware.pulses.chip_paths", lambda: sorted(chips))
        return fake

    return plug


def test_the_chip_is_found_by_its_label_not_its_number(gpiod: Callable[..., FakeGpiod]) -> None:
    fake = gpiod({"/dev/gpiochip0": "raspberrypi-exp-gpio", "/dev/gpiochip4": "pinctrl-rp1"})
    assert open_line(17) == "the request"
    assert fake.asked is not None
    path, how = fake.asked
    assert path == "/dev/gpiochip4"
    assert how["event_buffer_size"] == 1024
    settings = how["config"][17]
    assert settings["edge_detection"] == "falling"
    assert settings["event_clock"] == "monotonic"


def test_no_chip_with_the_label_a_busy_line_and_no_gpiod_are_named(
    gpiod: Callable[..., FakeGpiod], monkeypatch: pytest.MonkeyPatch
) -> None:
    gpiod({"/dev/gpiochip0": "something-else"})
    with pytest.raises(PulseSourceError, match=r"pinctrl-rp1.*found something-else"):
        open_line(17)
    gpiod({})
    with pytest.raises(PulseSourceError, match="found none"):
        open_line(17)
    gpiod({"/dev/gpiochip0": "pinctrl-bcm2711"}, busy=True)
    with pytest.raises(PulseSourceError, match="line 17 of pinctrl-bcm2711 cannot be claimed"):
        open_line(17)
    monkeypatch.setitem(sys.modules, "gpiod", None)
    with pytest.raises(PulseSourceError, match=r"extra \[pi\]"):
        open_line(17)
