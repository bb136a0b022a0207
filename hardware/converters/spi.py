"""Through an SPI controller: MOSI is the converter's clock, MISO its data. The controller times every pulse.

A busy computer cannot make a pulse too long, so no burst is lost and 80 conversions a second are as safe as 10.
Every byte ends with a low bit, so that MOSI rests low if a controller pauses between bytes.
"""

import time
from collections.abc import Callable
from typing import Protocol

from hardware.converters.port import BURST_PULSES, Burst, Waiting
from hardware.errors import HardwareError

BIT_HZ = 1_000_000
"""One microsecond high, one low: the datasheet asks for 0.2 to 50 µs high and at least 0.2 µs low."""
HIGH_S = 1.0 / BIT_HZ
BURST = bytes([0b10101010] * 6 + [0b10000000, 0])
"""24 pulses of a high and a low bit each, the 25th, and a rest in which DOUT must be high."""
LOOK = bytes([0])
RESET = bytes([0xFF] * 26 + [0])
"""208 µs high."""
SPI_PINS = {(9, 10): ("/dev/spidev0.0", (7, 8, 11)), (19, 20): ("/dev/spidev1.0", (18, 21))}
"""MISO and MOSI of a Pi's two controllers (BCM2835 ARM Peripherals, table 6-31) → device, and the pins that have to stay
free: the controller's own clock moves with it, and the kernel holds its selects."""


class Bus(Protocol):
    """An opened SPI device: as many bytes back as were sent."""

    def transfer(self, data: bytes) -> bytes: ...

    def close(self) -> None: ...


def open_bus(path: str) -> Bus:
    """Open a Pi's SPI device in mode 0. Raises HardwareError saying what to do."""
    try:
        from periphery import SPI, SPIError
    except ImportError as error:
        raise HardwareError(f"no library for SPI ({error}); install the extra [pi]") from error
    try:
        bus: Bus = SPI(path, 0, BIT_HZ)
    except SPIError as error:
        overlay = "dtparam=spi=on" if path == "/dev/spidev0.0" else "dtoverlay=spi1-1cs"
        raise HardwareError(
            f"{path} cannot be opened ({error}); add {overlay} to config.txt and the user to the group spi"
        ) from error
    return bus


class SpiConverter:
    """bus: opened at ``BIT_HZ`` in mode 0, with MOSI on the converter's clock and MISO on its data."""

    name = "spi"

    def __init__(
        self,
        bus: Bus,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        rate_sps: float = 10.0,
    ) -> None:
        self._bus, self._clock = bus, clock
        self._waiting = Waiting(self._look, clock, sleep, rate_sps)

    def _look(self) -> int:
        return int(self._bus.transfer(LOOK)[0] != 0)

    def burst(self) -> Burst | None:
        if not self._waiting.is_ready():
            return None
        bits = int.from_bytes(bytes(self._bus.transfer(BURST)), "big")
        ended_s, seen_high_s = self._clock(), self._waiting.high_s
        word = 0
        steady = True
        for pulse in range(24):
            high, low = (bits >> (63 - 2 * pulse)) & 1, (bits >> (62 - 2 * pulse)) & 1
            word = word << 1 | low
            steady = steady and high == low  # the chip changes its data at the clock's rise only
        lifted = bits & 0x7FFF == 0x7FFF  # all that was read behind the 25th rise
        after_s = self._waiting.after() if steady and lifted else None
        return Burst(word, BURST_PULSES, HIGH_S, seen_high_s, self._waiting.ready_s, ended_s, after_s)

    def reset(self) -> None:
        self._bus.transfer(RESET)

    def trial_s(self, pulses: int) -> list[float]:
        return [HIGH_S] * pulses

    def release(self) -> None:
        self._bus.close()
