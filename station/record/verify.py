"""Whether the record is whole: file, tables, chain, rows drawn from it, samples, checkpoints, head. All in sentences.

Nothing here trusts what it reads: a damaged file ends in a sentence that says what could not be read, and the checks
that are left go on.
"""

import json
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from station.errors import InputError, LedgerError
from station.record import anchor, samples, schema
from station.record.author import unsigned
from station.record.blocks import BrokenBlock
from station.record.chain import FIELDS, SamplesDigest, leaf, leaf_sha256
from station.record.merkle import Frontier, leaf_hash
from station.record.migrate import migrate
from station.record.note import Checkpoint, VerifierKey, open_note, parse_checkpoint, signers
from station.record.sqlite import Database

_DAMAGE = (
    sqlite3.Error, LedgerError, BrokenBlock, InputError, ValueError, TypeError, KeyError, OverflowError, AttributeError,
)  # fmt: skip
"""What reading a damaged record may raise; none of it is a reason to stop without a sentence."""
_COLUMNS = ", ".join(FIELDS)
_FILE_FAULTS_MOST = 10
_LEAVES_MOST = 10_000


@dataclass
class Verdict:
    """broken: what is wrong, the first broken entry first. notes: what a reader should know, and is no fault."""

    broken: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    entries: int = 0


@dataclass
class _Told:
    """What the chain says of the tables beside it."""

    results: dict[str, tuple[int, dict[str, Any]]] = field(default_factory=dict)
    movements: dict[int, dict[str, Any]] = field(default_factory=dict)
    let_go: dict[str, int] = field(default_factory=dict)
    jobs: set[str | None] = field(default_factory=set)
    roots: dict[int, Frontier] = field(default_factory=dict)


@contextmanager
def opened(path: Path) -> Iterator[tuple[Database, bool]]:
    """A record for reading: also a copy on a medium that takes no writes, and one of an older version, of which a copy
    is brought up to date; whether that was one. Raises LedgerError where there is none."""
    with tempfile.TemporaryDirectory(prefix="tallypan-") as folder:
        try:
            yield from _one(path, Path(folder) / "record.sqlite")
        except (sqlite3.Error, UnicodeDecodeError) as error:  # SQLite's own words hold what is damaged
            raise LedgerError(f"{path}: the file is damaged, or is no record ({error}).") from error
        except OSError as error:
            raise LedgerError(f"{path}: cannot be read ({error}).") from error


def _one(path: Path, copy: Path) -> Iterator[tuple[Database, bool]]:
    try:
        version = _version(path)
    except (
        sqlite3.OperationalError
    ):  # its log cannot be read without writing beside it: so it is done elsewhere
        version = None
    older = False
    if version is None or 0 < version < schema.SCHEMA_VERSION:
        for end in ("", "-wal"):
            if Path(f"{path}{end}").exists():
                shutil.copyfile(f"{path}{end}", f"{copy}{end}")
        with closing(Database(sqlite3.connect(copy))) as db:
            older = db.execute("pragma user_version").fetchone()[0] < schema.SCHEMA_VERSION
            migrate(db, ":memory:")
        path = copy
        version = _version(path)
    if version != schema.SCHEMA_VERSION:
        raise LedgerError(
            f"{path}: schema version {version}, this station knows {schema.SCHEMA_VERSION}. It is no record, or a newer "
            "station's."
        )
    with closing(Database(sqlite3.connect(f"file:{path}?mode=ro", uri=True))) as db:
        yield db, older


