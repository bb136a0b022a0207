"""Through two direct calls of lgpio's for each clock pulse: the shortest that a program makes on every Pi.

``RPi.GPIO`` on rpi-lgpio asks the kernel about the line before each write; that alone is eight times the work.
"""

import time
from collections.abc import Callable
from typing import Any

from hardware.converters.port import BURST_PULSES, POWER_DOWN_S, RESET_HIGH_S, Burst, Waiting
from hardware.errors import HardwareError
from hardware.guard import header_chip


def load_lgpio() -> Any:
    """Get lgpio. Raises HardwareError where it is not installed or cannot write where the program stands."""
    try:
        import lgpio
    except (ImportError, OSError) as error:  # it makes a file in its working directory when it is imported
        raise HardwareError(f"lgpio cannot be used ({error}); install the extra [pi]") from error
    return lgpio


class LinesConverter:
    """dout, sck: BCM numbers. lgpio: the module, or one of its shape. chip: the number of the header's chip.

    The data pin gets the Pi's own pull-up, so that an unplugged wire reads as not ready. Raises HardwareError.
    """

    name = "lgpio"

    def __init__(
        self,
        dout: int,
        sck: int,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        rate_sps: float = 10.0,
        lgpio: Any = None,
        chip: int | None = None,
    ) -> None:
        self._clock, self._sleep, self._dout, self._sck = clock, sleep, dout, sck
        self._lgpio = load_lgpio() if lgpio is None else lgpio
        number = int(header_chip().removeprefix("/dev/gpiochip")) if chip is None else chip
        try:
            self._handle = self._lgpio.gpiochip_open(number)
            self._lgpio.gpio_claim_output(self._handle, sck, 0)
            self._lgpio.gpio_claim_input(self._handle, dout, self._lgpio.SET_PULL_UP)
        except self._lgpio.error as error:
            raise HardwareError(
                f"the converter's pins {dout} and {sck} cannot be claimed: {error}"
            ) from error
        # The module's own functions wrap these two in checks that take as long as the calls.
        self._write: Callable[[int, int, int], int] = self._lgpio._lgpio._gpio_write
        self._read: Callable[[int, int], int] = self._lgpio._lgpio._gpio_read
        self._waiting = Waiting(self._look, clock, sleep, rate_sps)

    def _look(self) -> int:
        level = self._read(self._handle, self._dout)
        if level < 0:
            raise HardwareError(f"the converter's pin {self._dout} cannot be read: {self._error(level)}")
        return level

    def _error(self, code: int) -> str:
        return str(self._lgpio.error_text(code))

    def burst(self) -> Burst | None:
        if not self._waiting.is_ready():
            return None
        write, read, clock = self._write, self._read, self._clock
        handle, sck, dout = self._handle, self._sck, self._dout
        word = pulses = 0
        longest_s = 0.0
        while pulses < BURST_PULSES and longest_s < POWER_DOWN_S:
            rise_s = clock()
            write(handle, sck, 1)
            failed = write(handle, sck, 0)
            high_s = clock() - rise_s
            pulses += 1
            if high_s > longest_s:
                longest_s = high_s
            if pulses < BURST_PULSES:
                word = word << 1 | read(handle, dout)
            if failed < 0 or word < 0:  # an error is a negative number, and stays one when shifted
                raise HardwareError(f"the converter's pins fail: {self._error(failed)}")
        ended_s, seen_high_s = clock(), self._waiting.high_s
        whole = longest_s < POWER_DOWN_S
        after_s = self._waiting.after() if whole else None
        return Burst(word, pulses, longest_s, seen_high_s, self._waiting.ready_s, ended_s, after_s)

    def reset(self) -> None:
        self._put(1)
        self._sleep(RESET_HIGH_S)
        self._put(0)

    def _put(self, level: int) -> None:
        if (code := self._write(self._handle, self._sck, level)) < 0:
            raise HardwareError(f"the converter's pin {self._sck} cannot be written: {self._error(code)}")

    def trial_s(self, pulses: int) -> list[float]:
        write, clock, handle, sck = self._write, self._clock, self._handle, self._sck
        taken = []
        for _ in range(pulses):
            rise_s = clock()
            write(handle, sck, 1)
            write(handle, sck, 0)
            taken.append(clock() - rise_s)
        return taken

    def release(self) -> None:
        self._lgpio.gpiochip_close(self._handle)
