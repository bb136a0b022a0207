"""Rows in: a table as a spreadsheet writes it, whatever its country.

Columns apart by commas, semicolons or tabs; decimals after a point or a comma; UTF-8 or UTF-16, with a byte order mark or
without. What could be read in two ways is not read at all: the row says why.
"""

import csv
import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from station.common.words import N_, _
from station.errors import InputError

MAX_BYTES = 5_000_000
MAX_ROWS = 20_000
SEPARATORS = {",": N_("commas"), ";": N_("semicolons"), "\t": N_("tabs")}
_NAMED = re.compile(r"sep=(.)\r?\n")
"""The first line by which some spreadsheets name their separator."""
_COMMA = re.compile(r"^([-−]?\d{1,3}(?:[.\u00a0\u202f ]\d{3})+|[-−]?\d+),(\d+)(?!\d)(?!.*,)")
_EITHER = re.compile(r"^[-−]?\d{1,3}(?:\.\d{3})+(?![\d,.])")
_POINT = re.compile(r"^[-−]?\d+\.(?:\d{1,2}|\d{4,})(?!\d)")


@dataclass(frozen=True)
class CsvRow:
    """One row of a file, numbered as a spreadsheet numbers it. reason: why it cannot be read; None when it can."""

    number: int
    cells: Mapping[str, str]
    reason: str | None = None


def read_csv(
    data: bytes, required: Sequence[str], optional: Sequence[str], numbers: Collection[str] = ()
) -> Iterator[CsvRow]:
    """Read a file row by row; a row that cannot be read carries its reason. numbers: columns that hold figures, in which a decimal
    comma becomes a point.

    Raises InputError where the file as a whole cannot be meant: too big, no text, a wrong column.
    """
    if len(data) > MAX_BYTES:
        raise InputError(
            _("the file has {size} bytes; expected at most {most}. Split it.").format(
                size=len(data), most=MAX_BYTES
            )
        )
    text, skipped = _text(data), 0
    if (named := _NAMED.match(text)) is not None:
        text, skipped = text[named.end() :], 1
    separator = named[1] if named is not None else _separator(text, {*required, *optional})
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    header = _header(reader, separator, required, optional)
    rows = list(_rows(reader, skipped, header))
    commas = any(
        _COMMA.match(text) is not None for row in rows for name, text in row.cells.items() if name in numbers
    )
    for row in rows:
        yield _with_points(row, numbers, commas, header)


