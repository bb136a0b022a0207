"""Lines of text on a serial port, read so that neither a cut line nor a pulled plug becomes a figure."""

import errno
import logging
import math
import termios
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import serial

from hardware.errors import SerialFaults, SerialPortError
from hardware.sample import Sample
from hardware.ticker import Ticker

BAUD_RATES = tuple(rate for rate in serial.Serial.BAUDRATES if 300 <= rate <= 921_600)
FRAMES = ("8N1", "8E1", "8O1", "7E1", "7O1")
LONGEST_LINE = 120
BAD_LINES = 3  # one garbled line is noise on a cable; so many in a row are a wrong baud rate or pattern
SILENT_S = 3.0
READ_S = 0.1
RETRY_S, RETRY_MOST_S = 0.25, 2.0
NOT_THERE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR, errno.EIO)
# pyserial raises its own OSError on read, a plain one on in_waiting, and lets termios' through when the
# adapter goes while it is being set up.
PORT_ERRORS = (OSError, termios.error)

log = logging.getLogger(__name__)


def named_ports() -> list[str]:
    """Get the serial adapters by the names that stay theirs over a reboot and another socket."""
    return sorted(str(path) for path in Path("/dev/serial/by-id").glob("*"))


@dataclass(frozen=True)
class SerialPort:
    """Where a device's lines come in.

    port: a path, best one of /dev/serial/by-id. baud: bits per second. frame: data bits, parity, stop bits.
    """

    port: str
    baud: int = 9600
    frame: str = "8N1"

    def faults(self) -> list[str]:
        """Get what is wrong with it, one sentence each; empty when it can be used."""
        found = []
        if not isinstance(self.port, str) or not self.port.startswith("/"):
            found.append(f"port = {self.port!r}; expected a path, as /dev/serial/by-id/usb-…")
        if isinstance(self.baud, bool) or self.baud not in BAUD_RATES:
            found.append(f"baud = {self.baud!r}; expected one of: {', '.join(map(str, BAUD_RATES))}")
        if self.frame not in FRAMES:
            found.append(f"frame = {self.frame!r}; expected one of: {', '.join(FRAMES)}")
        return found

    def check(self) -> None:
        """Raise SerialFaults listing all faults, or return when there is none."""
        found = self.faults()
        if found:
            raise SerialFaults(found)


class SerialLine:
    """Emits ``<source>``, one whole number per line, and ``<source>_state`` in ok, unplugged, bad (on change).

    read: turns one line into a count, raises ValueError for a line that it does not know, and answers None where
    a line alone proves nothing. unplugged: the port is gone, or nothing came for SILENT_S. bad: BAD_LINES lines
    in a row that ``read`` does not know.

    A port that is not there yet is waited for; one that somebody else holds, or that may not be opened, raises
    SerialPortError.
    """

    def __init__(
        self,
        source: str,
        port: SerialPort,
        read: Callable[[str], int | None],
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        port.check()
        self._source, self._port, self._read = source, port, read
        self._put, self._clock = put, clock
        self._serial: serial.Serial | None = None
        self._buffer = b""
        self._in_step = False
        self._bad_lines = 0
        self._heard_s = self._retry_at_s = -math.inf
        self._retry_s = RETRY_S
        self._state: str | None = None
        self._ticker = Ticker(f"{source} on {port.port}", self.poll, 0.0)
        try:
            self._open()
        except PORT_ERRORS as error:
            if error.args and error.args[0] in NOT_THERE:
                self._lost(error)
            elif error.args and error.args[0] in (errno.EAGAIN, errno.EBUSY):
                raise SerialPortError(
                    f"{port.port} is in use by another program ({error}); end that one, or give another port"
                ) from error
            else:
                raise SerialPortError(
                    f"{port.port} cannot be opened ({error}). Is it a serial port, and is the user in the group dialout?"
                ) from error

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        """Stop reading, for good, and let go of the port."""
        self._ticker.stop()
        self._close()

    def poll(self) -> None:
        """Wait a moment for bytes: at most one count, the newest, and a state if that changed."""
        # The port's own seconds are real ones, whatever clock a simulated bay keeps for its samples.
        if self._serial is None:
            wait_s = self._retry_at_s - time.monotonic()
            if wait_s > 0:
                time.sleep(min(wait_s, READ_S))
                return
        try:
            port = self._serial or self._open()
            data = port.read(1)
            data += port.read(port.in_waiting)
        except PORT_ERRORS as error:
            self._lost(error)
            return
        if data:
            self._heard_s = time.monotonic()
            self._take(data)
        elif time.monotonic() - self._heard_s >= SILENT_S:
            self._become("unplugged")

    def _take(self, data: bytes) -> None:
        *lines, self._buffer = (self._buffer + data.replace(b"\r", b"\n")).split(b"\n")
        count = None
        for line in lines:
            # The first line after opening, or after a cut one, may lack its head and still look like a number.
            if not self._in_step:
                self._in_step = True
            elif line.strip():
                # Several waiting lines share this moment: only the newest is news.
                count = self._understood(line, count)
        if len(self._buffer) > LONGEST_LINE:
            count = self._understood(self._buffer, count)
            self._buffer, self._in_step = b"", False
        if count is not None:
            self._put(Sample(self._clock(), self._source, count))

    def _understood(self, line: bytes, before: int | None) -> int | None:
        """Get the line's count; ``before`` where it gives none."""
        try:
            if len(line) > LONGEST_LINE:
                raise ValueError(f"a line of {len(line)} characters")
            count = self._read(line.decode("ascii").strip())
        except ValueError as error:
            self._bad_lines += 1
            if self._bad_lines >= BAD_LINES:
                if self._state != "bad":
                    log.error("%s on %s: %s", self._source, self._port.port, error)
                self._become("bad")
            return before
        self._bad_lines = 0
        if count is None:
            return before
        self._become("ok")
        return count

    def _open(self) -> serial.Serial:
        bits, parity, stops = tuple(self._port.frame)
        # exclusive: two readers of one port would each get half of every line.
        self._serial = serial.Serial(
            self._port.port,
            self._port.baud,
            bytesize=int(bits),
            parity=parity,
            stopbits=int(stops),
            timeout=READ_S,
            exclusive=True,
        )
        self._buffer = b""
        self._in_step, self._bad_lines = False, 0
        self._heard_s, self._retry_s = time.monotonic(), RETRY_S
        return self._serial

    def _lost(self, error: Exception) -> None:
        if self._state != "unplugged":
            log.error("%s on %s: %s", self._source, self._port.port, error)
        self._become("unplugged")
        self._close()
        self._retry_at_s = time.monotonic() + self._retry_s
        self._retry_s = min(2 * self._retry_s, RETRY_MOST_S)

    def _close(self) -> None:
        port, self._serial = self._serial, None
        if port is not None:
            port.close()

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), f"{self._source}_state", state))
