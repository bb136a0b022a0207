"""Through the kernel's own driver (``hx711``, industrial I/O), where a device-tree overlay names the converter.

The kernel keeps interrupts off while the clock is high (drivers/iio/adc/hx711.c), so no pulse is too long. It looks
for a conversion every 10 ms and lets nobody see DOUT: 10 conversions a second only, and a burst out of step shows by
coming too soon.
"""

import time
from collections.abc import Callable
from pathlib import Path

from hardware.converters.port import BURST_PULSES, Burst
from hardware.errors import HardwareError

DEVICES = Path("/sys/bus/iio/devices")
NAME, COUNT, SCALE = "hx711", "in_voltage0_raw", "in_voltage0_scale"
TOO_SOON_S = 0.005
"""A read that ends so soon behind the one before found DOUT low already: half of the kernel's pause between looks."""


def find_device(devices: Path = DEVICES) -> Path | None:
    """Get the folder of the kernel's converter; None where there is none."""
    for folder in sorted(devices.glob("iio:device*")):
        try:
            if (folder / "name").read_text().strip() == NAME:
                return folder
        except OSError:
            continue
    return None


class IioConverter:
    """folder: the device's. read: gets a file's text; the kernel answers when a conversion is there."""

    name = "iio"

    def __init__(
        self,
        folder: Path,
        clock: Callable[[], float] = time.monotonic,
        read: Callable[[Path], str] = Path.read_text,
    ) -> None:
        self._file, self._clock, self._read = folder / COUNT, clock, read
        self._ended_s = float("-inf")
        if not self._file.exists():
            raise HardwareError(
                f"{self._file} does not exist; look whether the overlay of the converter is loaded"
            )

    def burst(self) -> Burst | None:
        try:
            text = self._read(self._file)
        except OSError:  # the kernel's word for a chip that is not ready within a second
            return None
        ended_s, before_s = self._clock(), self._ended_s
        self._ended_s = ended_s
        try:
            word = int(text) ^ 0x800000  # the kernel shows counts from the lowest one on
        except ValueError as error:
            raise HardwareError(f"{self._file} reads {text!r}; expected a whole number") from error
        in_step = ended_s - before_s > TOO_SOON_S
        return Burst(
            word & 0xFFFFFF, BURST_PULSES, 0.0, ended_s, ended_s, ended_s, ended_s if in_step else None
        )

    def reset(self) -> None:
        """The kernel does that itself where the chip does not answer."""

    def trial_s(self, pulses: int) -> list[float]:
        return [0.0] * pulses

    def release(self) -> None:
        """Nothing is held."""
