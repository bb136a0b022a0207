"""A second place for the record: copies made while the station runs, and the way back.

A backup is a folder with one database file for each copy, named by its number and its moment, the photos, and the public
keys; the station's private key never leaves it. A copy is made by SQLite's own backup, checked, and only then named. (A tool that
ships the write-ahead log would have to checkpoint it, and this record has one writer.)
"""

import logging
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from station.errors import InputError, LedgerError
from station.record import anchor
from station.record.copying import copy_database, sync
from station.record.ledger import Ledger, now
from station.record.lock import WriterLock
from station.record.verify import opened, verify

log = logging.getLogger(__name__)

KEEP = 7
"""Copies that are kept in the second place; older ones go when a newer one is whole."""
EVERY_S = 900.0
"""How often the running station makes one where the bay's file does not say."""
LOOK_S = 5.0


@dataclass(frozen=True)
class Backup:
    """One copy. entries: how many are in it. photos: how many were new and were copied with it."""

    path: Path
    entries: int
    photos: int


def photos_of(ledger: Path) -> Path:
    """Where a record's photos lie."""
    return ledger.with_name(f"{ledger.stem}-photos")


def copies(folder: Path, stem: str) -> list[Path]:
    """The copies of a record in a backup folder, in the order in which they were made: the wall clock may go back."""
    found = [path for path in folder.glob(f"{stem}-*Z.sqlite") if path.is_file()]
    return sorted(found, key=lambda path: (_number(path), path.name))


def _number(copy: Path) -> int:
    """0 for one from before copies had numbers."""
    number = copy.stem.rpartition("-")[0].rpartition("-")[2]
    return int(number) if number.isdecimal() else 0


def _stem_of(copy: Path) -> str:
    """Of the record that a copy was made of."""
    named = copy.stem.rpartition("-")[0]
    begin, _, number = named.rpartition("-")
    return begin if number.isdecimal() and begin else named


