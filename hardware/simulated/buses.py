"""The lowest layer of the readers that do not go through ``RPi.GPIO``: lgpio's calls, an SPI device, the kernel's files."""

import errno
from pathlib import Path
from types import SimpleNamespace

from hardware.converters.iio import COUNT, NAME
from hardware.errors import HardwareError
from hardware.simulated.clock import WireClock
from hardware.simulated.gpio import SimulatedGpio
from hardware.simulated.hx711_chip import Hx711Chip

NOT_SET_UP = -1
KERNEL_LOOKS, KERNEL_PAUSE_S, KERNEL_RESET_S = 100, 0.01, 0.01  # drivers/iio/adc/hx711.c


class SimulatedLgpio:
    """The part of the module ``lgpio`` that the reader uses, on simulated pins."""

    SET_PULL_UP = 32

    class error(Exception):  # lgpio's own name
        pass

    def __init__(self, gpio: SimulatedGpio) -> None:
        self._gpio = gpio
        self._claimed: set[int] = set()
        self.pulled_up: set[int] = set()
        self._lgpio = SimpleNamespace(_gpio_write=self._write, _gpio_read=self._read)

    def gpiochip_open(self, number: int) -> int:
        return number + 1

    def gpiochip_close(self, handle: int) -> None:
        for pin in self._claimed:
            self._gpio.cleanup(pin)
        self._claimed.clear()

    def gpio_claim_output(self, handle: int, pin: int, level: int) -> None:
        self._claim(pin)
        self._gpio.setup(pin, self._gpio.OUT, level)

    def gpio_claim_input(self, handle: int, pin: int, flags: int) -> None:
        self._claim(pin)
        if flags & self.SET_PULL_UP:
            self.pulled_up.add(pin)
        self._gpio.setup(pin, self._gpio.IN)

    def error_text(self, code: int) -> str:
        return f"GPIO not allocated ({code})"

    def _claim(self, pin: int) -> None:
        if pin in self._claimed:
            raise self.error("GPIO busy")
        self._claimed.add(pin)

    def _write(self, handle: int, pin: int, level: int) -> int:
        try:
            self._gpio.output(pin, bool(level))
        except HardwareError:
            return NOT_SET_UP
        return 0

    def _read(self, handle: int, pin: int) -> int:
        try:
            return self._gpio.input(pin)
        except HardwareError:
            return NOT_SET_UP


class SimulatedSpi:
    """An SPI device whose MOSI clocks a chip and whose MISO reads its data; each bit takes one operation of the clock's.

    ``unplugged``: the device is gone, as after ``rmmod``.
    """

    def __init__(self, chip: Hx711Chip, clock: WireClock) -> None:
        self._chip, self._clock = chip, clock
        self.unplugged = False

    def transfer(self, data: bytes) -> bytes:
        if self.unplugged:
            raise OSError(errno.ENODEV, "SPI transfer: No such device")
        came = []
        for byte in data:
            bits = 0
            for place in range(7, -1, -1):
                self._chip.set_clock(bool(byte >> place & 1))
                bits = bits << 1 | self._chip.data()  # sampled within the bit
                self._clock.look(in_burst=True)
            came.append(bits)
        # What finds a conversion ready begins a burst: until its end no other time passes.
        self._clock.look(self._chip.in_burst or came[-1] & 1 == 0)
        return bytes(came)

    def close(self) -> None:
        self.unplugged = True


class SimulatedIio:
    """The kernel's converter: a folder of files, and what the kernel does when one of them is read."""

    def __init__(self, chip: Hx711Chip, clock: WireClock, devices: Path) -> None:
        self._chip, self._clock = chip, clock
        self.folder = devices / "iio:device0"
        self.folder.mkdir(parents=True)
        (self.folder / "name").write_text(f"{NAME}\n")
        (self.folder / COUNT).write_text("0\n")

    def read(self, path: Path) -> str:
        """Get a file's text as the kernel gives it. Raises OSError, EIO, where the chip does not answer."""
        if path.name == COUNT:
            path.write_text(f"{self._convert()}\n")
        return path.read_text()

    def _convert(self) -> int:
        if not self._is_ready():
            self._chip.set_clock(True)
            self._clock.sleep(KERNEL_RESET_S)
            self._chip.set_clock(False)
            if not self._is_ready():
                raise OSError(errno.EIO, "Input/output error")
        word = 0
        for _ in range(24):
            word = word << 1 | self._pulse()
        self._pulse()
        self._clock.look(in_burst=False)
        return word ^ 0x800000

    def _is_ready(self) -> bool:
        for _ in range(KERNEL_LOOKS):
            if not self._chip.data():
                self._clock.look(in_burst=True)
                return True
            self._clock.sleep(KERNEL_PAUSE_S)
        return False

    def _pulse(self) -> int:
        self._chip.set_clock(True)
        level = self._chip.data()
        self._clock.look(in_burst=True)
        self._chip.set_clock(False)
        self._clock.look(in_burst=True)
        return level
