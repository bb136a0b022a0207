"""A recording is a CSV that anyone can write: header ``t_s,source,value``, rows in time order."""

import csv
import io
import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from hardware.sample import Sample
from station.errors import InputError
from station.given.said import Mark

MARKS = tuple(Mark)
PANS = ("pan", "pan_b")
COUNTS = (*PANS, "meter", "meter_b")
LEVELS = ("pump",)
MASSES = ("container",)
TEMPERATURES = ("fluid_drained_c", "fluid_supply_c", "air_c")
SOURCES = (*COUNTS, *LEVELS, *TEMPERATURES, *MASSES, "mark")
HEADER = ["t_s", "source", "value"]


LATEST_S = 1e9
"""Thirty years: a stream's seconds begin at a machine's start, and no job lasts that long."""
LARGEST_COUNT = 1 << 53
"""Beyond it a float no longer tells two pulses apart."""
TEMPERATURES_C = (-300.0, 1000.0)
"""What a sensor may say, its error codes included; whether a fluid can be so warm is not decided here."""
BACK_S = 1.0
"""Devices stamp in threads of their own, so rows may be a moment out of order: the stream names those and leaves them
out. Farther back, two recordings were put together, or a clock was set."""
SHOWN = 40


def _cut(text: str) -> str:
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}…"


def _shown(text: str) -> str:
    return repr(_cut(text))


def _value(source: str, text: str) -> int | float | str:
    """Convert one value; raises ValueError saying what was expected."""
    if source == "mark":
        if text not in MARKS:
            raise ValueError(f"mark {_shown(text)} is not one of: {', '.join(MARKS)}")
        return text
    if source in MASSES:
        value = float(text)
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{source} is {text!r}, expected kilograms, zero or more")
        return value
    if source in TEMPERATURES:
        low, high = TEMPERATURES_C
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise ValueError(f"{source} is {_shown(text)}, expected a temperature in °C, {low:g} to {high:g}")
        return value
    try:
        whole = int(text)
    except ValueError:
        raise ValueError(f"{source} is {_shown(text)}, expected a whole number") from None
    if source in PANS and not -(1 << 23) <= whole < (1 << 23):
        raise ValueError(f"{source} is {_cut(text)}, expected a signed 24-bit count, -8388608 to 8388607")
    if source in ("meter", "meter_b") and not 0 <= whole <= LARGEST_COUNT:
        raise ValueError(
            f"{source} is {_cut(text)}, expected pulses counted since the start, zero to {LARGEST_COUNT}"
        )
    if source in LEVELS and whole not in (0, 1):
        raise ValueError(f"{source} is {_cut(text)}, expected 0 or 1")
    return whole


def parse(lines: Iterable[str], name: str) -> Iterator[Sample]:
    """Samples of a recording, one by one. name: the file's name, for messages. Raises InputError naming the line."""
    rows = csv.reader(lines)
    newest_s = -math.inf
    try:
        header = next(rows, None)
        if header is None or [cell.strip().lstrip("\ufeff") for cell in header] != HEADER:
            found = "missing" if header is None else _shown(",".join(header))
            raise InputError(f"{name}: line 1 is {found}; expected the header t_s,source,value.")
        for row in rows:
            if not row:
                continue
            where = f"{name}: line {rows.line_num}"
            if len(row) != 3:
                raise InputError(f"{where} has {len(row)} fields; expected three: t_s,source,value.")
            t_text, source, text = (cell.strip() for cell in row)
            try:
                t_s = float(t_text)
            except ValueError:
                t_s = math.nan
            if not -LATEST_S <= t_s <= LATEST_S:
                raise InputError(
                    f"{where}: t_s is {_shown(t_text)}; expected seconds as a finite number, at most {LATEST_S:g}."
                )
            if t_s < newest_s - BACK_S:
                raise InputError(
                    f"{where}: t_s is {_shown(t_text)}, after {newest_s:g} s above it; expected rows in time order: sort "
                    "them, or replay two recordings one by one."
                )
            newest_s = max(newest_s, t_s)
            if source not in SOURCES:
                raise InputError(f"{where}: source {_shown(source)} is not one of: {', '.join(SOURCES)}.")
            try:
                yield Sample(t_s, source, _value(source, text))
            except ValueError as error:
                raise InputError(f"{where}: {error}.") from error
    except csv.Error as error:
        raise InputError(f"{name}: line {rows.line_num}: {error}; expected text in three fields.") from error


def stream(path: Path) -> Iterator[Sample]:
    """Samples of a recording's file, read as they are taken. Raises InputError naming the file and the line."""
    found = False
    try:
        with path.open(encoding="utf-8", newline="") as file:
            for sample in parse(file, str(path)):
                found = True
                yield sample
    except FileNotFoundError:
        raise InputError(f"{path}: no such file; check the path.") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: not UTF-8 text ({error.reason}); save it as UTF-8.") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error}); expected a UTF-8 text file.") from error
    if not found:
        raise InputError(f"{path}: holds no samples; expected rows after the header.")


def read(path: Path) -> list[Sample]:
    """Read a recording whole. Raises InputError naming the file and the line."""
    return list(stream(path))


def write(samples: Iterable[Sample]) -> str:
    """The recording as text. Numbers are written so that reading gives the same float back.

    Sources of the station's own (the pendant, a sensor's state) are left out: no figure depends on them.
    """
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(HEADER)
    for sample in samples:
        if sample.source in SOURCES:
            rows.writerow([repr(float(sample.t_s)), sample.source, sample.value])
    return out.getvalue()
