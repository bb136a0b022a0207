"""Goal D6: whoever alters the record, by SQL or by the byte, is found out, and always in a sentence."""

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from station.record import anchor, schema, verify
from station.record.ledger import Ledger, now
from tests.soak.proofs import Seen
from tests.station.record.filled import filled

TABLES = ("event", "event", "job", "movement", "block", "tail", "checkpoint")
"""Where an edit falls; entries are what most would want to alter."""
_ENDS = ("", "-wal")


def template(folder: Path) -> Path:
    """A record as it lies while the station runs: some of it in the database, the newest in the log beside it."""
    path = filled(folder / "l.sqlite", minutes=0.05)
    writer = Ledger(path)
    for k in range(6):
        writer.append(None, "note", {"text": f"newest {k}"}, now(5.0))
    live = folder / "live"
    live.mkdir()
    for name in (path.name, f"{path.name}-wal", anchor.head_path(path).name, anchor.public_path(path).name):
        shutil.copyfile(folder / name, live / name)
    writer.close()
    return live / path.name


def content(path: Path) -> dict[str, list[Any]] | None:
    """Every row that can be read and every definition; None where something cannot be."""
    try:
        with closing(sqlite3.connect(path)) as db:
            tables = [
                row[0]
                for row in db.execute(
                    "select name from sqlite_master where type = 'table' and name not like 'sqlite_%'"
                )
            ]
            found = {name: db.execute(f"select * from {name}").fetchall() for name in tables}
            found["tail"] = [row[1:] for row in found["tail"]]  # its first number says nothing
            found["definitions"] = db.execute(
                "select type, name, sql from sqlite_master order by 1, 2"
            ).fetchall()
            if db.execute("pragma integrity_check").fetchall() != [("ok",)]:
                return None
            return found
    except (sqlite3.Error, UnicodeDecodeError):
        return None


# --- what a forger, or a card that dies, does --------------------------------------------------------------


def flip(path: Path, rng: random.Random) -> str:
    end = rng.choice(_ENDS)
    data = bytearray(Path(f"{path}{end}").read_bytes())
    at, bit = rng.randrange(len(data)), rng.randrange(8)
    data[at] ^= 1 << bit
    Path(f"{path}{end}").write_bytes(bytes(data))
    return f"bit {bit} of byte {at} in {end or 'the file'} flipped"


def cut(path: Path, rng: random.Random) -> str:
    end = rng.choice(_ENDS)
    data = Path(f"{path}{end}").read_bytes()
    length = rng.randrange(len(data))
    Path(f"{path}{end}").write_bytes(data[:length])
    return f"{end or 'the file'} cut to {length} bytes"


def log_gone(path: Path, rng: random.Random) -> str:
    Path(f"{path}-wal").unlink()
    return "the log deleted"


def edit(path: Path, rng: random.Random) -> str:
    with _unguarded(path) as db:
        table = rng.choice(TABLES)
        rows = db.execute(f"select * from {table}").fetchall()
        columns = [row[1] for row in db.execute(f"pragma table_info({table})")]
        row, column = rng.choice(rows), rng.randrange(len(columns))
        new = _altered(row[column], rng)
        where = " and ".join(f"{name} is ?" for name in columns)
        done = db.execute(
            f"update or ignore {table} set {columns[column]} = ? where {where}", [new, *row]
        ).rowcount
    return f"{table}.{columns[column]} of {row[:2]} edited ({done})"


def delete(path: Path, rng: random.Random) -> str:
    with _unguarded(path) as db:
        table = rng.choice(TABLES)
        columns = [row[1] for row in db.execute(f"pragma table_info({table})")]
        rows = db.execute(f"select * from {table} order by 1, 2").fetchall()
        if table == "tail":  # the newest second of an open job is not promised yet: a kill may take it too
            rows = rows[:-1]
        row = rng.choice(rows)
        db.execute(f"delete from {table} where {' and '.join(f'{name} is ?' for name in columns)}", row)
    return f"{table} {row[:2]} deleted"


