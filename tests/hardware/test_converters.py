"""What every reader of the converter has to do, each on the lowest layer that it stands on, and which one is chosen."""

import itertools
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.converters import choose
from hardware.converters.choose import ConverterPlan, Trial, best, openers, tried
from hardware.converters.iio import IioConverter, find_device
from hardware.converters.lines import LinesConverter
from hardware.converters.package import PackageConverter
from hardware.converters.port import BURST_PULSES, POWER_DOWN_S, Converter
from hardware.converters.spi import SPI_PINS, SpiConverter
from hardware.errors import HardwareError
from hardware.loadcell import LoadCell
from hardware.pins import PinMap
from hardware.sample import Sample
from hardware.simulated.buses import SimulatedIio, SimulatedLgpio, SimulatedSpi
from tests.hardware.benches import DOUT, SCK, Bench

READERS = ("package", "lgpio", "spi", "iio")
TIMED_BY_A_PROGRAM = ("package", "lgpio")
SETTLED_S = 2.0
STALLS = 40
KERNEL_S = 2.5
"""The kernel waits a second for a conversion, and another after its own reset, before it says that there is none."""

Wire = Callable[[str, Bench, float], Converter]


@pytest.fixture
def wire(tmp_path: Path) -> Wire:
    def on(reader: str, bench: Bench, rate_sps: float = 10.0) -> Converter:
        clock, sleep = bench.clock, bench.clock.sleep
        if reader == "package":
            return PackageConverter(DOUT, SCK, clock, sleep, rate_sps, bench.gpio)
        if reader == "lgpio":
            return LinesConverter(DOUT, SCK, clock, sleep, rate_sps, SimulatedLgpio(bench.gpio), chip=0)
        if reader == "spi":
            return SpiConverter(SimulatedSpi(bench.chip, clock), clock, sleep, rate_sps)
        kernel = SimulatedIio(bench.chip, clock, tmp_path)
        folder = find_device(tmp_path)
        assert folder == kernel.folder
        return IioConverter(folder, clock, kernel.read)

    return on


@pytest.fixture(params=READERS)
def reader(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def within_s(reader: str) -> float:
    return KERNEL_S if reader == "iio" else 1.0


def named(samples: list[Sample], state: str, since_s: float, limit_s: float) -> bool:
    return any(s.source == "pan_state" and s.value == state and s.t_s - since_s <= limit_s for s in samples)


def near(bench: Bench, count: int, noise: int = 20) -> bool:
    return all(abs(seen - count) <= noise for seen in bench.counts())


@pytest.mark.parametrize("count", [0, -1, 1, -2, 123456, -98765, 8388606, -8388607])
def test_every_count_exactly(reader: str, wire: Wire, count: int) -> None:
    bench = Bench(count, noise=0)
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, 1.5)
    assert set(bench.counts()) == {count}
    assert bench.states() == ["ok"]


@pytest.mark.parametrize("rate_sps", [10.0, 80.0])
def test_every_conversion_of_both_rates_in_its_time(reader: str, wire: Wire, rate_sps: float) -> None:
    if reader == "iio" and rate_sps == 80.0:
        assert ConverterPlan("iio", 80).fault(PinMap()) is not None
        return
    bench = Bench(rate_sps=rate_sps)
    cell = bench.cell_on(wire(reader, bench, rate_sps), rate_sps)
    bench.run(cell, SETTLED_S)
    times_s = [sample.t_s for sample in bench.run(cell, 5.0) if sample.source == "pan"]
    assert 0.98 * 5 * rate_sps <= len(times_s) <= 1.02 * 5 * rate_sps
    steps = [(after - before) * rate_sps for before, after in itertools.pairwise(times_s)]
    assert min(steps) > 0.85
    assert max(steps) < 1.15
    assert bench.states() == ["ok"]


@pytest.mark.parametrize(("bridge", "shown"), [(9_000_000, 8388607), (-9_000_000, -8388608)])
def test_full_scale_is_named_and_shown(reader: str, wire: Wire, bridge: int, shown: int) -> None:
    bench = Bench()
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, SETTLED_S)
    bench.count = bridge
    bench.run(cell, 1.5)
    assert bench.counts()[-1] == shown
    bench.count = 100_000
    bench.run(cell, 1.0)
    assert bench.states() == ["ok", "saturated", "ok"]


