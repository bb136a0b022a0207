"""Power cuts by the thousand, without booting for each: what the emulated card was told to write is recorded, and every
state that a cut can leave of it is laid out, its journal replayed as a mount would, and its record read.

The card's reader of a Pi has no cache that the kernel would know of, so a write that is answered is on the card, and a cut
leaves the sectors that came before it. A card that answers what it has not kept, or keeps a write's sectors in an order of its
own, is not in this. The recording is QEMU's blklogwrites,
whose format is that of the kernel's dm-log-writes (Documentation/admin-guide/device-mapper/log-writes.rst).
"""

import os
import random
import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import FileIO
from pathlib import Path

from station.errors import LedgerError
from station.record import verify
from station.record.ledger import Ledger
from tests.pi.card import copy

SECTOR = 512
MAGIC = 0x6A736677736872
MARK = b"ANSWERED "
PATH = {**os.environ, "PATH": os.environ["PATH"] + ":/sbin:/usr/sbin"}


@dataclass(frozen=True)
class Write:
    """data at a byte of the card; nothing for a bare flush."""

    at: int
    data: bytes


def read_log(path: Path) -> Iterator[Write]:
    """A recording, write by write. Raises ValueError for a file that is none."""
    with path.open("rb") as file:
        magic, _, _, sector = struct.unpack("<QQQI", file.read(28))
        if magic != MAGIC:
            raise ValueError(
                f"{path} is no recording of writes: it begins with {magic:#x}, expected {MAGIC:#x}"
            )
        at = sector
        while True:
            file.seek(at)
            head = file.read(32)
            if len(head) < 32:
                return
            where, sectors, flags, length = struct.unpack("<QQQQ", head)
            if (where, sectors, flags, length) == (0, 0, 0, 0):
                return
            file.seek(at + sector)
            size = 0 if flags & 4 else sectors * sector  # a discard has no data
            data = file.read(size)
            if len(data) < size:
                return
            yield Write(where * sector, data)
            at += sector + size


@dataclass
class Judged:
    """What cuts left. failed: a sentence each. answered: how many answers were out at each cut."""

    cuts: int = 0
    answered: list[int] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


def _mark(write: Write, marks_at: int) -> str | None:
    if write.at < marks_at or not write.data.startswith(MARK):
        return None
    return write.data[len(MARK) :].split(b"\0")[0].decode()


def cut_and_judge(
    card: Path,
    log: Path,
    marks_at: int,
    cuts: int,
    seed: int,
    folder: Path,
    late: int = 0,
    cached: bool = False,
) -> Judged:
    """Cut the power so many times, each after a random sector of a recording. card: as it was when the recording began; it is
    copied. late: answers are claimed so many sectors before the card has them, a planted fault. cached: the card tells of a
    cache, so that of what comes behind its last flush any part may be lost."""
    folder.mkdir(exist_ok=True)
    work = folder / "laid-out"
    copy(card, work)
    told = [write for write in read_log(log) if write.data or cached]
    marks = [(n, text) for n, write in enumerate(told) if (text := _mark(write, marks_at))]
    rng = random.Random(f"cuts {seed}")
    judged, done = Judged(), 0
    with work.open("r+b", buffering=0) as file:
        for point in sorted(rng.randrange(marks[0][0], len(told)) for _ in range(cuts)):
            safe = point
            while cached and safe > done and told[safe - 1].data:
                safe -= 1
            for write in told[done:safe]:
                _put(file, write)
            done = safe
            before = [_put(file, write) for write in told[safe:point] if rng.random() < 0.5]
            answered = [text for n, text in marks if n < point + late]
            judged.cuts += 1
            judged.answered.append(len(answered))
            judged.failed += [f"cut at sector {point}: {text}" for text in _left(work, folder, answered)]
            for write in reversed(before):
                _put(file, write)
    return judged


def _put(file: FileIO, write: Write) -> Write:
    """Put a write on the card; what stood there."""
    file.seek(write.at)
    before = Write(write.at, file.read(len(write.data)) or b"")
    file.seek(write.at)
    file.write(write.data)
    return before


def _left(work: Path, folder: Path, answered: list[str]) -> Iterator[str]:
    """What is wrong with the record on a card as a cut left it; the card is put back as it was."""
    undo, out = folder / "undo", folder / "out"
    undo.unlink(missing_ok=True)
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    replay = ["e2fsck", "-y", "-E", "journal_only", "-z", str(undo), str(work)]
    replayed = subprocess.run(replay, capture_output=True, text=True, env=PATH)
    try:
        if replayed.returncode > 1:
            yield f"its file system's journal is not replayed: {replayed.stdout[-300:]} {replayed.stderr[-300:]}"
            return
        take = ["debugfs", "-R", f"rdump /var/lib/tallypan {out}", str(work)]
        subprocess.run(take, capture_output=True, text=True, env=PATH, check=True)
    finally:
        if undo.exists():
            subprocess.run(["e2undo", "-f", str(undo), str(work)], capture_output=True, env=PATH, check=True)
    yield from judge(out / "tallypan" / "ledger.sqlite", answered)


def judge(ledger: Path, answered: list[str]) -> Iterator[str]:
    """What a record lacks of the notes that were answered, and what its own reader says of it."""
    if not ledger.exists():
        yield "no record on the card"
        return
    try:
        record = Ledger(ledger)  # as the station opens it at its next start
    except LedgerError as error:
        yield f"the record does not open: {error}"
        return
    try:
        stored = {event["body"].get("text", "") for event in record.events() if event["kind"] == "note"}
    finally:
        record.close()
    lost = [text for text in answered if f"cut: {text}" not in stored]
    if lost:
        yield f"{len(lost)} of {len(answered)} answered notes are lost, the first {lost[0]}"
    yield from verify.verify(ledger).broken


def judge_card(card: Path, folder: Path, answered: list[str]) -> list[str]:
    """What is wrong with the record on a card as the end of its power left it. The card stays as it is."""
    return list(_left(card, folder, answered))
