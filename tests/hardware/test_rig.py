"""The whole rig on a simulated bay: samples come out of pins, bits and files; commands reach the relay's wire."""

import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from hardware.converters.package import PackageConverter
from hardware.errors import PinFaults, SerialFaults, StartFaults
from hardware.loadcell import LoadCell
from hardware.modbus import ModbusPlan, Registers
from hardware.pins import PinMap
from hardware.rig import Rig, RigConfig
from hardware.sample import Sample
from hardware.serial_devices import CounterLines, SerialPlan, SerialScale, meter_line
from hardware.serial_line import SerialLine
from hardware.serial_port import SerialPort
from hardware.simulated.bay import SimulatedBay
from hardware.simulated.clock import GIVEN_UP_S, MOST_AHEAD_S, MOST_LATE_S, BayClock
from hardware.simulated.gpio import SimulatedGpio, install
from hardware.simulated.lines import FarModbus, FarScale
from hardware.simulated.stand_ins import StandIns
from hardware.ticker import Ticker
from tests.hardware.benches import Adapter, Wait


class TinyPlant:
    """Counts time; the pump makes 500 pulses a second and 1000 counts of fluid."""

    def __init__(self) -> None:
        self.time_s, self.pulses, self._exact = 0.0, 0, 0.0
        self.steps: list[tuple[float, bool]] = []
        self.fluid_c = 40.0

    def advance(self, dt_s: float, pump_on: bool) -> None:
        self.steps.append((dt_s, pump_on))
        self.time_s += dt_s
        self._exact += 500 * dt_s * pump_on
        self.pulses = round(self._exact)

    def adc_count(self) -> int:
        return 100_000 + 2 * self.pulses + len(self.steps) % 7

    def temperatures(self) -> dict[str, float]:
        return {"fluid_drained_c": self.fluid_c, "fluid_supply_c": 17.0, "air_c": 18.0}


@pytest.fixture
def plant() -> TinyPlant:
    return TinyPlant()


@pytest.fixture
def bay(plant: TinyPlant) -> Iterator[SimulatedBay]:
    bay = SimulatedBay(plant)
    yield bay
    bay.close()


@pytest.fixture
def samples() -> list[Sample]:
    return []


@pytest.fixture
def rig(bay: SimulatedBay, samples: list[Sample]) -> Iterator[Rig]:
    rig = Rig(RigConfig("simulated", bay=bay), samples.append)
    bay.start()
    yield rig
    bay.fault_pump_pin("none")
    rig.close()


def last(samples: list[Sample], source: str) -> Any:
    return next((sample.value for sample in reversed(samples) if sample.source == source), None)


def pump_for(rig: Rig, seconds: float) -> None:
    rig.beat(False)
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        rig.beat(True)
        time.sleep(0.03)
    rig.beat(False)


def test_every_source_speaks_within_two_seconds(rig: Rig, samples: list[Sample], wait_for: Wait) -> None:
    wanted = {
        "pan", "pan_state", "meter", "meter_state", "pump", "pump_state", "pendant", "stop_open",
        "fluid_drained_c", "fluid_supply_c", "air_c", "fluid_drained_c_state",
    }  # fmt: skip
    wait_for(lambda: wanted <= {sample.source for sample in samples}, what="a sample of every source")
    assert rig.backend == "simulated"
    assert last(samples, "pan_state") == "ok"
    assert last(samples, "stop_open") == 0
    assert last(samples, "fluid_drained_c") == 40.0


def test_the_pump_runs_and_every_pulse_is_counted(
    rig: Rig, bay: SimulatedBay, plant: TinyPlant, samples: list[Sample], wait_for: Wait
) -> None:
    for _ in range(10):
        if plant.pulses <= 100:  # on a busy computer the pump begins late
            pump_for(rig, 0.6)
    wait_for(lambda: last(samples, "pump") == 0 and not bay.pump_on)
    wait_for(lambda: last(samples, "meter") == plant.pulses)
    assert plant.pulses > 100
    levels = [sample.value for sample in samples if sample.source == "pump"]
    assert levels[:2] == [0, 1]
    assert levels[-1] == 0


