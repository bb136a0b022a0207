"""The tables of the record, and what guards them: it only grows.

``event`` is the record; every other table is drawn from it, or hangs on it by a digest. A trigger refuses what is not
growth. It keeps mistakes out; what comes past it is found by ``station.record.verify``.
"""

import re

from station.errors import LedgerError
from station.record.sqlite import Database

SCHEMA_VERSION = 4
SQLITE_LEAST = (3, 37, 0)
"""The first that knows strict tables. Source: https://sqlite.org/stricttables.html."""

EVENT = """
create table event (
    seq integer primary key,
    job_id text,
    kind text not null,
    body text not null,
    boot_id text not null,
    t_s real not null,
    utc text not null,
    clock_synced integer not null,
    previous text not null,
    hash text not null unique
) strict;
create index event_of_job on event (job_id, seq);
create index event_of_shop on event (kind, seq) where job_id is null;
create index event_opening on event (job_id) where kind = 'job_open';
"""
OF_JOB = """
create index job_of_compartment on job (vehicle, compartment);
create index job_of_type on job (compartment_type);
create index job_of_bay on job (bay);
create index job_of_meter on job (meter);
create index job_of_technician on job (technician);
"""
"""A subject's jobs in the order of the record, which is that of the rows: no jump of the wall clock moves one."""
SIDE = """
create table job (
    job_id text primary key,
    opened_utc text not null,
    closed_utc text not null,
    stage text not null,
    vehicle text, compartment text, technician text, grade text,
    listed_capacity_l real, expected_fill_l real,
    drained_l real, drained_u95_l real,
    metered_l real, overflow_l real,
    filled_l real, filled_u95_l real,
    verdict text not null,
    bay text, meter text, container text, fluid text, compartment_type text, method text,
    expected_fill_u95_l real, tolerance_minus_l real, tolerance_plus_l real, overflow_u95_l real,
    level_seen integer, distance_km real, level_proved integer, proved_fill_l real
) strict;
create index job_by_time on job (opened_utc);
create index job_by_verdict on job (verdict, opened_utc);
create index job_of_container on job (container, opened_utc, metered_l, filled_u95_l);
create table movement (
    seq integer primary key,
    utc text not null,
    kind text not null,
    container text, fluid text not null, vehicle text, technician text,
    volume_l real not null,
    u95_l real not null,
    note text not null
) strict;
create index movement_by_time on movement (utc);
create index movement_of_container on movement (container, kind, utc);
"""
SAMPLES = """
create table block (
    job_id text not null,
    first integer not null,
    samples integer not null,
    sha256 text not null,
    data blob,
    primary key (job_id, first)
) strict;
create table tail (
    n integer primary key,
    job_id text not null,
    first integer not null,
    samples integer not null,
    sha256 text not null,
    data blob not null
) strict;
"""
ANCHOR = """
create table checkpoint (
    size integer primary key,
    job_id text,
    note text not null,
    frontier blob not null
) strict;
create index checkpoint_of_job on checkpoint (job_id);
"""
_ONLY_GROWING = ("event", "job", "movement", "checkpoint")
_REFUSE = "begin select raise(abort, 'the ledger only grows'); end"


def triggers(tables: tuple[str, ...] = _ONLY_GROWING) -> list[str]:
    """A refusal of every update and every delete of these tables."""
    return [
        f"create trigger {table}_no_{verb} before {verb} on {table} {_REFUSE}"
        for table in tables
        for verb in ("update", "delete")
    ]


SAMPLE_TRIGGERS = [
    f"create trigger block_no_delete before delete on block {_REFUSE}",
    # The retention rule lets go of the data, and of nothing else.
    "create trigger block_no_update before update on block when new.data is not null or new.job_id is not old.job_id "
    f"or new.first is not old.first or new.samples is not old.samples or new.sha256 is not old.sha256 {_REFUSE}",
    f"create trigger tail_no_update before update on tail {_REFUSE}",
    # What waits for its block goes when the block is there.
    "create trigger tail_no_delete before delete on tail when not exists (select 1 from block where job_id = old.job_id "
    f"and first <= old.first and first + samples >= old.first + old.samples) {_REFUSE}",
]


def sqlite_fault(version: tuple[int, ...]) -> str | None:
    """Why a record cannot be kept with this SQLite; None where it can."""
    if version >= SQLITE_LEAST:
        return None
    told, least = (".".join(map(str, v)) for v in (version, SQLITE_LEAST))
    return (
        f"SQLite {told} knows no strict tables; expected {least} or newer. Install a newer Python or system"
    )


def need_sqlite(version: tuple[int, ...]) -> None:
    """Raises LedgerError where ``sqlite_fault`` finds one."""
    fault = sqlite_fault(version)
    if fault is not None:
        raise LedgerError(f"The record cannot be opened: {fault}.")


def resets_its_log(version: tuple[int, ...]) -> bool:
    """Whether this SQLite has the fault by which two connections that write or checkpoint at the same moment may damage a
    record: from 3.7.0 to 3.51.2, mended in 3.51.3 and, of older lines, in 3.50.7 and 3.44.6.

    Source: https://sqlite.org/wal.html#walresetbug.
    """
    mended = version >= (3, 51, 3) or (3, 50, 7) <= version < (3, 51) or (3, 44, 6) <= version < (3, 45)
    return version >= (3, 7) and not mended


def statements(script: str) -> list[str]:
    """The single statements of a script."""
    return [text.strip() for text in script.split(";\n") if text.strip()]


def whole() -> list[str]:
    """Every statement that makes an empty record of the present version."""
    return [
        *statements(EVENT + SIDE + OF_JOB + SAMPLES + ANCHOR),
        *triggers(),
        *SAMPLE_TRIGGERS,
        f"pragma user_version = {SCHEMA_VERSION}",
    ]


def create(db: Database) -> None:
    """Make an empty record, at once or not at all."""
    with db.atomic():
        for statement in whole():
            db.execute(statement)


def differences(db: Database) -> list[str]:
    """What a record's tables, indexes and triggers lack, or have beside what they should, a sentence each."""
    fresh = Database(memory=True)
    try:
        create(fresh)
        expected, found = _definitions(fresh), _definitions(db)
    finally:
        fresh.close()
    wrong = [f"the {kind} {name} is missing" for kind, name in expected.keys() - found.keys()]
    wrong += [
        f"the {kind} {name} is not one of the station's" for kind, name in found.keys() - expected.keys()
    ]
    wrong += [
        f"the {key[0]} {key[1]} was changed"
        for key in expected.keys() & found.keys()
        if expected[key] != found[key]
    ]
    return sorted(wrong)


def _definitions(db: Database) -> dict[tuple[str, str], str]:
    rows = db.execute("select type, name, sql from sqlite_master where name not like 'sqlite_stat%'")
    # A column that was added later stands there as SQLite puts it: another layout, and the same table.
    return {
        (kind, name): re.sub(r"\s*([,()])\s*", r"\1", " ".join((sql or "").split()))
        for kind, name, sql in rows
    }