def test_a_chip_that_was_never_there_is_named(reader: str, wire: Wire) -> None:
    bench = Bench()
    bench.chip.unplug()
    since_s = bench.clock()
    cell = bench.cell_on(wire(reader, bench, 10.0))
    assert named(bench.run(cell, 3.0), "unplugged", since_s, within_s(reader))


def test_unplugged_and_back(reader: str, wire: Wire) -> None:
    bench = Bench()
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, SETTLED_S)
    bench.chip.unplug()
    since_s, seen = bench.clock(), len(bench.counts())
    assert named(bench.run(cell, 5.0), "unplugged", since_s, within_s(reader))
    assert len(bench.counts()) == seen
    bench.chip.repair()
    bench.run(cell, 4.0)
    assert bench.states() == ["ok", "unplugged", "ok"]
    assert len(bench.counts()) > seen
    assert near(bench, 100_000)


@pytest.mark.parametrize("fault", ["stick_low", "freeze"])
def test_a_line_or_a_count_that_never_changes_is_stuck(reader: str, wire: Wire, fault: str) -> None:
    bench = Bench()
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, SETTLED_S)
    getattr(bench.chip, fault)()
    since_s = bench.clock()
    assert named(bench.run(cell, 5.0), "stuck", since_s, 1.1)
    assert near(bench, 100_000)
    bench.chip.repair()
    bench.run(cell, 2.5)
    assert bench.states()[-1] == "ok"
    assert near(bench, 100_000)


@pytest.mark.parametrize("count", [100_000, 100_001])
def test_a_pulse_that_the_chip_missed_gives_no_count(reader: str, wire: Wire, count: int) -> None:
    bench = Bench(count, noise=0)
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, 1.3)
    bench.chip.swallow_pulses(1)
    bench.run(cell, 4.0)
    assert set(bench.counts()) == {count}
    assert bench.states()[0] == "ok"
    assert bench.states()[-1] in ("ok", "stuck")  # without noise it repeats itself


def test_forty_stalls_and_no_wrong_count(reader: str, wire: Wire) -> None:
    """A stall at a moment that the program times is a burst lost; a controller or the kernel knows none."""
    bench, chooser = Bench(), random.Random(7)
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, SETTLED_S)
    for _ in range(STALLS):
        bench.clock.stalls = {chooser.randint(1, 50): chooser.uniform(61e-6, 500e-6)}
        bench.run(cell, 1.5)
    assert near(bench, 100_000)
    assert bench.states().count("timing") == (STALLS if reader in TIMED_BY_A_PROGRAM else 0)
    assert bench.states()[-1] == "ok"


def test_a_computer_that_is_always_too_slow_is_named_and_gives_no_count(reader: str, wire: Wire) -> None:
    bench = Bench()
    cell = bench.cell_on(wire(reader, bench, 10.0))
    bench.run(cell, SETTLED_S)
    seen = len(bench.counts())
    bench.clock.every_write_s = 70e-6
    since_s = bench.clock()
    samples = bench.run(cell, 5.0)
    if reader in TIMED_BY_A_PROGRAM:
        assert named(samples, "timing", since_s, 1.0)
        assert len(bench.counts()) == seen
    else:
        assert bench.states() == ["ok"]
        assert len(bench.counts()) > seen + 45


@pytest.mark.parametrize("seed", range(2))
def test_no_count_that_the_bridge_never_had_in_a_storm_of_faults(reader: str, wire: Wire, seed: int) -> None:
    bench, chooser = Bench(), random.Random(seed)
    cell = bench.cell_on(wire(reader, bench, 10.0))
    for _ in range(40):
        bench.run(cell, chooser.uniform(0.0, 3.0))
        fault = chooser.choice(["unplug", "stick_low", "freeze", "late", "slow"])
        if fault == "late":
            bench.clock.sleep(chooser.uniform(0.05, 0.5))
        elif fault == "slow":
            bench.clock.every_write_s = 80e-6
        else:
            getattr(bench.chip, fault)()
        bench.run(cell, chooser.uniform(0.0, 2.0))
        bench.chip.repair()
        bench.clock.every_write_s = 0.0
    assert near(bench, 100_000)
    assert len(bench.counts()) > 100


