"""The pump guard: a process of its own that owns the pump's pin and runs the pump only while told to.

    python -m hardware.guard --pin 22              on a Pi (GPIO through gpiozero and lgpio)
    python -m hardware.guard --pin-file PATH       a simulated pin
    ... --off                                      switch off, read back, exit (for ExecStopPost)

Beats come on standard input, one byte each, at least every 200 ms:

    0   off, and alive. Arms the guard.
    1   on, and alive. Obeyed only when armed.
    2   on at the slow speed, and alive. Obeyed only when armed.
    T   trip: off. With a second cut-off that opens too, and the guard is latched until R.
    R   clears the latch that a bad byte, a stuck pin or a trip left.
    any other byte is bad: off, and latched until R.

Three more outputs may be fitted, each named like the pump's pin:

    --fine    high while the pump is to run slowly
    --cutoff  a second contact in the pump's circuit: closed while the guard is armed, open at the start, at the end
              and after every trouble; it opens a circuit whose relay is welded
    --watch   changes its level with every beat while the pump runs, for a timer that needs edges

Late (200 ms without a beat), bad and stuck disarm: after them the pump stays off until a 0 and then a 1
arrive, so it never resumes by itself. Beats already waiting when the guard finds itself late are old and
dropped. End of input, SIGTERM, SIGINT and SIGHUP: off and exit. Every level is read back after it is written.

Reports on standard output, one word a line: ``on`` and ``off`` (written and read back), ``late``, ``bad``,
``stuck`` (a pin does not follow), ``tripped``. A reader that stalls loses reports; it never holds up the guard.

Exit status 0 after end of input or a signal, 1 when the pin cannot be had or will not go off, 2 wrong use.

This file imports nothing of the project and little of Python: the less it is, the less can stop it. What it
cannot do is survive its own kill -9; see the wiring guide for the hardware half.
"""

import argparse
import fcntl
import mmap
import os
import select
import signal
import sys
import time
from collections.abc import Callable
from typing import Any, NoReturn, Protocol

DEADLINE_S = 0.2
READ_BYTES = 4096


class PinTaken(Exception):
    """Another process owns the pin, or it cannot be opened at all."""


class Pin(Protocol):
    def write(self, level: int) -> None: ...

    def read(self) -> int: ...


class FilePin:
    """A simulated pin: byte 0 of a file is the level written, byte 1 its fault.

    Fault 0 none, 1 stuck high, 2 stuck low. Like a Pi's pin without ``strict_gpiod`` the level stays when
    the owner dies. The file is locked by its owner.
    """

    SIZE = 2

    def __init__(self, path: str) -> None:
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise PinTaken(f"pin file {path} cannot be opened: {error.strerror}") from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise PinTaken(
                f"pin file {path} is owned by another guard; stop that one first, two must not share a pump"
            ) from error
        if os.fstat(self._fd).st_size < self.SIZE:
            os.ftruncate(self._fd, self.SIZE)
        self._map = mmap.mmap(self._fd, self.SIZE)

    def write(self, level: int) -> None:
        self._map[0] = level

    def read(self) -> int:
        return level_of(self._map)


def level_of(pin_bytes: Any) -> int:
    """Get the level on the wire from a pin file's two bytes: what was written, unless the pin is stuck."""
    written, fault = pin_bytes[0], pin_bytes[1]
    return int(written) if fault == 0 else int(fault == 1)


class GpioPin:
    """A Pi's pin: active high, off when claimed."""

    def __init__(self, number: int) -> None:
        try:
            from gpiozero import OutputDevice
            from gpiozero.pins.lgpio import LGPIOFactory

            self._device = OutputDevice(number, initial_value=False, pin_factory=LGPIOFactory())
        except Exception as error:
            raise PinTaken(
                f"pin {number} cannot be claimed ({error}). 'GPIO busy': another guard or program owns it, "
                "stop that one first. Otherwise install the extra [pi] and add the user to the group gpio."
            ) from error

    def write(self, level: int) -> None:
        # Never rely on claiming: lgpio answers OK to claiming an output again and changes nothing.
        self._device.value = level

    def read(self) -> int:
        return int(self._device.value)


class NoPin:
    """An output that is not fitted."""

    def __init__(self) -> None:
        self._level = 0

    def write(self, level: int) -> None:
        self._level = level

    def read(self) -> int:
        return self._level


