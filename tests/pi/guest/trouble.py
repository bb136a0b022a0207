"""Runs on the emulated board: one kind of trouble after the other, each in the middle of a fill. troubles=: their names."""

import os
import signal
import time

from tests.pi.guest.bench import PENDANT, arrive, given, pids, run, tell


def kill(number: int, *whom: int) -> None:
    for pid in whom:
        os.kill(pid, number)


def pump_runs() -> None:
    """Have the fill go on from wherever the station stands."""
    if person.until(lambda v: True, 60.0, "a view")["interruption"] is not None:
        person.do("interruption", pan_moved=False, filled=False)
    person.tick()
    person.until(lambda v: v["blocked"] is None, 60.0, "nothing in the pump's way")
    person.pump_on()


TROUBLES = {
    "service-killed": lambda: kill(signal.SIGKILL, pids()[0]),
}

person = arrive()
bench = person.bench
person.open_job()
person.to_fill()
for n, what in enumerate(given("troubles").split(",")):
    pump_runs()
    before_l = person.view()["metered_l"]
    who = pids()
    at_s = time.monotonic()
    TROUBLES[what]()
    off_s = bench.off_after_s(at_s)
    bench.pins.put(PENDANT, 1)
    person.cookies.clear()
    time.sleep(2.0)
    well_s = person.healthy_after_s(at_s)
    person.come_in()
    view = person.view()
    seen = {
        "off_s": off_s, "well_s": well_s, "before_l": before_l, "metered_l": view["metered_l"], "stage": view["stage"],
        "asks": view["interruption"], "pump_on": view["pump_on"], "pad": bench.pins.pad(), "anew": pids()[0] not in who,
        "restarts": int(run("systemctl", "show", "-P", "NRestarts", "tallypan")) - n,
    }  # fmt: skip
    tell(what, seen)
pump_runs()
at_s = time.monotonic()
run("systemctl", "stop", "tallypan")
tell("stopped", {"off_s": bench.off_after_s(at_s), "pad": bench.pins.pad(), "pids": pids()})
print("GUEST DONE 0", flush=True)
