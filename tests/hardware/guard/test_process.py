"""The guard process itself: real processes, a pin file that keeps its level when its owner dies.

Every promise is shown to fail with a fault planted in a copy of the guard's source.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from subprocess import Popen
from typing import Any

import pytest

from hardware.pump import guard_command
from tests.hardware.benches import GuardBench, GuardProcess
from tests.hardware.guard.conftest import PATIENCE_S, beat, command, heard, run_pump, stays

NO_DEADLINE = ("DEADLINE_S = 0.2", "DEADLINE_S = 1e9")
NO_END_OF_INPUT = ("            if not beats:\n                return\n", "")
BAD_IGNORED = ('            self._latched = True\n            self._disarm("bad")\n', "            pass\n")
STAYS_ARMED = ("        self._switch(0)\n        self._armed = False\n", "        self._switch(0)\n")
OLD_BEATS_OBEYED = ("    while select.select([0], [], [], 0)[0]:\n", "    while False:\n")
NO_LOCK = ("fcntl.LOCK_EX | fcntl.LOCK_NB", "fcntl.LOCK_SH")
BLOCKING_REPORTS = ("        os.set_blocking(1, False)\n", "        pass\n")
NO_READ_BACK = ("        seen = self._pin.read()\n", "        seen = level\n")
NO_SIGNAL = ("        signal.signal(number, leave)\n", "        pass\n")


def goes_off(guard_bench: GuardBench, expected: bool) -> float | None:
    """Get how long the pin took to go off, or None when it did not: where that is not expected, within a second. How soon it
    has to, the proofs of test_fake_relay.py ask."""
    began_s, limit_s = time.monotonic(), PATIENCE_S if expected else 1.0
    while time.monotonic() - began_s < limit_s:
        if guard_bench.level() == 0:
            return time.monotonic() - began_s
        time.sleep(0.0005)
    return None


PARENT = """
import sys, time
from pathlib import Path
from hardware.pump import PumpGuard
pump = PumpGuard(sys.argv[1:], lambda sample: print(*sample[1:], flush=True))
pump.beat(False)
while True:
    pump.beat(True)
    time.sleep(0.03)
