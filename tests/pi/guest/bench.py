"""What stands around the emulated board, for the scripts that run on it: pins seen and moved in the chip's own registers, a
scale and a meter's counter at the far ends of two serial lines, thermometers, and a person at the page.

Standard library alone: it runs on the system's Python.
"""

import fcntl
import http.client
import json
import mmap
import os
import re
import struct
import subprocess
import termios
import threading
import time
import tty
from functools import reduce
from pathlib import Path
from typing import Any

PUMP, PENDANT = 22, 23
GPIO = 0x3F200000
FLOW_L_MIN, PULSES_PER_L = 2.5, 402.5
"""What the demo bay's pump gives of this oil at this temperature, within its own doubt: of more or less the pump is stopped."""
OWNER, SECRET = "E. Brandvold", "a heron on the weir"
PLACE = Path("/run/bench")
FORM = {
    "compartment": "b12_rear_axle", "drained_fluid": "gear_75w90_used", "fresh_fluid": "gear_75w90",
    "technician": "J. Lindqvist",
}  # fmt: skip


def tell(name: str, value: object) -> None:
    print(f"RESULT {name} {json.dumps(value)}", flush=True)


def run(*command: str) -> str:
    """What a command printed; its failure is printed, not raised."""
    done = subprocess.run(command, capture_output=True, text=True)
    return done.stdout.strip() + (f" [{done.returncode}] {done.stderr.strip()}" if done.returncode else "")


