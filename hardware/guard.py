"""The pump guard: a process of its own that owns the pump's pin and runs the pump only while told to.

    python -m hardware.guard --pin 22              on a Pi (the kernel's GPIO character device)
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
    --cutoff  a second contact in the pump's circuit, closed only while armed: it opens one whose relay is welded
    --watch   changes its level with every beat while the pump runs, for a timer that needs edges

Late (200 ms without a beat), bad and stuck disarm: the pump then stays off until a 0 and then a 1 arrive, so it never
resumes by itself. Beats that wait when the guard finds itself late are old and dropped, and so is any on that is not the
newest. End of input, SIGTERM, SIGINT and SIGHUP: off and exit. Every level is read back after it is written.

Reports on standard output, one word a line: ``on`` and ``off`` (written and read back), ``late``, ``bad``,
``stuck`` (a pin does not follow), ``tripped``. A reader that stalls loses reports; it never holds up the guard.
Exit status 0 after end of input or a signal, 1 when the pin cannot be had or will not go off, 2 wrong use.

This file imports nothing of the project and little of Python: the less it is, the less can stop it. What it
cannot do is survive its own kill -9; see the wiring guide for the hardware half.
"""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
import select
import signal
import struct
import sys
import time

TYPE_CHECKING = False  # as in typing, whose import would be a fifth of this process
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any, Protocol

    class Pin(Protocol):
        def write(self, level: int) -> None: ...
        def read(self) -> int: ...


DEADLINE_S = 0.2
PIN_BYTES, READ_BYTES = 2, 4096
EXTRA = ("--fine", "--cutoff", "--watch")


class PinTaken(Exception):
    """Another process owns the pin, or it cannot be opened at all."""


class FilePin:
    """A simulated pin: byte 0 of a file is the level written, byte 1 its fault: 0 none, 1 stuck high, 2 stuck low.

    As on a Pi without ``strict_gpiod`` the level stays when the owner dies. The file is locked by its owner.
    """

    def __init__(self, path: str) -> None:
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise PinTaken(f"pin file {path} is owned by another guard; stop that one first") from error
        except OSError as error:
            raise PinTaken(f"pin file {path} cannot be opened: {error.strerror}") from error
        if os.fstat(self._fd).st_size < PIN_BYTES:
            os.ftruncate(self._fd, PIN_BYTES)
        self._map = mmap.mmap(self._fd, PIN_BYTES)

    def write(self, level: int) -> None:
        self._map[0] = level

    def read(self) -> int:
        return level_of(self._map)


def level_of(pin_bytes: Any) -> int:
    """Get the level on the wire from a pin file's two bytes: what was written, unless the pin is stuck."""
    written, fault = pin_bytes[0], pin_bytes[1]
    return int(written) if fault == 0 else int(fault == 1)


HEADER_LABELS: tuple[str, ...] = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835")
"""Of a Pi 5, a Pi 4, a Pi 3 and before."""
# <linux/gpio.h>, second version of the interface: struct gpiochip_info, gpio_v2_line_request, gpio_v2_line_values.
CHIP_INFO, CHIP_INFO_IOCTL = struct.Struct("32s 32s I"), 0x8044B401
LINE_REQUEST, LINE_IOCTL = struct.Struct("=64I 32s Q I 20x 240x I I 20x i"), 0xC250B407
VALUES, GET_IOCTL, SET_IOCTL = struct.Struct("QQ"), 0xC010B40E, 0xC010B40F
OUTPUT, PULL_DOWN = 1 << 3, 1 << 9


def header_chip(folder: str = "/dev") -> str:
    """Get the device file of the chip behind the header: its number differs between Pis and kernels, its label does
    not. Raises OSError naming what was found."""
    seen = []
    for name in sorted(name for name in os.listdir(folder) if name.startswith("gpiochip")):
        with open(f"{folder}/{name}", "rb", buffering=0) as chip:
            info = fcntl.ioctl(chip, CHIP_INFO_IOCTL, bytes(CHIP_INFO.size))
        seen.append(CHIP_INFO.unpack(info)[1].rstrip(b"\0").decode())
        if seen[-1] in HEADER_LABELS:
            return f"{folder}/{name}"
    raise OSError(
        f"no GPIO chip is labelled {' or '.join(HEADER_LABELS)}; found {', '.join(seen) or 'none'}. Is this a Raspberry Pi?"
    )


