"""Guard processes, of the guard's source or of a copy with faults planted, and the beats that a pump runs by."""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hardware import guard as guard_module
from hardware.pump import guard_command
from tests.hardware.benches import GuardBench, GuardProcess

PATIENCE_S = 60.0
SOURCE = Path(guard_module.__file__)


def command(folder: Path, pin_file: Path, *faults: tuple[str, str]) -> list[str]:
    """Get the guard's command line, of a copy with faults planted if there are any."""
    plain = guard_command(pin_file=pin_file)
    if not faults:
        return plain
    text = SOURCE.read_text(encoding="utf-8")
    for old, new in faults:
        assert text.count(old) == 1, f"the place of the planted fault moved: {old!r}"
        text = text.replace(old, new)
    copy = folder / "mutant.py"
    copy.write_text(text, encoding="utf-8")
    return [str(copy) if part == str(SOURCE) else part for part in plain]


@pytest.fixture
def start(guard_bench: GuardBench, tmp_path: Path) -> Callable[..., GuardProcess]:
    def start(*faults: tuple[str, str], **options: Any) -> GuardProcess:
        process = GuardProcess(command(tmp_path, guard_bench.pin_file, *faults), **options)
        guard_bench.processes.append(process)
        assert process.stdout.readline() in (b"off\n", b"on\n")
        return process

    return start


def beat(process: GuardProcess, beats: bytes, seconds: float = 0.0) -> None:
    """Send the first byte, then the last again and again for some seconds."""
    process.stdin.write(beats)
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        time.sleep(0.03)
        process.stdin.write(beats[-1:])


def stays(
    guard_bench: GuardBench, process: GuardProcess, level: int, seconds: float, beats: bytes = b""
) -> bool:
    """Watch the pin for a while, beating all along."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        if beats:
            process.stdin.write(beats)
        if guard_bench.level() != level:
            return False
        time.sleep(0.02)
    return True


def run_pump(guard_bench: GuardBench, process: GuardProcess) -> None:
    """Off, then on, until it runs: a busy computer may hold one of the two up past the deadline."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        beat(process, b"01")
        if not stays(guard_bench, process, 0, 0.1):
            return
    pytest.fail("the pump does not start")


def heard(
    process: GuardProcess, until: Callable[[list[bytes]], bool], limit_s: float = PATIENCE_S
) -> list[bytes]:
    """What the guard says from now on, until it has said that, or nothing that would be that within the limit."""
    os.set_blocking(process.stdout.fileno(), False)
    lines, end_s = b"", time.monotonic() + limit_s
    while not until(lines.split()) and time.monotonic() < end_s:
        lines += process.stdout.read() or b""
        time.sleep(0.01)
    return lines.split()
