"""A serial port that is held: opened for this program alone, let go when the adapter is pulled, opened again when it is back."""

import errno
import logging
import math
import termios
import time
from dataclasses import dataclass
from pathlib import Path

import serial

from hardware.errors import SerialFaults, SerialPortError
from hardware.ticker import Ticker

BAUD_RATES = tuple(rate for rate in serial.Serial.BAUDRATES if 300 <= rate <= 921_600)
FRAMES = ("8N1", "8E1", "8O1", "7E1", "7O1", "8N2", "8E2", "7N2", "7E2")
SIMULATED = "/simulated/"
"""Below it are no adapters: a simulated bay has a far end of its own there, see ``simulated.stand_ins``."""
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
    """Where a device's bytes come in.

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


class HeldPort:
    """One port in this program's hands, whether it is there just now or not.

    A port that is not there yet is waited for; one that somebody else holds, or that may not be opened, raises
    SerialPortError. read_s: how long a read waits for bytes.
    """

    def __init__(self, plan: SerialPort, read_s: float = READ_S) -> None:
        plan.check()
        self._plan, self._read_s = plan, read_s
        self.serial: serial.Serial | None = None
        self.retry_s = RETRY_S
        self.retry_at_s = -math.inf
        try:
            self.open()
        except PORT_ERRORS as error:
            if error.args and error.args[0] in NOT_THERE:
                self.lose()
            elif error.args and error.args[0] in (errno.EAGAIN, errno.EBUSY):
                raise SerialPortError(
                    f"{plan.port} is in use by another program ({error}); end that one, or give another port"
                ) from error
            else:
                raise SerialPortError(
                    f"{plan.port} cannot be opened ({error}). Is it a serial port, and is the user in the group dialout?"
                ) from error

    def ready(self) -> bool:
        """Whether the port is open or may be tried again; waits a moment where not."""
        # The port's own seconds are real ones, whatever clock a simulated bay keeps for its samples.
        wait_s = self.retry_at_s - time.monotonic()
        if self.serial is not None or wait_s <= 0:
            return True
        time.sleep(min(wait_s, READ_S))
        return False

    def open(self) -> serial.Serial:
        """Open it. Raises one of PORT_ERRORS."""
        bits, parity, stops = tuple(self._plan.frame)
        # exclusive: two readers of one port would each get half of every line.
        self.serial = serial.Serial(
            self._plan.port,
            self._plan.baud,
            bytesize=int(bits),
            parity=parity,
            stopbits=int(stops),
            timeout=self._read_s,
            write_timeout=1.0,
            exclusive=True,
        )
        self.retry_s = RETRY_S
        return self.serial

    def lose(self) -> None:
        """Let go of a port that is gone, and wait longer each time before it is tried again."""
        self.close()
        self.retry_at_s = time.monotonic() + self.retry_s
        self.retry_s = min(2 * self.retry_s, RETRY_MOST_S)

    def close(self) -> None:
        port, self.serial = self.serial, None
        if port is not None:
            port.close()


class OnPort:
    """Whoever reads a port in a thread of its own."""

    _ticker: Ticker
    _held: HeldPort

    def start(self) -> None:
        self._ticker.start()

    def stop(self) -> None:
        """Stop, for good, and let go of the port."""
        self._ticker.stop()
        self._held.close()