def _version(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        db.execute("select count(*) from sqlite_master").fetchone()
        return int(db.execute("pragma user_version").fetchone()[0])


def verify(
    path: Path,
    against: str | None = None,
    keys: list[VerifierKey] | None = None,
    also: Callable[[Database], list[str]] | None = None,
) -> Verdict:
    """Check a record. against: a signed checkpoint that it is held to. keys: with which signatures are checked, beside
    those that lie by the record. also: a further check of the whole, such as of the photos."""
    try:
        with opened(path) as (db, older):
            verdict = check(db, path, against, keys or [], older)
            if also is not None:
                try:
                    verdict.broken += also(db)
                except _DAMAGE as error:
                    verdict.broken.append(f"what the record names beside itself cannot be checked ({error})")
            return verdict
    except LedgerError as error:
        return Verdict([str(error)])


def check(
    db: Database,
    path: Path | str,
    against: str | None = None,
    keys: list[VerifierKey] | None = None,
    older: bool = False,
) -> Verdict:
    """As ``verify``, of a record that is open. older: it had no checkpoints when it was written."""
    verdict = Verdict()
    told = _Told()
    known = list(keys or [])
    held: Checkpoint | None = None
    try:
        known += anchor.keys_for(path)
        if against is not None:
            held = parse_checkpoint(open_note(against, known))
    except InputError as error:
        verdict.broken.append(str(error))

    def part(what: str, run: Callable[[], None]) -> None:
        try:
            run()
        except _DAMAGE as error:
            verdict.broken.append(f"{what} cannot be read ({error})")

    sizes: set[int] = set() if held is None else {held.size}
    part("the checkpoints", lambda: sizes.update(row[0] for row in db.execute("select size from checkpoint")))
    part("the chain", lambda: _chain(db, verdict, told, sizes))
    part(
        "the jobs' rows",
        lambda: _rows(db, "job", "job_id", {k: b["row"] for k, (_, b) in told.results.items()}, verdict),
    )
    part("the jobs' order", lambda: _order(db, told, verdict))
    part("the movements' rows", lambda: _rows(db, "movement", "seq", told.movements, verdict))
    part("the samples", lambda: _samples(db, told, verdict))
    part("the checkpoints", lambda: _checkpoints(db, told, known, older, verdict))
    part("the file", lambda: _file(db, verdict))
    part("the tables", lambda: verdict.broken.extend(schema.differences(db)))
    part("the head file", lambda: verdict.broken.extend(filter(None, [anchor.behind_head(db, path)])))
    if held is not None:
        _hold_against(held, told, verdict)
    return verdict


# --- the chain ---------------------------------------------------------------------------------------------


def _chain(db: Database, verdict: Verdict, told: _Told, sizes: set[int]) -> None:
    previous, expected, tree = "", 1, Frontier()
    leaves: list[bytes] = []
    if 0 in sizes:
        told.roots[0] = tree
    for row in db.execute(f"select {_COLUMNS}, previous, hash from event order by seq"):
        fields, before, own = row[:-2], row[-2], row[-1]
        seq, job_id, kind, body = fields[:4]
        if seq != expected:
            verdict.broken.append(f"event {expected} is missing")
            return
        written = _leaf_of(previous, fields)
        if before != previous or written is None or own != leaf_sha256(written):
            verdict.broken.append(f"event {expected} ({kind}, job {job_id}) was changed")
            return
        leaves.append(leaf_hash(written))
        if seq in sizes or len(leaves) >= _LEAVES_MOST:
            tree, leaves = tree.add(leaves), []
        if seq in sizes:
            told.roots[seq] = tree
        told.jobs.add(job_id)
        if kind == "result" and job_id is not None:
            told.results[job_id] = (seq, json.loads(body))
        elif kind == "movement":
            told.movements[seq] = {"seq": seq, "utc": fields[6], **unsigned(json.loads(body))}
        elif kind == "samples_let_go":
            told.let_go.update(json.loads(body)["jobs"])
        elif kind in ("lost", "restored"):
            verdict.notes.append(f"event {seq} says: {json.loads(body)['text']}")
        previous, expected = own, expected + 1
        verdict.entries = seq


def _leaf_of(previous: str, fields: tuple[Any, ...]) -> bytes | None:
    try:
        return leaf(previous, fields)
    except (TypeError, ValueError):  # bytes where a text was
        return None


# --- what is drawn from it ---------------------------------------------------------------------------------


def _rows(db: Database, table: str, key: str, told: dict[Any, dict[str, Any]], verdict: Verdict) -> None:
    columns = [row[1] for row in db.execute(f"pragma table_info({table})")]
    empty = dict.fromkeys(columns)
    left = dict(told)
    for values in db.execute(f"select {', '.join(columns)} from {table}"):
        row = dict(zip(columns, values, strict=True))
        written = left.pop(row[key], None)
        if written is None:
            verdict.broken.append(f"the row of {table} {row[key]} is not drawn from the chain")
        elif row != {**empty, **written}:
            verdict.broken.append(f"the row of {table} {row[key]} was changed")
    verdict.broken += [f"the row of {table} {one} is missing" for one in left]


def _order(db: Database, told: _Told, verdict: Verdict) -> None:
    """Lists are in the order of the rows, which has to be the chain's."""
    newest = 0
    for (job_id,) in db.execute("select job_id from job order by rowid"):
        seq = told.results.get(job_id, (newest, None))[0]
        if seq < newest:
            verdict.broken.append(f"the row of job {job_id} stands behind later ones")
        newest = max(newest, seq)


def _samples(db: Database, told: _Told, verdict: Verdict) -> None:
    held = {row[0] for row in db.execute("select job_id from block union select job_id from tail")}
    verdict.broken += [
        f"there are samples of job {job}, which the chain does not know" for job in sorted(held - told.jobs)
    ]
    gone = 0
    for job_id in sorted(held | {job for job, (_, body) in told.results.items() if body.get("samples")}):
        if job_id not in told.jobs:
            continue
        _, result = told.results.get(job_id, (0, None))
        pieces = list(samples.pieces(db, job_id))
        if (
            pieces
            and all(p.data is None for p in pieces)
            and told.let_go.get(job_id) == sum(p.samples for p in pieces)
        ):
            gone += 1
            continue
        try:
            _of_one_job(job_id, pieces, result, verdict)
        except (BrokenBlock, sqlite3.Error, MemoryError, ValueError, TypeError) as error:
            verdict.broken.append(f"the samples of job {job_id} were changed: {error}")
    if gone:
        verdict.notes.append(
            f"the raw samples of {gone} jobs were let go by the retention rule; their digests stay"
        )


def _of_one_job(
    job_id: str, pieces: list[samples.Piece], result: dict[str, Any] | None, verdict: Verdict
) -> None:
    digest, number = SamplesDigest(), 0
    for piece in pieces:
        if piece.first != number:
            verdict.broken.append(f"the samples of job {job_id} were changed: number {number} is missing")
            return
        for sample in piece.read():
            digest.add(sample)
        number += piece.samples
    if result is None or "samples_sha256" not in result:
        return
    if any(piece.table == "tail" for piece in pieces):
        verdict.broken.append(
            f"the samples of job {job_id} were changed: it is closed, and not all are packed"
        )
    elif result["samples_sha256"] != digest.hexdigest():
        verdict.broken.append(f"the samples of job {job_id} were changed")


# --- anchors -----------------------------------------------------------------------------------------------


def _checkpoints(db: Database, told: _Told, keys: list[VerifierKey], older: bool, verdict: Verdict) -> None:
    before, unsigned = verdict.entries if older else 0, 0
    anchored = set()
    for size, job_id, note, frontier in db.execute(
        "select size, job_id, note, frontier from checkpoint order by size"
    ):
        anchored.add(job_id)
        before = size if job_id == anchor.BEGINNING else before
        tree = told.roots.get(size)
        if tree is None:
            verdict.broken.append(f"the checkpoint of {size} entries is of more than the chain holds whole")
            continue
        text, signed = signers(note)
        if {name for name, _ in signed} & {key.name for key in keys}:
            text = open_note(note, keys)
        else:
            unsigned += 1
        stated = parse_checkpoint(text)
        if stated.origin not in {name for name, _ in signed}:
            verdict.broken.append(f"the checkpoint of {size} entries is not signed by whom it is of")
        ends = told.results.get(job_id, (None, None))[0] if job_id else size
        if (stated.size, stated.root, frontier, ends) != (size, tree.root(), tree.to_bytes(), size):
            verdict.broken.append(f"the checkpoint of {size} entries is not of this record")
    if unsigned:
        verdict.notes.append(
            f"the signatures of {unsigned} checkpoints were not checked: their public key does not lie beside the record; "
            "name it with --key"
        )
    missing = [job for job, (seq, _) in told.results.items() if seq > before and job not in anchored]
    verdict.broken += [f"the checkpoint of job {job} is missing" for job in missing]


def _hold_against(held: Checkpoint, told: _Told, verdict: Verdict) -> None:
    tree = told.roots.get(held.size)
    if tree is None:
        verdict.broken.append(
            f"the checkpoint states {held.size} entries, and the record has {verdict.entries} that are whole: entries were "
            "cut off, or an older copy was put in its place"
        )
    elif tree.root() != held.root:
        verdict.broken.append(
            f"the first {held.size} entries are not those that were signed for: the record was rewritten, or the "
            "checkpoint is another record's"
        )
    else:
        verdict.notes.append(
            f"the checkpoint's {held.size} entries are all in the record, as they were signed for"
        )


def _file(db: Database, verdict: Verdict) -> None:
    rows = db.execute(f"pragma integrity_check({_FILE_FAULTS_MOST})").fetchall()
    verdict.broken += [
        f"the file is damaged: {' '.join(str(text).split())}" for (text,) in rows if text != "ok"
    ]