def test_samples_of_each_source_come_in_order_of_time(
    rig: Rig, samples: list[Sample], wait_for: Wait
) -> None:
    wait_for(lambda: len([1 for sample in samples if sample.source == "pan"]) > 5)
    for source in {sample.source for sample in samples}:
        times_s = [sample.t_s for sample in samples if sample.source == source]
        assert times_s == sorted(times_s)


def test_the_world_reaches_the_samples(
    rig: Rig, bay: SimulatedBay, samples: list[Sample], wait_for: Wait
) -> None:
    bay.hold_pendant(True)
    wait_for(lambda: last(samples, "pendant") == 1)
    bay.hold_pendant(False)
    wait_for(lambda: last(samples, "pendant") == 0)
    bay.press_stop(True)
    wait_for(lambda: last(samples, "stop_open") == 1)
    bay.press_stop(False)
    wait_for(lambda: last(samples, "stop_open") == 0)
    bay.chip.unplug()
    bay.unplug_thermometer("fluid_drained_c")
    wait_for(lambda: last(samples, "pan_state") == "unplugged")
    wait_for(lambda: last(samples, "fluid_drained_c_state") == "unplugged")
    bay.chip.repair()
    bay.plug_thermometer("fluid_drained_c")
    wait_for(lambda: last(samples, "pan_state") == "ok")
    wait_for(lambda: last(samples, "fluid_drained_c_state") == "ok")


class TwoPans(TinyPlant):
    def adc_count_b(self) -> int:
        return -40_000 - len(self.steps) % 5


@pytest.mark.parametrize("line", [None, "serial"])
def test_a_second_pan_speaks_beside_the_first_and_falls_silent_alone(
    line: str | None, samples: list[Sample], wait_for: Wait
) -> None:
    pins = PinMap() if line else PinMap(pan_b_dout=19, pan_b_sck=26)
    bay = SimulatedBay(TwoPans(), pins=pins)
    scale = SerialScale("/simulated/b", pattern=r"(-?[0-9.]+) g", unit="g", resolution_g=0.1)
    lines = StandIns(bay, SerialPlan(pan_b=scale if line else None), ModbusPlan())
    rig = Rig(RigConfig("simulated", pins, bay=bay, serial=lines.serial), samples.append)
    try:
        bay.start()
        wait_for(lambda: (last(samples, "pan") or 0) > 0 > (last(samples, "pan_b") or 0), what="both pans")
        assert -40_004 <= last(samples, "pan_b") <= -40_000
        (lines.pull if line else bay.wires["pan_b"].chip.unplug)()
        wait_for(lambda: last(samples, "pan_b_state") == "unplugged", what="the second pan missed")
        at = len(samples)
        wait_for(lambda: sum(s.source == "pan" for s in samples[at:]) > 3, what="the first pan goes on")
        assert last(samples, "pan_state") == "ok"
        (lines.mend if line else bay.wires["pan_b"].chip.repair)()
        wait_for(lambda: last(samples, "pan_b_state") == "ok", what="the second pan back")
    finally:
        rig.close()
        lines.close()
        bay.close()


def test_lamp_and_buzzer_reach_their_pins(rig: Rig, bay: SimulatedBay, wait_for: Wait) -> None:
    rig.set_lamp("on")
    assert bay.factory.pin(bay.pins.lamp).state == 1
    rig.beep(1)
    wait_for(lambda: [state.state for state in bay.factory.pin(bay.pins.buzzer).states].count(1) == 1)


def test_a_stuck_pump_pin_is_named_and_cleared(
    rig: Rig, bay: SimulatedBay, samples: list[Sample], wait_for: Wait
) -> None:
    pump_for(rig, 0.3)
    bay.fault_pump_pin("stuck on")
    rig.beat(False)
    wait_for(lambda: last(samples, "pump_state") == "stuck")
    assert last(samples, "pump") == 1
    bay.fault_pump_pin("none")
    rig.clear_pump()
    rig.beat(False)
    wait_for(lambda: last(samples, "pump_state") == "ok" and last(samples, "pump") == 0)