class Pins:
    """The chip's registers for its first 32 pins (BCM2835 ARM Peripherals, section 6)."""

    def __init__(self) -> None:
        file = os.open("/dev/mem", os.O_RDWR | os.O_SYNC)
        self._at = mmap.mmap(file, 4096, offset=GPIO)

    def pad(self, pin: int = PUMP) -> str:
        """Direction and level of a pad, as "out hi"."""
        mode = struct.unpack_from("<I", self._at, 4 * (pin // 10))[0] >> (3 * (pin % 10)) & 7
        level = struct.unpack_from("<I", self._at, 0x34)[0] >> pin & 1
        return f"{('in', 'out')[mode] if mode < 2 else mode} {('lo', 'hi')[level]}"

    def put(self, pin: int, level: int) -> None:
        """What a wire does to an input: the emulated chip takes it from the same registers."""
        struct.pack_into("<I", self._at, 0x1C if level else 0x28, 1 << pin)


class Bench:
    """Scale, counter and thermometers, ten times a second; the meter turns while the pump's pad is high."""

    def __init__(self) -> None:
        PLACE.mkdir(mode=0o755)
        self.pins = Pins()
        self.pins.put(PENDANT, 1)
        self.pan_g = 0.0
        self.pulses = 0.0
        self.edges: list[tuple[float, str]] = []
        self._lines = {name: self._line(name) for name in ("scale", "counter")}
        for name, milli_c in (("supply", 18_500), ("drained", 41_000), ("air", 17_000)):
            (PLACE / name).mkdir()
            (PLACE / name / "temperature").write_text(f"{milli_c}\n")
        threading.Thread(target=self._turn, daemon=True).start()
        threading.Thread(target=self._watch, daemon=True).start()

    def _line(self, name: str) -> tuple[int, int]:
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        os.chmod(os.ttyname(theirs), 0o666)
        (PLACE / name).symlink_to(os.ttyname(theirs))
        return ours, theirs

    def _send(self, name: str, text: str) -> None:
        ours, theirs = self._lines[name]
        # A killed owner leaves its claim on a line that is still open here; a real adapter's goes with it.
        fcntl.ioctl(theirs, termios.TIOCNXCL)
        try:
            os.write(ours, text.encode())
        except BlockingIOError:  # nobody reads
            termios.tcflush(ours, termios.TCOFLUSH)

    def _turn(self) -> None:
        last_s = time.monotonic()
        while True:
            now_s = time.monotonic()
            if self.pins.pad().endswith("hi"):
                self.pulses += (now_s - last_s) * FLOW_L_MIN / 60.0 * PULSES_PER_L
            last_s = now_s
            digits = f"{int(self.pulses):010d}"
            check = reduce(lambda a, b: a ^ ord(b), digits, 0)
            self._send("counter", f"{digits}*{check:02X}\r\n")
            self._send("scale", f"W {self.pan_g:+.1f} g\r\n")
            time.sleep(0.1)

    def _watch(self) -> None:
        """Every change of the pump's pad, to a few milliseconds."""
        last = ""
        while True:
            now = self.pins.pad()
            if now != last:
                self.edges.append((time.monotonic(), now))
                last = now
            time.sleep(0.004)

    def pads(self) -> list[str]:
        """Whatever the pump's pad was since this began to watch."""
        return sorted({level for _, level in self.edges})

    def off_after_s(self, since_s: float, limit_s: float = 30.0) -> float | None:
        """How long after a moment the pump's pad was no longer driven high for good; None where it stayed."""
        end_s = time.monotonic() + limit_s
        while self.pins.pad() == "out hi" and time.monotonic() < end_s:
            time.sleep(0.005)
        time.sleep(0.02)
        when_s, now = self.edges[-1]
        return None if now == "out hi" else max(0.0, when_s - since_s)


class Page:
    """A person at the page, by HTTP on this machine. secure: under TLS, whose certificate is the station's own."""

    def __init__(self, secure: bool = False) -> None:
        self.cookies: dict[str, str] = {}
        self._secure = secure

    def _link(self) -> http.client.HTTPConnection:
        if not self._secure:
            return http.client.HTTPConnection("127.0.0.1", 8765, timeout=30)
        import ssl

        trust = ssl.create_default_context()
        trust.check_hostname, trust.verify_mode = False, ssl.CERT_NONE
        return http.client.HTTPSConnection("127.0.0.1", 8765, timeout=30, context=trust)

    def ask(self, method: str, path: str, body: object = None) -> tuple[int, Any]:
        """Status and what came; 0 where nobody answered."""
        link = self._link()
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        data = None
        if body is not None:
            data = json.dumps(body).encode()
            headers |= {"X-Tallypan": "1", "Content-Type": "application/json"}
        try:
            link.request(method, path, data, headers)
            answer = link.getresponse()
            text = answer.read().decode()
        except OSError:
            return 0, None
        finally:
            link.close()
        for said in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = said.split(";")[0].partition("=")
            self.cookies[name] = value
        try:
            return answer.status, json.loads(text)
        except ValueError:
            return answer.status, text

    def do(self, what: str, **body: object) -> Any:
        """A change that has to be taken. Raises AssertionError with the page's words."""
        status, said = self.ask("POST", f"/api/{what}", body)
        assert status == 200, f"{what} {body}: {status} {said}"
        return said

    def view(self) -> Any:
        status, said = self.ask("GET", "/view.json")
        return said if status == 200 else None

    def until(self, true: Any, limit_s: float, what: str) -> Any:
        """Wait for a view that is so. Raises AssertionError with the last view."""
        end_s = time.monotonic() + limit_s
        while time.monotonic() < end_s:
            view = self.view()
            if view is not None and true(view):
                return view
            time.sleep(0.1)
        raise AssertionError(f"{what}: not within {limit_s} s; {json.dumps(self.view())[:3000]}")

    def healthy_after_s(self, since_s: float, limit_s: float = 300.0) -> float:
        """When the station was well again. Raises AssertionError with its last words."""
        said: object = None
        while time.monotonic() < since_s + limit_s:
            status, said = self.ask("GET", "/health")
            if status == 200:
                return time.monotonic() - since_s
            time.sleep(0.1)
        words = run("journalctl", "-u", "tallypan", "-o", "cat", "-n", "30", "--no-pager")
        raise AssertionError(f"not well within {limit_s} s; /health said {said}; its log:\n{words}")

    def come_in(self) -> None:
        """Set up the owner by the code that the first start printed, or sign in."""
        log = run("journalctl", "-u", "tallypan", "-o", "cat", "--no-pager")
        found = re.findall(r"with the code (\S+?);", log)
        if found:
            status, _ = self.ask("POST", "/api/claim", {"name": OWNER, "code": found[-1], "secret": SECRET})
            if status == 200:
                return
        self.do("sign-in", name=OWNER, secret=SECRET)


class Person(Page):
    """Somebody who works at the bay."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench

    def open_job(self) -> str:
        return str(self.do("job", **FORM)["job_id"])

    def tick(self) -> None:
        for item in self.view()["checklist"]:
            if not item["done"]:
                self.do("check", key=item["key"], done=True)

    def mark(self, mark: str, reason: str = "") -> None:
        self.until(lambda v: any(m["mark"] == mark and m["enabled"] for m in v["next_marks"]), 60.0, mark)
        self.do("mark", mark=mark, reason=reason)

    def to_fill(self) -> None:
        """From an open job to the fill, with a drain on the scale."""
        self.tick()
        self.bench.pan_g = 850.0
        time.sleep(3.0)
        self.mark("pan_placed")
        time.sleep(2.0)
        self.mark("drain_open")
        for n in range(20):
            self.bench.pan_g = 850.0 + 2550.0 * (n + 1) / 20
            time.sleep(0.5)
        time.sleep(5.0)
        for mark in ("drain_done", "reseal_done"):
            self.mark(mark)
        self.do("note", kind="capacity", text="as listed: the plate on the housing says so")
        self.mark("fill_start")
        self.until(lambda v: v["stage"] == "fill", 30.0, "the fill")
        self.tick()

    def pump_on(self) -> None:
        """Press the pendant until the pump's pad is high. Raises AssertionError with what the page says."""
        self.bench.pins.put(PENDANT, 1)
        time.sleep(0.5)
        self.bench.pins.put(PENDANT, 0)
        end_s = time.monotonic() + 10.0
        while self.bench.pins.pad() != "out hi":
            assert time.monotonic() < end_s, f"the pump does not start: {json.dumps(self.view())[:3000]}"
            time.sleep(0.02)
        time.sleep(0.5)

    def let_go(self) -> None:
        self.bench.pins.put(PENDANT, 1)


def pids() -> tuple[int, int]:
    """The service's process, and its guard's."""
    main = int(run("systemctl", "show", "-P", "MainPID", "tallypan"))
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                line = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if b"hardware/guard.py" in line and b"--off" not in line:
                return main, int(entry.name)
    return main, 0


def memory_kib(pid: int) -> int:
    """What a process takes, shared pages by their share."""
    found = re.search(r"^Pss:\s+(\d+)", Path(f"/proc/{pid}/smaps_rollup").read_text(), re.M)
    return int(found[1]) if found else -1


def arrive() -> Person:
    """Set up the bench, wait until the station is well, tell how it started, and come in."""
    person = Person(Bench())
    person.healthy_after_s(time.monotonic())
    tell("health", person.ask("GET", "/health")[1])
    times = run(
        "systemctl",
        "show",
        "tallypan",
        "-P",
        "InactiveExitTimestampMonotonic",
        "-P",
        "ActiveEnterTimestampMonotonic",
    )
    tell("started_us", [int(us) for us in times.split()])
    tell("memory_kib", [memory_kib(pid) for pid in pids()])
    tell("pad", person.bench.pins.pad())
    tell("pads", person.bench.pads())
    person.come_in()
    return person


def given(name: str) -> str:
    """A word of the kernel's command line, as name=word."""
    found = re.search(rf"\b{name}=(\S+)", Path("/proc/cmdline").read_text())
    return found[1] if found else ""