def make(ledger: Path, folder: Path, keep: int = KEEP) -> Backup:
    """Copy a record, which may be in use, to a folder. Raises LedgerError where that fails, or where the folder has copies
    of another record; older copies stay then."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _need_own(ledger, folder)
        # Photos first: a photo is on disk before its entry, so each entry in the copy finds its photo.
        photos = _copy_photos(photos_of(ledger), folder / photos_of(ledger).name)
        number = max(map(_number, copies(folder, ledger.stem)), default=0) + 1
        target = folder / f"{ledger.stem}-{number:06}-{datetime.now(UTC):%Y%m%dT%H%M%S.%f}Z.sqlite"
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as source:
            copy_database(source, target)
        entries = _check(target)
        # Photos that came in between: their entries may be in the copy already.
        photos += _copy_photos(photos_of(ledger), folder / photos_of(ledger).name)
        anchor.keep_public(folder / ledger.name, anchor.keys_for(ledger))
    except (OSError, sqlite3.Error) as error:
        raise LedgerError(
            f"the backup in {folder} failed ({error}). Check that the medium is there and has room; the record itself is "
            "not touched."
        ) from error
    for old in copies(folder, ledger.stem)[:-keep]:
        old.unlink(missing_ok=True)
    return Backup(target, entries, photos)


def _need_own(ledger: Path, folder: Path) -> None:
    """A station started on a new card would push out the only copies of the record that it is to get back."""
    last = copies(folder, ledger.stem)[-1:]
    began = [
        one
        for one in (_value_of(path, "select hash from event where seq = 1") for path in (ledger, *last))
        if one
    ]
    if len(set(began)) > 1:
        raise LedgerError(
            f"the backup in {folder} is of another record. Restore it first where this bay's card was changed; else name a "
            "folder of its own for this bay, or move those copies away."
        )


def _check(copy: Path) -> int:
    """How many entries a copy has. Raises LedgerError where it is not whole."""
    with closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True)) as db:
        fault = db.execute("pragma quick_check(1)").fetchone()[0]
        if fault != "ok":
            raise LedgerError(f"the backup {copy} is not whole: {fault}. Change the medium.")
        return int(db.execute("select coalesce(max(seq), 0) from event").fetchone()[0])


def _copy_photos(source: Path, target: Path) -> int:
    """Photos are named by their bytes and never change: one that is there need not be copied again."""
    if not source.is_dir():
        return 0
    target.mkdir(parents=True, exist_ok=True, mode=0o700)
    new = 0
    for photo in sorted(source.iterdir()):
        if photo.suffix == ".part" or (target / photo.name).exists():
            continue
        part = target / f"{photo.name}.part"
        shutil.copyfile(photo, part)
        part.chmod(0o600)
        sync(part)
        part.replace(target / photo.name)
        new += 1
    if new:
        sync(target)
    return new


def newest(where: Path, stem: str) -> Path:
    """The copy that is meant by a file, or by a folder of copies. Raises InputError."""
    if where.is_file():
        return where
    found = copies(where, stem)
    if not found:
        others = sorted({_stem_of(path) for path in where.glob("*-*Z.sqlite")}) if where.is_dir() else []
        raise InputError(
            f"{where}: holds copies of {', '.join(f'{other}.sqlite' for other in others)}, and none of {stem}.sqlite. Name the ledger "
            f"that they are of with --ledger, or one of the files there: it is then put in the place of {stem}.sqlite."
            if others
            else f"{where}: holds no backup named {stem}-….sqlite; name a folder that tallypan backup wrote, or one of its files."
        )
    return found[-1]


def restore(where: Path, ledger: Path) -> str:
    """Put a copy in the place of the record, and say so in its chain; what was done, in words.

    What stood there is kept beside it. Raises LedgerBusy while the station runs, LedgerError where the copy is not
    whole, InputError where there is none. Killed at any moment it leaves the old record or the restored one.
    """
    copy = newest(where, ledger.stem)
    origin = copy.with_name(f"{_stem_of(copy)}.sqlite")
    verdict = verify(copy)
    if verdict.broken:
        raise LedgerError(f"{copy}: this backup is not whole: {verdict.broken[0]}. Take an older one.")
    ledger.parent.mkdir(parents=True, exist_ok=True)
    lock = WriterLock(ledger)
    try:
        stamp = f"{datetime.now(UTC):%Y%m%d-%H%M%S}"
        aside = ledger.with_name(f"{ledger.stem}-before-restore-{stamp}.sqlite")
        new = ledger.with_name(f"{ledger.stem}-restoring.sqlite")
        for left in (new, *_beside(new)):
            left.unlink(missing_ok=True)
        with opened(copy) as (source, _):
            copy_database(source.conn, new)
        replaced = _last_of(ledger)
        text = (
            f"this record was restored from {copy.name} with {verdict.entries} entries; what it replaced "
            f"{'could not be read' if replaced is None else f'had {replaced}'} and is kept as {aside.name}"
            if ledger.exists()
            else f"this record was restored from {copy.name} with {verdict.entries} entries"
        )
        # The station's own key, so that the restored record is signed on by the same one.
        if anchor.key_path(ledger).exists():
            shutil.copyfile(anchor.key_path(ledger), anchor.key_path(new))
            anchor.key_path(new).chmod(0o600)
        opened_new = Ledger(new)
        opened_new.append(
            None, "restored", {"text": text, "backup": copy.name, "entries": verdict.entries}, now()
        )
        opened_new.close()
        _put(new, ledger, aside)
        anchor.keep_public(ledger, [*anchor.keys_for(origin), *anchor.keys_for(new)])
        if not anchor.key_path(ledger).exists():
            anchor.key_path(new).replace(anchor.key_path(ledger))
        for left in (anchor.key_path(new), anchor.public_path(new), *_beside(new)):
            left.unlink(missing_ok=True)
        _copy_photos(photos_of(origin), photos_of(ledger))
        sync(ledger.parent)
    except (OSError, sqlite3.Error) as error:
        raise LedgerError(f"{ledger}: could not be restored from {copy} ({error}).") from error
    finally:
        lock.release()
    return text


def _put(new: Path, ledger: Path, aside: Path) -> None:
    """The new record in the old one's place. A log left from the old one would be taken for the new one's: it goes
    first, once its entries are in the old record's own file, and both are kept under another name before."""
    if ledger.exists():
        log_of, log_aside = Path(f"{ledger}-wal"), Path(f"{aside}-wal")
        if log_of.exists():
            log_aside.touch(0o600)
            shutil.copyfile(log_of, log_aside)  # as it is: what is damaged in it may still tell something
            sync(log_aside)
            _write_back(ledger)
        aside.hardlink_to(ledger)
        sync(ledger.parent)
        log_of.unlink(missing_ok=True)
    for left in (Path(f"{ledger}-shm"), anchor.head_path(ledger)):
        left.unlink(missing_ok=True)
    sync(ledger.parent)
    new.replace(ledger)
    if anchor.head_path(new).exists():
        anchor.head_path(new).replace(anchor.head_path(ledger))


