"""Everything on a serial line through one suite: a counter, scales that print and scales that are asked, Modbus devices.

Each far end speaks byte by byte; the same faults are put before each, and each is told in the same words.
"""

import contextlib
import select
import threading
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
import serial

from hardware.errors import SerialFaults
from hardware.modbus import ModbusLine, ModbusPlan, Pulses, Registers
from hardware.sample import Sample, Thinned
from hardware.serial_devices import CounterLines, SerialPlan, SerialScale
from hardware.serial_line import SerialLine
from hardware.serial_port import SerialPort
from hardware.simulated.bay import SimulatedBay
from hardware.simulated.clock import VirtualClock
from hardware.simulated.lines import FarCounter, FarEnd, FarModbus, FarScale, crc, holding
from hardware.simulated.plant import Plant
from hardware.simulated.stand_ins import StandIns
from station.__main__ import _open_engine
from station.errors import InputError
from station.given.bench import BenchVerb
from station.given.config import demo_path, read_config
from station.rehearsing.bench import HAND_KG
from station.rehearsing.bench import Bench as RehearsalBench
from tests.hardware.benches import Wait

FORMATS = tomllib.loads((resources.files("hardware") / "formats.toml").read_text(encoding="utf-8"))


@dataclass
class World:
    """What the devices measure."""

    grams: int = 1500
    pulses: int = 41


@dataclass
class Bench:
    """A device between its far end and its samples."""

    source: str
    far: FarEnd
    device: SerialLine | ModbusLine
    samples: list[Sample]

    def values(self) -> list[Any]:
        return [sample.value for sample in self.samples if sample.source == self.source]

    def state(self) -> Any:
        words = [sample.value for sample in self.samples if sample.source == f"{self.source}_state"]
        return words[-1] if words else None


LINES: dict[str, str] = {
    "plain_g": "{0} g\r\n",
    "plain_kg": "   {1:.3f} kg\r\n",
    "plain_kg_comma": "{2} kg\r",
    "plain_lb": "{3:.5f} lb\n",
    "status_kg": "ST,GS,+ {1:.3f}kg\r\n",
    "status_kg_etx": "\x02ST,GS,+ {1:.3f}kg\x03",
    "asked_p_kg": "{1:.3f} kg\r\n",
}
"""How each shipped format's device prints its indication."""


def printed(name: str, world: World) -> Callable[[], bytes]:
    def line() -> bytes:
        kg = world.grams / 1000.0
        return (
            LINES[name]
            .format(world.grams, kg, f"{kg:.3f}".replace(".", ","), world.grams / 453.59237)
            .encode()
        )

    return line


@pytest.fixture
def world() -> World:
    return World()


NAMES = [
    "counter",
    *(f"line.{name}" for name in FORMATS["line"]),
    *(f"registers.{name}" for name in FORMATS["registers"]),
]


@pytest.fixture(params=NAMES)
def bench(request: pytest.FixtureRequest, tmp_path: Path, world: World) -> Iterator[Bench]:
    kind, _, name = request.param.partition(".")
    path, samples, clock = tmp_path / "usb-adapter", list[Sample](), VirtualClock(7.0)
    device: SerialLine | ModbusLine
    far: FarEnd
    source = "pan"
    if kind == "counter":
        source, far = "meter", FarCounter(path, lambda: world.pulses)
        device = SerialLine("meter", SerialPort(str(path)), CounterLines().read, samples.append, clock)
    elif kind == "line":
        scale = SerialScale(str(path), resolution_g=1.0, **FORMATS["line"][name])
        ask = scale.ask.encode()
        far = FarScale(path, printed(name, world), ask)
        device = SerialLine("pan", scale, scale.read, samples.append, clock, ask, scale.every_s, scale.end)
    else:
        given = dict(FORMATS["registers"][name])
        unit = given.get("unit")
        source = "pan" if unit else "meter"
        value = {None: lambda: world.pulses, "g": lambda: world.grams, "kg": lambda: world.grams / 1000.0}[
            unit
        ]
        one = Registers(str(path), address=7, resolution_g=1.0 if unit else None, **given)
        far = FarModbus(path, {7: holding(value, one.form, one.words)})
        device = ModbusLine({source: one}, samples.append, clock)
    device.start()
    yield Bench(source, far, device, samples)
    device.stop()
    far.close()