def test_close_is_off_first_quiet_and_frees_everything(bay: SimulatedBay, samples: list[Sample]) -> None:
    for _ in range(2):  # the second time proves that pins, pin file and threads were freed
        with Rig(RigConfig("simulated", bay=bay), samples.append) as rig:
            pump_for(rig, 0.2)
            rig.beat(True)
        assert not bay.pump_on
        assert last(samples, "pump") == 0
        assert not rig.beat(True)
        heard = len(samples)
        time.sleep(0.15)
        assert len(samples) == heard


def test_a_contradicting_pin_plan_stops_before_anything_opens(
    bay: SimulatedBay, samples: list[Sample]
) -> None:
    with pytest.raises(PinFaults):
        Rig(RigConfig("simulated", pins=PinMap(meter=23), bay=bay), samples.append)
    assert samples == []


def test_all_start_faults_are_reported_at_once_and_nothing_stays_open(
    bay: SimulatedBay, samples: list[Sample], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: object, **_options: object) -> None:
        raise OSError("no such pins")

    with monkeypatch.context() as patch:
        patch.setattr("hardware.rig.Panel", fail)
        patch.setattr("hardware.rig.LoadCell", fail)
        with pytest.raises(StartFaults) as caught:
            Rig(RigConfig("simulated", bay=bay), samples.append)
    assert caught.value.faults == ["load cell: no such pins", "panel: no such pins"]
    Rig(RigConfig("simulated", bay=bay), samples.append).close()


@pytest.fixture
def serial_plan(
    adapter: Adapter, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Adapter, Adapter, SerialPlan]]:
    other = type(adapter)(tmp_path_factory.mktemp("scale"))
    scale = SerialScale(str(other.path), pattern="W ([0-9.]+) g", unit="g", resolution_g=0.1)
    yield adapter, other, SerialPlan(SerialPort(str(adapter.path)), scale)
    other.pull()


def test_meter_and_pan_on_serial_lines_take_the_place_of_their_pins(
    bay: SimulatedBay,
    plant: TinyPlant,
    samples: list[Sample],
    serial_plan: tuple[Adapter, Adapter, SerialPlan],
    wait_for: Wait,
) -> None:
    counter, scale, plan = serial_plan
    with Rig(RigConfig("simulated", bay=bay, serial=plan), samples.append):
        bay.start()
        counter.send("", meter_line(700))
        scale.send("", "W 12.3 g")
        wait_for(
            lambda: {"meter", "pan", "pump", "air_c", "pendant"} <= {sample.source for sample in samples}
        )
        wait_for(lambda: plant.time_s > 1.0)
        assert [sample.value for sample in samples if sample.source == "meter"] == [700]
        assert [sample.value for sample in samples if sample.source == "pan"] == [123]
        assert last(samples, "meter_state") == last(samples, "pan_state") == "ok"
    # Both ports are free again.
    Rig(RigConfig("simulated", bay=bay, serial=plan), samples.append).close()


def test_a_modbus_line_takes_the_place_of_pins_and_a_container_is_weighed_beside(
    bay: SimulatedBay, samples: list[Sample], tmp_path: Path, wait_for: Wait
) -> None:
    line = FarModbus(tmp_path / "line", {1: lambda _f, r: (0, 700)[r], 2: lambda _f, _r: 123})
    scale = FarScale(tmp_path / "scale", lambda: b"58.40 kg\r\n", b"P")
    meter = Registers(str(line.path), address=1, register=0, form="u32")
    pan = Registers(str(line.path), address=2, register=0, form="i16", unit="g", resolution_g=1.0)
    container = SerialScale(str(scale.path), pattern="(.*) kg", unit="kg", resolution_g=20.0, ask="P")
    config = RigConfig(
        "simulated", bay=bay, modbus=ModbusPlan(meter, pan), serial=SerialPlan(container=container)
    )
    try:
        with Rig(config, samples.append):
            bay.start()
            wait_for(
                lambda: (
                    {"meter", "pan", "container", "pump", "air_c"} <= {sample.source for sample in samples}
                )
            )
            wait_for(lambda: bay.plant.time_s > 1.0)
            assert {sample.value for sample in samples if sample.source == "meter"} == {700}
            assert {sample.value for sample in samples if sample.source == "pan"} == {123}
            assert last(samples, "container") == pytest.approx(58.4)
    finally:
        line.close()
        scale.close()