def test_its_trial_says_how_long_the_clock_was_high(reader: str, wire: Wire) -> None:
    bench = Bench()
    converter = wire(reader, bench, 10.0)
    taken_s = converter.trial_s(50)
    assert len(taken_s) == 50
    assert max(taken_s) < POWER_DOWN_S
    if reader in TIMED_BY_A_PROGRAM:
        bench.clock.every_write_s = 40e-6
        assert min(converter.trial_s(50)) > POWER_DOWN_S


def test_a_burst_says_what_it_saw(reader: str, wire: Wire) -> None:
    bench = Bench(count=-98765, noise=0)
    converter = wire(reader, bench, 10.0)
    converter.reset()
    burst = None
    for _ in range(100):
        burst = burst or converter.burst()
    assert burst is not None
    assert (burst.count, burst.pulses, burst.in_time) == (-98765, BURST_PULSES, True)
    assert burst.seen_high_s <= burst.ready_s <= burst.ended_s
    assert burst.after_s is not None
    assert burst.ended_s <= burst.after_s


def test_the_data_pin_is_pulled_up_so_that_a_loose_wire_reads_as_not_ready() -> None:
    bench = Bench()
    lgpio = SimulatedLgpio(bench.gpio)
    LinesConverter(DOUT, SCK, bench.clock, bench.clock.sleep, 10.0, lgpio, chip=0)
    assert lgpio.pulled_up == {DOUT}


def test_pins_and_devices_that_are_gone_raise_what_the_load_cell_tells_as_unplugged(tmp_path: Path) -> None:
    bench = Bench()
    lgpio = SimulatedLgpio(bench.gpio)
    lines = LinesConverter(DOUT, SCK, bench.clock, bench.clock.sleep, 10.0, lgpio, chip=0)
    with pytest.raises(HardwareError, match="pins 5 and 6 cannot be claimed: GPIO busy"):
        LinesConverter(DOUT, SCK, bench.clock, bench.clock.sleep, 10.0, lgpio, chip=0)
    lines.release()
    with pytest.raises(HardwareError, match="pin 6 cannot be written: GPIO not allocated"):
        lines.reset()
    with pytest.raises(HardwareError, match="pin 5 cannot be read"):
        lines.burst()
    spi = SpiConverter(SimulatedSpi(bench.chip, bench.clock), bench.clock, bench.clock.sleep)
    spi.release()
    with pytest.raises(OSError, match="No such device"):
        spi.burst()
    with pytest.raises(HardwareError, match="look whether the overlay"):
        IioConverter(tmp_path)
    (tmp_path / "in_voltage0_raw").write_text("none\n")
    with pytest.raises(HardwareError, match="reads 'none"):
        IioConverter(tmp_path).burst()


# which one


ON_SPI = PinMap(pan_dout=9, pan_sck=10)


@pytest.mark.parametrize(
    ("plan", "pins", "key", "words"),
    [
        (ConverterPlan("iio", 80), PinMap(), "rate", "looks every 10 ms"),
        (ConverterPlan("spi"), PinMap(), "reader", "pan_dout = 9 with pan_sck = 10"),
        (ConverterPlan("spi"), PinMap(pan_dout=9, pan_sck=10, meter=11), "reader", "take pin 11"),
    ],
)
def test_a_plan_that_contradicts_itself_or_the_pins(
    plan: ConverterPlan, pins: PinMap, key: str, words: str
) -> None:
    fault = plan.fault(pins)
    assert fault is not None
    assert fault[0] == key
    assert words in fault[1]


@pytest.mark.parametrize("plan", [ConverterPlan(), ConverterPlan("spi", 80), ConverterPlan("iio")])
def test_a_plan_that_holds(plan: ConverterPlan) -> None:
    assert plan.fault(ON_SPI) is None