def moved(bench: Bench, world: World) -> int:
    """Have the world give another figure, and get it."""
    world.grams, world.pulses = world.grams + 25, world.pulses + 25
    return world.pulses if bench.source == "meter" else world.grams


def test_every_device_passes_what_any_device_must(bench: Bench, world: World, wait_for: Wait) -> None:
    """One life: well; in halves; garbled; silent; pulled and plugged; each time the newest figure comes again."""
    assert_reads(bench, world, wait_for)
    bench.far.dribble()
    assert_reads(bench, world, wait_for)
    bench.far.speak()
    before = len(bench.values())
    bench.far.garble()
    wait_for(lambda: bench.state() == "bad", what="bad")
    figures = {1500, 1525, 1550} if bench.source == "pan" else {41, 66, 91}
    assert set(bench.values()[before:]) <= figures  # no garbled figure became one
    bench.far.speak()
    assert_reads(bench, world, wait_for)
    bench.far.pull()
    wait_for(lambda: bench.state() == "unplugged", what="unplugged")
    bench.far.plug()
    assert_reads(bench, world, wait_for)
    assert {sample.t_s for sample in bench.samples} == {7.0}


def assert_reads(bench: Bench, world: World, wait_for: Wait) -> None:
    figure = moved(bench, world)
    wait_for(lambda: bench.state() == "ok" and bench.values()[-1:] == [figure], what=f"{figure}")


