"""Copies of a database file that are whole: by SQLite's own backup, never by copying the file."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path


def copy_database(source: sqlite3.Connection, target: Path) -> None:
    """A copy as of one moment, on disk when this returns, under its name only when it is whole.

    The source may be written meanwhile. Readable by its owner alone. Raises OSError and sqlite3.Error.
    """
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, 0o600))
    try:
        with closing(sqlite3.connect(part)) as copy:
            # In one go: a page at a time would begin anew at every write of the station's.
            source.backup(copy)
            # One file, without a log beside it: it can be carried away, and read from a medium that takes no writes.
            copy.execute("pragma journal_mode = delete")
        sync(part)
        part.replace(target)
        sync(target.parent)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def sync(path: Path) -> None:
    """Have a file, or a folder's list of names, on disk. Raises OSError."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
