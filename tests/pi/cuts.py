"""Power cuts by the thousand, without booting for each: what the emulated card was told to write is recorded, and every
state that a cut can leave of it is laid out, its journal replayed as a mount would, and its record read.

The card's reader of a Pi has no cache that the kernel would know of, so a write that is answered is on the card, and a cut
leaves the sectors that came before it. A card that answers what it has not kept, or keeps a write's sectors in an order of its
own, is not in this. The recording is QEMU's blklogwrites,
whose format is that of the kernel's dm-log-writes (Documentation/admin-guide/device-mapper/log-writes.rst).
"""

import json
import os
import random
import shutil
import struct
import subprocess
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from io import FileIO
from pathlib import Path

from station.bay import fitness
from station.errors import StationError
from station.given.config import demo_path, read_config
from station.record import backup, verify
from station.record.ledger import Ledger
from tests.pi.card import copy

SECTOR = 512
MAGIC = 0x6A736677736872
DEMO = read_config(demo_path())
MARK, MOMENT = b"ANSWERED ", b"MOMENT "
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
    """What cuts left. moments: how many cuts in each. failed: a sentence each. answered: how many answers were out at each
    cut."""

    moments: Counter[str] = field(default_factory=Counter)
    answered: list[int] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    @property
    def cuts(self) -> int:
        return self.moments.total()


@dataclass(frozen=True)
class Recording:
    """Writes to a card, and what of them is marks. card: as it was when the recording began. cached: the card tells of a cache,
    so that of what comes behind its last flush any part may be lost. answers: what was answered, and with which write at the
    latest. moments: the writes of each."""

    card: Path
    told: list[Write]
    answers: list[tuple[int, str]]
    moments: dict[str, range]
    cached: bool = False

    @classmethod
    def read(
        cls, card: Path, log: Path, marks_at: int, cached: bool = False, before: Sequence[str] = ()
    ) -> "Recording":
        """before: what was answered before it began. Of a recording without moments all from its first answer on is one."""
        told = [write for write in read_log(log) if write.data or cached]
        marks = [(n, write.data.split(b"\0")[0]) for n, write in enumerate(told) if write.at >= marks_at]
        answers = [(n, mark[len(MARK) :].decode()) for n, mark in marks if mark.startswith(MARK)]
        begins = [(n, mark[len(MOMENT) :].decode()) for n, mark in marks if mark.startswith(MOMENT)]
        begins = [(0, begins[0][1]), *begins[1:]] if begins else [(answers[0][0], "")]
        ends = [n for n, _ in begins[1:]] + [len(told)]
        moments = {name: range(n, end) for (n, name), end in zip(begins, ends, strict=True)}
        return cls(card, told, [(-1, text) for text in before] + answers, moments, cached)

    def points(self, cuts: int, seed: int) -> list[tuple[int, str]]:
        """So many cuts, as many in each moment, each before a random write of it."""
        rng = random.Random(f"cuts {seed}")
        drawn = [
            (rng.choice(writes), name)
            for n, (name, writes) in enumerate(self.moments.items())
            for _ in range(cuts * (n + 1) // len(self.moments) - cuts * n // len(self.moments))
        ]
        return sorted(drawn)

    def answered(self, point: int) -> list[str]:
        return [text for n, text in self.answers if n < point]

    def cut_card(self, point: int, to: Path) -> list[str]:
        """Lay the card out as a cut before a write leaves it; what was answered by then."""
        copy(self.card, to)
        with to.open("r+b", buffering=0) as file:
            for write in self.told[:point]:
                _put(file, write)
        return self.answered(point)


def cut_and_judge(recording: Recording, cuts: int, seed: int, folder: Path, late: int = 0) -> Judged:
    """Cut the power so many times. late: answers are claimed so many sectors before the card has them, a planted fault."""
    folder.mkdir(exist_ok=True)
    work, told = folder / "laid-out", recording.told
    copy(recording.card, work)
    rng = random.Random(f"cache {seed}")
    judged, done = Judged(), 0
    with work.open("r+b", buffering=0) as file:
        for point, moment in recording.points(cuts, seed):
            safe = point
            while recording.cached and safe > done and told[safe - 1].data:
                safe -= 1
            for write in told[done:safe]:
                _put(file, write)
            done = safe
            before = [_put(file, write) for write in told[safe:point] if rng.random() < 0.5]
            answered = recording.answered(point + late)
            judged.moments[moment] += 1
            judged.answered.append(len(answered))
            judged.failed += [
                f"cut at sector {point}, {moment}: {text}" for text in _left(work, folder, answered)
            ]
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
        ledger = taken(work, out)
    finally:
        if undo.exists():
            subprocess.run(["e2undo", "-f", str(undo), str(work)], capture_output=True, env=PATH, check=True)
    yield from judge(ledger, answered)


def taken(card: Path, out: Path) -> Path:
    """Take the record and what lies beside it off a card; where the record is then, if there is one."""
    take = ["debugfs", "-R", f"rdump /var/lib/tallypan {out}", str(card)]
    subprocess.run(take, capture_output=True, text=True, env=PATH, check=True)
    return out / "tallypan" / "ledger.sqlite"


def judge(ledger: Path, answered: list[str]) -> Iterator[str]:
    """What a record lacks of what was answered, and what its own reader says of it and of its copies."""
    if not ledger.exists():
        if answered:
            yield f"no record on the card, and {len(answered)} answers were out"
        return
    try:
        fitness.check(
            replace(DEMO, ledger=ledger), simulated=True
        )  # as a starting station asks it, and then opens it
        record = Ledger(ledger)
    except StationError as error:
        yield f"the station does not start on it: {error}"
        return
    copies = backup.copies(ledger.parent / "copies", ledger.stem)
    try:
        kept = "\n".join(json.dumps(event["body"], ensure_ascii=False) for event in record.events())
        opened = {event["job_id"] for event in record.events() if event["kind"] == "job_open"}

        def is_kept(text: str) -> bool:
            what, _, of = text.partition(" ")
            match f"{what} ":
                case "opened ":
                    return of in opened
                case "closed ":
                    return record.checkpoint(of) is not None and of not in record.unfinished()
                case "claimed ":
                    people = ledger.parent / "people.json"
                    return people.exists() and of in people.read_text()
                case "copied ":
                    return bool(copies)
            return f'{text}"' in kept

        lost = [text for text in answered if not is_kept(text)]
    finally:
        record.close()
    if lost:
        yield f"{len(lost)} of {len(answered)} answers are lost, the first {lost[0]}"
    for one in (ledger, *copies):
        yield from (f"{one.name}: {text}" for text in verify.verify(one).broken)


def judge_card(card: Path, folder: Path, answered: list[str]) -> list[str]:
    """What is wrong with the record on a card as the end of its power left it. The card stays as it is."""
    return list(_left(card, folder, answered))
