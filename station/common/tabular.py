"""Rows out: the same lists as CSV for a spreadsheet and as text for a terminal. ``spreadsheet`` reads them back."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeGuard

from station.common.digits import stated

PERCENT, COST = "_percent", "cost"


def _cell(name: str, value: object) -> str:
    """A spreadsheet runs a text that begins with one of these; an apostrophe makes it a text again."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.2f}" if name.endswith(PERCENT) or name == COST else f"{value:.10g}"
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

    A volume has the digits that its U95 allows it, and those of the millilitre where none stands beside it; a percentage and a cost
    have two places, as a page shows them.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        texts = _volumes(row)
        writer.writerow([texts.get(name, _cell(name, row.get(name))) for name in columns])
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
