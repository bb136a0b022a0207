"""Goal D8, a migration that is killed, and the list of the record's proofs, D1 to D9 and T1. Each takes a planted fault, to show
that it would see one."""

import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, nullcontext
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from station.errors import LedgerError
from station.record import verify
from station.record.ledger import Ledger
from tests.soak import backups, clocks, flood, one_writer, power, tamper
from tests.soak.proofs import Seen, merged
from tests.station.record import version_1
from tests.station.record.live_stream import live_stream


def proofs(run: Callable[..., Seen], trials: Mapping[str, int]) -> Iterator[Seen]:
    """The goals that are asked for, each with so many trials. run: gives a proof a folder of its own."""
    if "D1" in trials:
        yield flood.d1(range(trials["D1"]))
    if "D2" in trials:
        yield run(power.power_cuts, trials["D2"])
    for goal, call, error in (("D4", "pwrite64", "ENOSPC"), ("D5", "fdatasync", "EIO")):
        if goal in trials:
            yield run(power.failing, call, error, trials[goal], False)
            yield run(power.failing, call, error, trials[goal], True)
    if "D6" in trials:
        yield run(tamper.tampered, range(trials["D6"]))
    if "D7" in trials:
        yield run(backups.backups_under_load, trials["D7"])
    if "D8" in trials:
        yield run(migration_kills)
    if "D9" in trials:
        yield run(one_writer.one_writer, float(trials["D9"]))
    if "T1" in trials:
        yield merged(run(clocks.t1, seed) for seed in range(trials["T1"]))


KILLED = 86
"""Exit status of a child that ended itself at its statement."""


def _forked(run: Any) -> int:
    """Run in a child that ends without any of Python's own tidying; its exit status."""
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            run()
            status = 0
        finally:
            os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def _open_and_die(path: Path, statement: int, planted: bool) -> None:
    """Open a record for writing, and end at the given statement of any connection."""
    real, done = sqlite3.connect, 0

    def counted(_: str) -> None:
        nonlocal done
        done += 1
        if done == statement:
            os._exit(KILLED)

    def connect(*arguments: Any, **options: Any) -> sqlite3.Connection:
        connection: sqlite3.Connection = real(*arguments, **options)
        connection.set_trace_callback(counted)
        return connection

    sqlite3.connect = connect  # type: ignore[assignment]
    if planted:
        Database.atomic = lambda self: nullcontext()  # type: ignore[assignment,method-assign,return-value]
    Ledger(path).close()


def migration_kills(folder: Path, samples: int = 3000, every: int = 1, planted: bool = False) -> Seen:
    """D8: a migration killed at each of its statements, or each so many, leaves the old record or the new one, with
    every row."""
    seen = Seen("D8 migration killed at every statement", unit="statements")
    stream = live_stream(random.Random(8), samples / 33 / 60 + 0.01)[:samples]
    jobs = {"j1": stream[: samples // 2], "j2": stream[samples // 2 :], "j3": stream[:7]}
    template = folder / "template.sqlite"
    version_1.write(template, jobs, open_jobs=("j3",))
    with closing(sqlite3.connect(template)) as db:
        db.execute("pragma wal_checkpoint(truncate)")
        events = db.execute("select * from event order by seq").fetchall()
    statement = 1 - every
    while True:
        statement += every
        here = folder / str(statement)
        here.mkdir()
        path = here / "l.sqlite"
        shutil.copyfile(template, path)
        status = _forked(lambda: _open_and_die(path, statement, planted))  # noqa: B023
        seen.trials += 1
        if status not in (0, KILLED):
            seen.failed.append(f"statement {statement}: exit status {status}")
        for wrong in _old_or_new(path, jobs, events):
            seen.failed.append(f"killed at statement {statement}: {wrong}")
        shutil.rmtree(here)
        if status != KILLED or (planted and seen.failed):
            seen.values.append(statement)
            return seen


def _old_or_new(path: Path, jobs: dict[str, Any], events: list[Any]) -> Iterator[str]:
    try:
        ledger = Ledger(path)
    except LedgerError as error:
        yield f"it does not open: {error}"
        return
    try:
        if ledger.db.execute("select * from event order by seq").fetchall() != events:
            yield "events differ"
        for job_id, samples in jobs.items():
            if ledger.samples(job_id) != samples:
                yield f"samples of {job_id} differ"
    except LedgerError as error:
        yield str(error)
    finally:
        ledger.close()
    yield from verify.verify(path).broken