class GpioPin:
    """A Pi's pin: active high, pulled down, off when claimed, read back from its pad.

    Straight on the kernel's character device. gpiozero closes a pin into a floating input, and every GPIO library
    takes longer to import than the pump may run on when this file is its last resort.
    """

    def __init__(self, number: int, chip: str | None = None) -> None:
        try:
            with open(chip or header_chip(), "r+b", buffering=0) as device:
                name, flags = b"tallypan pump guard", OUTPUT | PULL_DOWN
                asked = LINE_REQUEST.pack(number, *[0] * 63, name, flags, 0, 1, 0, -1)
                self._fd: int = LINE_REQUEST.unpack(fcntl.ioctl(device, LINE_IOCTL, asked))[-1]
        except OSError as error:
            busy = ". Another guard or program owns it: stop that one first."
            raise PinTaken(
                f"pin {number} cannot be claimed: {error}{busy if error.errno == errno.EBUSY else '.'}"
            ) from error

    def write(self, level: int) -> None:
        fcntl.ioctl(self._fd, SET_IOCTL, VALUES.pack(level, 1))

    def read(self) -> int:
        return int(VALUES.unpack(fcntl.ioctl(self._fd, GET_IOCTL, VALUES.pack(0, 1)))[0] & 1)


class NoPin:
    """An output that is not fitted."""

    _level = 0

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

    def hear(self, beats: bytes, now_s: float) -> None:
        """Obey what was read at once. An on that a later beat follows is old: a guard that was held up does not start for it."""
        for n, byte in enumerate(beats, 1):
            if byte not in b"12" or n == len(beats):
                self.beat(byte, now_s)

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
            self._armed, self._latched = False, True
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
            guard.hear(beats, time.monotonic())


def options(words: list[str]) -> dict[str, str]:
    """Get what each option says. Python's own parser would be a third of this process. Raises ValueError."""
    said: dict[str, str] = {}
    left = list(words)
    while left:
        name = left.pop(0)
        if name == "--off":
            said[name] = ""
        elif name in ("--pin", "--pin-file", *EXTRA) and left:
            said[name] = left.pop(0)
        else:
            raise ValueError(f"{name!r} is not understood")
    if ("--pin" in said) == ("--pin-file" in said):
        raise ValueError("expected one of --pin BCM and --pin-file PATH")
    if "--pin" in said:
        for name in ("--pin", *EXTRA):
            if said.get(name, "9") not in map(str, range(9, 28)):
                raise ValueError(
                    f"{name} is {said[name]}; expected 9 to 27, which are pulled down while a Pi boots"
                )
    return said


def leave(_signal: int, _frame: object) -> None:
    raise SystemExit(0)


def pin_of(said: dict[str, str], name: str) -> Pin | None:
    """Get an opened output; None where it is not fitted. Raises PinTaken."""
    return None if name not in said else GpioPin(int(said[name])) if "--pin" in said else FilePin(said[name])


def main() -> int:
    try:
        said = options(sys.argv[1:])
    except ValueError as error:
        print(f"pump guard: {error}; --off and {', '.join(EXTRA)} may be added", file=sys.stderr)
        return 2
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, leave)
    if not os.isatty(1):
        os.set_blocking(1, False)
    try:
        pins = [pin_of(said, name) for name in ("--pin", "--pin-file", *EXTRA)]
    except PinTaken as error:
        print(f"pump guard: {error}", file=sys.stderr)
        return 1
    guard = Guard(pins[0] or pins[1] or NoPin(), say, *pins[2:])
    try:
        if "--off" not in said:
            run(guard)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        is_off = guard.off()
    return 0 if is_off else 1


if __name__ == "__main__":
    sys.exit(main())