def _write_back(ledger: Path) -> None:
    """Have in a record's own file what its log holds, as far as that can be read. Raises LedgerError where somebody reads
    it."""
    try:
        with closing(sqlite3.connect(ledger, timeout=1.0)) as db:
            db.execute("pragma synchronous = full")
            busy = db.execute("pragma wal_checkpoint(truncate)").fetchone()[0]
    except sqlite3.OperationalError:  # no room, say: the log is still needed
        raise
    except sqlite3.DatabaseError:  # damaged, or no record at all
        return
    if busy:
        raise LedgerError(
            f"{ledger}: somebody reads it, a check or a backup perhaps. Nothing was restored: try again when that is over."
        )


def _beside(ledger: Path) -> list[Path]:
    return [Path(f"{ledger}{end}") for end in ("-wal", "-shm", ".lock", ".head")]


def _moment_of(found: list[Path]) -> str:
    """When the newest of some copies was begun, as its name says; "" for none."""
    if not found:
        return ""
    at = datetime.strptime(found[-1].stem.rpartition("-")[2], "%Y%m%dT%H%M%S.%fZ")
    return at.replace(tzinfo=UTC).isoformat(timespec="seconds")


def _last_of(ledger: Path) -> int | None:
    last: int | None = _value_of(ledger, "select coalesce(max(seq), 0) from event")
    return last


def _value_of(ledger: Path, query: str) -> Any:
    """What a query for one value gives; None for no row, and for what cannot be read."""
    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as db:
            return next((row[0] for row in db.execute(query)), None)
    except sqlite3.Error:
        return None


@dataclass(frozen=True)
class Standing:
    """How the second place stands. behind_s: for how long the record has had entries that no copy has; 0.0 where the
    newest has them all, None before the first look. newest: the newest copy's moment, "" where there is none. fault: why
    the last try failed. same_disk: the newest copy lies where the record does, and would be lost with it."""

    folder: Path
    behind_s: float | None = None
    newest: str = ""
    fault: str | None = None
    same_disk: bool = False


class Keeper:
    """Makes copies while the station runs, in a thread of its own: every ``every_s``, if something was written since."""

    def __init__(
        self,
        ledger: Path,
        folder: Path,
        every_s: float = EVERY_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._ledger, self._folder, self._every_s, self._clock = ledger, folder, every_s, clock
        self._halt = threading.Event()
        self._copied = -1
        self._fault: str | None = None
        self._newest = ""
        self._behind_since_s: float | None = None
        self._looked = self._same_disk = False
        self._thread = threading.Thread(target=self._run, name="backup", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Make a last copy and stop."""
        self._halt.set()
        self._thread.join(30.0)

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._halt.wait(min(LOOK_S, self._every_s)):
            if time.monotonic() >= due_s:
                due_s = time.monotonic() + self._every_s
                self.look()
        self.look()

    @property
    def standing(self) -> Standing:
        """As of now; any thread may ask, and waits for nothing."""
        since_s = self._behind_since_s
        behind_s = None if not self._looked else 0.0 if since_s is None else self._clock() - since_s
        return Standing(self._folder, behind_s, self._newest, self._fault, self._same_disk)

    def look(self) -> None:
        """Make a copy if the record has grown."""
        last = _last_of(self._ledger)
        if last is None or last == self._copied:
            return
        if self._behind_since_s is None:
            self._behind_since_s = self._clock()
        self._newest = self._newest or _moment_of(copies(self._folder, self._ledger.stem))
        self._looked = True
        try:
            made = make(self._ledger, self._folder)
            self._same_disk = made.path.stat().st_dev == self._ledger.stat().st_dev
        except (LedgerError, OSError) as error:  # pulled out at that very moment
            self._fault = str(error)
            log.error("%s", error)
            return
        self._copied, self._newest = made.entries, _moment_of([made.path])
        self._behind_since_s = self._fault = None
