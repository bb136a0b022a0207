"""The load cell against a bit-level chip. Each defect of the driver is shown bare first, then wrapped."""

import itertools
import random
import subprocess
import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from hardware.converters.package import PackageConverter
from hardware.errors import HardwareError
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock
from tests.hardware.benches import Bench, StallingClock, Wait

SETTLED_S = 2.0


def near(counts: Sequence[float], true_count: int, noise: int = 20) -> bool:
    return all(abs(count - true_count) <= noise for count in counts)


def pan_counts(samples: list[Sample]) -> list[float]:
    return [float(sample.value) for sample in samples if sample.source == "pan"]


def named_within(samples: list[Sample], state: str, since_s: float, limit_s: float = 1.0) -> bool:
    return any(
        sample.source == "pan_state" and sample.value == state and sample.t_s - since_s <= limit_s
        for sample in samples
    )


@pytest.mark.parametrize("count", [0, -1, 1, -2, 123456, -98765, 8388606, -8388607])
def test_reads_every_count_exactly(make_bench: type[Bench], count: int) -> None:
    bench = make_bench(count, noise=0)
    cell = bench.cell()
    bench.run(cell, 1.5)
    assert bench.counts()
    assert set(bench.counts()) == {count}
    assert bench.states() == ["ok"]