def test_auto_offers_what_this_machine_has(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    device = tmp_path / "spidev"
    monkeypatch.setattr(choose, "SPI_PINS", {pins: (str(device), (11,)) for pins in SPI_PINS})
    assert list(openers(ConverterPlan(), PinMap())) == ["lgpio", "package"]
    assert list(openers(ConverterPlan(), ON_SPI)) == ["lgpio", "package"]
    device.touch()
    assert list(openers(ConverterPlan(), ON_SPI)) == ["spi", "lgpio", "package"]
    monkeypatch.setattr(choose, "find_device", lambda: tmp_path)
    assert list(openers(ConverterPlan(), ON_SPI)) == ["iio", "spi", "lgpio", "package"]
    assert list(openers(ConverterPlan(rate=80), PinMap())) == ["lgpio", "package"]
    assert list(openers(ConverterPlan("package"), ON_SPI)) == ["package"]


def test_the_surest_of_equals_is_taken_and_a_slow_one_is_left(
    monkeypatch: pytest.MonkeyPatch, wire: Wire, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench()
    found: dict[str, Callable[[], Converter]] = {
        "lgpio": lambda: wire("lgpio", bench, 10.0),
        "package": lambda: wire("package", bench, 10.0),
    }
    monkeypatch.setattr(choose, "openers", lambda *_: found)
    with caplog.at_level("INFO", "hardware.converters.choose"):
        assert choose.open_converter(ConverterPlan(), PinMap()).name == "lgpio"
    assert "read through lgpio (lgpio: clock high" in caplog.text
    assert tried("lgpio", found["lgpio"]).late == 0
    slow = Bench()
    slow.clock.every_write_s = 70e-6
    found["lgpio"] = lambda: wire("lgpio", slow, 10.0)
    assert tried("lgpio", found["lgpio"]).late == choose.TRIAL_BURSTS
    assert choose.open_converter(ConverterPlan(), PinMap()).name == "package"


def test_a_trial_leaves_the_chip_as_a_reset_does(wire: Wire, reader: str) -> None:
    """200 pulses choose some other channel or gain; what is read next must not come from there."""
    bench = Bench(other_count=777)
    tried(reader, lambda: wire(reader, bench, 10.0))
    if reader == "iio":
        return  # its trial sends no pulse
    bench.gpio.setup(DOUT, bench.gpio.IN)
    bench.gpio.setup(SCK, bench.gpio.OUT)
    cell = bench.cell_on(wire("package", bench, 10.0))
    bench.run(cell, 2.0)
    assert bench.counts()
    assert near(bench, 100_000)


def test_where_nothing_can_be_opened_every_reason_is_told() -> None:
    def broken() -> Converter:
        raise HardwareError("not here")

    with pytest.raises(HardwareError, match="lgpio: not here; package: not here"):
        best([tried("lgpio", broken), tried("package", broken)])
    assert best([Trial("spi", problem="gone"), Trial("lgpio", 1e-6, 2e-6)]).reader == "lgpio"


def test_a_rate_of_zero_is_refused(wire: Wire) -> None:
    bench = Bench()
    with pytest.raises(ValueError, match="rate_sps is 0"):
        LoadCell(wire("spi", bench, 10.0), bench.samples.append, rate_sps=0)


class Replies:
    """An SPI device that answers a look with ready, a burst with what it is told, and the look behind it with high."""

    def __init__(self, burst: bytes) -> None:
        self.answers = [b"\0", burst, b"\xff"]

    def transfer(self, data: bytes) -> bytes:
        return self.answers.pop(0)

    def close(self) -> None: ...


ONES = bytes([0b11111111] * 6 + [0b11111111, 0xFF])


@pytest.mark.parametrize(
    ("reply", "believed"),
    [
        (ONES, True),
        (bytes([0b11111101]) + ONES[1:], False),  # one bit differs within its pulse
        (ONES[:6] + bytes([0b10111111, 0xFF]), False),  # low behind the 25th pulse
        (ONES[:7] + bytes([0]), False),
    ],
)
def test_spi_data_that_changes_within_a_pulse_or_is_low_behind_the_last_is_not_believed(
    reply: bytes, believed: bool
) -> None:
    clock = Bench().clock
    burst = SpiConverter(Replies(reply), clock, clock.sleep).burst()
    assert burst is not None
    assert (burst.after_s is not None) == believed
