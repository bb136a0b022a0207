"""Everything that is wired to one station, opened together, stopped together."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol

from hardware.converters.choose import ConverterPlan, open_converter
from hardware.converters.package import PackageConverter
from hardware.errors import StartFaults
from hardware.loadcell import LoadCell
from hardware.modbus import ModbusLine, ModbusPlan, Registers
from hardware.panel import Panel
from hardware.pins import PinMap
from hardware.pulses import (
    METER_S,
    GpiodPulseCounter,
    GpiozeroPulseCounter,
    MeterPoller,
    PulseCounter,
    open_line,
)
from hardware.pump import PumpGuard, guard_command
from hardware.sample import Sample, Thinned
from hardware.serial_devices import CounterLines, SerialPlan, SerialScale
from hardware.serial_line import SerialLine
from hardware.thermometer import Thermometers

if TYPE_CHECKING:
    from hardware.simulated.bay import SimulatedBay


@dataclass(frozen=True)
class RigConfig:
    """What is fitted, and where.

    backend: pi or simulated, by name and never by fallback; simulated needs bay. pins: BCM numbers.
    converter_b: of a second pan's. thermometers: source -> the sensor's folder under /sys/bus/w1/devices; left empty on a simulated bay, the
    bay's own are taken. converter: how the load cell's is read; a simulated one through the package, whatever this says.
    serial, modbus: what is read from a serial port in place of its pins, also on a simulated bay, where the port is as real
    as elsewhere; and the scale under the container.
    """

    backend: Literal["pi", "simulated"]
    pins: PinMap = field(default_factory=PinMap)
    thermometers: Mapping[str, Path] = field(default_factory=dict)
    bay: "SimulatedBay | None" = None
    converter: ConverterPlan = field(default_factory=ConverterPlan)
    converter_b: ConverterPlan = field(default_factory=ConverterPlan)
    serial: SerialPlan = field(default_factory=SerialPlan)
    modbus: ModbusPlan = field(default_factory=ModbusPlan)

    def by_line(self, source: str) -> bool:
        """Whether a source comes over a line in place of its pins."""
        return source in self.serial.used() or source in self.modbus.used()


class _Device(Protocol):
    def start(self) -> None: ...

    def stop(self) -> None: ...


class Rig:
    """Opens and starts every device; each pushes its samples into ``put``, from threads of its own.

    Raises PinFaults or SerialFaults for a plan that contradicts itself, and StartFaults naming every device that could
    not be opened, after closing those that could. ``backend`` says what the samples come from.
    """

    def __init__(self, config: RigConfig, put: Callable[[Sample], None]) -> None:
        if config.backend not in ("pi", "simulated"):
            raise ValueError(f"backend is {config.backend!r}; expected 'pi' or 'simulated'")
        if (config.backend == "simulated") != (config.bay is not None):
            raise ValueError(
                f"backend {config.backend} with bay {config.bay}; a bay goes with 'simulated' only"
            )
        config.pins.check()
        config.serial.check()
        config.modbus.check()
        self.backend = config.backend
        self._config, self._put = config, put
        self._clock: Callable[[], float] = time.monotonic if config.bay is None else config.bay.clock
        self._devices: list[_Device] = []
        self._counters: list[PulseCounter] = []
        self._panel: Panel | None = None
        self._guard: PumpGuard | None = None
        self._open()
        for device in self._devices:
            device.start()

    def beat(self, run: bool, fine: bool = False) -> bool:
        """Tell the pump guard to run or not; needed every 200 ms. Returns False when it was not taken.

        fine: at the pump's slow speed, where it has one.
        """
        return self._guard is not None and self._guard.beat(run, fine)

    def trip_pump(self) -> bool:
        """Off, and open the second cut-off where one is fitted, until ``clear_pump``."""
        return self._guard is not None and self._guard.trip()

    def clear_pump(self) -> bool:
        """Clear what a bad byte, a stuck pin or a trip latched; a person's decision."""
        return self._guard is not None and self._guard.clear()

    def set_lamp(self, pattern: str) -> None:
        """Show off, on, slow or fast."""
        if self._panel is not None:
            self._panel.set_lamp(pattern)

    def beep(self, n: int = 1) -> None:
        """Sound n short beeps."""
        if self._panel is not None:
            self._panel.beep(n)

    def close(self) -> None:
        """Pump off first, then everything else whatever fails; the first failure is raised at the end."""
        first: Exception | None = None
        closers: list[Callable[[], None]] = []
        if self._guard is not None:
            closers.append(self._guard.close)
        closers += [device.stop for device in self._devices]
        closers += [counter.close for counter in self._counters]
        if self._panel is not None:
            closers.append(self._panel.close)
        for close in closers:
            try:
                close()
            except Exception as error:
                first = first or error
        self._guard = self._panel = None
        self._devices, self._counters = [], []
        if first is not None:
            raise first

    def __enter__(self) -> "Rig":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _open(self) -> None:
        faults = []
        # The guard first: its first act is to switch the pump off.
        for name, open_one in (
            ("pump guard", self._open_guard),
            ("load cell" if not self._config.by_line("pan") else "scale", self._open_pan),
            ("second pan", self._open_pan_b),
            ("meter", self._open_meters),
            ("Modbus", self._open_modbus),
            ("container's scale", self._open_container),
            ("thermometers", self._open_thermometers),
            ("panel", self._open_panel),
        ):
            try:
                open_one()
            except Exception as error:
                faults.append(f"{name}: {error}")
        if faults:
            self.close()
            raise StartFaults(faults)

    def _open_guard(self) -> None:
        bay, pins = self._config.bay, self._config.pins
        if bay is None:
            fitted = {"fine": pins.pump_fine, "cutoff": pins.pump_cutoff, "watch": pins.pump_watch}
            command = guard_command(pin=pins.pump, more=fitted)
        else:
            command = guard_command(pin_file=bay.pump_file, more=bay.pump_files)
        self._guard = PumpGuard(command, self._put, self._clock)

    def _open_pan(self) -> None:
        scale = self._config.serial.pan
        if scale is not None:
            self._devices.append(self._scale_line("pan", scale, scale.read, self._put))
        if not self._config.by_line("pan"):
            self._open_cell("pan", self._config.converter, self._config.pins)

    def _open_pan_b(self) -> None:
        scale, pins = self._config.serial.pan_b, self._config.pins.of_second()
        if scale is not None:
            self._devices.append(self._scale_line("pan_b", scale, scale.read, self._put))
        if pins is not None and not self._config.by_line("pan_b"):
            self._open_cell("pan_b", self._config.converter_b, pins)

    def _open_cell(self, source: str, plan: ConverterPlan, pins: PinMap) -> None:
        """A load cell on pins; those of the pan that the source is stand where a plan has the first one's."""
        bay, rate_sps = self._config.bay, float(plan.rate)
        if bay is None:
            converter = open_converter(plan, pins, kernel=source == "pan")
            self._devices.append(LoadCell(converter, self._put, rate_sps=rate_sps, source=source))
            return
        from hardware.simulated.gpio import install

        install(bay.gpio)
        wire = bay.wires[source]
        clock, sleep = wire.clock, wire.clock.sleep
        simulated = PackageConverter(pins.pan_dout, pins.pan_sck, clock, sleep, rate_sps, wire.gpio)
        self._devices.append(LoadCell(simulated, self._put, clock, sleep, rate_sps, source))

    def _open_meters(self) -> None:
        pins, port = self._config.pins, self._config.serial.meter
        if port is not None:
            self._devices.append(SerialLine("meter", port, CounterLines().read, self._put, self._clock))
        for source, pin in (
            ("meter", None if self._config.by_line("meter") else pins.meter),
            ("meter_b", pins.meter_b),
        ):
            if pin is None:
                continue
            clock: Callable[[], float] = self._clock
            if self._config.bay is None:
                counter: PulseCounter = GpiodPulseCounter(open_line(pin))
            else:
                counter = GpiozeroPulseCounter(pin, self._factory())
                clock = self._config.bay.readers_clock(source, 2.0 * METER_S)
            self._counters.append(counter)
            self._devices.append(MeterPoller(counter, self._put, source, METER_S, clock))

    def _open_modbus(self) -> None:
        lines: dict[str, dict[str, Registers]] = {}
        for source, registers in self._config.modbus.used().items():
            lines.setdefault(registers.port, {})[source] = registers
        for devices in lines.values():
            self._devices.append(ModbusLine(devices, Thinned("container", self._put), self._clock))

    def _open_container(self) -> None:
        scale = self._config.serial.container
        if scale is not None:
            put = Thinned("container", self._put)
            self._devices.append(self._scale_line("container", scale, scale.read_kg, put))

    def _scale_line(
        self, source: str, scale: SerialScale, read: Callable[[str], float], put: Callable[[Sample], None]
    ) -> SerialLine:
        ask = scale.ask.encode("ascii")
        return SerialLine(source, scale, read, put, self._clock, ask, scale.every_s, scale.end)

    def _open_thermometers(self) -> None:
        bay = self._config.bay
        sensors = self._config.thermometers or ({} if bay is None else bay.thermometers)
        self._devices.append(Thermometers(sensors, self._put, self._clock))

    def _open_panel(self) -> None:
        pins = self._config.pins
        self._panel = Panel(
            self._put, self._factory(), pins.pendant, pins.stop_sense, pins.lamp, pins.buzzer, self._clock
        )
        self._devices.append(self._panel)

    def _factory(self) -> Any:
        if self._config.bay is not None:
            return self._config.bay.factory
        if not hasattr(self, "_pi_factory"):
            from gpiozero.pins.lgpio import LGPIOFactory

            self._pi_factory = LGPIOFactory()
        return self._pi_factory
