"""The station's side of the pump guard: starts it, beats to it, listens to it."""

import io
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from hardware.errors import GuardError
from hardware.sample import Sample

log = logging.getLogger(__name__)

START_S = 10.0  # a slow Pi importing its GPIO library; the guard itself is off from its first write
CLOSE_S = 2.0
LEAVING_S = 4.0
"""So long may the station take to close after a guard that was told to end: systemd tells both at the same moment, and the
station closes its connections first, for two seconds at most."""
STATES = {"on": "ok", "off": "ok", "late": "late", "bad": "bad", "stuck": "stuck", "tripped": "tripped"}


def guard_command(
    pin: int | None = None,
    pin_file: Path | None = None,
    more: Mapping[str, int | Path | None] | None = None,
) -> list[str]:
    """Get the command line of a guard for one pin, which is either a BCM number or a simulated pin's file.

    more: the outputs beside it by name (fine, cutoff, watch), named alike; None where one is not fitted.
    """
    if (pin is None) == (pin_file is None):
        raise ValueError(f"pin is {pin} and pin_file is {pin_file}; expected exactly one of the two")
    where = ["--pin", str(pin)] if pin_file is None else ["--pin-file", str(pin_file)]
    # By path and alone: it starts from any working directory, and imports nothing that was ever installed.
    for name, other in (more or {}).items():
        where += [] if other is None else [f"--{name}", str(other)]
    return [sys.executable, "-I", "-S", str(Path(__file__).with_name("guard.py")), *where]


class PumpGuard:
    """Emits ``pump`` (0 or 1, read back from the pin) and ``pump_state``: ok, late, bad, stuck, tripped, lost.

    command: as from ``guard_command``. Raises GuardError when the guard does not come up with the pump off,
    with the guard's own words. A lost guard is never replaced: its pin is switched off by a
    one-shot, and the next start of the station brings another.
    """

    _process: "subprocess.Popen[str]"
    _reader: threading.Thread
    _beats: io.FileIO

    def __init__(
        self,
        command: list[str],
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._command, self._put, self._clock = command, put, clock
        self._closing = threading.Event()
        self._words = ""
        self._up = threading.Event()
        self._pipe_lock = threading.Lock()
        self._lock = threading.Lock()
        self._level: int | None = None
        self._state: str | None = None
        self._start()

    @property
    def pid(self) -> int:
        """Get the guard's process id."""
        return self._process.pid

    def beat(self, run: bool, fine: bool = False) -> bool:
        """Send one beat, without waiting. Returns False when the guard did not take it."""
        return self._send((b"2" if fine else b"1") if run else b"0")

    def trip(self) -> bool:
        """Off, and the second cut-off open where one is fitted; then only ``clear`` makes the pump usable again."""
        return self._send(b"T")

    def clear(self) -> bool:
        """Clear the latch that a bad byte, a stuck pin or a trip left. The pump still needs an off beat, then on."""
        return self._send(b"R")

    def close(self) -> None:
        """Off, then end the guard. Raises GuardError when the pump could not be confirmed off."""
        if self._closing.is_set():
            return
        self._closing.set()
        self.beat(False)
        self._hang_up()
        try:
            status = self._process.wait(CLOSE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
            status = -1
        self._reader.join(CLOSE_S)
        if status != 0 and not self._force_off():
            raise GuardError("the pump's pin did not go off; press the hard-wired stop and check the relay")
        self._emit_level(0)

    def _send(self, beat: bytes) -> bool:
        with self._pipe_lock:  # a descriptor closed in mid-write could be somebody else's by then
            try:
                return self._beats.write(beat) == 1  # None when the pipe is full: the guard is held up
            except (BrokenPipeError, ValueError):
                return False  # gone or closed; the reader reports a lost guard

    def _hang_up(self) -> None:
        with self._pipe_lock:
            self._beats.close()

    def _start(self) -> None:
        reading, writing = os.pipe()
        os.set_blocking(writing, False)
        with self._pipe_lock:
            self._beats = io.FileIO(writing, "w")
        self._closing.clear()
        self._words = ""
        self._up.clear()
        try:
            self._process = subprocess.Popen(
                self._command,
                stdin=reading,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                start_new_session=True,  # a Ctrl-C meant for the station must not reach the guard first
            )
        except OSError as error:
            self._hang_up()
            raise GuardError(f"the pump guard cannot be started: {error}") from error
        finally:
            os.close(reading)
        self._reader = threading.Thread(target=self._listen, name="pump guard", daemon=True)
        self._reader.start()
        if not self._up.wait(START_S) or self._state != "ok" or self._level != 0:
            self._closing.set()
            self._process.kill()
            self._process.wait()
            self._reader.join(CLOSE_S)
            self._hang_up()
            if self._state == "stuck" or self._level == 1:
                raise GuardError("the pump's pin does not follow; press the hard-wired stop, check the relay")
            raise GuardError(self._words or f"the pump guard did not report off within {START_S:g} s")

    def _listen(self) -> None:
        process = self._process
        if process.stdout is None or process.stderr is None:
            return
        with process.stdout as reports, process.stderr as errors:
            for line in reports:
                word = line.strip()
                if word in ("on", "off"):
                    self._emit_level(int(word == "on"))
                self._emit_state(STATES.get(word, "bad"))
                self._up.set()
            self._words = errors.read().strip()
        # Status 0 is a guard that was told to end and read its pin back as off.
        told = process.wait() == 0
        if self._up.is_set() and not self._closing.wait(LEAVING_S if told else 0.0):
            log.error("the pump guard ended with status %s. %s", process.returncode, self._words)
            self._emit_state("lost")
            self._force_off()
        self._up.set()

    def _force_off(self) -> bool:
        """Run the one-shot that switches the pin off: a killed guard leaves a Pi's pin as it was."""
        try:
            done = subprocess.run([*self._command, "--off"], timeout=START_S, capture_output=True, text=True)
        except (OSError, subprocess.TimeoutExpired) as error:
            log.critical("the pump could not be forced off: %s", error)
            return False
        if done.returncode != 0:
            log.critical("the pump could not be forced off: %s", done.stderr.strip() or done.stdout.strip())
            return False
        self._emit_level(0)
        return True

    def _emit_level(self, level: int) -> None:
        with self._lock:
            if level != self._level:
                self._level = level
                self._put(Sample(self._clock(), "pump", level))

    def _emit_state(self, state: str) -> None:
        with self._lock:
            if state != self._state:
                self._state = state
                self._put(Sample(self._clock(), "pump_state", state))
