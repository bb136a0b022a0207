"""Lines of text on a serial port, read so that neither a cut line nor a pulled plug becomes a figure."""

import logging
import time
from collections.abc import Callable
from typing import Literal

from hardware.sample import Sample
from hardware.serial_port import PORT_ERRORS, HeldPort, OnPort, SerialPort
from hardware.ticker import Ticker

LONGEST_LINE = 120
BAD_LINES = 3  # one garbled line is noise on a cable; so many in a row are a wrong baud rate or pattern
SILENT_S = 3.0
STX, ETX = b"\x02", b"\x03"

log = logging.getLogger(__name__)


class SerialLine(OnPort):
    """Emits ``<source>``, one number per line, and ``<source>_state`` in ok, unplugged, bad (on change).

    read: turns one line into a count, raises ValueError for a line that it does not know, and answers None where
    a line alone proves nothing. unplugged: the port is gone, or nothing came for SILENT_S. bad: BAD_LINES lines
    in a row that ``read`` does not know.

    ask: what is sent every ``every_s`` to a device that does not print by itself; nothing where it does. end: what a line
    ends with: a line end, or the byte ETX. Raises SerialPortError as HeldPort does.
    """

    def __init__(
        self,
        source: str,
        port: SerialPort,
        read: Callable[[str], float | None],
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
        ask: bytes = b"",
        every_s: float = 0.1,
        end: Literal["line", "etx"] = "line",
    ) -> None:
        self._source, self._port, self._read = source, port, read
        self._put, self._clock = put, clock
        self._ask, self._every_s, self._end = ask, every_s, ETX if end == "etx" else b"\n"
        self._asked_s = 0.0
        self._state: str | None = None
        self._ticker = Ticker(f"{source} on {port.port}", self.poll, 0.0)
        self._buffer, self._in_step, self._bad_lines = b"", False, 0
        self._heard_s = time.monotonic()
        self._held = HeldPort(port)
        if self._held.serial is None:
            self._lost("not there yet")

    def poll(self) -> None:
        """Wait a moment for bytes: at most one count, the newest, and a state if that changed."""
        if not self._held.ready():
            return
        try:
            port = self._held.serial
            if port is None:
                port = self._held.open()
                self._begin_anew()
            if self._ask and time.monotonic() - self._asked_s >= self._every_s:
                self._asked_s = time.monotonic()
                port.write(self._ask)
            data = port.read(1)
            data += port.read(port.in_waiting)
        except PORT_ERRORS as error:
            self._lost(error)
            self._held.lose()
            return
        if data:
            self._heard_s = time.monotonic()
            self._take(data)
        elif time.monotonic() - self._heard_s >= SILENT_S:
            self._become("unplugged")

    def _take(self, data: bytes) -> None:
        if self._end == b"\n":
            data = data.replace(b"\r", b"\n")
        *lines, self._buffer = (self._buffer + data).split(self._end)
        count: float | None = None
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

    def _understood(self, line: bytes, before: float | None) -> float | None:
        """Get the line's count; ``before`` where it gives none."""
        try:
            if len(line) > LONGEST_LINE:
                raise ValueError(f"a line of {len(line)} characters")
            count = self._read(line.rpartition(STX)[2].decode("ascii").strip())
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

    def _begin_anew(self) -> None:
        self._buffer, self._in_step, self._bad_lines = b"", False, 0
        self._heard_s = time.monotonic()

    def _lost(self, why: object) -> None:
        if self._state != "unplugged":
            log.error("%s on %s: %s", self._source, self._port.port, why)
        self._become("unplugged")

    def _become(self, state: str) -> None:
        if state != self._state:
            self._state = state
            self._put(Sample(self._clock(), f"{self._source}_state", state))