def test_ten_conversions_a_second_all_arrive_in_order_with_their_time(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    samples = [sample for sample in bench.run(cell, 10.0) if sample.source == "pan"]
    assert 99 <= len(samples) <= 101
    times_s = [sample.t_s for sample in samples]
    steps_s = [after - before for before, after in itertools.pairwise(times_s)]
    assert min(steps_s) > 0.09
    assert max(steps_s) < 0.11


@pytest.mark.parametrize("rate_sps", [10.0, 80.0])
def test_both_conversion_rates(make_bench: type[Bench], rate_sps: float) -> None:
    bench = make_bench(rate_sps=rate_sps)
    cell = bench.cell(rate_sps)
    bench.run(cell, SETTLED_S)
    samples = [sample for sample in bench.run(cell, 5.0) if sample.source == "pan"]
    assert 0.98 * 5 * rate_sps <= len(samples) <= 1.02 * 5 * rate_sps
    assert bench.states() == ["ok"]


@pytest.mark.parametrize("count", [0, -1])
def test_a_zero_and_minus_one_are_readings(make_bench: type[Bench], count: int) -> None:
    with pytest.raises(TimeoutError):
        make_bench(count, noise=0).raw().get_raw_data(2)
    bench = make_bench(count, noise=0)
    bench.run(bench.cell(), 1.3)
    assert set(bench.counts()) == {count}


@pytest.mark.parametrize(("bridge", "shown"), [(9_000_000, 8388607), (-9_000_000, -8388608)])
def test_b_saturation_is_named_and_its_count_emitted(
    make_bench: type[Bench], bridge: int, shown: int
) -> None:
    with pytest.raises(TimeoutError):
        make_bench(bridge).raw().get_raw_data(2)
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.count, since_s = bridge, bench.clock()
    samples = bench.run(cell, 1.5)
    assert named_within(samples, "saturated", since_s)
    assert [sample.value for sample in samples if sample.source == "pan"][-1] == shown
    bench.count = 100_000
    bench.run(cell, 1.0)
    assert bench.states() == ["ok", "saturated", "ok"]


def test_c_unplugged_is_named_and_gives_no_count(make_bench: type[Bench]) -> None:
    bench = make_bench()
    bench.chip.unplug()
    with pytest.raises(TimeoutError):
        bench.raw().get_raw_data(2)
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.chip.unplug()
    since_s = bench.clock()
    samples = bench.run(cell, 5.0)
    assert named_within(samples, "unplugged", since_s)
    assert not [sample for sample in samples if sample.source == "pan"]
    bench.chip.repair()
    bench.count = 250_000
    samples = bench.run(cell, 3.0)
    assert bench.states() == ["ok", "unplugged", "ok"]
    assert near(pan_counts(samples), 250_000)


def test_c_never_plugged_is_named_within_a_second(make_bench: type[Bench]) -> None:
    bench = make_bench()
    bench.chip.unplug()
    since_s = bench.clock()
    assert named_within(bench.run(bench.cell(), 2.0), "unplugged", since_s)


def test_c_stuck_low_is_named_and_gives_no_count(make_bench: type[Bench]) -> None:
    bench = make_bench()
    bench.chip.stick_low()
    raw = bench.raw(give_up_s=5.0)
    end_s = bench.clock() + 10.0

    def read_once(read: Callable[[], Any] = raw._read) -> Any:
        # A line stuck low makes the bare driver spin without a pause; it takes microseconds a turn.
        bench.clock.sleep(0.01)
        if bench.clock() > end_s:
            raise TimeoutError("the driver would wait for ever")
        return read()

    raw._read = read_once
    with pytest.raises(TimeoutError):
        raw.get_raw_data(2)
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    seen = len(bench.counts())
    bench.chip.stick_low()
    since_s = bench.clock()
    samples = bench.run(cell, 5.0)
    assert named_within(samples, "stuck", since_s)
    assert len(bench.counts()) == seen
    bench.chip.repair()
    bench.run(cell, 2.5)
    assert bench.states()[-1] == "ok"
    assert near(bench.counts(), 100_000)


def test_c_frozen_is_named(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.chip.freeze()
    since_s = bench.clock()
    samples = bench.run(cell, 5.0)
    assert named_within(samples, "stuck", since_s)
    stuck_s = next(sample.t_s for sample in samples if sample.value == "stuck")
    assert not [sample for sample in samples if sample.source == "pan" and sample.t_s > stuck_s]
    bench.chip.repair()
    bench.run(cell, 1.0)
    assert bench.states() == ["ok", "stuck", "ok"]


def stall_somewhere(bench: Bench, chooser: random.Random) -> None:
    """Let one of the coming burst's 50 writes take 61 to 500 µs."""
    bench.clock.stalls = {chooser.randint(1, 50): chooser.uniform(61e-6, 500e-6)}


def test_d_the_bare_driver_gives_wrong_counts_after_forced_aborts(make_bench: type[Bench]) -> None:
    bench, chooser = make_bench(noise=0), random.Random(7)
    raw = bench.raw(give_up_s=1e9)
    wrong = 0
    for _ in range(500):
        bench.clock.sleep(1.0)
        stall_somewhere(bench, chooser)
        try:
            raw._read()
        except (RecursionError, HardwareError):
            continue
        value = raw._read()
        wrong += value is not False and value != 100_000
    print(f"bare driver: {wrong} of 500 wrong")
    assert wrong > 100


def test_d_no_wrong_count_in_500_forced_aborts(make_bench: type[Bench]) -> None:
    bench, chooser = make_bench(), random.Random(7)
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    aborts = 0
    for _ in range(500):
        stall_somewhere(bench, chooser)
        before = bench.states().count("timing")
        samples = bench.run(cell, 0.25)
        aborts += bench.states().count("timing") - before
        assert near(pan_counts(samples), 100_000)
        bench.run(cell, 1.5)
    print(f"wrapped: {aborts} aborts of 500 stalls, 0 of {len(bench.counts())} counts wrong")
    assert aborts == 500
    assert near(bench.counts(), 100_000)
    assert bench.states()[-1] == "ok"


def test_d_persistent_stalls_are_named_and_give_no_count(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.clock.every_write_s, since_s = 70e-6, bench.clock()
    seen = len(bench.counts())
    samples = bench.run(cell, 5.0)
    assert named_within(samples, "timing", since_s)
    assert len(bench.counts()) == seen
    bench.clock.every_write_s = 0.0
    bench.run(cell, 2.0)
    assert bench.states() == ["ok", "timing", "ok"]


def test_e_a_power_down_cannot_change_the_gain_unseen(make_bench: type[Bench]) -> None:
    bench = make_bench(200_000, noise=0)
    raw = bench.raw(gain=64)
    bench.clock.sleep(1.0)
    raw._read()
    bench.clock.sleep(0.1)
    assert raw._read() == 100_000
    bench.gpio.output(6, True)
    bench.clock.sleep(100e-6)
    bench.gpio.output(6, False)
    bench.clock.sleep(0.5)
    assert raw._read() == 200_000, "the bare driver takes a count at gain 128 for one at gain 64"

    bench = make_bench(200_000)
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.gpio.output(6, True)
    bench.clock.sleep(100e-6)
    bench.gpio.output(6, False)
    bench.run(cell, 3.0)
    assert near(bench.counts(), 200_000)
    assert bench.states() == ["ok", "misaligned", "ok"]


def test_f_a_stray_pulse_that_chooses_the_other_channel_is_found(make_bench: type[Bench]) -> None:
    bench = make_bench(noise=0, other_count=777)
    raw = bench.raw()
    bench.clock.sleep(1.0)
    bench.gpio.output(6, True)
    bench.clock.sleep(100e-6)
    bench.gpio.output(6, False)
    raw.channel = "B"  # its settling read fails, unnoticed: the chip is still settling
    assert raw._read() == 100_000, "the bare driver takes channel A for channel B"

    bench = make_bench(other_count=777)
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    seen = len(bench.counts())
    while len(bench.counts()) == seen:
        cell.poll()
    bench.gpio.output(6, True)  # right after a burst: a 26th pulse
    bench.gpio.output(6, False)
    bench.run(cell, 3.0)
    assert near(bench.counts(), 100_000)
    assert bench.states() == ["ok", "misaligned", "ok"]


@pytest.mark.parametrize("settling_shown", [False, True])
def test_f_unsettled_conversions_are_dropped(make_bench: type[Bench], settling_shown: bool) -> None:
    bench = make_bench(settling_shown=settling_shown)
    cell = bench.cell()
    for _ in range(20):
        bench.run(cell, 2.0)
        stall_somewhere(bench, bench.random)
    assert near(bench.counts(), 100_000)
    assert bench.counts()


def test_f_the_chip_does_show_unsettled_conversions(make_bench: type[Bench]) -> None:
    """The planted fault of the test above: without the drop they would be read."""
    bench = make_bench(settling_shown=True)
    raw = bench.raw()
    bench.gpio.output(6, True)
    bench.clock.sleep(100e-6)
    bench.gpio.output(6, False)
    assert not near([raw._read()], 100_000)


def test_g_a_late_last_pulse_does_not_recurse(make_bench: type[Bench]) -> None:
    bench = make_bench()
    raw = bench.raw(give_up_s=1e9)
    bench.clock.sleep(1.0)

    class LateLastPulse(StallingClock):
        def write(self, in_burst: bool) -> None:
            super().write(in_burst)
            if bench.chip._pulses == 25:
                self._now_s += 100e-6

    bench.clock.__class__ = LateLastPulse
    with pytest.raises(RecursionError):
        raw._read()

    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    since_s = bench.clock()
    bench.clock.__class__ = LateLastPulse
    samples = bench.run(cell, 3.0)
    assert named_within(samples, "timing", since_s)
    assert near(bench.counts(), 100_000)


def test_h_a_cold_start_blocks_nobody_and_reads_within_a_second(make_bench: type[Bench]) -> None:
    bench = make_bench()
    began_s = bench.clock()
    bench.raw()
    assert bench.clock() - began_s > 1.0, "the bare driver's constructor blocks"
    bench = make_bench()
    began_s = bench.clock()
    cell = bench.cell()
    assert bench.clock() - began_s < 0.001
    bench.run(cell, 1.0)
    assert bench.counts()


def test_i_root_logging_is_left_alone() -> None:
    program = """
        import logging, sys
        from hardware.simulated.clock import VirtualClock, WireClock
        from hardware.simulated.gpio import SimulatedGpio, install
        from hardware.simulated.hx711_chip import Hx711Chip
        base = VirtualClock()
        clock = WireClock(base, base.sleep)
        gpio = SimulatedGpio(clock)
        install(gpio)
        gpio.attach(Hx711Chip(lambda: 1, clock), 5, 6)
        if sys.argv[1] == "bare":
            import hx711
            hx711.HX711._apply_setting = lambda self: True
            hx711.HX711(5, 6)._read(1)
        else:
            from hardware.converters.package import PackageConverter
            from hardware.loadcell import LoadCell
            reader = PackageConverter(5, 6, clock, clock.sleep, gpio=gpio)
            cell = LoadCell(reader, lambda sample: None, clock, clock.sleep)
            for _ in range(200):
                cell.poll()
        print(len(logging.root.handlers))
    """

    def handlers(which: str) -> int:
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(program), which],
            capture_output=True,
            text=True,
            check=True,
        )
        return int(done.stdout)

    assert handlers("bare") == 1
    assert handlers("wrapped") == 0


def test_misaligned_is_named(make_bench: type[Bench]) -> None:
    bench = make_bench(count=100_000, noise=0)  # lowest bit 0: the missed pulse shows
    cell = bench.cell()
    bench.run(cell, 1.3)
    bench.chip.swallow_pulses(1)
    since_s = bench.clock()
    samples = bench.run(cell, 3.0)
    assert named_within(samples, "misaligned", since_s)
    assert set(bench.counts()) == {100_000}
    assert bench.states()[:3] == ["ok", "misaligned", "ok"]


def test_a_clock_wire_that_misses_pulses_for_good_is_named(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    bench.chip.swallow_pulses(10_000)
    since_s = bench.clock()
    seen = len(bench.counts())
    samples = bench.run(cell, 3.0)
    assert named_within(samples, "unplugged", since_s) or named_within(samples, "stuck", since_s)
    assert len(bench.counts()) == seen


def test_a_conversion_found_too_late_is_dropped_without_a_reset(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    for _ in range(20):
        seen = len(bench.counts())
        bench.clock.sleep(0.27)
        cell.poll()
        assert len(bench.counts()) == seen
        bench.run(cell, 0.25)
        assert len(bench.counts()) > seen
    assert bench.states() == ["ok"]


def test_a_thread_that_is_always_late_is_named(make_bench: type[Bench]) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.run(cell, SETTLED_S)
    since_s = bench.clock()
    while bench.clock() < since_s + 2:
        bench.clock.sleep(0.15)
        cell.poll()
    assert named_within(bench.samples, "timing", since_s)


@pytest.mark.parametrize("seed", range(10))
def test_no_count_that_the_bridge_never_had_in_a_storm_of_faults(make_bench: type[Bench], seed: int) -> None:
    """Every fault of the chip's and the clock's, one after the other at random moments."""
    bench, chooser = make_bench(), random.Random(seed)
    cell = bench.cell()
    for _ in range(60):
        bench.run(cell, chooser.uniform(0.0, 3.0))
        fault = chooser.choice(["unplug", "stick", "freeze", "stall", "late", "slow"])
        if fault == "unplug":
            bench.chip.unplug()
        elif fault == "stick":
            bench.chip.stick_low()
        elif fault == "freeze":
            bench.chip.freeze()
        elif fault == "stall":
            stall_somewhere(bench, chooser)
        elif fault == "late":
            bench.clock.sleep(chooser.uniform(0.05, 0.5))
        else:
            bench.clock.every_write_s = 80e-6
        bench.run(cell, chooser.uniform(0.0, 2.0))
        bench.chip.repair()
        bench.clock.every_write_s = 0.0
    assert near(bench.counts(), 100_000)
    assert len(bench.counts()) > 100


def test_pins_that_cannot_be_read_are_named_and_the_thread_lives_on(
    make_bench: type[Bench], wait_for: Wait
) -> None:
    bench = make_bench()
    cell = bench.cell()
    bench.gpio.cleanup()  # from here on every use raises
    cell.start()
    wait_for(lambda: bench.states() == ["unplugged"])
    bench.gpio.setup(5, bench.gpio.IN)
    bench.gpio.setup(6, bench.gpio.OUT)
    wait_for(lambda: len(bench.counts()) > 3)
    cell.stop()
    assert near(bench.counts(), 100_000)


def test_without_a_gpio_library_the_message_says_what_to_do() -> None:
    clock = VirtualClock()
    with pytest.raises(HardwareError, match=r"\[pi\].*simulated bay by name"):
        PackageConverter(5, 6, clock, clock.sleep)


def test_a_rate_of_zero_is_refused(make_bench: type[Bench]) -> None:
    with pytest.raises(ValueError, match="rate_sps is 0"):
        make_bench().cell(rate_sps=0)
