"""The far ends of serial lines, byte by byte on pseudo-terminals: a scale, a counter, a line of Modbus devices.

Each answers or prints as its like does, at the lowest layer; what goes wrong with it are verbs.
"""

import os
import select
import struct
import threading
import time
import tty
from collections.abc import Callable, Mapping
from pathlib import Path

from hardware.modbus import FORMS, SPANS
from hardware.serial_devices import meter_line

PRINT_S = 0.05
EXCEPTION = 0x80
BUSY = 6
"""Modbus exception code: the device cannot answer now."""


def crc(frame: bytes) -> bytes:
    """CRC-16 of a frame as Modbus over Serial Line V1.02, 6.2.2, has it, low byte first."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


def holding(
    value: Callable[[], float], form: str, words: str = "high", register: int = 0
) -> Callable[[int, int], int]:
    """A device that holds one value from a register on, in the form and order of words that it is read by."""

    def held(_function: int, asked: int) -> int:
        number = value()
        raw = struct.pack(
            f">{FORMS[form]}", number if form == "f32" else round(number) % SPANS.get(form, 1 << 63)
        )
        found: list[int] = list(struct.unpack(f">{len(raw) // 2}H", raw))
        return (found if words == "high" else found[::-1])[asked - register]

    return held


class FarEnd:
    """What stands at the other end of an adapter that has a name of its own, and may be pulled.

    Verbs: pull, plug, fall_silent, garble, dribble, speak.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._far: int | None = None
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._silent = self._garbled = self._dribbling = False
        self.plug()
        self._thread = threading.Thread(target=self._run, name=f"far end of {path.name}", daemon=True)
        self._thread.start()

    def plug(self) -> None:
        with self._lock:
            self._far, near = os.openpty()
            # Without a near end it looks readable; a read that waits for bytes would keep it from printing.
            os.set_blocking(self._far, False)
            tty.setraw(near)
            self.path.symlink_to(os.ttyname(near))
            os.close(near)

    def pull(self) -> None:
        """Pull the adapter out: the device file goes, and whoever reads it is told."""
        with self._lock:
            if self._far is not None:
                os.close(self._far)
                self.path.unlink()
            self._far = None

    def fall_silent(self) -> None:
        """The device loses its supply, or its wire breaks: the adapter stays."""
        self._silent = True

    def garble(self) -> None:
        """Noise on the cable: one bit of every message is another."""
        self._garbled = True

    def dribble(self) -> None:
        """Messages come in two halves, 30 ms apart."""
        self._dribbling = True

    def speak(self) -> None:
        """All is well again."""
        self._silent = self._garbled = self._dribbling = False

    def close(self) -> None:
        self._over.set()
        self._thread.join(3.0)
        self.pull()

    def _turn(self, heard: bytes) -> bytes:
        """What is said next, heard being what came since the last turn."""
        raise NotImplementedError

    def _run(self) -> None:
        while not self._over.is_set():
            with self._lock:
                far = self._far
            heard = b""
            try:
                if far is None:
                    time.sleep(PRINT_S)
                    continue
                if select.select([far], [], [], PRINT_S)[0]:
                    heard = os.read(far, 256)
                self._say(far, self._turn(heard))
            except OSError:  # nobody has the near end open or reads it, or it was pulled meanwhile
                time.sleep(PRINT_S / 5)

    def _say(self, far: int, message: bytes) -> None:
        if self._silent or not message:
            return
        if self._garbled:
            message = bytes([message[0], message[1] ^ 0x11, *message[2:]])
        half = len(message) // 2 if self._dribbling else 0
        os.write(far, message[:half])
        if half:
            time.sleep(0.03)
        os.write(far, message[half:])


class FarScale(FarEnd):
    """A scale. line: its indication as it prints it, with what ends a line. ask: prints for this alone; empty: prints by itself."""

    def __init__(self, path: Path, line: Callable[[], bytes], ask: bytes = b"") -> None:
        self._line, self._ask_for = line, ask
        super().__init__(path)

    def _turn(self, heard: bytes) -> bytes:
        return self._line() if not self._ask_for or self._ask_for in heard else b""


class FarCounter(FarScale):
    """A counter beside a meter, which prints its checked count by itself."""

    def __init__(self, path: Path, count: Callable[[], int]) -> None:
        super().__init__(path, lambda: f"{meter_line(count())}\r\n".encode("ascii"))


class FarModbus(FarEnd):
    """RTU devices on one line. devices: address → what a register holds, 0 to 65535, by function and register.

    Verbs beside those of a far end: be_busy (answers with an exception), move (answers under another address).
    """

    def __init__(self, path: Path, devices: Mapping[int, Callable[[int, int], int]]) -> None:
        self._devices = devices
        self._busy, self._moved = False, 0
        self._heard = b""
        super().__init__(path)

    def be_busy(self) -> None:
        self._busy = True

    def move(self, by: int) -> None:
        self._moved = by

    def speak(self) -> None:
        super().speak()
        self._busy, self._moved = False, 0

    def _turn(self, heard: bytes) -> bytes:
        self._heard += heard
        if len(self._heard) < 8:
            return b""
        frame, self._heard = self._heard[:8], b""
        address, function, register, count = struct.unpack(">BBHH", frame[:6])
        if frame[6:] != crc(frame[:6]) or address not in self._devices:
            return b""  # a device answers only what is whole and its own
        head = address + self._moved
        if self._busy:
            body = bytes([head, function | EXCEPTION, BUSY])
        else:
            words = [self._devices[address](function, register + n) for n in range(count)]
            body = bytes([head, function, 2 * count]) + struct.pack(f">{count}H", *words)
        return body + crc(body)
