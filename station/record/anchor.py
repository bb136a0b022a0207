"""What holds the record from outside: the station's key, a signed checkpoint after each closed job, and the head file.

A chain shows that an entry was changed. That the newest ones were cut off, or all were written anew, shows only
against something that is kept elsewhere: a checkpoint on a customer's sheet, or at another house.
"""

import os
import sqlite3
import zlib
from collections.abc import Iterable
from pathlib import Path

from station.errors import InputError, LedgerError
from station.record.chain import leaf
from station.record.copying import sync
from station.record.merkle import Frontier, leaf_hash
from station.record.note import Checkpoint, SigningKey, VerifierKey
from station.record.sqlite import Database

UNANCHORED_MOST = 1000
"""So many entries are signed for at the next start even if no job is closed, so that closing one stays quick."""
BEGINNING = ""
"""In place of a job: the checkpoint of a record that is older than checkpoints; jobs before it have none of their own."""
_SLOT = 512
"""Bytes; a disk writes a sector of that size whole or not at all."""


def key_path(ledger: Path | str) -> Path:
    """The station's private key, beside its record. Not part of any backup."""
    return Path(ledger).with_name(f"{Path(ledger).stem}-key.pem")


def public_path(ledger: Path | str) -> Path:
    """The public keys with which checkpoints of this record can be checked, one a line, the newest last."""
    return Path(ledger).with_name(f"{Path(ledger).stem}-keys.pub")


def head_path(ledger: Path | str) -> Path:
    return Path(f"{ledger}.head")


def own_key(ledger: Path | str) -> SigningKey:
    """The station's key, made where there is none. Raises LedgerError where it cannot be read."""
    if str(ledger) == ":memory:":
        return SigningKey.make()
    path = key_path(ledger)
    try:
        if path.exists():
            return SigningKey.from_pem(path.read_bytes())
        key = SigningKey.make()
        part = path.with_name(f"{path.name}.part")
        part.unlink(missing_ok=True)
        with os.fdopen(
            os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, 0o600), "wb"
        ) as file:
            file.write(key.pem)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        keep_public(ledger, [key.verifier])
        sync(path.parent)
    except (OSError, ValueError) as error:
        raise LedgerError(
            f"{path}: the key that signs the record cannot be read or made ({error}). Check its permissions; if it is "
            "lost, move it away and the station makes another."
        ) from error
    return key


def public_keys(ledger: Path | str) -> list[VerifierKey]:
    """The public keys that lie beside a record; none where there is no such file. Raises InputError, OSError."""
    path = public_path(ledger)
    if not path.exists():
        return []
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    return [VerifierKey.parse(line) for line in lines if line.strip()]


def keep_public(ledger: Path | str, keys: Iterable[VerifierKey]) -> None:
    """Add to the public keys beside a record those that are not there yet. Raises InputError, OSError."""
    known = public_keys(ledger)
    more = [key for key in keys if key not in known]
    if more:
        path = public_path(ledger)
        part = path.with_name(f"{path.name}.part")
        part.write_text("".join(f"{key}\n" for key in [*known, *more]), encoding="utf-8")
        sync(part)
        part.replace(path)


# --- checkpoints -------------------------------------------------------------------------------------------


def last_frontier(db: Database) -> Frontier:
    """The tree as of the newest checkpoint. Raises LedgerError where it is damaged."""
    row = db.execute("select size, frontier from checkpoint order by size desc limit 1").fetchone()
    if row is None:
        return Frontier()
    try:
        return Frontier.from_bytes(row[0], row[1])
    except ValueError as error:
        raise LedgerError(f"the newest checkpoint is damaged: {error}. Run tallypan verify.") from error


def anchor(db: Database, key: SigningKey, job_id: str | None) -> None:
    """Sign for all entries that there are. To be called within a transaction."""
    tree = last_frontier(db)
    rows = db.execute(
        "select previous, seq, job_id, kind, body, boot_id, t_s, utc, clock_synced from event where seq > ? order by seq",
        [tree.size],
    )
    tree = tree.add(leaf_hash(leaf(row[0], row[1:])) for row in rows)
    note = key.sign(Checkpoint(key.verifier.name, tree.size, tree.root()).text())
    db.execute(
        "insert into checkpoint values (?,?,?,?)", [tree.size, job_id, note, sqlite3.Binary(tree.to_bytes())]
    )


# --- head file ---------------------------------------------------------------------------------------------


class HeadFile:
    """The newest entry's number and hash, kept outside the database: whoever loses the database's newest entries, by a
    damaged log or an older copy, is told.

    Written after an entry is on disk, and never waited for: after a power cut it may be behind the record, never ahead
    of it. Two slots are written in turn; one that is torn is passed over.
    """

    def __init__(self, ledger: Path | str) -> None:
        self._file: int | None = None
        if str(ledger) != ":memory:":
            self._file = os.open(head_path(ledger), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._turn = 0
        self._newest = ""

    def write(self, seq: int, entry_hash: str) -> None:
        if self._file is None or entry_hash == self._newest:
            return
        text = f"{seq} {entry_hash}"
        slot = f"{text} {zlib.crc32(text.encode()):08x}\n".ljust(_SLOT)
        try:
            os.pwrite(self._file, slot.encode(), _SLOT * (self._turn % 2))
        except OSError:
            return  # a full disk: the older head still holds
        self._turn += 1
        self._newest = entry_hash

    def clear(self) -> None:
        """Forget what was written: the record goes on from somewhere else."""
        if self._file is not None:
            os.ftruncate(self._file, 0)

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None


def read_head(ledger: Path | str) -> tuple[int, str] | None:
    """The newest entry's number and hash as the head file has them; None where there is none that is whole."""
    try:
        data = head_path(ledger).read_bytes()
    except OSError:
        return None
    heads = []
    for at in range(0, len(data), _SLOT):
        words = data[at : at + _SLOT].decode("ascii", errors="replace").split()
        if (
            len(words) == 3
            and words[0].isdecimal()
            and f"{zlib.crc32(' '.join(words[:2]).encode()):08x}" == words[2]
        ):
            heads.append((int(words[0]), words[1]))
    return max(heads, default=None)


def behind_head(db: Database, ledger: Path | str) -> str | None:
    """In words what the head file knows and the record has lost; None where all is there."""
    head = read_head(ledger)
    if head is None:
        return None
    seq, entry_hash = head
    row = db.execute("select hash from event where seq = ?", [seq]).fetchone()
    if row is None:
        last = db.execute("select coalesce(max(seq), 0) from event").fetchone()[0]
        return (
            f"the record ends at entry {last}, but entry {seq} had been written: the newest entries are lost, or an older "
            "copy was put in its place"
        )
    if row[0] != entry_hash:
        return f"entry {seq} is another one than was written: the record was rewritten, or another one put in its place"
    return None


def keys_for(ledger: Path | str, more: Iterable[str] = ()) -> list[VerifierKey]:
    """The keys beside a record and those named by hand. Raises InputError."""
    try:
        return [*public_keys(ledger), *map(VerifierKey.parse, more)]
    except OSError as error:
        raise InputError(f"{public_path(ledger)}: cannot be read ({error}).") from error
