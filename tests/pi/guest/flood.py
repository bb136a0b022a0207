"""Runs on the emulated board: people who write notes without end. Each answer leaves a mark behind the card's file system,
straight past every cache, and a line on the console; only the end of the power ends it. marks_at: where the marks go."""

import mmap
import os
import threading
import time
from pathlib import Path

from tests.pi.guest.bench import arrive, given

person = arrive()
marks_at = int(given("marks_at"))
HANDS = 3
MARKS = 32768

if person.view()["job"] is None:
    person.open_job()
file = os.open("/dev/mmcblk0", os.O_WRONLY | os.O_DIRECT | os.O_SYNC)
boot = Path("/proc/sys/kernel/random/boot_id").read_text()[:8]
turn = threading.Lock()
count = 0


def answered(text: str) -> None:
    global count
    with turn, mmap.mmap(-1, 512) as sector:
        sector.write(b"ANSWERED " + text.encode())
        os.pwrite(file, sector, marks_at + 512 * (count % MARKS))
        count += 1
        print("ANSWERED", text, flush=True)


def write(hand: int) -> None:
    n = 0
    while True:
        n += 1
        text = f"{boot}-{hand}-{n}"
        person.do("note", kind="cut", text=text)
        answered(text)


threads = [threading.Thread(target=write, args=(hand,)) for hand in range(HANDS)]
for thread in threads:
    thread.start()
while all(thread.is_alive() for thread in threads):
    time.sleep(1.0)
raise AssertionError("somebody was not answered")
