"""Which reader moves the converter's bits: as the bay's file says, or the best that this machine has, measured."""

import logging
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from hardware.converters.iio import IioConverter, find_device
from hardware.converters.lines import LinesConverter
from hardware.converters.package import PackageConverter
from hardware.converters.port import BURST_PULSES, POWER_DOWN_S, Converter
from hardware.converters.spi import SPI_PINS, SpiConverter, open_bus
from hardware.errors import HardwareError
from hardware.pins import PinMap

log = logging.getLogger(__name__)

TRIAL_BURSTS = 8
SPI_WIRES = " or ".join(f"pan_dout = {dout} with pan_sck = {sck}" for dout, sck in SPI_PINS)


@dataclass(frozen=True)
class ConverterPlan:
    """[pan_converter]: reader, ``auto`` takes the best that is there. rate: conversions per second, as its rate pin selects."""

    reader: Literal["auto", "package", "lgpio", "spi", "iio"] = "auto"
    rate: Literal[10, 80] = 10

    def fault(self, pins: PinMap) -> tuple[str, str] | None:
        """Get what contradicts the pins or itself: the key, and what was expected. None where nothing does."""
        if self.reader == "iio" and self.rate != 10:
            return (
                "rate",
                "the kernel's driver looks every 10 ms: expected 10 with reader iio, or another reader",
            )
        if self.reader == "spi" and (pins.pan_dout, pins.pan_sck) not in SPI_PINS:
            return (
                "reader",
                f"an SPI controller stands at {SPI_WIRES}: move both wires and [pins], or take auto",
            )
        if self.reader == "spi" and (taken := spi_taken(pins)):
            return (
                "reader",
                f"the controller's own clock and selects take pin {', '.join(map(str, taken))}: expected unused, move the wire",
            )
        return None


@dataclass(frozen=True)
class Trial:
    """How a reader did: the clock's high times over some bursts, or why it could not be tried."""

    reader: str
    median_s: float = 0.0
    worst_s: float = 0.0
    late: int = 0
    """Of ``TRIAL_BURSTS`` bursts those with a pulse that may have powered the chip down."""
    problem: str = ""

    def __str__(self) -> str:
        if self.problem:
            return f"{self.reader}: {self.problem}"
        if self.worst_s == 0.0:
            return f"{self.reader}: the kernel times the clock"
        return (
            f"{self.reader}: clock high {1e6 * self.median_s:.0f} µs, at worst {1e6 * self.worst_s:.0f} µs; "
            f"{self.late} of {TRIAL_BURSTS} bursts too slow"
        )


def spi_taken(pins: PinMap) -> list[int]:
    """Pins that the converter's SPI controller moves beside its two data lines, and that something else is wired to."""
    _, moved = SPI_PINS[(pins.pan_dout, pins.pan_sck)]
    return sorted(set(moved) & set(pins.used().values()))


def spi_is_free(pins: PinMap) -> bool:
    """Whether the converter is wired to an SPI controller whose own clock and select pins move nothing else."""
    return (pins.pan_dout, pins.pan_sck) in SPI_PINS and not spi_taken(pins)


def openers(
    plan: ConverterPlan,
    pins: PinMap,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    kernel: bool = True,
) -> dict[str, Callable[[], Converter]]:
    """Reader → what opens it, those that could be used here, the surest first.

    kernel: whether the kernel's own driver is asked; it reads one converter, and that is the first pan's.
    """
    dout, sck, rate_sps = pins.pan_dout, pins.pan_sck, float(plan.rate)
    found: dict[str, Callable[[], Converter]] = {}
    folder = find_device() if kernel else None
    if plan.reader == "iio" or (folder is not None and plan.rate == 10):
        found["iio"] = lambda: _iio(folder, clock)
    if spi_is_free(pins):
        path = SPI_PINS[(dout, sck)][0]
        if plan.reader == "spi" or Path(path).exists():
            found["spi"] = lambda: SpiConverter(open_bus(path), clock, sleep, rate_sps)
    found["lgpio"] = lambda: LinesConverter(dout, sck, clock, sleep, rate_sps)
    found["package"] = lambda: PackageConverter(dout, sck, clock, sleep, rate_sps)
    return found if plan.reader == "auto" else {plan.reader: found[plan.reader]}


def _iio(folder: Path | None, clock: Callable[[], float]) -> Converter:
    if folder is None:
        raise HardwareError(
            "the kernel shows no hx711; load the overlay of the converter, or take reader auto"
        )
    return IioConverter(folder, clock)


def tried(name: str, opener: Callable[[], Converter]) -> Trial:
    """Open a reader, clock some bursts that nobody reads, and let go of it."""
    try:
        converter = opener()
        try:
            taken_s = converter.trial_s(TRIAL_BURSTS * BURST_PULSES)
            converter.reset()  # the pulses chose another channel or gain
        finally:
            converter.release()
    except (HardwareError, OSError) as error:
        return Trial(name, problem=str(error))
    bursts = [taken_s[i : i + BURST_PULSES] for i in range(0, len(taken_s), BURST_PULSES)]
    late = sum(max(burst) >= POWER_DOWN_S for burst in bursts)
    return Trial(name, statistics.median(taken_s), max(taken_s), late)


def best(trials: list[Trial]) -> Trial:
    """Get the one with the fewest bursts too slow, the surest of equals. Raises HardwareError where none could be opened."""
    usable = [trial for trial in trials if not trial.problem]
    if not usable:
        raise HardwareError("; ".join(map(str, trials)))
    return min(usable, key=lambda trial: trial.late)


def open_converter(
    plan: ConverterPlan,
    pins: PinMap,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    kernel: bool = True,
) -> Converter:
    """Open the plan's reader, for ``auto`` after a trial of each. Raises HardwareError where none can be used."""
    found = openers(plan, pins, clock, sleep, kernel)
    if len(found) == 1:
        return found[plan.reader]()
    trials = [tried(name, opener) for name, opener in found.items()]
    chosen = best(trials)
    log.info("load cell: read through %s (%s)", chosen.reader, "; ".join(map(str, trials)))
    return found[chosen.reader]()