def test_a_device_goes_on_printing_when_its_port_is_opened_between_its_look_and_its_read(
    tmp_path: Path, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nobody has the near end open, the far end looks as if something were to be read there."""
    path, looked, opened = tmp_path / "usb-adapter", threading.Event(), threading.Event()
    real = select.select

    def look(*given: Any) -> Any:
        found = real(*given)
        if found[0] and not opened.is_set():
            looked.set()
            assert opened.wait(60.0)
        return found

    monkeypatch.setattr(select, "select", look)
    far = FarScale(path, printed("plain_kg", world))
    try:
        assert looked.wait(60.0)
        with serial.Serial(str(path), timeout=60.0) as port:
            opened.set()
            assert port.read_until(b"kg") == b"   1.500 kg"
    finally:
        opened.set()
        far.close()


def test_silence_is_told(tmp_path: Path, wait_for: Wait) -> None:
    far = FarModbus(tmp_path / "a", {7: lambda _f, _r: 5})
    one = Registers(str(far.path), address=7, register=0, form="u16")
    samples: list[Sample] = []
    line = ModbusLine({"meter": one}, samples.append)
    try:
        for fault, word in (
            (far.fall_silent, "unplugged"),
            (far.be_busy, "bad"),
            (lambda: far.move(1), "bad"),
        ):
            line.poll()
            assert samples[-1][1:] == ("meter", 5)
            seen = len(samples)
            fault()
            line.poll()
            line.poll()
            assert len(samples) == seen  # two lost answers are noise
            line.poll()
            assert samples[-1][1:] == ("meter_state", word)
            far.speak()
    finally:
        line.stop()
        far.close()


def test_two_devices_share_a_line_and_one_of_them_may_be_dead(tmp_path: Path) -> None:
    far = FarModbus(tmp_path / "a", {1: lambda _f, r: (0, 9)[r]})
    meter = Registers(str(far.path), address=1, register=0, form="u32", function=4)
    pan = Registers(str(far.path), address=2, register=0, form="i32", unit="g", resolution_g=1.0)
    samples: list[Sample] = []
    line = ModbusLine({"meter": meter, "pan": pan}, samples.append)
    try:
        for _ in range(3):
            line.poll()
    finally:
        line.stop()
        far.close()
    told = [(sample.source, sample.value) for sample in samples]
    assert told == [
        ("meter_state", "ok"),
        ("meter", 9),
        ("meter", 9),
        ("meter", 9),
        ("pan_state", "unplugged"),
    ]


def test_the_check_sum_is_that_of_the_specification() -> None:
    """Modbus over Serial Line V1.02, figure 11 and appendix B: the frame 02 07 has 41 12."""
    assert crc(bytes([0x02, 0x07])) == bytes([0x41, 0x12])


def registers(**given: Any) -> Registers:
    return replace(Registers("/dev/x", address=1, register=0, form="u16"), **given)


@pytest.mark.parametrize(
    ("form", "words", "held", "value"),
    [
        ("u16", "high", [65535], 65535), ("i16", "high", [65535], -1), ("u32", "high", [1, 2], 65538),
        ("u32", "low", [2, 1], 65538), ("i32", "high", [0xFFFF, 0xFFFE], -2), ("f32", "high", [0x3FC0, 0], 1.5),
    ],
)  # fmt: skip
def test_registers_are_read_as_their_form_says(form: str, words: str, held: list[int], value: float) -> None:
    assert registers(form=form, words=words).value(held) == value


def test_a_float_that_is_none_and_a_load_beyond_the_pan_are_no_figures() -> None:
    with pytest.raises(ValueError, match="no number"):
        registers(form="f32").value([0x7FC0, 0])
    heavy = registers(form="i32", unit="kg", resolution_g=1.0)
    with pytest.raises(ValueError, match="expected at most"):
        heavy.counts([0x7FFF, 0])
    assert registers(form="i16", unit="g", step=0.5, resolution_g=0.5).counts([3]) == 3
    assert registers(form="i16", unit="g", resolution_g=10.0).kg([1234]) == pytest.approx(1.23)


def test_a_small_counter_turns_over_and_a_restart_falls() -> None:
    pulses = Pulses(registers())
    assert [pulses.read([count]) for count in (65530, 65535, 4, 5)] == [65530, 65535, 65540, 65541]
    assert [pulses.read([count]) for count in (40000, 5, 6)] == [
        None,
        65541,
        65542,
    ]  # one odd count alone is left out
    assert [pulses.read([count]) for count in (30000, 30001)] == [None, 30001]  # borne out: it started anew


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"address": 0}, "address = 0; expected 1 to 247"),
        ({"register": 40001 * 2}, "expected 0 to 65535, counted from 0"),
        ({"frame": "7E1"}, "expected eight data bits"),
        ({"form": "i32"}, "meter: form = 'i32'; expected u16 or u32"),
        ({"step": 0.0}, "step = 0.0"),
        ({"baud": 9601}, "baud = 9601"),
    ],
)  # fmt: skip
def test_what_registers_cannot_be_is_refused(given: dict[str, Any], said: str) -> None:
    with pytest.raises(SerialFaults, match=said):
        ModbusPlan(meter=registers(**given)).check()


def test_devices_of_one_line_agree_on_its_speed_and_differ_in_their_address() -> None:
    pan = registers(unit="g", resolution_g=1.0, baud=19200)
    with pytest.raises(SerialFaults) as caught:
        ModbusPlan(meter=registers(), pan=pan, container=replace(pan, unit="stone", resolution_g=0.0)).check()
    told = " ".join(caught.value.faults)
    for words in (
        "expected 9600, 8N1 as meter has",
        "expected another than meter has",
        "unit = 'stone'",
        "resolution_g = 0.0",
    ):
        assert words in told
    ModbusPlan(meter=registers(), pan=replace(pan, address=2, baud=9600)).check()


def test_a_container_is_told_once_a_second() -> None:
    told: list[Sample] = []
    put = Thinned("container", told.append)
    for n in range(31):
        put(Sample(n / 10, "container", 58.4))
        put(Sample(n / 10, "pan", n))
    put(Sample(3.05, "container_state", "unplugged"))
    assert [sample.t_s for sample in told if sample.source == "container"] == [0.0, 1.0, 2.0, 3.0]
    assert len(told) == 4 + 31 + 1


def test_a_comma_is_no_point_and_a_container_is_in_kilograms() -> None:
    scale = SerialScale("/dev/x", pattern="(.*) kg", unit="kg", resolution_g=20.0, decimal="comma")
    assert scale.read("58,40 kg") == 2920
    assert scale.read_kg("58,40 kg") == pytest.approx(58.4)
    for text in ("1.234,5 kg", "58.4 kg"):
        with pytest.raises(ValueError, match="no decimal number with a comma"):
            scale.read(text)
    faults = replace(scale, ask="ü" * 60, every_s=5.0).faults()
    assert [fault.partition(" ")[0] for fault in faults] == ["ask", "every_s"]
    SerialPlan(container=scale).check()


LINES_OF_A_BAY = """
[serial.container]
port = "/simulated/floor"
format = "plain_kg_comma"
resolution_g = 20
[modbus.meter]
port = "/simulated/line"
address = 7
format = "counter_u32_low"
[modbus.pan]
port = "/simulated/line"
address = 8
format = "weight_i32_g"
resolution_g = 1
"""


def test_a_simulated_bay_has_its_devices_on_lines_when_its_file_says_so(
    tmp_path: Path, wait_for: Wait
) -> None:
    """The whole station on a bay whose meter and scales are bytes; what goes wrong with the lines are verbs."""
    text = demo_path().read_text().replace("var/demo", str(tmp_path / "demo"))
    file = tmp_path / "bay.toml"
    file.write_text(
        text.replace("4.761e-6", "0.001")
        .replace("= 84213", "= 0")
        .replace("noise_counts = 25", "noise_counts = 0.3")
        + LINES_OF_A_BAY
    )
    engine, close = _open_engine(read_config(file), simulated=True)

    def said(source: str) -> Any:
        return engine.heard()[1].get(source)

    try:
        wait_for(lambda: {said("meter"), said("pan"), said("container")} == {"ok"}, what="all three are read")
        heard = engine.heard()[0]
        assert heard["meter"] == 0
        assert heard["container"] == pytest.approx(70.0)
        assert heard["pan"] > 1000
        for verb, kg in ((BenchVerb.CONTAINER_PRESSED, 70.0 + HAND_KG), (BenchVerb.CONTAINER_RELEASED, 70.0)):
            engine.bench(verb)
            wait_for(lambda kg=kg: engine.heard()[0]["container"] == pytest.approx(kg), what=verb)  # type: ignore[misc]
        for verb, word in (
            (BenchVerb.LINES_GARBLED, "bad"),
            (BenchVerb.LINES_BUSY, "bad"),
            (BenchVerb.LINES_MISTAKEN, "bad"),
            (BenchVerb.LINES_PULLED, "unplugged"),
        ):
            engine.bench(verb)
            wait_for(lambda word=word: {said("meter"), said("pan")} == {word}, what=word)  # type: ignore[misc]  # a lambda's default
            # The container's scale is on no bus.
            bus_alone = verb in (BenchVerb.LINES_BUSY, BenchVerb.LINES_MISTAKEN)
            wait_for(lambda word="ok" if bus_alone else word: said("container") == word, what=word)  # type: ignore[misc]
            engine.bench(BenchVerb.LINES_WELL)
            engine.bench(BenchVerb.LINES_IN_HALVES)  # is no fault
            wait_for(lambda: {said("meter"), said("pan"), said("container")} == {"ok"}, what="well again")
    finally:
        close()


def test_a_simulated_bay_without_lines_has_none_to_break(tmp_path: Path) -> None:
    bay = SimulatedBay(Plant(), speed=0)
    try:
        with pytest.raises(InputError, match="no simulated lines"):
            RehearsalBench(bay).do(BenchVerb.LINES_SILENT)
        plain = SerialScale("/simulated/x", pattern="(.*) kg", unit="kg", resolution_g=20.0)
        lines = StandIns(bay, SerialPlan(container=plain), ModbusPlan())
        with contextlib.closing(lines), pytest.raises(InputError, match="no simulated Modbus line"):
            RehearsalBench(bay, None, lines).do(BenchVerb.LINES_BUSY)
        odd = SerialScale("/simulated/x", pattern="N(.*)kg", unit="kg", resolution_g=1.0)
        with pytest.raises(SerialFaults, match="a simulated scale prints"):
            StandIns(bay, SerialPlan(pan=odd), ModbusPlan())
    finally:
        bay.close()
