"""Goals D2 to D5: the power goes, a sector is torn, the card is full, the card lies.

A kill cannot show what a power cut does: the page cache outlives it. So a writer runs under strace, its writes and syncs
are read back, and what could lie on the card after a cut at any moment is built from them: all that was synced, and of
what was not any part, in any order, torn at a sector. For a full and a failing card strace makes single calls fail.
"""

import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from station.errors import LedgerError
from station.record import anchor, samples, verify
from station.record.ledger import Ledger, now
from tests.soak.proofs import Seen

ROOT = Path(__file__).parents[2]
STRACE = shutil.which("strace")
SECTORS = (512, 4096)
_CALL = re.compile(r"^\d+\s+(\w+)\((.*)\)\s*= (-?\d+|0x[0-9a-f]+)(?: .*)?$")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass
class Op:
    """One thing that was done to a file, or an acknowledgement. kind: write, truncate, sync, unlink, ack."""

    kind: str
    name: str = ""
    at: int = 0
    data: bytes = b""


@dataclass
class Written:
    """What a writer did. start: its files before. reference: the hash of each entry of the record as it ended."""

    start: dict[str, bytes]
    ops: list[Op] = field(default_factory=list)
    reference: dict[int, str] = field(default_factory=dict)


def record(folder: Path, synchronous: str = "full", turns: int = 60) -> Written:
    """Run a writer under strace and read what it did."""
    live = folder / "live"
    live.mkdir()
    path = live / "l.sqlite"
    Ledger(path).close()
    start = {file.name: file.read_bytes() for file in live.iterdir()}
    log = folder / "strace.log"
    calls = "openat,open,creat,close,dup,dup2,pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename"
    subprocess.run(
        [
            *(STRACE or "strace", "-f", "-xx", "-s", "200000", "-o", str(log), "-e", f"trace={calls}"),
            *(sys.executable, "-m", "tests.soak.power_writer", str(path), synchronous, str(turns)),
        ],
        cwd=ROOT,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    written = Written(start, list(_read(log, live)))
    ledger = Ledger(path, read_only=True)
    written.reference = dict(ledger.db.execute("select seq, hash from event"))
    ledger.close()
    return written


def _read(log: Path, live: Path) -> Iterator[Op]:
    names: dict[str, str] = {}
    for line in log.read_text(encoding="ascii", errors="replace").splitlines():
        match = _CALL.match(line)
        if match is None or int(match[3], 0) < 0:
            continue
        call, text = match[1], match[2]
        strings = [bytes.fromhex(found.replace("\\x", "")) for found in _STRING.findall(text)]
        fd = text.partition(",")[0].strip()
        if call in ("openat", "open", "creat") and strings:
            opened = Path(os.fsdecode(strings[0]))
            follow = opened.parent == live and not opened.name.endswith((".lock", "-shm"))
            names[match[3]] = opened.name if follow else ""
        elif call == "close":
            names.pop(fd, None)
        elif call == "write" and fd == "1" and strings and strings[0].startswith(b"ack "):
            yield Op("ack", data=strings[0])
        elif call == "unlink" and strings and Path(os.fsdecode(strings[0])).parent == live:
            yield Op("unlink", Path(os.fsdecode(strings[0])).name)
        elif names.get(fd):
            if call == "pwrite64":
                yield Op("write", names[fd], int(text.rpartition(",")[2], 0), strings[0])
            elif call == "ftruncate":
                yield Op("truncate", names[fd], int(text.rpartition(",")[2], 0))
            elif call in ("fsync", "fdatasync"):
                yield Op("sync", names[fd])
            elif call == "write":
                raise ValueError(
                    f"{names[fd]} is written without saying where; the replay does not follow that"
                )


def image(written: Written, cut: int, rng: random.Random, sector: int) -> tuple[dict[str, bytes], bytes]:
    """What may lie on the card after a cut before this operation, and what had been acknowledged."""
    durable = {name: bytearray(data) for name, data in written.start.items()}
    waiting: dict[str, list[Op]] = {}
    acknowledged = b""
    for op in written.ops[:cut]:
        if op.kind == "ack":
            acknowledged = op.data
        elif op.kind == "sync":
            for one in waiting.pop(op.name, []):
                _apply(durable, one)
        elif op.kind == "unlink":
            waiting.pop(op.name, None)
            durable.pop(op.name, None)
        else:
            waiting.setdefault(op.name, []).append(op)
    for left in waiting.values():
        for one in _survivors(left, rng, sector):
            _apply(durable, one)
    return {name: bytes(data) for name, data in durable.items() if not name.endswith("-shm")}, acknowledged


def _survivors(left: list[Op], rng: random.Random, sector: int) -> list[Op]:
    """Of what was not synced: nothing, the first part, or any part in any order; the last of it torn."""
    way = rng.choice(("none", "first", "any"))
    if way == "none":
        return []
    kept = (
        left[: rng.randrange(len(left) + 1)] if way == "first" else [op for op in left if rng.random() < 0.5]
    )
    if way == "any":
        rng.shuffle(kept)
    if kept and kept[-1].kind == "write":
        last = kept[-1]
        pieces = range(0, len(last.data), sector)
        torn = [k for k in pieces if rng.random() < 0.5]
        kept = [*kept[:-1], *(Op("write", last.name, last.at + k, last.data[k : k + sector]) for k in torn)]
    return kept


def _apply(durable: dict[str, bytearray], op: Op) -> None:
    data = durable.setdefault(op.name, bytearray())
    if op.kind == "truncate":
        del data[op.at :]
        data.extend(bytes(op.at - len(data)))
    else:
        data.extend(bytes(max(0, op.at - len(data))))
        data[op.at : op.at + len(op.data)] = op.data


def power_cuts(
    folder: Path, images: int, synchronous: str = "full", sectors: tuple[int, ...] = SECTORS
) -> Seen:
    """D2 and D3: every image opens, is one of the states that the record went through, and has all that was
    acknowledged. synchronous: anything but full is a planted fault."""
    seen = Seen(
        f"D2, D3 power cut, torn at {' and '.join(map(str, sectors))} B, synchronous={synchronous}",
        unit="entries",
    )
    written = record(folder, synchronous)
    for n in range(images):
        rng = random.Random(f"cut {n}")
        files, acknowledged = image(written, rng.randrange(len(written.ops) + 1), rng, rng.choice(sectors))
        here = folder / "image"
        shutil.rmtree(here, ignore_errors=True)
        here.mkdir()
        for name, data in files.items():
            (here / name).write_bytes(data)
        seen.trials += 1
        wrong = list(_wrong(here / "l.sqlite", acknowledged, written.reference, seen))
        seen.failed += [f"image {n}: {text}" for text in wrong]
    return seen


def _wrong(path: Path, acknowledged: bytes, reference: dict[int, str], seen: Seen) -> Iterator[str]:
    words = acknowledged.split()
    entries, held = (int(words[1]), int(words[2])) if words else (0, 0)
    behind = anchor.read_head(path)
    try:
        ledger = Ledger(path)
    except LedgerError as error:
        yield f"does not open: {error}"
        return
    try:
        seq, own = ledger.db.execute("select seq, hash from event order by seq desc limit 1").fetchone() or (
            0,
            "",
        )
        stored = samples.count(ledger.db, "job-open")
    except sqlite3.Error as error:
        yield f"cannot be read: {error}"
        return
    finally:
        ledger.close()
    seen.values.append(seq)
    if seq < entries or stored < held:
        yield f"{seq} entries of {entries} acknowledged, {stored} samples of {held}"
    if seq and reference.get(seq) != own:
        yield f"entry {seq} is none that was written (the head file said {behind})"
    yield from verify.verify(path).broken


# --- a full card, a failing card ---------------------------------------------------------------------------


def failing(folder: Path, call: str, error: str, calls: int, lasting: bool, planted: bool = False) -> Seen:
    """D4 and D5: the n-th call of a kind fails, for n from 1 on; nothing is acknowledged that is not stored, and the
    record goes on when the card takes writes again. planted: the writer swallows what it is told and acknowledges."""
    goal = {"ENOSPC": "D4 card full", "EIO": "D5 sync fails"}[error]
    seen = Seen(f"{goal}, {'from' if lasting else 'only'} the n-th {call} on", unit="refused")
    log = folder / "told.log"
    (folder / "template").mkdir()
    Ledger(folder / "template" / "l.sqlite").close()
    when = f"{calls}{'+' if lasting else ''}"
    subprocess.run(
        [
            *(STRACE or "strace", "-f", "-qq", "-o", str(folder / "strace.log"), "-e", f"trace={call}"),
            *("-e", f"inject={call}:error={error}:when={when}"),
            *(
                sys.executable,
                "-m",
                "tests.soak.power_writer",
                "--failing",
                str(folder),
                call,
                str(calls),
                str(log),
            ),
            *(["planted"] if planted else []),
        ],
        cwd=ROOT,
        check=True,
        stdout=subprocess.DEVNULL,
    )
    for line in log.read_text(encoding="utf-8").splitlines():
        n, acknowledged, refused, *rest = line.split(" ", 3)
        seen.trials += 1
        seen.values.append(float(refused))
        path = folder / f"at-{n}" / "l.sqlite"
        if rest:
            seen.failed.append(f"call {n}: {rest[0]}")
        ledger = Ledger(path)  # the card takes writes again
        stored = [event["body"]["text"] for event in ledger.events() if event["kind"] == "note"]
        ledger.append(None, "note", {"text": "it goes on"}, now())
        ledger.close()
        told = acknowledged.split(",") if acknowledged != "-" else []
        seen.failed += [
            f"call {n}: {text} was acknowledged and is not stored" for text in told if text not in stored
        ]
        seen.failed += [f"call {n}: {text}" for text in verify.verify(path).broken]
    return seen
