"""Benches: a converter chip wired to a load cell under a virtual clock, guard processes, a serial adapter."""

import os
import random
import subprocess
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, Protocol

import pytest

from hardware.converters.package import PackageConverter, load_driver
from hardware.converters.port import Converter
from hardware.guard import PIN_BYTES
from hardware.loadcell import LoadCell
from hardware.pump import guard_command
from hardware.sample import Sample
from hardware.simulated.clock import VirtualClock, WireClock
from hardware.simulated.gpio import SimulatedGpio, install
from hardware.simulated.hx711_chip import Hx711Chip

DOUT, SCK = 5, 6


class Wait(Protocol):
    """Fails the test when the condition does not come true in time."""

    def __call__(
        self, condition: Callable[[], bool], limit_s: float = 5.0, what: str = "the condition"
    ) -> None: ...


class StallingClock(WireClock):
    """A wire on which chosen pin writes of a burst take long.

    stalls: which write of bursts to come, 1 to 50 for the next burst -> extra seconds.
    """

    def __init__(self, base: VirtualClock) -> None:
        super().__init__(base, base.sleep)
        self.stalls: dict[int, float] = {}
        self.every_write_s = 0.0

    def write(self, in_burst: bool) -> None:
        super().write(in_burst)
        self._now_s += self.every_write_s
        if not self._held:
            return
        self.stalls = {left - 1: seconds for left, seconds in self.stalls.items()}
        self._now_s += self.stalls.pop(0, 0.0)


class Bench:
    """The bridge reads ``count`` plus a little noise, so that a live one never repeats itself for long."""

    def __init__(self, count: int = 100_000, noise: int = 20, **chip: Any) -> None:
        self.count, self.noise = count, noise
        self.random = random.Random(1)
        self.base = VirtualClock(1000.0)
        self.clock = StallingClock(self.base)
        self.gpio = SimulatedGpio(self.clock)
        install(self.gpio)
        self.chip = Hx711Chip(self.bridge, self.clock, **chip)
        self.gpio.attach(self.chip, DOUT, SCK)
        self.samples: list[Sample] = []

    def bridge(self) -> int:
        return self.count + self.random.randint(-self.noise, self.noise)

    def cell(self, rate_sps: float = 10.0) -> LoadCell:
        return self.cell_on(
            PackageConverter(DOUT, SCK, self.clock, self.clock.sleep, rate_sps or 10.0, self.gpio), rate_sps
        )

    def cell_on(self, converter: Converter, rate_sps: float = 10.0) -> LoadCell:
        return LoadCell(converter, self.samples.append, self.clock, self.clock.sleep, rate_sps)

    def raw(self, gain: int = 128, give_up_s: float = 60.0) -> Any:
        """Get the unwrapped driver; its endless loops end in TimeoutError after give_up_s of virtual time."""
        end_s = self.clock() + give_up_s

        def sleep(duration_s: float) -> None:
            if self.clock() > end_s:
                raise TimeoutError("the driver would wait for ever")
            self.clock.sleep(duration_s)

        return load_driver(self.gpio, self.clock, sleep).HX711(DOUT, SCK, gain=gain)

    def run(self, cell: LoadCell, duration_s: float) -> list[Sample]:
        """Poll for a while; get what was emitted meanwhile."""
        seen, end_s = len(self.samples), self.clock() + duration_s
        while self.clock() < end_s:
            cell.poll()
        return self.samples[seen:]

    def counts(self) -> list[int]:
        return [int(sample.value) for sample in self.samples if sample.source == "pan"]

    def states(self) -> list[str]:
        return [str(sample.value) for sample in self.samples if sample.source == "pan_state"]


class GuardProcess(subprocess.Popen[bytes]):
    """A guard with all three of its pipes open and unbuffered."""

    stdin: IO[bytes]
    stdout: IO[bytes]
    stderr: IO[bytes]

    def __init__(self, line: list[str], **options: Any) -> None:
        pipe = subprocess.PIPE
        super().__init__(line, bufsize=0, stdin=pipe, stdout=pipe, stderr=pipe, **options)


class GuardBench:
    """Real guard processes on a pin file; every one of them ended at teardown."""

    def __init__(self, folder: Path) -> None:
        self.pin_file = folder / "pump.pin"
        self.pin_file.write_bytes(bytes(PIN_BYTES))
        self.processes: list[subprocess.Popen[bytes] | subprocess.Popen[str]] = []

    def start(self, *extra: str) -> GuardProcess:
        process = GuardProcess([*guard_command(pin_file=self.pin_file), *extra])
        self.processes.append(process)
        return process

    def level(self) -> int:
        """Get the level that the guard last wrote."""
        return self.pin_file.read_bytes()[0]

    def stick(self, fault: int) -> None:
        with self.pin_file.open("r+b") as file:
            file.seek(1)
            file.write(bytes([fault]))

    def wait_level(self, level: int, limit_s: float = 60.0) -> float:
        """Wait until the pin has this level; get how long it took. Fails after limit_s."""
        began_s = time.monotonic()
        while self.level() != level:
            if time.monotonic() - began_s > limit_s:
                pytest.fail(f"the pump's pin is still {1 - level} after {limit_s} s")
            time.sleep(0.0005)
        return time.monotonic() - began_s

    def close(self) -> None:
        for process in self.processes:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout, process.stderr):
                if stream is not None:
                    stream.close()


class Adapter:
    """A serial adapter that can be pulled and plugged in again under one name, as udev gives it in by-id."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "usb-adapter"
        self.far: int | None = None
        self.plug()

    def plug(self) -> None:
        self.far, near = os.openpty()
        tty.setraw(near)
        self.path.symlink_to(os.ttyname(near))
        os.close(near)

    def pull(self) -> None:
        if self.far is not None:
            os.close(self.far)
            self.path.unlink()
        self.far = None

    def send(self, *lines: str, end: str = "\r\n") -> None:
        self.raw("".join(line + end for line in lines).encode())

    def raw(self, data: bytes) -> None:
        assert self.far is not None
        os.write(self.far, data)