def _text(data: bytes) -> str:
    """The text. Row by row, so that one bad byte rejects its own row: one that is not UTF-8 survives as a surrogate."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return _utf_16(data, "utf-16")
    if (
        data.count(b"\x00") > len(data) / 4
    ):  # UTF-16 without its mark: every other byte of plain letters is zero
        return _utf_16(data, "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be")
    return _no_zeros(data.decode("utf-8-sig", errors="surrogateescape"))


def _utf_16(data: bytes, encoding: str) -> str:
    try:
        return _no_zeros(data.decode(encoding))
    except UnicodeDecodeError as error:
        raise InputError(
            _("the file is neither UTF-8 nor UTF-16 text ({reason}). Save it as CSV UTF-8.").format(
                reason=error.reason
            )
        ) from None


def _no_zeros(text: str) -> str:
    if "\x00" in text:
        raise InputError(_("the file is no text (it has zero bytes). Save it as CSV UTF-8."))
    return text


def _separator(text: str, names: set[str]) -> str:
    """What stands between most of the names that the first line should have; a comma where it has only one of them."""
    first = text.split("\n", 1)[0]
    found = {s: sum(cell.strip(' "\r').casefold() in names for cell in first.split(s)) for s in SEPARATORS}
    best = max(found, key=lambda s: found[s])
    return best if found[best] > 1 else max(SEPARATORS, key=lambda s: (s in first, s == ","))


def _header(reader: Any, separator: str, required: Sequence[str], optional: Sequence[str]) -> list[str]:
    try:
        header = [name.strip().casefold() for name in next(reader, [])]
    except csv.Error as error:
        raise InputError(
            _("row 1: {error}. Expected the column names, separated by {separator}.").format(
                error=error, separator=_(SEPARATORS.get(separator, separator))
            )
        ) from error
    while header and not header[-1]:  # a spreadsheet may write columns in which nothing stands
        header.pop()
    missing = [name for name in required if name not in header]
    unknown = [name for name in header if name not in (*required, *optional)]
    if missing or unknown or len(set(header)) != len(header):
        if missing:
            text = _("row 1 lacks the column {column!r}; needed: {needed}; possible: {possible}.")
        elif unknown:
            text = _("row 1 has the unknown column {column!r}; needed: {needed}; possible: {possible}.")
        else:
            text = _("row 1 names a column twice; needed: {needed}; possible: {possible}.")
        raise InputError(
            text.format(
                column=(missing or unknown or header)[0][:40],
                needed=", ".join(required),
                possible=", ".join(optional),
            )
        )
    return header


def _rows(reader: Any, skipped: int, header: Sequence[str]) -> Iterator[CsvRow]:
    count = 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            yield CsvRow(
                reader.line_num + skipped,
                {},
                _("{error}; the rest of the file was not read").format(error=error),
            )
            return
        if cells is None:
            return
        if not any(cell.strip() for cell in cells):
            continue
        count += 1
        if count > MAX_ROWS:
            raise InputError(_("the file has more than {most} rows. Split it.").format(most=MAX_ROWS))
        yield _row(reader.line_num + skipped, header, cells)


def _row(number: int, header: Sequence[str], cells: list[str]) -> CsvRow:
    for place, cell in enumerate(cells):
        bad = next((c for c in cell if "\udc80" <= c <= "\udcff"), None)
        if bad is not None:
            where = _column(place, header)
            return CsvRow(
                number,
                {},
                _("{where}: byte 0x{byte} is not UTF-8; save the file as CSV UTF-8").format(
                    where=where, byte=format(ord(bad) - 0xDC00, "02X")
                ),
            )
    while len(cells) > len(header) and not cells[-1].strip():
        cells.pop()
    if len(cells) != len(header):
        text = (
            _(
                "{cells} cells where the header has {names}. A decimal comma between commas? Put the cell in quotes."
            )
            if len(cells) > len(header)
            else _("{cells} cells where the header has {names}.")
        )
        return CsvRow(number, {}, text.format(cells=len(cells), names=len(header)))
    texts = [re.sub(r"^'(?=[=+@\t\r-])", "", cell.strip()) for cell in cells]
    return CsvRow(number, dict(zip(header, texts, strict=True)))


def letters(place: int) -> str:
    """A column as a spreadsheet names it: 0 is A, 26 is AA."""
    named, rest = "", place + 1
    while rest:
        rest, letter = divmod(rest - 1, 26)
        named = chr(ord("A") + letter) + named
    return named


def _column(place: int, header: Sequence[str]) -> str:
    column = _("column {column}").format(column=letters(place))
    return f"{column} ({header[place]})" if place < len(header) else column


def _with_points(row: CsvRow, numbers: Collection[str], commas: bool, header: Sequence[str]) -> CsvRow:
    """Decimal commas as points. In a file that has them, a point before three digits could be either."""
    if row.reason is not None or not commas:
        return row
    cells = dict(row.cells)
    for name, text in row.cells.items():
        if name not in numbers:
            continue
        if _EITHER.match(text) is not None:
            where = _column(list(header).index(name), header)
            return CsvRow(
                row.number,
                {},
                _(
                    "{where}: {text!r} could be thousands or a decimal point beside the file's decimal commas; write it without the point, or with a comma"
                ).format(where=where, text=text[:40]),
            )
        if (found := _COMMA.match(text)) is not None:
            whole = re.sub(r"[.\u00a0\u202f ]", "", found[1])
            cells[name] = f"{whole}.{found[2]}{text[found.end() :]}"
    return CsvRow(row.number, cells)
