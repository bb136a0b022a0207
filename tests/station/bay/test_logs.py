"""The log: one line an entry, no line that somebody else wrote, and no flood."""

import io
import json
import logging
from collections.abc import Iterator

import pytest

from station.bay import logs

FORGED = "GET /x\r\n2026-11-25T00:00:00.000Z INFO station: all is well\x1b[2J\x9b\u2028 €"


@pytest.fixture
def quiet() -> Iterator[logging.Logger]:
    logger = logging.getLogger("tests.of.the.log")
    logger.propagate, logger.handlers = False, []
    logger.setLevel(logging.INFO)
    yield logger
    logger.handlers = []


def written(
    logger: logging.Logger, formatter: logging.Formatter, sparing: logs.Sparing | None = None
) -> io.StringIO:
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(formatter)
    if sparing is not None:
        handler.addFilter(sparing)
    logger.addHandler(handler)
    return out


@pytest.mark.parametrize("formatter", [logs.Lines(), logs.JsonLines()])
def test_nothing_from_outside_makes_a_line_of_its_own(
    quiet: logging.Logger, formatter: logging.Formatter
) -> None:
    out = written(quiet, formatter)
    quiet.warning("%s failed", FORGED)
    try:
        raise ValueError(FORGED)
    except ValueError:
        quiet.exception("%s failed", FORGED)
    text = out.getvalue()
    assert text.count("\n") == 2
    assert text.splitlines() == text.rstrip("\n").split("\n")
    assert not any(ord(c) < 32 or 127 <= ord(c) < 160 for c in text.replace("\n", ""))
    assert "ValueError" in text.split("\n")[1]


def test_a_json_line_has_its_time_in_utc_and_its_parts_by_name(quiet: logging.Logger) -> None:
    out = written(quiet, logs.JsonLines())
    record = quiet.makeRecord(quiet.name, logging.ERROR, "x.py", 1, "drum %d: %s", (2, FORGED), None)
    record.created = 1764063000.25
    quiet.handle(record)
    assert json.loads(out.getvalue()) == {
        "utc": "2025-11-25T09:30:00.250Z",
        "level": "ERROR",
        "logger": "tests.of.the.log",
        "text": f"drum 2: {FORGED}",
    }


def test_a_flood_of_one_kind_is_counted_and_others_are_still_heard(quiet: logging.Logger) -> None:
    now_s = 0.0
    out = written(quiet, logs.Lines(), logs.Sparing(lambda: now_s))
    for n in range(100_000):
        quiet.warning("connection %d refused", n)
    quiet.error("the disk is full")
    lines = out.getvalue().splitlines()
    assert len(lines) == logs.ALIKE + 1
    assert lines[-1].endswith("the disk is full")
    now_s = 61.0
    quiet.warning("connection %d refused", 7)
    assert out.getvalue().splitlines()[-1].endswith("connection 7 refused (and 99990 more like it before)")


def test_a_flood_of_many_kinds_is_bounded_too(quiet: logging.Logger) -> None:
    now_s = 0.0
    sparing = logs.Sparing(lambda: now_s)
    out = written(quiet, logs.Lines(), sparing)
    for minute in range(3):
        now_s = 60.0 * minute
        for n in range(5000):
            quiet.warning(f"kind {minute} {n} refused")  # as a careless library would
    assert len(out.getvalue().splitlines()) <= 3 * logs.ALL
    assert len(sparing._kinds) <= logs.KINDS + 1


@pytest.mark.parametrize(
    ("asked", "environment", "json_lines"),
    [
        (None, {}, False),
        (None, {"JOURNAL_STREAM": "8:1"}, True),
        (True, {}, True),
        (False, {"JOURNAL_STREAM": "8:1"}, False),
    ],
)
def test_json_is_written_where_asked_for_or_where_systemd_listens(
    asked: bool | None, environment: dict[str, str], json_lines: bool
) -> None:
    root = logging.getLogger()
    before, level = list(root.handlers), root.level
    root.handlers = []
    try:
        logs.set_up(asked, environment)
        assert isinstance(root.handlers[0].formatter, logs.JsonLines) is json_lines
    finally:
        root.handlers = before
        root.setLevel(level)
