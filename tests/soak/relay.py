"""Goals P1 to P5: real guards, real kills, and a relay that is a process of its own."""

import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hardware import guard as guard_module
from hardware.errors import GuardError
from hardware.pump import PumpGuard, guard_command
from hardware.sample import Sample
from tests.soak.proofs import Seen

ROOT = Path(__file__).parents[2]
GUARD = Path(guard_module.__file__)
WRAPPER = Path(__file__).with_name("guard_on_relay.py")

Fault = tuple[str, str]
NO_DEADLINE: Fault = ("DEADLINE_S = 0.2", "DEADLINE_S = 1e9")
NO_END_OF_INPUT: Fault = ("            if not beats:\n                return\n", "")
TRUSTS_WRITES: Fault = ("        seen = self._pin.read()\n", "        seen = level\n")
NO_SUPERVISOR = (NO_DEADLINE, NO_END_OF_INPUT)


@dataclass
class Relay:
    """A fake relay and the guards on it. faults: planted in the guard's copy."""

    folder: Path
    release: str = "persistent"
    timer_s: float | None = None
    faults: tuple[Fault, ...] = ()
    mirror: Path | None = None
    started: list[subprocess.Popen[bytes] | subprocess.Popen[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.path = self.folder / "relay"
        line = [
            sys.executable,
            "-m",
            "hardware.simulated.fake_relay",
            str(self.path),
            "--release",
            self.release,
        ]
        line += [] if self.timer_s is None else ["--timer", str(self.timer_s)]
        line += [] if self.mirror is None else ["--mirror", str(self.mirror)]
        self._process = subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        if self._process.stdout is None or self._process.stdout.readline() != "ready\n":
            raise RuntimeError("the fake relay did not start")
        self._bench = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._bench.connect(str(self.path))
        source = GUARD
        if self.faults:
            text = GUARD.read_text(encoding="utf-8")
            for old, new in self.faults:
                if text.count(old) != 1:
                    raise RuntimeError(f"the place of the planted fault moved: {old!r}")
                text = text.replace(old, new)
            source = self.folder / "mutant.py"
            source.write_text(text, encoding="utf-8")
        plain = guard_command(pin_file=self.path)
        at = plain.index(str(GUARD))
        self.command = [*plain[:at], str(WRAPPER), str(source), *plain[at + 1 :]]

    def ask(self, order: str) -> str:
        self._bench.sendall(order.encode() + b"\n")
        return self._bench.recv(65536).decode()

    @property
    def on(self) -> bool:
        return self.ask("contact") == "1\n"

    def edges(self) -> list[tuple[float, int]]:
        """Every change of the contact so far: CLOCK_MONOTONIC seconds, level."""
        self._bench.sendall(b"edges\n")
        data = b""
        while not data.endswith(b"\n\n") and data != b"\n":
            data += self._bench.recv(65536)
        pairs = (line.split() for line in data.decode().splitlines() if line)
        return [(float(t_s), int(level)) for t_s, level in pairs]

    def wait(self, on: bool, within_s: float) -> bool:
        end_s = time.monotonic() + within_s
        while self.on != on:
            if time.monotonic() > end_s:
                return False
            time.sleep(0.001)
        return True

    def last_edge_s(self) -> float:
        return self.edges()[-1][0]

    def close(self) -> None:
        for process in self.started:
            with suppress(ProcessLookupError):
                process.kill()
            process.wait()
        self._bench.sendall(b"end\n")
        self._process.wait(60)
        self._bench.close()
        if self._process.stdout is not None:
            self._process.stdout.close()


@contextmanager
def relay(folder: Path, **options: object) -> Iterator[Relay]:
    made = Relay(folder, **options)  # type: ignore[arg-type]
    try:
        yield made
    finally:
        made.close()


CONTROLLER = """
import signal, sys, threading, time
sys.path.insert(0, {root!r})
from hardware.pump import PumpGuard
pump = PumpGuard(sys.argv[2:], lambda sample: None)
print(pump.pid, flush=True)
pump.beat(False)
hung = []
signal.signal(signal.SIGUSR1, lambda *_: hung.append("lock"))
signal.signal(signal.SIGUSR2, lambda *_: hung.append("spin"))
def beat():
    pump.beat(True)
if sys.argv[1] == "thread":  # planted: the heartbeat comes from a thread that knows nothing of the loop
    def beat_on():
        while True:
            pump.beat(True); time.sleep(0.03)
    threading.Thread(target=beat_on, daemon=True).start()
while True:
    if hung and hung[0] == "lock":
        threading.Event().wait()
    while hung:
        pass
    beat()
    time.sleep(0.02)
"""


class Controller:
    """What beats to a guard, in a process that can be killed and hung; its guard is another."""

    def __init__(self, on: Relay, beats: str = "loop") -> None:
        line = [sys.executable, "-c", CONTROLLER.format(root=str(ROOT)), beats, *on.command]
        self.process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True)
        on.started.append(self.process)
        if self.process.stdout is None:
            raise RuntimeError("no pipe to the controller")
        self.guard_pid = int(self.process.stdout.readline() or 0)

    def signal(self, number: int) -> float:
        """Send it; when."""
        at_s = time.monotonic()
        self.process.send_signal(number)
        return at_s

    def end(self) -> None:
        """Kill both, and wait until the guard is gone."""
        with suppress(ProcessLookupError):
            self.process.kill()
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()
        end_s = time.monotonic() + 2.0
        while alive(self.guard_pid) and time.monotonic() < end_s:
            time.sleep(0.002)
        if alive(self.guard_pid):
            with suppress(ProcessLookupError):
                os.kill(self.guard_pid, signal.SIGKILL)


def alive(pid: int) -> bool:
    try:
        command = Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False
    return b"guard_on_relay" in command


def _started(pin: Relay, controller: Controller, seen: Seen, trial: int) -> bool:
    """Whether the pump turns. On a busy computer a first beat may come too late, and the guard then waits to be let go."""
    if pin.wait(True, 5.0):
        return True
    seen.failed.append(f"trial {trial}: the pump did not start")
    controller.end()
    return False


def p1(folder: Path, trials: int, faults: tuple[Fault, ...] = ()) -> Seen:
    """kill -9 of the controller with the pump on: off within 100 ms."""
    seen, rng = Seen("P1 controller killed: off", unit="ms"), random.Random("p1")
    with relay(folder, faults=faults) as pin:
        for n in range(trials):
            seen.trials += 1
            controller = Controller(pin)
            if not _started(pin, controller, seen, n):
                continue
            time.sleep(rng.uniform(0.0, 0.08))
            at_s = controller.signal(signal.SIGKILL)
            went = pin.wait(False, 1.0)
            took_ms = (pin.last_edge_s() - at_s) * 1000.0 if went else 1000.0
            seen.values.append(took_ms)
            if took_ms > 100.0:
                seen.failed.append(f"trial {n}: {took_ms:.0f} ms")
            controller.end()
            if not went:
                pin.ask("reboot")
    return seen


def p2(folder: Path, trials: int, beats: str = "loop") -> Seen:
    """The controller hangs with the pump on (stopped, waiting for ever, or spinning): off within 500 ms."""
    seen, rng = Seen("P2 controller hangs: off", unit="ms"), random.Random("p2")
    with relay(folder) as pin:
        for n in range(trials):
            seen.trials += 1
            controller = Controller(pin, beats)
            if not _started(pin, controller, seen, n):
                continue
            time.sleep(rng.uniform(0.0, 0.08))
            number = (signal.SIGSTOP, signal.SIGUSR1, signal.SIGUSR2)[n % 3]
            at_s = controller.signal(number)
            went = pin.wait(False, 1.0)
            took_ms = (pin.last_edge_s() - at_s) * 1000.0 if went else 1000.0
            seen.values.append(took_ms)
            if took_ms > 500.0:
                seen.failed.append(f"trial {n}: {took_ms:.0f} ms after {number.name}")
            controller.end()
            pin.wait(False, 1.0)
    return seen


LAYERS: dict[str, dict[str, Any]] = {
    "strict release": {"release": "strict"},
    "one-shot after the service": {"release": "persistent"},
    "hardware timer 0.5 s": {"release": "persistent", "timer_s": 0.5},
}


def p3(folder: Path, trials: int, layer: str, one_shot: bool | None = None) -> Seen:
    """Controller and guard killed together with the pump on: off within 1 s by one layer alone."""
    seen, rng = Seen(f"P3 both killed: off by {layer}", unit="ms"), random.Random(f"p3 {layer}")
    if one_shot is None:
        one_shot = layer.startswith("one-shot")
    with relay(folder, **LAYERS[layer]) as pin:
        for n in range(trials):
            seen.trials += 1
            controller = Controller(pin)
            if not _started(pin, controller, seen, n):
                continue
            time.sleep(rng.uniform(0.0, 0.08))
            os.kill(controller.guard_pid, signal.SIGSTOP)  # so that neither sees the other die
            at_s = controller.signal(signal.SIGKILL)
            os.kill(controller.guard_pid, signal.SIGKILL)
            if one_shot:  # what ExecStopPost runs
                subprocess.run([*pin.command, "--off"], timeout=60, check=False, capture_output=True)
            went = pin.wait(False, 1.2)
            took_ms = (pin.last_edge_s() - at_s) * 1000.0 if went else 1200.0
            seen.values.append(took_ms)
            if took_ms > 1000.0:
                seen.failed.append(f"trial {n}: {took_ms:.0f} ms")
            controller.end()
            pin.ask("reboot")
    return seen


def p4(folder: Path, trials: int, resume: bool = False) -> Seen:
    """Starts, stops, crashes of the guard and reboots in any order: no edge to on outside a commanded run.

    resume: planted in a subclass of the station's side, which beats on after it replaced a lost guard.
    """
    seen, rng = Seen("P4 edges to on outside a command", unit="edges"), random.Random("p4")
    commanded: list[tuple[float, float]] = []
    with relay(folder, release="strict") as pin:
        pump = PumpGuard(pin.command, lambda sample: None)
        for _ in range(trials):
            seen.trials += 1
            what = rng.choice(("run", "run", "silence", "kill guard", "reboot", "bad byte"))
            pump.beat(False)
            from_s = time.monotonic()
            for _ in range(rng.randint(1, 4)):
                pump.beat(True)
                time.sleep(rng.uniform(0.005, 0.03))
            to_s = time.monotonic()
            if what == "run":
                pump.beat(False)
            elif what == "silence":
                time.sleep(0.23)
                pump.beat(True)  # late, and no off beat since: not a command that may be obeyed
                time.sleep(0.05)
            elif what == "bad byte":
                pump._send(b"x")
                pump.beat(True)
                time.sleep(0.02)
                pump.clear()
            else:
                if what == "reboot":
                    pin.ask("reboot")
                with suppress(ProcessLookupError):
                    os.kill(pump.pid, signal.SIGKILL)
                pump._process.wait()
                pin.wait(False, 1.0)
                pump = _replaced(pump)
                if resume:
                    pump.beat(False)
                    pump.beat(True)
                    time.sleep(0.03)
                    pump.beat(False)
            commanded.append((from_s, to_s + 0.02))
            time.sleep(rng.uniform(0.0, 0.01))
        pump.close()
        edges = pin.edges()
    outside = [t_s for t_s, level in edges if level and not any(a <= t_s <= b for a, b in commanded)]
    seen.values.append(float(len(outside)))
    seen.failed += [f"on at {t_s:.3f} s" for t_s in outside]
    if sum(level for _, level in edges) < trials / 3:
        seen.failed.append("the pump hardly ever ran: nothing was shown")
    return seen


def _replaced(pump: PumpGuard) -> PumpGuard:
    """A new guard for a lost one, as the next start of the station brings it."""
    pump._reader.join(60.0)
    pump._hang_up()
    for _ in range(20):
        try:
            return PumpGuard(pump._command, pump._put)
        except GuardError:
            time.sleep(0.05)
    raise RuntimeError("the guard did not come back")


FAULTS_P5 = {"stick 1": "stuck on", "fail": "writes fail", "deaf": "a line claimed twice"}


def p5(folder: Path, trials: int, faults: tuple[Fault, ...] = ()) -> Seen:
    """An off that does not reach the relay: named, and the second contact opened, within 500 ms."""
    seen = Seen("P5 off not followed: second contact open", unit="ms")
    with relay(folder, faults=faults) as pin:
        cutoff = folder / "cutoff.pin"
        cutoff.write_bytes(bytes(guard_module.PIN_BYTES))
        for n in range(trials):
            seen.trials += 1
            words: list[Sample] = []
            pump = PumpGuard([*_with_cutoff(pin, cutoff)], words.append)
            pump.beat(False)
            end_s = time.monotonic() + 2.0
            while not pin.on and time.monotonic() < end_s:
                pump.beat(True)
                time.sleep(0.01)
            closed = cutoff.read_bytes()[0] == 1
            pin.ask(list(FAULTS_P5)[n % 3])
            at_s, took_ms = time.monotonic(), 1000.0
            while time.monotonic() - at_s < 1.0:
                pump.beat(False)
                if cutoff.read_bytes()[0] == 0 and any(w.value == "stuck" for w in words):
                    took_ms = (time.monotonic() - at_s) * 1000.0
                    break
                time.sleep(0.002)
            seen.values.append(took_ms)
            if took_ms > 500.0 or not closed:
                seen.failed.append(f"trial {n}: {list(FAULTS_P5)[n % 3]}, {took_ms:.0f} ms")
            pin.ask("free")
            pin.ask("mend")
            with suppress(GuardError):
                pump.close()
    return seen


def _with_cutoff(pin: Relay, cutoff: Path) -> list[str]:
    """The relay is the fake one; the second contact is a pin file, which the guard's own FilePin drives."""
    return [*pin.command, "--cutoff", f"file:{cutoff}"]
