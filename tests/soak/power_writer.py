"""The writer whose calls ``tests.soak.power`` watches or makes fail. Acknowledges on its standard output, or in a file."""

import logging
import os
import random
import shutil
import sys
from pathlib import Path

from station.errors import LedgerError
from station.record.ledger import Ledger, now
from tests.station.record.filled import BATCH, play_job
from tests.station.record.live_stream import live_stream

CHECKPOINT_PAGES = 20
"""Much more often than a station does, so that cuts fall into it."""


def watched(path: Path, synchronous: str, turns: int) -> None:
    """Short jobs and an open one, each turn acknowledged when its transaction is through."""
    ledger = Ledger(path)
    ledger.db.execute(f"pragma wal_autocheckpoint = {CHECKPOINT_PAGES}")
    if synchronous != "full":  # which the ledger has by itself, or the proof is to fail
        ledger.db.execute(f"pragma synchronous = {synchronous}")
    stream = live_stream(random.Random(3), turns * BATCH / 33 / 60 + 0.1)
    ledger.append("job-open", "job_open", {"job": {}}, now())
    for turn in range(turns):
        with ledger.transaction():
            ledger.add_samples("job-open", turn * BATCH, stream[turn * BATCH : (turn + 1) * BATCH])
            seq = ledger.append("job-open", "note", {"text": f"turn {turn}"}, now())
        os.write(1, f"ack {seq} {(turn + 1) * BATCH}\n".encode())
        if turn % 20 == 10:
            play_job(ledger, f"job-{turn}", stream[:99])
    ledger.close()


def failing(folder: Path, call: str, calls: int, log: Path, planted: bool) -> None:
    """In a child for each n: calls are used up on nothing until the n-th of the record's own is the one that fails."""
    logging.disable(logging.CRITICAL)  # every refusal is meant
    template = folder / "template"
    nothing = os.open("/dev/null", os.O_RDWR)
    with log.open("w", encoding="utf-8") as out:
        for n in range(1, calls + 1):
            shutil.copytree(template, folder / f"at-{n}")
            read, write = os.pipe()
            pid = os.fork()
            if pid == 0:
                try:
                    for _ in range(calls - n):
                        _use_up(call, nothing)
                    text = _one(folder / f"at-{n}" / "l.sqlite", planted)
                except BaseException as error:
                    text = f"- 0 {error!r}"
                os.write(write, text.encode())
                os._exit(0)
            os.close(write)
            with os.fdopen(read, encoding="utf-8") as told:
                out.write(f"{n} {told.read()}\n")
            os.waitpid(pid, 0)


def _use_up(call: str, nothing: int) -> None:
    try:
        if call == "pwrite64":
            os.pwrite(nothing, b"", 0)
        elif call == "fsync":
            os.fsync(nothing)
        else:
            os.fdatasync(nothing)
    except OSError:
        pass  # /dev/null cannot be synced; the call has counted all the same


def _one(path: Path, planted: bool) -> str:
    """What was acknowledged, and how often the record refused."""
    acknowledged, refused = [], 0
    try:
        ledger = Ledger(path)
    except LedgerError:
        return "- 1"  # it does not start: nothing is acknowledged
    ledger.db.execute(f"pragma wal_autocheckpoint = {CHECKPOINT_PAGES}")
    stream = live_stream(random.Random(4), 0.1)
    stored = 0
    for k in range(25):
        try:
            with ledger.transaction():
                ledger.add_samples("j", stored, stream[stored : stored + 3])
                ledger.append("j", "note", {"text": f"n{k}"}, now())
            stored += 3
            acknowledged.append(f"n{k}")
        except LedgerError:
            refused += 1
            if planted:
                acknowledged.append(f"n{k}")
    ledger.close()
    return f"{','.join(acknowledged) or '-'} {refused}"


if __name__ == "__main__":
    if sys.argv[1] == "--failing":
        failing(
            Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]), Path(sys.argv[5]), "planted" in sys.argv[6:]
        )
    else:
        watched(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
