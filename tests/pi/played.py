"""A whole job's writes to a card that is no board's: QEMU's recorder under a loop device of this machine, the station's own
engine on it, and somebody who writes a note at every moment of the job. It needs root, and no emulated processor.

Unlike the Pi's reader of cards, a loop device tells of its cache, and the kernel flushes it: so what a cut leaves behind the
last flush may be any part of it, in any order.
"""

import contextlib
import mmap
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hardware.sample import Sample
from station.errors import StationError
from station.record.ledger import Ledger
from tests.pi.cuts import MARK, MOMENT, PATH, SECTOR, read_log
from tests.soak.played import STEP_S, Played
from tests.station.record import version_1

FILES_MIB, MARKS_MIB = 128, 8
MARKS_AT = FILES_MIB << 20
BETWEEN_S = 0.1
"""From one note's answer to the next note: a bay at work, not a flood."""
FILL_MOST_S = 120.0
OLD, BROUGHT_UP = "the older record", "an older record brought up"


@dataclass(frozen=True)
class Recording:
    """card: as it was when the recording, log, began. answered: notes by the moment of the job."""

    card: Path
    log: Path
    answered: dict[str, int]


@contextlib.contextmanager
def recorder(folder: Path) -> Iterator[tuple[Path, Path]]:
    """A fresh card and a loop device on it whose every write is recorded: the mounted folder, and the device."""
    card, log, view, mount = (folder / name for name in ("card", "writes", "view", "mount"))
    with card.open("wb") as file:
        file.truncate((FILES_MIB + MARKS_MIB) << 20)
    line = ["mkfs.ext4", "-q", "-F", "-b", "4096", "-m", "0", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(card), f"{FILES_MIB}M"]  # fmt: skip
    subprocess.run(line, check=True, env=PATH)
    shutil.copy(card, folder / "start")
    log.touch()
    view.touch()
    mount.mkdir()
    storage = subprocess.Popen(
        ["setpriv", "--pdeathsig", "KILL", "qemu-storage-daemon",
         "--blockdev", f"file,node-name=card,filename={card}", "--blockdev", "raw,node-name=plain,file=card",
         "--blockdev", f"file,node-name=log,filename={log}", "--blockdev", "blklogwrites,node-name=both,file=plain,log=log",
         "--export", f"fuse,id=view,node-name=both,mountpoint={view},writable=on"]
    )  # fmt: skip
    with contextlib.ExitStack() as undo:
        undo.callback(storage.wait)
        undo.callback(storage.terminate)
        while view.stat().st_size == 0:  # a file until it is the card's
            assert storage.poll() is None, "QEMU shows no card"
            time.sleep(0.05)
        # Not straight past the cache: then several writes are on their way at once, and QEMU's export (7.2) mixes up their data.
        find = ["losetup", "--find", "--show", str(view)]
        device = subprocess.run(find, check=True, capture_output=True, text=True, env=PATH).stdout.strip()
        undo.callback(subprocess.run, ["losetup", "-d", device], check=True, env=PATH)
        subprocess.run(["mount", "-o", "noatime", device, str(mount)], check=True)
        undo.callback(subprocess.run, ["umount", str(mount)], check=True)
        yield mount, Path(device)


class Marks:
    """Sectors behind a device's file system, written past every cache."""

    def __init__(self, device: Path) -> None:
        self._file, self._count = os.open(device, os.O_WRONLY | os.O_DIRECT | os.O_SYNC), 0

    def put(self, text: bytes) -> None:
        with mmap.mmap(-1, SECTOR) as sector:
            sector.write(text)
            os.pwrite(self._file, sector, MARKS_AT + SECTOR * self._count)
        self._count += 1

    def close(self) -> None:
        os.close(self._file)


class Hand:
    """Somebody who writes notes to a bay and, once each is answered, leaves a mark. moment: where the job is."""

    def __init__(self, bay: Played, marks: Marks, answered: dict[str, int]) -> None:
        self.moment = "start"
        self._bay, self._marks, self._answered = bay, marks, answered
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._write)
        self._thread.start()

    def _write(self) -> None:
        n = 0
        while not self._over.wait(BETWEEN_S):
            n += 1
            moment = self.moment
            text = f"{moment}-{n}".replace(" ", "-")
            try:
                self._bay.engine.note("cut", text)
            except StationError:  # no job is open, or it is closing: nothing is answered
                continue
            self._marks.put(MARK + text.encode())
            self._answered[moment] = self._answered.get(moment, 0) + 1

    def close(self) -> None:
        self._over.set()
        self._thread.join()


class Pace:
    """Has the bay's time be the real one; where this machine is busy, it is slower."""

    def __init__(self) -> None:
        self._due_s = time.monotonic()

    def __call__(self) -> None:
        self._due_s = max(self._due_s + STEP_S, time.monotonic())
        time.sleep(max(0.0, self._due_s - time.monotonic()))


def record(folder: Path) -> Recording:
    """Play a job on it, and the next one until its fill, behind a restart of the engine."""
    answered: dict[str, int] = {}
    with recorder(folder) as (mount, device):
        home = mount / "var/lib/tallypan"
        home.mkdir(parents=True)
        marks = Marks(device)
        for job in ("first", "second"):
            bay = Played(home, Pace())
            hand = Hand(bay, marks, answered)
            try:
                _work(bay, hand, job)
            finally:
                hand.close()
                bay.close()
        marks.close()
    told = bytearray((folder / "start").read_bytes())
    for write in read_log(folder / "writes"):
        told[write.at : write.at + len(write.data)] = write.data
    assert told == (folder / "card").read_bytes(), "the recording is not what was written"
    return Recording(folder / "start", folder / "writes", answered)


def brought_up(folder: Path, jobs: dict[str, list[Sample]]) -> Path:
    """Have a record of the first version brought up to the present one; the recording of that, begun before the old one was
    written, with a moment for each. folder: gets ``start``, the card as it was."""
    with recorder(folder) as (mount, device):
        record, marks = mount / "var/lib/tallypan/ledger.sqlite", Marks(device)
        record.parent.mkdir(parents=True)
        marks.put(MOMENT + OLD.encode())
        version_1.write(record, jobs)
        os.sync()
        marks.put(MOMENT + BROUGHT_UP.encode())
        Ledger(record).close()
        marks.close()
    return folder / "writes"


def _work(bay: Played, hand: Hand, job: str) -> None:
    hand.moment = f"{job} job until its fill"
    bay.to_fill(30.0)
    hand.moment = f"{job} job before the pump"
    bay.wait(5.0)
    hand.moment = f"{job} job with the pump on"
    whole = job == "first"
    bay.wait(FILL_MOST_S if whole else 10.0, until=lambda: bay.engine.view().latched is not None, pendant=1)
    hand.moment = f"{job} job with the pump off"
    bay.wait(5.0, pendant=0)
    if whole:
        hand.moment = f"{job} job from the fill's end to its close"
        bay.finish()