class Guard:
    """The rule, apart from the process around it. ``now_s`` is monotonic seconds."""

    def __init__(
        self,
        pin: Pin,
        report: Callable[[str], None],
        fine: Pin | None = None,
        cutoff: Pin | None = None,
        watch: Pin | None = None,
    ) -> None:
        self._pin = pin
        self._fine, self._watch = fine or NoPin(), watch or NoPin()
        self._cutoff, self._has_cutoff = cutoff or NoPin(), cutoff is not None
        self._report = report
        self._armed = False
        self._latched = False
        self._level: int | None = None  # as last reported; None to have the next one reported in any case
        self._deadline_s: float | None = None
        self._cut(0)
        self._switch(0)

    def wait_s(self, now_s: float) -> float | None:
        """Get how long to wait for the next beat; None while none is due."""
        return None if self._deadline_s is None else max(0.0, self._deadline_s - now_s)

    def is_late(self, now_s: float) -> bool:
        return self._deadline_s is not None and now_s >= self._deadline_s

    def late(self) -> None:
        self._deadline_s = None
        self._disarm("late")

    def beat(self, byte: int, now_s: float) -> None:
        """Obey one beat, as the module describes."""
        self._deadline_s = now_s + DEADLINE_S
        if byte == ord("R"):
            self._latched = False
        elif byte == ord("T"):
            self._latched = self._latched or self._has_cutoff
            self._disarm("tripped" if self._has_cutoff else "")
        elif byte not in b"012":
            self._latched = True
            self._disarm("bad")
        elif self._latched:
            self._pin.write(0)
        elif byte == ord("0"):
            self._armed = True
            self._switch(0)
            if self._armed:
                self._cut(1)
        elif self._armed:
            self._fine.write(int(byte == ord("2")))
            self._switch(1)
            if self._level:
                self._watch.write(1 - self._watch.read())

    def off(self) -> bool:
        """Switch off whatever the state. Returns whether the pin went off."""
        self._disarm("")
        return self._pin.read() == 0

    def _disarm(self, trouble: str) -> None:
        self._switch(0)
        self._armed = False
        self._cut(0)
        if trouble:
            self._report(trouble)
            self._level = None

    def _switch(self, level: int) -> None:
        """Write the level and read it back, on every beat: a pin can be changed behind us."""
        self._pin.write(level)
        if not level:
            self._fine.write(0)
            self._watch.write(0)
        seen = self._pin.read()
        if seen != level:
            self._pin.write(0)
            self._cutoff.write(0)
        if seen != self._level:
            self._level = seen
            self._report("on" if seen else "off")
        if seen != level:
            self._armed = False
            self._latched = True
            self._report("stuck")
            self._level = None

    def _cut(self, level: int) -> None:
        """Open or close the second contact; one that does not follow is as bad as the first."""
        self._cutoff.write(level)
        if self._cutoff.read() != level:
            self._pin.write(0)
            self._armed, self._latched = False, True
            self._report("stuck")
            self._level = None


def say(word: str) -> None:
    """Report a line; drop it when nobody reads, since a full pipe must not hold up the pump's stop."""
    try:
        os.write(1, word.encode() + b"\n")
    except OSError:
        return


def drop_waiting() -> bool:
    """Throw away what waits on standard input. Returns False at the end of input."""
    while select.select([0], [], [], 0)[0]:
        if not os.read(0, READ_BYTES):
            return False
    return True


def run(guard: Guard) -> None:
    """Obey beats until the end of input."""
    while True:
        ready = select.select([0], [], [], guard.wait_s(time.monotonic()))[0]
        if guard.is_late(time.monotonic()):  # looked at first: what waits is old if this process was held up
            guard.late()
            if not drop_waiting():
                return
        elif ready:
            beats = os.read(0, READ_BYTES)
            if not beats:
                return
            for byte in beats:
                guard.beat(byte, time.monotonic())


def leave(_signal: int, _frame: object) -> NoReturn:
    raise SystemExit(0)


def main() -> int:
    parser = argparse.ArgumentParser(prog="hardware.guard", description="Own the pump's pin; see the module.")
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--pin", type=int, metavar="BCM", help="GPIO number of the pump relay, 9 to 27")
    where.add_argument("--pin-file", metavar="PATH", help="a simulated pin")
    for name, use in (("fine", "slow speed"), ("cutoff", "second contact"), ("watch", "toggles while on")):
        parser.add_argument(
            f"--{name}", metavar="PIN", help=f"{use}: a GPIO number or a simulated pin, as above"
        )
    parser.add_argument("--off", action="store_true", help="switch off, read back and exit")
    options = parser.parse_args()
    if options.pin is not None and not 9 <= options.pin <= 27:
        parser.error(f"--pin is {options.pin}; expected 9 to 27, which are pulled down while a Pi boots")
    extra = (options.fine, options.cutoff, options.watch)
    if options.pin is not None and any(p is not None and p not in map(str, range(9, 28)) for p in extra):
        parser.error("--fine, --cutoff and --watch: expected 9 to 27, which are pulled down while a Pi boots")
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, leave)
    if not os.isatty(1):
        os.set_blocking(1, False)
    try:
        pin: Pin = FilePin(options.pin_file) if options.pin is None else GpioPin(options.pin)
        fine, cutoff, watch = (
            None if p is None else FilePin(p) if options.pin is None else GpioPin(int(p)) for p in extra
        )
    except PinTaken as error:
        print(f"pump guard: {error}", file=sys.stderr)
        return 1
    guard = Guard(pin, say, fine, cutoff, watch)
    try:
        if not options.off:
            run(guard)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        is_off = guard.off()
    return 0 if is_off else 1


if __name__ == "__main__":
    sys.exit(main())
