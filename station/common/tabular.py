"""Rows out and rows in: the same lists as CSV for a spreadsheet, as text for a terminal, and back from CSV."""

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeGuard

from station.common.digits import stated
from station.errors import InputError

MAX_BYTES = 5_000_000
MAX_ROWS = 20_000


@dataclass(frozen=True)
class CsvRow:
    """One row of a file, numbered as a spreadsheet numbers it. reason: why it cannot be read; None when it can."""

    number: int
    cells: Mapping[str, str]
    reason: str | None = None


def _cell(value: object) -> str:
    """A spreadsheet runs a text that begins with one of these; an apostrophe makes it a text again."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


LITRES, U95 = "_l", "_u95_l"


def _volumes(row: Mapping[str, Any]) -> dict[str, str]:
    """Volumes as texts by station.common.digits: ``filled_l`` as ``filled_u95_l`` beside it allows, others to the
    millilitre."""
    texts: dict[str, str] = {}
    for name, value_l in row.items():
        if not name.endswith(LITRES) or name.endswith(U95) or not _finite(value_l):
            continue
        doubt = f"{name.removesuffix(LITRES)}{U95}"
        u95_l = row.get(doubt)
        known = _finite(u95_l) and u95_l >= 0
        told = stated(value_l, u95_l if known else None)
        texts |= {name: told.value, doubt: told.u95} if known else {name: told.value}
    return texts


def _finite(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def holds(words: str, *texts: str | None) -> bool:
    """Whether every word stands somewhere in the texts: what a list that is at hand is searched by."""
    whole = " ".join(text for text in texts if text).casefold()
    return all(word in whole for word in words.casefold().split())


def to_csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Rows as CSV with a header, decimal points and CRLF line ends (RFC 4180); None is an empty cell.

    A volume has the digits that its U95 allows it, and those of the millilitre where none stands beside it.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        texts = _volumes(row)
        writer.writerow([texts.get(name, _cell(row.get(name))) for name in columns])
    return out.getvalue()


def to_text(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Rows as aligned columns for a terminal; volumes as in ``to_csv``."""
    table = [list(columns)]
    for row in rows:
        texts, values = _volumes(row), {name: row.get(name) for name in columns}
        shown = {
            n: "" if v is None else f"{v:.3f}" if isinstance(v, float) else str(v) for n, v in values.items()
        }
        table.append([texts.get(name, shown[name]) for name in columns])
    widths = [max(len(line[i]) for line in table) for i in range(len(columns))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in table]
    return "\n".join(line.rstrip() for line in lines)


def read_csv(data: bytes, required: Sequence[str], optional: Sequence[str]) -> Iterator[CsvRow]:
    """Read a CSV file row by row; a row that cannot be read carries its reason.

    Raises InputError where the file as a whole cannot be meant: too big, no UTF-8 header, a wrong column.
    """
    if len(data) > MAX_BYTES:
        raise InputError(f"the file has {len(data)} bytes; expected at most {MAX_BYTES}. Split it.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in data:
        raise InputError("the file is not UTF-8 text (it looks like UTF-16). Save it as CSV UTF-8.")
    # Row by row, so that one bad byte rejects its own row. A byte that is not UTF-8 survives as a surrogate.
    text = data.decode("utf-8-sig", errors="surrogateescape")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip().casefold() for name in next(reader, [])]
    except csv.Error as error:
        raise InputError(f"row 1: {error}. Expected the column names, separated by commas.") from error
    if len(header) == 1 and ";" in header[0]:
        raise InputError("row 1: the columns are separated by semicolons; expected commas.")
    missing = [name for name in required if name not in header]
    unknown = [name for name in header if name not in (*required, *optional)]
    if missing or unknown or len(set(header)) != len(header):
        wrong = f"lacks the column {missing[0]!r}" if missing else "names a column twice"
        if not missing and unknown:
            wrong = f"has the unknown column {unknown[0][:40]!r}"
        raise InputError(f"row 1 {wrong}; needed: {', '.join(required)}; possible: {', '.join(optional)}.")
    count = 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            yield CsvRow(reader.line_num, {}, f"{error}; the rest of the file was not read")
            return
        if cells is None:
            return
        if not any(cell.strip() for cell in cells):
            continue
        count += 1
        if count > MAX_ROWS:
            raise InputError(f"the file has more than {MAX_ROWS} rows. Split it.")
        yield _row(reader.line_num, header, cells)


def _row(number: int, header: Sequence[str], cells: Sequence[str]) -> CsvRow:
    bad = next((c for cell in cells for c in cell if "\udc80" <= c <= "\udcff"), None)
    if bad is not None:
        return CsvRow(number, {}, f"byte 0x{ord(bad) - 0xDC00:02X} is not UTF-8; save the file as CSV UTF-8")
    if len(cells) != len(header):
        hint = " A decimal comma? Write 2.9, not 2,9." if len(cells) > len(header) else ""
        return CsvRow(number, {}, f"{len(cells)} cells where the header has {len(header)}.{hint}")
    texts = [re.sub(r"^'(?=[=+@\t\r-])", "", cell.strip()) for cell in cells]
    return CsvRow(number, dict(zip(header, texts, strict=True)))