def newest_gone(path: Path, rng: random.Random) -> str:
    """The tail of the chain cut off, with everything that was drawn from it."""
    with _unguarded(path) as db:
        last = db.execute("select max(seq) from event").fetchone()[0]
        first = rng.randrange(1, last + 1)
        db.execute(
            "delete from job where job_id in (select job_id from event where kind = 'result' and seq >= ?)",
            [first],
        )
        for statement in ("event where seq >= ?", "movement where seq >= ?", "checkpoint where size >= ?"):
            db.execute(f"delete from {statement}", [first])
        for table in ("block", "tail"):
            db.execute(
                f"delete from {table} where job_id not in (select job_id from event where job_id is not null)"
            )
    return f"entries from {first} on gone"


def swap(path: Path, rng: random.Random) -> str:
    with _unguarded(path) as db:
        table, key, what = rng.choice(
            [
                ("event", "seq", "body"),
                ("block", "job_id", "data"),
                ("job", "job_id", "filled_l, vehicle, closed_utc"),
            ]
        )
        column = what.split(",")[0]
        one, other = rng.sample(db.execute(f"select {key}, {column} from {table}").fetchall(), 2)
        db.execute(f"update {table} set {column} = ? where {key} = ?", [other[1], one[0]])
        db.execute(f"update {table} set {column} = ? where {key} = ?", [one[1], other[0]])
    return f"{column} of {table} {one[0]} and {other[0]} swapped"


def undefine(path: Path, rng: random.Random) -> str:
    with closing(sqlite3.connect(path)) as db:
        kind, name = rng.choice(
            db.execute(
                "select type, name from sqlite_master where type in ('index', 'trigger') and sql is not null"
            ).fetchall()
        )
        db.execute(f"drop {kind} {name}")
        db.commit()
    return f"{kind} {name} dropped"


WAYS: tuple[Callable[[Path, random.Random], str], ...] = (
    flip, flip, flip, flip, cut, log_gone, edit, edit, edit, delete, newest_gone, swap, undefine,
)  # fmt: skip


class _unguarded:
    """A connection with the triggers off, and put back as if nothing had been."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(path)

    def __enter__(self) -> sqlite3.Connection:
        for (name,) in self._db.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            self._db.execute(f"drop trigger {name}")
        return self._db

    def __exit__(self, *_: object) -> None:
        for statement in (*schema.triggers(), *schema.SAMPLE_TRIGGERS):
            self._db.execute(statement)
        self._db.commit()
        self._db.close()


def _altered(value: Any, rng: random.Random) -> Any:
    if value is None:
        return rng.choice([0, 1])
    if isinstance(value, bytes):
        at = rng.randrange(len(value))
        return value[:at] + bytes([value[at] ^ 1 << rng.randrange(8)]) + value[at + 1 :]
    if isinstance(value, str):
        at = rng.randrange(len(value)) if value else 0
        return f"{value[:at]}{chr((ord(value[at]) ^ 1) if value else 65)}{value[at + 1 :]}"
    return value + rng.choice([-1, 1]) if isinstance(value, int) else value + rng.choice([-1.0, 0.001, 1e-9])


# --- the proof ---------------------------------------------------------------------------------------------


def tampered(folder: Path, seeds: range, planted: bool = False) -> Seen:
    """D6. An alteration that leaves every row, every index and every definition as it was does not count as one.

    planted: the head file is not there, so that what is cut off the end cannot be told.
    """
    seen = Seen("D6 altered record told, in a sentence", unit="broken named")
    path = template(folder)
    kept = {name: (path.parent / name).read_bytes() for name in (file.name for file in path.parent.iterdir())}
    seen.failed += [f"the clean record: {text}" for text in verify.verify(path).broken]
    was = content(path)  # last: it takes the log into the file
    for seed in seeds:
        rng = random.Random(f"tamper {seed}")
        here = folder / "altered"
        shutil.rmtree(here, ignore_errors=True)
        here.mkdir()
        for name, data in kept.items():
            if not name.endswith("-shm") and not (planted and name.endswith(".head")):
                (here / name).write_bytes(data)
        altered = here / path.name
        what = rng.choice(WAYS)(altered, rng)
        try:
            broken = verify.verify(altered).broken
        except Exception as error:
            seen.failed.append(f"seed {seed}: {what}: {error!r} instead of a sentence")
            continue
        if content(altered) == was:
            continue
        seen.trials += 1
        seen.values.append(len(broken))
        if not broken:
            seen.failed.append(f"seed {seed}: {what}: whole, says verify")
    return seen
