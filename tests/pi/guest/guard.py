"""Runs on the emulated board: the pump guard on the real pin driver, its pad read from the kernel's debug files."""

import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

from hardware import board
from hardware.pins import PinMap

PIN = 22
GUARD = [sys.executable, "-I", "-S", "/app/hardware/guard.py", "--pin", str(PIN)]


def tell(name: str, value: object) -> None:
    print(f"RESULT {name} {json.dumps(value)}", flush=True)


def pad() -> str:
    """Direction and level of the pump's pad, as "out hi"."""
    for file in Path("/sys/kernel/debug/pinctrl").glob("*/pins"):
        for line in file.read_text().splitlines():
            if found := re.match(rf"pin {PIN} .* function gpio_(\w+) in (\w+)", line):
                return f"{found[1]} {found[2]}"
    return "unseen"


def start() -> "subprocess.Popen[bytes]":
    guard = subprocess.Popen(
        GUARD, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0
    )
    assert guard.stdout is not None
    assert guard.stdout.readline() == b"off\n"
    return guard


def run(guard: "subprocess.Popen[bytes]", byte: bytes, beats: int = 6) -> None:
    assert guard.stdin is not None
    for _ in range(beats):
        guard.stdin.write(byte)
        time.sleep(0.05)


def on() -> "subprocess.Popen[bytes]":
    guard = start()
    run(guard, b"0")
    run(guard, b"1")
    tell("on", pad())
    return guard


persist = Path("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs").read_text().strip()
tell("persist", persist)
tell("told", sorted(board.faults(PinMap(pump=PIN), {})))
guard = start()
tell("claimed", pad())
second = subprocess.run([*GUARD, "--off"], capture_output=True, text=True)
tell("second", [second.returncode, second.stderr])
tell("still", guard.poll() is None)
rss = re.search(r"^Rss:\s+(\d+)", Path(f"/proc/{guard.pid}/smaps_rollup").read_text(), re.M)
tell("rss_kib", int(rss[1]) if rss else None)
run(guard, b"0")
run(guard, b"1")
tell("beaten", pad())
time.sleep(0.6)
tell("late", pad())
run(guard, b"1")
tell("not_by_itself", pad())
run(guard, b"0")
run(guard, b"1")
tell("again", pad())
guard.send_signal(signal.SIGTERM)
guard.wait()
tell("after_term", pad())
guard = on()
assert guard.stdin is not None
guard.stdin.close()
guard.wait()
tell("after_end_of_input", pad())
guard = on()
guard.kill()
guard.wait()
time.sleep(0.2)
tell("after_kill", pad())
began_s = time.monotonic()
off = subprocess.run([*GUARD, "--off"], capture_output=True, text=True)
tell("off", [off.returncode, off.stderr])
tell("off_instructions", (time.monotonic() - began_s) * 1e9)
tell("after_off", pad())
