"""The guard process itself: real processes, a pin file that keeps its level when its owner dies.

Every promise is shown to fail with a fault planted in a copy of the guard's source.
"""

import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from subprocess import Popen
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware import guard as guard_module
from hardware.guard import DEADLINE_S, Guard
from hardware.pump import guard_command
from tests.hardware.benches import GuardBench, GuardProcess

PATIENCE_S = 60.0
SOURCE = Path(guard_module.__file__)

NO_DEADLINE = ("DEADLINE_S = 0.2", "DEADLINE_S = 1e9")
NO_END_OF_INPUT = ("            if not beats:\n                return\n", "")
BAD_IGNORED = ('            self._latched = True\n            self._disarm("bad")\n', "            pass\n")
STAYS_ARMED = ("        self._switch(0)\n        self._armed = False\n", "        self._switch(0)\n")
OLD_BEATS_OBEYED = ("    while select.select([0], [], [], 0)[0]:\n", "    while False:\n")
NO_LOCK = ("fcntl.LOCK_EX | fcntl.LOCK_NB", "fcntl.LOCK_SH")
BLOCKING_REPORTS = ("        os.set_blocking(1, False)\n", "        pass\n")
NO_READ_BACK = ("        seen = self._pin.read()\n", "        seen = level\n")
NO_SIGNAL = ("        signal.signal(number, leave)\n", "        pass\n")


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


def goes_off(guard_bench: GuardBench, expected: bool) -> float | None:
    """Get how long the pin took to go off, or None when it did not: where that is not expected, within a second. How soon it
    has to, the proofs of test_fake_relay.py ask."""
    began_s, limit_s = time.monotonic(), PATIENCE_S if expected else 1.0
    while time.monotonic() - began_s < limit_s:
        if guard_bench.level() == 0:
            return time.monotonic() - began_s
        time.sleep(0.0005)
    return None


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


