"""The simulated pins and the converter chip against the HX711 datasheet's rules."""

import itertools
import sys
from types import ModuleType
from typing import Any

import pytest

from hardware.converters.package import PackageConverter
from hardware.errors import PinDirection
from hardware.loadcell import LoadCell
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock, WireClock
from hardware.simulated.gpio import SimulatedGpio, install
from hardware.simulated.hx711_chip import Hx711Chip
from tests.hardware.benches import Bench

SCK, DOUT = 6, 5


@pytest.fixture
def bench(make_bench: type[Bench]) -> Bench:
    bench = make_bench(count=0x123456, noise=0, other_count=0x00ABCD)
    bench.gpio.setup(SCK, bench.gpio.OUT)
    bench.gpio.setup(DOUT, bench.gpio.IN)
    return bench


def burst(bench: Bench, pulses: int) -> int:
    """Clock this many pulses; get the 24-bit word."""
    word = 0
    for i in range(pulses):
        bench.gpio.output(SCK, True)
        bench.gpio.output(SCK, False)
        if i < 24:
            word = word << 1 | bench.gpio.input(DOUT)
    return word


def wait_ready(bench: Bench, limit_s: float = 2.0) -> float:
    """Wait for DOUT to fall; get how long it took."""
    began_s = bench.clock()
    while bench.gpio.input(DOUT):
        bench.clock.sleep(0.001)
        assert bench.clock() - began_s < limit_s
    return bench.clock() - began_s


def test_dout_falls_when_ready_and_rises_after_the_25th_pulse(bench: Bench) -> None:
    assert bench.gpio.input(DOUT) == 1
    assert wait_ready(bench) == pytest.approx(0.4, abs=0.005)  # output settling time at 10 per second
    assert burst(bench, 25) == 0x123456
    assert bench.gpio.input(DOUT) == 1
    assert wait_ready(bench) == pytest.approx(0.1, abs=0.005)


def test_the_number_of_pulses_chooses_channel_and_gain_of_the_next_conversion(bench: Bench) -> None:
    wait_ready(bench)
    burst(bench, 27)
    assert 0.4 < wait_ready(bench) < 0.6
    assert burst(bench, 26) == 0x123456 // 2  # gain 64 instead of 128
    wait_ready(bench)
    assert burst(bench, 25) == 0x00ABCD  # channel B
    wait_ready(bench)
    assert burst(bench, 25) == 0x123456


@pytest.mark.parametrize(("high_s", "is_reset"), [(50e-6, False), (70e-6, True)])
def test_a_clock_held_high_for_60_microseconds_powers_the_chip_down(
    bench: Bench, high_s: float, is_reset: bool
) -> None:
    wait_ready(bench)
    burst(bench, 27)
    wait_ready(bench)
    burst(bench, 27)
    wait_ready(bench)
    bench.gpio.output(SCK, True)
    bench.clock.sleep(high_s)
    if is_reset:
        assert bench.gpio.input(DOUT) == 1
    bench.gpio.output(SCK, False)
    if is_reset:
        assert wait_ready(bench) == pytest.approx(0.4, abs=0.005)
        assert burst(bench, 25) == 0x123456, "back at channel A, gain 128"
    else:
        assert burst(bench, 26) & 0xFF == (0x123456 // 2) << 1 & 0xFF | 1, "one bit ahead: it was a pulse"


def test_no_conversion_while_powered_down(bench: Bench) -> None:
    wait_ready(bench)
    bench.gpio.output(SCK, True)
    bench.clock.sleep(5.0)
    assert bench.gpio.input(DOUT) == 1


@pytest.mark.parametrize(
    ("bridge", "word"), [(0x7FFFFF + 1, 0x7FFFFF), (-0x800001, 0x800000), (-1, 0xFFFFFF)]
)
def test_two_s_complement_and_saturation(bench: Bench, bridge: Any, word: int) -> None:
    bench.count = bridge
    wait_ready(bench)
    assert burst(bench, 25) == word


def test_an_unread_conversion_is_replaced_by_the_next(bench: Bench) -> None:
    wait_ready(bench)
    bench.count = 7
    bench.clock.sleep(0.25)
    assert burst(bench, 25) == 7


def test_writing_an_input_or_using_a_pin_before_its_setup_is_refused(bench: Bench) -> None:
    with pytest.raises(PinDirection, match="pin 5 was written but is not set up as an output"):
        bench.gpio.output(DOUT, True)
    with pytest.raises(PinDirection, match="pin 9 was read before its set-up"):
        bench.gpio.input(9)
    bench.gpio.cleanup(SCK)
    with pytest.raises(PinDirection):
        bench.gpio.output(SCK, True)
    with pytest.raises(ValueError, match="expected BCM"):
        bench.gpio.setmode(10)


def test_pins_without_a_chip_keep_what_was_written(bench: Bench) -> None:
    bench.gpio.setup(12, bench.gpio.OUT, initial=1)
    assert bench.gpio.input(12) == 1
    bench.gpio.setup(13, bench.gpio.IN)
    assert bench.gpio.input(13) == 0


def test_install_is_what_an_import_then_finds(bench: Bench) -> None:
    import RPi.GPIO

    assert RPi.GPIO.simulated_pins is bench.gpio
    assert RPi.GPIO.BCM == bench.gpio.BCM


def test_install_refuses_beside_a_real_library(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "RPi.GPIO", ModuleType("RPi.GPIO"))
    with pytest.raises(RuntimeError, match=r"real RPi\.GPIO is loaded"):
        install(bench.gpio)


class RestlessClock(VirtualClock):
    """A wall clock on a machine so slow that every look at it finds 5 ms gone."""

    def __call__(self) -> float:
        self.sleep(0.005)
        return super().__call__()


def test_a_slow_machine_does_not_reach_the_simulated_wire() -> None:
    base = RestlessClock()
    clock = WireClock(base, base.sleep)
    gpio = SimulatedGpio(clock)
    install(gpio)
    readings = itertools.count(100_000)
    gpio.attach(Hx711Chip(lambda: next(readings), clock), DOUT, SCK)
    samples: list[Sample] = []
    cell = LoadCell(
        PackageConverter(DOUT, SCK, clock, clock.sleep, gpio=gpio), samples.append, clock, clock.sleep
    )
    while clock() < 60.0:
        cell.poll()
    assert [sample.value for sample in samples if sample.source == "pan_state"] == ["ok"]
    assert len([sample for sample in samples if sample.source == "pan"]) > 500