def test_a_serial_port_in_use_is_a_start_fault_and_two_on_one_port_are_refused(
    bay: SimulatedBay, samples: list[Sample], serial_plan: tuple[Adapter, Adapter, SerialPlan]
) -> None:
    counter, _scale, plan = serial_plan
    assert plan.meter is not None
    holder = SerialLine("meter", plan.meter, CounterLines().read, samples.append)
    with pytest.raises(StartFaults, match=r"meter: .*usb-adapter is in use") as caught:
        Rig(RigConfig("simulated", bay=bay, serial=plan), samples.append)
    holder.stop()
    assert len(caught.value.faults) == 1
    both = SerialPlan(plan.meter, SerialScale(str(counter.path), pattern="(.*)", unit="g", resolution_g=1))
    with pytest.raises(SerialFaults, match="given to both meter and pan"):
        Rig(RigConfig("simulated", bay=bay, serial=both), samples.append)


def test_a_bay_goes_with_simulated_only(bay: SimulatedBay, samples: list[Sample]) -> None:
    with pytest.raises(ValueError, match="'simulated' only"):
        Rig(RigConfig("pi", bay=bay), samples.append)
    with pytest.raises(ValueError, match="'simulated' only"):
        Rig(RigConfig("simulated"), samples.append)
    with pytest.raises(ValueError, match="expected 'pi' or 'simulated'"):
        Rig(RigConfig("bench"), samples.append)  # type: ignore[arg-type]


