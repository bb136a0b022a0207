"""A recording is a CSV that anyone can write: header ``t_s,source,value``, rows in time order."""

import csv
import io
import math
from collections.abc import Iterable, Iterator
from pathlib import Path

from hardware.sample import Sample
from station.errors import InputError

MARKS = (
    "pan_placed",
    "drain_open",
    "drain_done",
    "flush",
    "reseal_done",
    "fill_start",
    "level_seen",
    "fill_done",
    "plug_in",
    "close",
)
COUNTS = ("pan", "meter", "meter_b")
LEVELS = ("pump",)
TEMPERATURES = ("fluid_drained_c", "fluid_supply_c", "air_c")
SOURCES = (*COUNTS, *LEVELS, *TEMPERATURES, "mark")
HEADER = ["t_s", "source", "value"]


def _value(source: str, text: str) -> int | float | str:
    """Convert one value; raises ValueError saying what was expected."""
    if source == "mark":
        if text not in MARKS:
            raise ValueError(f"mark {text!r} is not one of: {', '.join(MARKS)}")
        return text
    if source in TEMPERATURES:
        value = float(text)
        if not math.isfinite(value):
            raise ValueError(f"{source} is {text!r}, expected a finite temperature in °C")
        return value
    try:
        whole = int(text)
    except ValueError:
        raise ValueError(f"{source} is {text!r}, expected a whole number") from None
    if source == "pan" and not -(1 << 23) <= whole < (1 << 23):
        raise ValueError(f"pan is {whole}, expected a signed 24-bit count, -8388608 to 8388607")
    if source in ("meter", "meter_b") and whole < 0:
        raise ValueError(f"{source} is {whole}, expected pulses counted since the start, zero or more")
    if source in LEVELS and whole not in (0, 1):
        raise ValueError(f"{source} is {whole}, expected 0 or 1")
    return whole


def parse(lines: Iterable[str], name: str) -> Iterator[Sample]:
    """Samples of a recording. name: the file's name, for messages. Raises InputError naming the line.

    Time that runs backwards is passed on: the stream names it in its notices.
    """
    rows = csv.reader(lines)
    try:
        header = next(rows, None)
        if header is None or [cell.strip().lstrip("\ufeff") for cell in header] != HEADER:
            raise InputError(f"{name}: line 1 is {header!r}; expected the header t_s,source,value.")
        for row in rows:
            where = f"{name}: line {rows.line_num}"
            if not row:
                continue
            if len(row) != 3:
                raise InputError(f"{where} has {len(row)} fields; expected three: t_s,source,value.")
            t_text, source, text = (cell.strip() for cell in row)
            try:
                t_s = float(t_text)
            except ValueError:
                t_s = math.nan
            if not math.isfinite(t_s):
                raise InputError(f"{where}: t_s is {t_text!r}; expected seconds as a finite number.")
            if source not in SOURCES:
                raise InputError(f"{where}: source {source!r} is not one of: {', '.join(SOURCES)}.")
            try:
                yield Sample(t_s, source, _value(source, text))
            except ValueError as error:
                raise InputError(f"{where}: {error}.") from error
    except csv.Error as error:
        raise InputError(f"{name}: line {rows.line_num}: {error}.") from error


def read(path: Path) -> list[Sample]:
    """Read a recording. Raises InputError naming the file and the line."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            samples = list(parse(file, str(path)))
    except FileNotFoundError:
        raise InputError(f"{path}: no such file. Check the path.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}). Expected a UTF-8 text file.") from error
    if not samples:
        raise InputError(f"{path}: holds no samples; expected rows after the header.")
    return samples


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
