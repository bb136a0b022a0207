"""Runs on the emulated board: one kind of trouble after the other, each in the middle of a fill with the pump on.

troubles=: their names, with commas between; without any it starts and is well. ``verify`` at the front: what the station
itself says of its record before.
"""

import os
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.pi.guest.bench import PENDANT, arrive, given, memory_kib, pids, run, tell

TALLYPAN = "/opt/tallypan/.venv/bin/tallypan"
WILD = Path("/var/tmp/wild")
WATCHDOG_S = 15.0


def kill(number: int, *whom: int) -> None:
    for pid in whom:
        os.kill(pid, number)


def fill_the_card() -> None:
    """Leave nothing on the card, as a log run wild would."""
    with WILD.open("wb", buffering=0) as file:
        size = os.statvfs("/").f_bavail * os.statvfs("/").f_frsize
        while size >= 4096:
            try:
                os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, size)
            except OSError:  # the file system's own bookkeeping needs some of it
                size //= 2


def read_only() -> None:
    """What ext4 does by errors=remount-ro when a card fails: at once, open files or not."""
    Path("/proc/sysrq-trigger").write_text("u")
    while " ro," not in next(
        row for row in Path("/proc/mounts").read_text().splitlines() if " / ext4 " in row
    ):
        time.sleep(0.01)


STRIKES: dict[str, Callable[[], object]] = {
    "card-full": fill_the_card,
    "card-read-only": read_only,
    "service-killed": lambda: kill(signal.SIGKILL, pids()[0]),
    "both-killed": lambda: kill(signal.SIGKILL, *pids()),
    "service-hung": lambda: kill(signal.SIGSTOP, pids()[0]),
    "guard-killed": lambda: kill(signal.SIGKILL, pids()[1]),
    "stopped": lambda: subprocess.Popen(["systemctl", "stop", "tallypan"]),
}
MENDED: dict[str, Callable[[], object]] = {
    "card-full": WILD.unlink,
    "card-read-only": lambda: run("mount", "-o", "remount,rw", "/"),
}


def log_since(at: str) -> list[str]:
    return run("journalctl", "-u", "tallypan", "-o", "cat", "--no-pager", f"--since=@{at}").splitlines()


def verify() -> None:
    done = subprocess.run(
        [TALLYPAN, "verify", "--config", "/etc/tallypan/bay.toml"], capture_output=True, text=True
    )
    record = sqlite3.connect("file:/var/lib/tallypan/ledger.sqlite?mode=ro", uri=True)
    texts = [body for (body,) in record.execute("select body from event where kind = 'note'")]
    notes = [body.split("cut: ")[1].split('"')[0] for body in texts if "cut: " in body]
    tell("verify", {"status": done.returncode, "said": done.stdout + done.stderr, "notes": notes})


def used() -> tuple[float, float, int]:
    """Now, the processor time of the service and its guard until now, and what was written to the card, in bytes: all of it."""
    os.sync()
    said = Path("/sys/fs/cgroup/system.slice/tallypan.service/cpu.stat").read_text()
    sectors = int(Path("/sys/block/mmcblk0/stat").read_text().split()[6])
    return time.monotonic(), float(said.split()[1]) / 1e6, 512 * sectors


def share(name: str, since: tuple[float, float, int]) -> None:
    at_s, busy_s, written = (a - b for a, b in zip(used(), since, strict=True))
    tell(name, {"seconds": at_s, "share": busy_s / at_s, "bytes_s": written / at_s})


def pump_runs() -> None:
    """Have the fill go on from wherever the station stands."""
    if person.until(lambda v: True, 60.0, "a view")["interruption"] is not None:
        person.do("interruption", pan_moved=False, filled=False)
    if person.view()["stage"] != "fill":
        person.to_fill()
    person.tick()
    person.until(lambda v: v["blocked"] is None, 60.0, "nothing in the pump's way")
    person.pump_on()


def restarted(what: str, at_s: float, who: tuple[int, int], before: int) -> dict[str, Any]:
    """The service is dead or hangs: it comes back by itself."""
    person.cookies.clear()
    time.sleep(WATCHDOG_S if what == "service-hung" else 2.0)
    well_s = person.healthy_after_s(at_s)
    person.come_in()
    view = person.view()
    return {
        "well_s": well_s, "metered_l": view["metered_l"], "stage": view["stage"], "asks": view["interruption"],
        "pump_on": view["pump_on"], "anew": pids()[0] not in who,
        "restarts": int(run("systemctl", "show", "-P", "NRestarts", "tallypan")) - before,
    }  # fmt: skip


def takes_nothing(what: str) -> dict[str, Any]:
    """The card takes nothing: what is said, what is refused, and that all is well again behind it."""
    time.sleep(5.0)
    status, health = person.ask("GET", "/health")
    seen: dict[str, Any] = {
        "health": [status, health],
        "note": person.ask("POST", "/api/note", {"kind": "trouble", "text": what}),
    }
    bench.pins.put(PENDANT, 0)
    time.sleep(2.0)
    seen["again"] = bench.pins.pad()
    bench.pins.put(PENDANT, 1)
    MENDED[what]()
    seen["well_s"] = person.healthy_after_s(time.monotonic())
    seen["later_note"] = person.ask("POST", "/api/note", {"kind": "trouble", "text": f"{what}: mended"})
    return seen


person = arrive()
bench = person.bench
names = given("troubles").split(",")
if names[0] == "verify":
    verify()
if STRIKES.keys() & names and person.view()["job"] is None:
    since = used()
    time.sleep(10.0)
    share("idle", since)
    since = used()
    person.open_job()
    person.to_fill()
    share("drained", since)
    since = used()
    pump_runs()
    time.sleep(8.0)
    share("filling", since)
    person.ask("GET", "/")
    tell("memory_in_a_job_kib", [memory_kib(pid) for pid in pids()])
    person.let_go()
for what in names:
    if what not in STRIKES:
        continue
    pump_runs()
    who, restarts = pids(), int(run("systemctl", "show", "-P", "NRestarts", "tallypan"))
    seen: dict[str, Any] = {"before_l": person.view()["metered_l"], "on": bench.pins.pad()}
    at, at_s = f"{time.time():.3f}", time.monotonic()
    STRIKES[what]()
    seen["off_s"] = bench.off_after_s(at_s)
    bench.pins.put(PENDANT, 1)
    if what in MENDED:
        seen |= takes_nothing(what)
    elif what == "guard-killed":
        time.sleep(3.0)
        view = person.view()
        seen |= {"health": person.ask("GET", "/health"), "said": [view["latched"], view["blocked"]]}
    elif what == "stopped":
        time.sleep(10.0)
        seen |= {"state": run("systemctl", "is-active", "tallypan"), "pids": pids(), "log": log_since(at)}
    else:
        seen |= restarted(what, at_s, who, restarts)
    tell(what, seen | {"pad": bench.pins.pad()})
print("GUEST DONE 0", flush=True)