@pytest.mark.skipif(any(Path("/dev").glob("gpiochip*")), reason="this machine has GPIO: the rig may open")
def test_off_a_pi_every_part_that_cannot_be_opened_is_named(
    samples: list[Sample], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # lgpio leaves a file where it is imported
    with pytest.raises(StartFaults) as caught:
        Rig(RigConfig("pi", thermometers={"air_c": tmp_path}), samples.append)
    assert [fault.split(":")[0] for fault in caught.value.faults] == [
        "pump guard",
        "load cell",
        "meter",
        "panel",
    ]


def test_a_virtual_bay_moves_only_when_told_in_steps_of_20_ms(plant: TinyPlant) -> None:
    bay = SimulatedBay(plant, speed=0)
    with pytest.raises(RuntimeError, match="virtual clock"):
        bay.start()
    bay.advance(1.0)
    assert len(plant.steps) == 50
    assert bay.clock() == 1.0
    counts: list[Sample] = []
    clock = bay.wire_clock
    reader = PackageConverter(5, 6, clock, clock.sleep, gpio=installed(bay))
    cell = LoadCell(reader, counts.append, clock, clock.sleep)
    while bay.clock() < 4.0:
        cell.poll()
        bay.advance(0.0)
    assert 20 <= len([sample for sample in counts if sample.source == "pan"]) <= 24
    bay.close()


def installed(bay: SimulatedBay) -> SimulatedGpio:
    install(bay.gpio)
    return bay.gpio


def test_a_bay_at_ten_times_speed_lives_ten_seconds_in_one(
    plant: TinyPlant, samples: list[Sample], wait_for: Wait
) -> None:
    bay = SimulatedBay(plant, speed=10.0)
    with Rig(RigConfig("simulated", bay=bay), samples.append):
        bay.start()
        began_s = bay.clock()
        wait_for(lambda: plant.time_s >= 10.0, limit_s=60.0)
        assert bay.clock() - began_s >= 9.9
        # About 90 in its ten seconds; a busy computer drops some.
        wait_for(lambda: sum(sample.source == "pan" for sample in samples) >= 20, limit_s=60.0)
    bay.close()


def test_time_waits_for_a_computer_that_did_something_else() -> None:
    wall_s = [100.0]
    clock = BayClock(2.0, wall=lambda: wall_s[0])
    began_s = clock()
    wall_s[0] += 0.02
    assert clock() - began_s == pytest.approx(0.04)
    wall_s[0] += 30.0
    assert clock() - began_s == pytest.approx(2.0 * MOST_AHEAD_S)
    clock.go_on()
    wall_s[0] += 0.01
    assert clock() - began_s == pytest.approx(2.0 * MOST_AHEAD_S + 0.02)
    clock.set_speed(1.0)
    wall_s[0] += 0.01
    assert clock() - began_s == pytest.approx(2.0 * MOST_AHEAD_S + 0.03)
    clock.set_speed(50.0)
    began_s = clock()
    wall_s[0] += 30.0
    assert clock() - began_s == pytest.approx(MOST_LATE_S), "at any speed"


def test_time_waits_for_a_reader_that_is_held_up_while_the_plant_is_not() -> None:
    """Steps of the plant every 20 ms; a thread that read the pan is not let run, then is, then ends."""
    wall_s = [100.0]
    clock = BayClock(5.0, wall=lambda: wall_s[0])

    def pass_by(duration_s: float, looks_every_s: float | None, reader: str = "pan") -> float:
        began_s, looked_s = clock(), wall_s[0]
        for _ in range(round(duration_s / 0.001)):
            wall_s[0] += 0.001
            if looks_every_s is not None and wall_s[0] - looked_s >= looks_every_s - 1e-9:
                clock.attend(reader, 0.025)
                looked_s = wall_s[0]
            if round(wall_s[0] / 0.001) % 20 == 0:
                clock.go_on()
        return clock() - began_s

    assert pass_by(0.5, None) == pytest.approx(2.5, abs=0.1), "nobody has looked yet"
    assert pass_by(0.5, 0.004) == pytest.approx(2.5, abs=0.1)
    assert pass_by(0.5, 0.05) == pytest.approx(10 * 0.025, abs=0.03), "a look is never more than 25 ms late"
    assert pass_by(0.5, 0.004) == pytest.approx(2.5, abs=0.1)
    assert pass_by(GIVEN_UP_S, None) <= 0.025 + 5.0 * MOST_AHEAD_S
    assert pass_by(1.0, None) == pytest.approx(5.0, abs=0.1), "a reader that has ended holds nobody up"
    pass_by(0.05, 0.05, "meter")
    assert pass_by(0.5, 0.05, "meter") == pytest.approx(10 * 0.025, abs=0.03), "whoever else reads"


def test_a_stalled_computer_makes_no_sensor_seem_silent(
    rig: Rig, bay: SimulatedBay, samples: list[Sample], wait_for: Wait
) -> None:
    """One call of C keeps the interpreter for itself, as a busy machine keeps the processor."""
    wait_for(lambda: len([s for s in samples if s.source == "pan"]) > 10)
    before_s, wall_s = bay.clock(), time.monotonic()
    while time.monotonic() - wall_s < 1.5:
        sum(range(40_000_000))
    assert bay.clock() - before_s < 1.0
    seen = len(samples)
    wait_for(lambda: len([s for s in samples[seen:] if s.source == "pan"]) > 10)
    times_s = [s.t_s for s in samples if s.source == "pan"]
    assert max(b - a for a, b in pairwise(times_s)) < 0.6


def test_unknown_verbs_are_refused(bay: SimulatedBay, plant: TinyPlant) -> None:
    with pytest.raises(ValueError, match="expected one of none, stuck on, stuck off"):
        bay.fault_pump_pin("welded")
    with pytest.raises(ValueError, match="speed is -1"):
        SimulatedBay(plant, speed=-1)
    bare = SimulatedBay(plant, pins=PinMap(stop_sense=None))
    with pytest.raises(ValueError, match="stop_sense has no pin"):
        bare.press_stop(True)
    bare.close()


def test_a_ticker_keeps_its_pace_and_outlives_errors(
    wait_for: Wait, caplog: pytest.LogCaptureFixture
) -> None:
    calls: list[float] = []
    errors: list[Exception] = []

    def poll() -> None:
        calls.append(time.monotonic())
        if len(calls) <= 3:
            raise OSError("flaky")

    ticker = Ticker("test", poll, 0.01, errors.append)
    ticker.start()
    wait_for(lambda: len(calls) > 10)
    ticker.stop()
    ticker.stop()
    count = len(calls)
    time.sleep(0.05)
    assert len(calls) == count
    assert len(errors) == 3
    assert caplog.text.count("OSError: flaky") == 1, "the same error is logged once"