def test_runs_as_a_module_and_refuses_wrong_use() -> None:
    module = [sys.executable, "-m", "hardware.guard"]
    pulled_up = subprocess.run(
        [*module, "--pin", "4"], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert pulled_up.returncode == 2
    assert "--pin is 4; expected 9 to 27" in pulled_up.stderr
    nothing = subprocess.run(module, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert nothing.returncode == 2


@pytest.mark.skipif(any(Path("/dev").glob("gpiochip*")), reason="this machine has GPIO: the pin may open")
def test_without_a_pi_a_gpio_pin_is_refused_with_what_to_do(tmp_path: Path) -> None:
    done = subprocess.run(
        [*guard_command(pin=22)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 1
    assert "pin 22 cannot be claimed" in done.stderr
    assert "Is this a Raspberry Pi?" in done.stderr


def test_a_pin_file_that_cannot_be_opened_is_named(tmp_path: Path) -> None:
    line = guard_command(pin_file=tmp_path / "missing" / "pump.pin")
    done = subprocess.run(line, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 1
    assert "cannot be opened: No such file or directory" in done.stderr


class KernelGpio:
    """The kernel's character device as <linux/gpio.h> describes it: one chip a file, each line claimed once."""

    def __init__(self, labels: dict[str, str]) -> None:
        self.labels = labels
        self.claimed: dict[int, int] = {}
        self.levels: dict[int, int] = {}
        self.flags = 0

    def ioctl(self, device: Any, number: int, data: bytes) -> bytes:
        kind, size = number & 0xFFFF, number >> 16 & 0x3FFF
        assert len(data) == size, "the size is part of an ioctl's number"
        if kind == 0xB401:
            return struct.pack("32s32sI", b"gpiochip", self.labels[Path(device.name).name].encode(), 54)
        if kind == 0xB407:
            (line,) = struct.unpack_from("I", data)
            flags, count = struct.unpack_from("Q", data, 288)[0], struct.unpack_from("I", data, 560)[0]
            assert count == 1
            if line in self.claimed.values():
                raise OSError(16, "Device or resource busy")
            fd = 100 + int(line)
            self.claimed[fd], self.levels[line] = line, 0
            self.flags = flags
            return data[:-4] + struct.pack("i", fd)
        bits, mask = struct.unpack("QQ", data)
        assert mask == 1
        line = self.claimed[device]
        if kind == 0xB40F:
            self.levels[line] = bits & 1
            return data
        assert kind == 0xB40E
        return struct.pack("QQ", self.levels[line], 1)


def test_the_gpio_pin_is_claimed_pulled_down_written_and_read_back(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in ("gpiochip0", "gpiochip4"):
        (tmp_path / name).touch()
    kernel = KernelGpio({"gpiochip0": "raspberrypi-exp-gpio", "gpiochip4": "pinctrl-rp1"})
    monkeypatch.setattr("fcntl.ioctl", kernel.ioctl)
    chip = guard_module.header_chip(str(tmp_path))
    assert chip == str(tmp_path / "gpiochip4")
    pin = guard_module.GpioPin(22, chip)
    assert kernel.flags == 1 << 3 | 1 << 9  # output, pulled down
    assert (pin.read(), kernel.levels[22]) == (0, 0)
    pin.write(1)
    assert (pin.read(), kernel.levels[22]) == (1, 1)
    with pytest.raises(guard_module.PinTaken, match="stop that one first"):
        guard_module.GpioPin(22, chip)
    pin.write(0)
    assert (pin.read(), kernel.levels[22]) == (0, 0)


def test_a_machine_without_a_pis_header_is_told_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "gpiochip0").touch()
    monkeypatch.setattr("fcntl.ioctl", KernelGpio({"gpiochip0": "something-else"}).ioctl)
    with pytest.raises(OSError, match=r"pinctrl-rp1.*found something-else"):
        guard_module.header_chip(str(tmp_path))


class MemoryPin:
    def __init__(self) -> None:
        self.level = 0
        self.stuck: int | None = None

    def write(self, level: int) -> None:
        self.level = level

    def read(self) -> int:
        return self.level if self.stuck is None else self.stuck


EVENTS = st.lists(st.sampled_from(["0", "1", "R", "x", "late", "stick on", "stick off", "free"]), max_size=60)


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_the_rule_switches_on_only_after_an_off_beat_since_the_last_trouble(events: list[str]) -> None:
    """Against a model that is a sentence: the pump was told 0 since the last trouble, then 1."""
    pin = MemoryPin()
    reports: list[str] = []
    guard = Guard(pin, reports.append)
    armed = latched = False
    now_s = 0.0
    for event in events:
        before = pin.level
        if event == "late":
            now_s += DEADLINE_S + 0.01
            if guard.is_late(now_s):
                guard.late()
                armed = False
                latched = (
                    latched or pin.stuck == 1
                )  # an off that did not follow latches, whoever asked for it
                assert pin.level == 0
        elif event in ("stick on", "stick off", "free"):
            pin.stuck = {"stick on": 1, "stick off": 0, "free": None}[event]
        else:
            now_s += 0.01
            guard.beat(ord(event), now_s)
            if event == "x":
                latched, armed = True, False
            elif event == "R":
                latched = False
            elif event == "0" and not latched:
                armed = pin.stuck != 1
                latched = latched or pin.stuck == 1
            elif event == "1" and armed and not latched and pin.stuck == 0:
                armed, latched = False, True
        if event == "1":
            assert pin.level == int(armed and not latched)
        elif before == 0:
            assert pin.level == 0, f"{event} switched the pump on"


def test_an_on_that_a_later_beat_took_back_is_not_obeyed() -> None:
    reports: list[str] = []
    guard = Guard(MemoryPin(), reports.append)
    for beats in (b"0110", b"01T", b"0010"):
        guard.hear(beats, 1.0)
    assert "on" not in reports
    guard.hear(b"1101", 1.1)
    assert reports[-1] == "on", "the newest is an on: what a person holds"
    guard.hear(b"1x1", 1.2)
    assert reports[-2:] == ["off", "bad"], "and nothing starts it behind a bad beat"


class FittedGuard:
    """The rule with all its outputs in memory."""

    def __init__(self, cutoff: bool = True) -> None:
        self.pump, self.fine, self.cutoff, self.watch = (MemoryPin() for _ in range(4))
        self.words: list[str] = []
        more = (self.fine, self.cutoff if cutoff else None, self.watch)
        self.guard = Guard(self.pump, self.words.append, *more)
        self.now_s = 0.0

    def beat(self, *beats: str) -> tuple[int, int, int]:
        for one in beats:
            self.now_s += 0.01
            self.guard.beat(ord(one), self.now_s)
        return self.pump.level, self.fine.level, self.cutoff.level


def test_the_second_contact_is_closed_only_while_the_guard_is_armed() -> None:
    fitted = FittedGuard()
    assert fitted.beat() == (0, 0, 0)
    assert fitted.beat("1") == (0, 0, 0), "not armed yet"
    assert fitted.beat("0") == (0, 0, 1)
    assert fitted.beat("1") == (1, 0, 1)
    assert fitted.beat("0") == (0, 0, 1), "an ordinary stop does not wear it"
    assert fitted.beat("1", "x") == (0, 0, 0)
    assert fitted.beat("R", "0") == (0, 0, 1)
    fitted.guard.late()
    assert fitted.beat() == (0, 0, 0)
    fitted.beat("0", "1")
    fitted.guard.off()
    assert fitted.beat() == (0, 0, 0)


def test_a_trip_opens_the_second_contact_until_a_person_clears_it() -> None:
    fitted = FittedGuard()
    assert fitted.beat("0", "1", "T") == (0, 0, 0)
    assert fitted.words[-1] == "tripped"
    assert fitted.beat("0", "1", "0", "1") == (0, 0, 0)
    assert fitted.beat("R") == (0, 0, 0)
    assert fitted.beat("0", "1") == (1, 0, 1)


def test_a_trip_without_a_second_contact_is_an_off() -> None:
    fitted = FittedGuard(cutoff=False)
    assert fitted.beat("0", "1", "T") == (0, 0, 0)
    assert fitted.beat("1") == (0, 0, 0), "and disarms"
    assert fitted.beat("0", "1")[0] == 1


def test_the_slow_speed_goes_with_its_beats_and_falls_with_the_pump() -> None:
    fitted = FittedGuard()
    assert fitted.beat("2") == (0, 0, 0), "not armed yet"
    assert fitted.beat("0", "2") == (1, 1, 1)
    assert fitted.beat("1") == (1, 0, 1)
    assert fitted.beat("2", "0") == (0, 0, 1)


def test_the_watch_output_changes_with_every_beat_while_the_pump_runs() -> None:
    fitted = FittedGuard()
    fitted.beat("0")
    levels = []
    for _ in range(4):
        fitted.beat("1")
        levels.append(fitted.watch.level)
    assert levels == [1, 0, 1, 0]
    fitted.beat("1", "0")
    assert fitted.watch.level == 0


def test_a_pump_that_does_not_go_off_opens_the_second_contact() -> None:
    fitted = FittedGuard()
    fitted.beat("0", "1")
    fitted.pump.stuck = 1
    fitted.beat("0")
    assert fitted.cutoff.level == 0
    assert fitted.words[-1] == "stuck"


def test_a_second_contact_that_does_not_follow_is_named_and_keeps_the_pump_off() -> None:
    fitted = FittedGuard()
    fitted.cutoff.stuck = 0
    assert fitted.beat("0", "1")[0] == 0
    assert fitted.words[-1] == "stuck"


def test_more_outputs_are_pins_of_their_own(guard_bench: GuardBench, tmp_path: Path) -> None:
    files = {name: tmp_path / f"{name}.pin" for name in ("fine", "cutoff", "watch")}
    line = guard_command(pin_file=guard_bench.pin_file, more=files)
    process = GuardProcess(line)
    guard_bench.processes.append(process)
    end_s = time.monotonic() + PATIENCE_S
    while not (guard_bench.level() and all(files[name].read_bytes()[0] for name in ("cutoff", "fine"))):
        assert time.monotonic() < end_s, (
            "a busy computer may hold one of the two up past the deadline, not each time"
        )
        beat(process, b"02", 0.05)
    process.stdin.close()
    assert process.wait(PATIENCE_S) == 0
    assert guard_bench.level() == files["cutoff"].read_bytes()[0] == files["fine"].read_bytes()[0] == 0


def test_an_output_that_is_pulled_up_at_boot_is_refused() -> None:
    done = subprocess.run(
        [*guard_command(pin=22, more={"cutoff": 4})],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 2
    assert "expected 9 to 27" in done.stderr
