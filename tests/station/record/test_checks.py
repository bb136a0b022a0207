"""Each of verify's checks by itself: one alteration that no other of them tells in these words."""

import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.record import anchor, samples, verify
from station.record.blocks import decode, encode
from station.record.note import Checkpoint, parse_checkpoint, signers
from tests.station.record.filled import filled

PIECE = "job_id, first, samples, sha256, data"
Alter = Callable[[sqlite3.Connection, Path], None]


def sql(*statements: str) -> Alter:
    def alter(db: sqlite3.Connection, path: Path) -> None:
        for statement in statements:
            assert db.execute(statement).rowcount != 0, statement

    return alter


def another_value(db: sqlite3.Connection, path: Path) -> None:
    """A block that is whole in itself, of other readings."""
    (data,) = db.execute("select data from block where job_id = 'job-1'").fetchone()
    first, *rest = decode(data)
    other = encode([Sample(first.t_s, first.source, 7), *rest])
    db.execute("update block set data = ?, sha256 = ? where job_id = 'job-1'", [other, samples.digest(other)])


def unsigned(db: sqlite3.Connection, path: Path) -> None:
    """One letter of a signature."""
    (note,) = db.execute("select note from checkpoint where job_id = 'job-1'").fetchone()
    text, _, signature = note.rstrip("\n").rpartition(" ")
    middle = len(signature) // 2
    letter = "A" if signature[middle] != "A" else "B"
    changed = f"{text} {signature[:middle]}{letter}{signature[middle + 1 :]}\n"
    db.execute("update checkpoint set note = ? where job_id = 'job-1'", [changed])


def of_another_log(db: sqlite3.Connection, path: Path) -> None:
    """The station's own signature below what another log would say."""
    (note,) = db.execute("select note from checkpoint where job_id = 'job-1'").fetchone()
    stated = parse_checkpoint(signers(note)[0])
    other = anchor.own_key(path).sign(Checkpoint("another.log/1", stated.size, stated.root).text())
    db.execute("update checkpoint set note = ? where job_id = 'job-1'", [other])


def empty_index(db: sqlite3.Connection, path: Path) -> None:
    """An index of jobs that says it has no entries."""
    db.execute("pragma wal_checkpoint(truncate)")
    (root,) = db.execute(
        "select rootpage from sqlite_master where type = 'index' and tbl_name = 'job' and sql is not null limit 1"
    ).fetchone()
    size = db.execute("pragma page_size").fetchone()[0]
    db.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * size + 3)  # the page's number of cells; source: SQLite's database file format
        file.write(b"\0\0")


ALTERATIONS: dict[str, tuple[Alter, str]] = {
    "an entry": (
        sql("update event set body = '{}' where kind = 'note' and job_id = 'job-0'"),
        "(note, job job-0) was changed",
    ),
    "an entry gone": (sql("delete from event where seq = 3"), "event 3 is missing"),
    "the newest entry gone": (
        sql("delete from event where seq = (select max(seq) from event)"),
        "had been written: the newest entries are lost",
    ),
    "a row": (
        sql("update job set filled_l = 3.1 where job_id = 'job-1'"),
        "the row of job job-1 was changed",
    ),
    "a movement": (sql("update movement set volume_l = 9"), "the row of movement"),
    "a row that nobody wrote": (
        sql("update job set job_id = 'ghost' where job_id = 'job-1'"),
        "the row of job ghost is not drawn from the chain",
    ),
    "a row gone": (sql("delete from job where job_id = 'job-1'"), "the row of job job-1 is missing"),
    "another order": (
        sql("update job set rowid = 1000 where job_id = 'job-0'"),
        "the row of job job-0 stands behind later ones",
    ),
    "readings": (another_value, "the samples of job job-1 were changed"),
    "a block's digest": (
        sql("update block set sha256 = '0' where job_id = 'job-1'"),
        "the samples of job job-1 were changed: the bytes are not those that were written",
    ),
    "readings that nobody took": (
        sql(f"insert into tail ({PIECE}) select 'ghost', first, samples, sha256, data from block limit 1"),
        "there are samples of job ghost",
    ),
    "readings that are not packed": (
        sql(
            f"insert into tail ({PIECE}) select {PIECE} from block where job_id = 'job-1'",
            "delete from block where job_id = 'job-1'",
        ),
        "it is closed, and not all are packed",
    ),
    "readings let go by nobody": (
        sql("update block set data = null where job_id = 'job-1'"),
        "the samples of job job-1 were changed",
    ),
    "a checkpoint gone": (
        sql("delete from checkpoint where job_id = 'job-1'"),
        "the checkpoint of job job-1 is missing",
    ),
    "a checkpoint of other entries": (
        sql("update checkpoint set frontier = zeroblob(length(frontier)) where job_id = 'job-1'"),
        "is not of this record",
    ),
    "a signature": (unsigned, "is wrong: the note was changed"),
    "another log's checkpoint": (of_another_log, "is not signed by whom it is of"),
    "an index": (empty_index, "the file is damaged"),
    "a trigger gone": (sql("drop trigger event_no_update"), "the trigger event_no_update is missing"),
    "an index gone": (sql("drop index job_of_type"), "the index job_of_type is missing"),
    "an index of nobody's": (
        sql("create index job_of_mine on job (filled_l)"),
        "the index job_of_mine is not one of the station's",
    ),
    "an index of another column": (
        sql("drop index job_of_type", "create index job_of_type on job (filled_l)"),
        "the index job_of_type was changed",
    ),
}


OF_THE_FILE = ("an index", "a trigger gone")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("whole") / "l.sqlite", minutes=0.03)


@pytest.mark.parametrize("what", ALTERATIONS)
def test_what_was_altered_is_told_by_its_own_check(what: str, whole: Path, tmp_path: Path) -> None:
    alter, told = ALTERATIONS[what]
    here = tmp_path / "record"
    shutil.copytree(whole.parent, here)
    path = here / whole.name
    db = sqlite3.connect(path, isolation_level=None)
    triggers = db.execute("select name, sql from sqlite_master where type = 'trigger'").fetchall()
    if what in OF_THE_FILE:
        triggers = []
    for name, _ in triggers:
        db.execute(f"drop trigger {name}")
    alter(db, path)
    for _, definition in triggers:
        db.execute(definition)
    db.close()
    broken = verify.verify(path).broken
    assert [text for text in broken if told in text], broken


def test_the_whole_record_is_whole(whole: Path) -> None:
    assert verify.verify(whole).broken == []
