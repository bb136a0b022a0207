"""One table, whatever it goes out as: CSV, JSON and Parquet hold the same rows."""

import csv
import io
import json
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from station.__main__ import main
from station.errors import InputError
from station.learning.compared import TABLES
from station.record import outbox
from station.record.many import exporting, finding, queries
from station.record.many.exporting import columns, file_of, told
from station.record.many.store import Store
from tests.rolled import COMPANY, give, known, record

YEAR = queries.scope_of(COMPANY, ["harbour"], "2026-12", 12, [])


@pytest.fixture
def rolled(store: Store, tmp_path: Path) -> Store:
    with closing(record(tmp_path / "bay.sqlite", 40, notes=0)):
        give(store, known(store), outbox.batch(tmp_path / "bay.sqlite", 0, 1000))
    with store.connection() as db:
        db.execute(
            "insert into certificate values (%s, 'harbour', 'bay-1', 1, 'P-1', 'pan', 'Pan 1', '2025-06-01', %s, null)",
            [COMPANY, date(2026, 6, 1)],
        )
    return store


def test_parquet_read_back_is_what_csv_and_json_say(rolled: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exporting, "MOST", 7)  # jobs come in several pages
    with rolled.connection() as db:
        for name, table in TABLES.items():
            rows = [told(row) for row in table.rows(db, YEAR, 10_000)]
            assert rows, name
            back = pq.read_table(io.BytesIO(file_of(db, YEAR, table, "parquet")))  # type: ignore[no-untyped-call]
            assert list(back.column_names) == list(columns(table.kind)), name
            for row, line in zip(rows, back.to_pylist(), strict=True):
                for column, value in row.items():
                    if column.endswith("_utc") and value is not None:
                        assert line[column] == datetime.fromisoformat(value).astimezone(UTC), (name, column)
                    else:
                        assert line[column] == value, (name, column)
            for field in back.schema:
                unit = (field.metadata or {}).get(b"unit")
                assert (unit == b"L") == field.name.endswith("_l"), (name, field.name)
            text = file_of(db, YEAR, table, "csv").decode()
            lines = list(csv.DictReader(io.StringIO(text, newline="")))
            assert len(lines) == len(rows), name
            assert list(lines[0]) == list(columns(table.kind)), name
            assert all(line.get("bay", "bay-1") for line in lines), name
            percents = [
                v for line in lines for column, v in line.items() if column.endswith("_percent") and v
            ]
            assert all(len(v.partition(".")[2]) == 2 for v in percents), (name, percents[:3])
            assert json.loads(file_of(db, YEAR, table, "json")) == json.loads(
                json.dumps(rows, default=str)
            ), name
        found = finding.jobs(db, YEAR, 10_000)
        assert TABLES["jobs"].rows(db, YEAR, 10_000) == found
        assert len(TABLES["jobs"].rows(db, YEAR, 10)) == 10 < len(found)
        with pytest.raises(InputError, match=r"'xls'.*: csv, json, parquet"):
            file_of(db, YEAR, TABLES["usage"], "xls")
        monkeypatch.setattr(exporting, "HAS_PARQUET", False)
        with pytest.raises(
            InputError, match="'parquet'; expected one of: csv, json; Parquet needs the extra"
        ):
            file_of(db, YEAR, TABLES["usage"], "parquet")


def test_a_table_without_rows_has_the_same_columns(store: Store) -> None:
    known(store)
    with store.connection() as db:
        for table in TABLES.values():
            header = ",".join(columns(table.kind))
            assert file_of(db, YEAR, table, "csv").decode() == f"{header}\r\n"
            back = pq.read_table(io.BytesIO(file_of(db, YEAR, table, "parquet")))  # type: ignore[no-untyped-call]
            assert (back.num_rows, ",".join(back.column_names)) == (0, header)


def test_the_command_writes_the_same_file(
    rolled: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with rolled.connection() as db:
        dsn = db.info.dsn
        text, data = (file_of(db, YEAR, TABLES["jobs"], form) for form in ("csv", "parquet"))
    export = ["roll-up", "export", "jobs", "--month", "2026-12", "--months", "12", "--dsn", dsn]
    assert main(export) == 0
    assert capsys.readouterr().out.encode() == text
    assert main([*export, "--out", str(tmp_path / "jobs.parquet")]) == 0
    assert (tmp_path / "jobs.parquet").read_bytes() == data
    for wrong, told_ in (
        (["--shop", "hill"], "hill"),
        (["--months", "0"], "months"),
        (["--out", "jobs.xls"], "xls"),
    ):
        assert main([*export, *wrong]) == 2
        assert told_ in capsys.readouterr().err
    assert main(["roll-up", "export", "axles", "--dsn", dsn]) == 2
    assert "usage, stock" in capsys.readouterr().err