"""


def parent_of_a_running_pump(guard_bench: GuardBench, *guard_line: str) -> Popen[str]:
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, *guard_line],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    guard_bench.processes.append(parent)
    guard_bench.wait_level(1, limit_s=PATIENCE_S)
    return parent


@pytest.mark.parametrize(
    ("faults", "goes"),
    [
        ((), True),
        ((NO_DEADLINE,), True),  # the closed pipe alone does it
        ((NO_END_OF_INPUT,), True),  # and so does the deadline alone
        ((NO_DEADLINE, NO_END_OF_INPUT), False),
    ],
)
def test_off_after_the_parent_is_killed(
    guard_bench: GuardBench, tmp_path: Path, faults: Any, goes: bool
) -> None:
    parent = parent_of_a_running_pump(guard_bench, *command(tmp_path, guard_bench.pin_file, *faults))
    guard_pid = child_of(parent.pid)
    os.kill(parent.pid, signal.SIGKILL)
    took_s = goes_off(guard_bench, goes)
    if guard_alive(guard_pid):
        os.kill(guard_pid, signal.SIGKILL)
    print(
        "pump off after kill -9 of the parent:", took_s and f"{1000 * took_s:.1f} ms", faults and "(planted)"
    )
    assert (took_s is not None) == goes


@pytest.mark.parametrize(("faults", "goes"), [((), True), ((NO_DEADLINE,), False)])
def test_off_when_the_parent_hangs(guard_bench: GuardBench, tmp_path: Path, faults: Any, goes: bool) -> None:
    parent = parent_of_a_running_pump(guard_bench, *command(tmp_path, guard_bench.pin_file, *faults))
    os.kill(parent.pid, signal.SIGSTOP)
    took_s = goes_off(guard_bench, goes)
    print("pump off after the parent hangs:", took_s and f"{1000 * took_s:.1f} ms", faults and "(planted)")
    assert (took_s is not None) == goes
    os.kill(parent.pid, signal.SIGKILL)


def child_of(pid: int) -> int:
    return int(Path(f"/proc/{pid}/task/{pid}/children").read_text().split()[0])


def guard_alive(pid: int) -> bool:
    try:
        return (
            b"guard" in Path(f"/proc/{pid}/cmdline").read_bytes()
            or b"mutant" in Path(f"/proc/{pid}/cmdline").read_bytes()
        )
    except OSError:
        return False


@pytest.mark.parametrize(("faults", "goes"), [((), True), ((BAD_IGNORED,), False)])
def test_a_bad_byte_switches_off(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], faults: Any, goes: bool
) -> None:
    process = start(*faults)
    run_pump(guard_bench, process)
    heard(process, lambda said: b"on" in said)
    beat(process, b"x1", 0.0 if goes else 0.15)
    said = heard(process, lambda said: b"bad" in said, PATIENCE_S if goes else 0.15)
    assert (b"bad" in said) == goes
    if goes:
        guard_bench.wait_level(0)
        assert stays(guard_bench, process, 0, 0.3, beats=b"01"), "latched until R"
        beat(process, b"R1")
        assert stays(guard_bench, process, 0, 0.2, beats=b"1"), "R alone does not start the pump"
        run_pump(guard_bench, process)


@pytest.mark.parametrize(("faults", "resumes"), [((), False), ((STAYS_ARMED,), True)])
def test_never_resumes_by_itself_after_a_late_beat(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], faults: Any, resumes: bool
) -> None:
    process = start(*faults)
    run_pump(guard_bench, process)
    guard_bench.wait_level(0)
    assert stays(guard_bench, process, 0, PATIENCE_S if resumes else 0.5, beats=b"1") != resumes
    if not resumes:
        run_pump(guard_bench, process)


def test_does_not_start_on_a_run_beat_alone(
    guard_bench: GuardBench, start: Callable[..., GuardProcess]
) -> None:
    process = start()
    assert stays(guard_bench, process, 0, 0.4, beats=b"1")


@pytest.mark.parametrize(("faults", "resumes"), [((), False), ((OLD_BEATS_OBEYED,), True)])
def test_beats_that_piled_up_while_the_guard_was_held_up_are_dropped(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], faults: Any, resumes: bool
) -> None:
    process = start(*faults)
    run_pump(guard_bench, process)
    heard(process, lambda said: b"on" in said)
    os.kill(process.pid, signal.SIGSTOP)
    time.sleep(0.3)
    process.stdin.write(b"1101")
    os.kill(process.pid, signal.SIGCONT)
    said = heard(process, lambda said: len(said) >= 2)
    assert said[:2] == [b"off", b"late"]
    said += heard(process, lambda more: b"on" in said + more, PATIENCE_S if resumes else 0.6)
    assert (b"on" in said) == resumes


@pytest.mark.parametrize(("faults", "refused"), [((), True), ((NO_LOCK,), False)])
def test_a_second_guard_on_the_same_pin_refuses(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], tmp_path: Path, faults: Any, refused: bool
) -> None:
    first = start(*faults)
    line = command(tmp_path, guard_bench.pin_file, *faults)
    second = subprocess.run(line, input=b"", capture_output=True, timeout=PATIENCE_S, check=False)
    assert (second.returncode == 1) == refused
    if refused:
        assert b"owned by another guard; stop that one first" in second.stderr
        run_pump(guard_bench, first)  # and the first is none the worse


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_switches_off_and_ends(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], number: Any
) -> None:
    process = start()
    run_pump(guard_bench, process)
    process.send_signal(number)
    assert process.wait(PATIENCE_S) == 0
    assert guard_bench.level() == 0


def test_without_its_signal_handler_the_pin_would_stay_on(
    guard_bench: GuardBench, start: Callable[..., GuardProcess]
) -> None:
    process = start(NO_SIGNAL)
    run_pump(guard_bench, process)
    process.send_signal(signal.SIGTERM)
    process.wait(PATIENCE_S)
    assert guard_bench.level() == 1


def test_the_end_of_input_switches_off_and_ends(
    guard_bench: GuardBench, start: Callable[..., GuardProcess]
) -> None:
    process = start()
    run_pump(guard_bench, process)
    process.stdin.close()
    assert process.wait(PATIENCE_S) == 0
    assert guard_bench.level() == 0


def test_a_killed_guard_leaves_the_pin_on_and_the_one_shot_switches_it_off(
    guard_bench: GuardBench, start: Callable[..., GuardProcess]
) -> None:
    process = start()
    run_pump(guard_bench, process)
    process.kill()
    process.wait()
    assert guard_bench.level() == 1, "this is why the wiring needs its own half"
    done = subprocess.run(
        [*guard_command(pin_file=guard_bench.pin_file), "--off"], timeout=PATIENCE_S, check=False
    )
    assert done.returncode == 0
    assert guard_bench.level() == 0


@pytest.mark.parametrize(("faults", "named"), [((), True), ((NO_READ_BACK,), False)])
def test_a_pin_that_does_not_go_off_is_named(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], faults: Any, named: bool
) -> None:
    process = start(*faults)
    run_pump(guard_bench, process)
    guard_bench.stick(1)
    beat(process, b"0", 0.1)
    process.stdin.close()
    status = process.wait(PATIENCE_S)
    reports = process.stdout.read().split()
    assert (b"stuck" in reports) == named
    if named:
        assert status == 1
        assert reports.count(b"stuck") == 2, "once for all the beats, once on the way out"


def test_a_pin_that_comes_loose_again_needs_a_clear_and_an_off_beat(
    guard_bench: GuardBench, start: Callable[..., GuardProcess]
) -> None:
    process = start()
    guard_bench.stick(2)
    beat(process, b"01", 0.1)
    guard_bench.stick(0)
    assert stays(guard_bench, process, 0, 0.2, beats=b"01")
    beat(process, b"R")
    run_pump(guard_bench, process)


@pytest.mark.parametrize(("faults", "goes"), [((), True), ((BLOCKING_REPORTS,), False)])
def test_reports_that_nobody_reads_do_not_hold_up_the_stop(
    guard_bench: GuardBench, start: Callable[..., GuardProcess], faults: Any, goes: bool
) -> None:
    process = start(*faults)
    os.set_blocking(process.stdin.fileno(), False)
    end_s = time.monotonic() + PATIENCE_S
    sent = 0
    while sent < 40_000 and time.monotonic() < end_s:  # two reports each: more than a pipe holds
        taken = process.stdin.write(b"xR0" * 500) or 0
        sent += taken
        if taken == 0:
            time.sleep(0.002)
            if not goes and guard_is_blocked(process):
                break
    end_s = time.monotonic() + PATIENCE_S
    was_on = False
    while goes and not was_on and time.monotonic() < end_s:
        process.stdin.write(b"R01")
        was_on = guard_bench.level() == 1
    process.stdin.close()
    if goes:
        assert was_on
        assert process.wait(PATIENCE_S) == 0
        assert guard_bench.level() == 0
    else:
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(1)


def guard_is_blocked(process: GuardProcess) -> bool:
    """Whether it waits in a write to a full pipe."""
    return "pipe_write" in Path(f"/proc/{process.pid}/wchan").read_text() or sleeping_long(process)


def sleeping_long(process: GuardProcess) -> bool:
    def asleep_at() -> tuple[bool, str]:
        fields = Path(f"/proc/{process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return fields[
            0
        ] == "S", f"{fields[11]} {fields[12]}"  # one that waits for a busy computer is no sleeper

    before = asleep_at()
    time.sleep(0.5)
    return before[0] and asleep_at() == before
