"""Runs on the emulated board: a day of a bay while somebody enters something all the time. Each answer leaves a mark behind the
card's file system, straight past every cache; so does each moment that begins.

moments=: which day. ``whole``: from the first start to the last, a job, a copy and a stop between. ``start``: a start from the
card as it is, nothing more. marks_at: where the marks go.
"""

import mmap
import os
import subprocess
import threading
import time

from tests.pi.guest.bench import Bench, Person, given, run, tell

TALLYPAN = "/opt/tallypan/.venv/bin/tallypan"
COPIES = "/var/lib/tallypan/copies"
AS_SERVICE = ("setpriv", "--reuid", "tallypan", "--regid", "tallypan", "--clear-groups")
BETWEEN_S = 0.15


class Marks:
    """What was answered and where the day is, in sectors of their own."""

    def __init__(self, at: int) -> None:
        self._file = os.open("/dev/mmcblk0", os.O_WRONLY | os.O_DIRECT | os.O_SYNC)
        self._turn = threading.Lock()
        self._at, self.count = at, 0

    def _put(self, text: str) -> None:
        with self._turn, mmap.mmap(-1, 512) as sector:
            sector.write(text.encode())
            os.pwrite(self._file, sector, self._at + 512 * self.count)
            self.count += 1

    def moment(self, name: str) -> None:
        print("MOMENT", name, f"at {time.monotonic():.1f} s", flush=True)
        self._put(f"MOMENT {name}")

    def answered(self, text: str) -> None:
        self._put(f"ANSWERED {text}")


class Hand:
    """Enters a vehicle where no job is open, a note where one is, and again as soon as that is answered."""

    def __init__(self, person: Person, marks: Marks) -> None:
        self._person, self._marks = person, marks
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._write)
        self._thread.start()

    def _write(self) -> None:
        boot = run("cat", "/proc/sys/kernel/random/boot_id")[:8]
        n = 0
        while not self._over.wait(BETWEEN_S):
            n += 1
            text = f"{boot}-{n}"
            for path, body in (
                ("/api/note", {"kind": "cut", "text": text}),
                ("/api/catalogue/enter", {"table": "vehicle", "fields": {"vehicle": text}}),
            ):
                if self._person.ask("POST", path, body)[0] == 200:
                    self._marks.answered(text)
                    break

    def close(self) -> None:
        self._over.set()
        self._thread.join()


def job() -> None:
    """A job, and where it is."""
    marks.moment("a job opened")
    job_id = person.open_job()
    marks.answered(f"opened {job_id}")
    person.tick()
    bench.pan_g = 850.0
    time.sleep(3.0)
    person.mark("pan_placed")
    time.sleep(2.0)
    marks.moment("a drain")
    person.mark("drain_open")
    for n in range(20):
        bench.pan_g = 850.0 + 2550.0 * (n + 1) / 20
        time.sleep(0.4)
    time.sleep(3.0)
    marks.moment("between drain and pump")
    for mark in ("drain_done", "reseal_done"):
        person.mark(mark)
    person.do("note", kind="capacity", text="as listed: the plate on the housing says so")
    person.mark("fill_start")
    person.until(lambda v: v["stage"] == "fill", 30.0, "the fill")
    person.tick()
    person.until(lambda v: v["blocked"] is None, 60.0, "nothing in the pump's way")
    person.pump_on()
    marks.moment("the pump on")
    time.sleep(8.0)
    assert bench.pins.pad() == "out hi", person.view()
    marks.moment("the pump off")
    person.let_go()
    time.sleep(3.0)
    marks.moment("closing and signing")
    for mark in ("level_seen", "fill_done"):
        person.mark(mark)
    time.sleep(2.0)
    person.mark("plug_in")
    person.tick()
    time.sleep(8.0)
    person.mark("close", "cut short")
    marks.answered(f"closed {job_id}")
    time.sleep(2.0)


def whole() -> None:
    marks.moment("the first start")
    person.healthy_after_s(time.monotonic())
    person.come_in()
    marks.answered("claimed E. Brandvold")
    hand = Hand(person, marks)
    marks.moment("at rest")
    time.sleep(6.0)
    job()
    marks.moment("a copy")
    os.makedirs(COPIES, exist_ok=True)
    os.chown(COPIES, 990, 990)
    done = subprocess.run(
        [*AS_SERVICE, TALLYPAN, "backup", "--config", "/etc/tallypan/bay.toml", "--to", COPIES]
    )
    assert done.returncode == 0, done
    marks.answered("copied")
    marks.moment("the stop")
    run("systemctl", "stop", "tallypan")
    time.sleep(1.0)
    marks.moment("the second start")
    run("systemctl", "start", "tallypan")
    person.healthy_after_s(time.monotonic())
    person.come_in()
    time.sleep(3.0)
    hand.close()


def start() -> None:
    marks.moment(given("called").replace("_", " "))
    person.healthy_after_s(time.monotonic())
    person.come_in()
    hand = Hand(person, marks)
    time.sleep(4.0)
    hand.close()


marks = Marks(int(given("marks_at")))
bench = Bench()
person = Person(bench)
{"whole": whole, "start": start}[given("moments")]()
tell("pads", bench.pads())
print("GUEST DONE 0", flush=True)
