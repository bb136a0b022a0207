"""Bringing an older record up to the present version: forward only, a backup first, at once or not at all."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from hardware.sample import Sample
from station.errors import LedgerError
from station.record import samples, schema
from station.record.copying import copy_database
from station.record.sqlite import Database


def is_older(path: Path) -> bool:
    """Whether there is a record that its next writer brings up to the present version; also one that was begun and has nothing
    yet, as a power cut leaves it. Whoever opens one that cannot be read says so."""
    if not path.exists():
        return False
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as record:
            version: int = record.execute("pragma user_version").fetchone()[0]
    except sqlite3.Error:
        return False
    return version < schema.SCHEMA_VERSION


def migrate(db: Database, path: Path | str) -> Path | None:
    """Bring a record up to the present version; where its backup lies, None where there was nothing to do.

    Killed at any moment it leaves the old version or the new one, whole. Raises LedgerError where it cannot be done,
    having changed nothing.
    """
    version = db.execute("pragma user_version").fetchone()[0]
    if version >= schema.SCHEMA_VERSION or version not in _STEPS:
        return None
    backup = _backup(db, path, version)
    try:
        with db.atomic():
            while version in _STEPS:
                _STEPS[version](db)
                version += 1
            db.execute(f"pragma user_version = {version}")
    except sqlite3.Error as error:
        raise LedgerError(
            f"ledger {path}: could not be brought up to version {schema.SCHEMA_VERSION} ({error}); nothing of it was "
            "changed."
        ) from error
    return backup


def _backup(db: Database, path: Path | str, version: int) -> Path | None:
    if str(path) == ":memory:":
        return None
    stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
    target = Path(path).with_name(f"{Path(path).stem}-version-{version}-{stamp}.sqlite")
    try:
        copy_database(db.conn, target)
    except (OSError, sqlite3.Error) as error:
        raise LedgerError(
            f"ledger {path}: there is no room for a backup before it is brought up to date ({error}). Free some space "
            f"in {target.parent}."
        ) from error
    return target


def _samples_into_blocks(db: Database) -> None:
    """Version 1 had one row for each raw sample."""
    for statement in schema.statements(schema.SAMPLES + schema.ANCHOR):
        db.execute(statement)
    jobs = [row[0] for row in db.execute("select distinct job_id from sample")]
    for job_id in jobs:
        rows = db.execute("select t_s, source, value from sample where job_id = ? order by n", [job_id])
        batch: list[Sample] = []
        first = 0
        for row in rows:
            batch.append(Sample(*row))
            if len(batch) == samples.BLOCK:
                samples.add(db, job_id, first, batch)
                first, batch = first + len(batch), []
        samples.add(db, job_id, first, batch)
        samples.pack(db, job_id)
    db.execute("drop table sample")
    for statement in (*schema.triggers(("checkpoint",)), *schema.SAMPLE_TRIGGERS):
        db.execute(statement)


def _what_a_fill_proved(db: Database) -> None:
    """Version 2 did not say whether a level was proved, nor what that says of the compartment. Of its jobs nobody knows."""
    db.execute("alter table job add column level_proved integer")
    db.execute("alter table job add column proved_fill_l real")


def _in_the_records_order(db: Database) -> None:
    """Version 3 kept a subject's jobs by the wall clock, which may have been put back in between."""
    for statement in schema.statements(schema.OF_JOB):
        db.execute(f"drop index {statement.split()[2]}")
        db.execute(statement)


_STEPS: dict[int, Callable[[Database], None]] = {
    1: _samples_into_blocks,
    2: _what_a_fill_proved,
    3: _in_the_records_order,
}
"""Version → what makes the next one of it."""
