"""The service's log: one line an entry whatever it says, times in UTC, and no more lines than a card can bear.

What comes from outside (an address, a name in a request) cannot forge a line of its own: control characters are written
as escapes. Entries that are alike are counted instead of repeated.
"""

import json
import logging
import os
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

WINDOW_S = 60.0
ALIKE = 10
"""Lines of one kind within the window. A kind is where it comes from and what it says before its values are put in."""
ALL = 300
"""Lines of all kinds within the window: at 200 bytes each, 86 MB a day at the very worst."""
KINDS = 500
"""Kinds that are told apart within one window; what comes after that counts as one more."""


def _plain(text: str) -> str:
    """The text on one line, without anything that a terminal would obey."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() if c != "\n" else " | " for c in text
    )


class Lines(logging.Formatter):
    """``2026-11-25T09:30:00.123Z WARNING station.bay.loop: text``."""

    def format(self, record: logging.LogRecord) -> str:
        entry = _entry(record, self.formatException)
        trace = f" | {_plain(entry['trace'])}" if "trace" in entry else ""
        return f"{entry['utc']} {entry['level']} {entry['logger']}: {_plain(entry['text'])}{trace}"


class JsonLines(logging.Formatter):
    """One JSON object a line: ``utc``, ``level``, ``logger``, ``text``, and ``trace`` of an exception."""

    def format(self, record: logging.LogRecord) -> str:
        return json.dumps(_entry(record, self.formatException))


def _entry(record: logging.LogRecord, exception: Callable[..., str]) -> dict[str, str]:
    moment = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
    entry = {
        "utc": moment.replace("+00:00", "Z"),
        "level": record.levelname,
        "logger": record.name,
        "text": record.getMessage(),
    }
    if record.exc_info:
        entry["trace"] = exception(record.exc_info)
    return entry


@dataclass
class _Kind:
    began_s: float
    came: int = 0


class Sparing(logging.Filter):
    """Lets so many entries of a kind, and so many at all, pass within a window; the next one says how many it held back."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._now_s = now_s
        self._kinds: dict[tuple[str, str], _Kind] = {}
        self._all = _Kind(now_s())

    def filter(self, record: logging.LogRecord) -> bool:
        now_s = self._now_s()
        if now_s - self._all.began_s >= WINDOW_S:
            self._all = _Kind(now_s)
            # A kind that was held back is kept until its next entry tells how often.
            self._kinds = {key: kind for key, kind in self._kinds.items() if kind.came > ALIKE}
        key = (record.name, str(record.msg))
        if key not in self._kinds and len(self._kinds) >= KINDS:
            key = ("", "")
        kind = self._kinds.setdefault(key, _Kind(now_s))
        more = 0
        if now_s - kind.began_s >= WINDOW_S:
            more = max(0, kind.came - ALIKE)
            kind.began_s, kind.came = now_s, 0
        kind.came += 1
        if kind.came > ALIKE or self._all.came >= ALL:
            return False
        self._all.came += 1
        if more:
            record.msg, record.args = f"{record.getMessage()} (and {more} more like it before)", ()
        return True


def set_up(as_json: bool | None = None, environment: Mapping[str, str] = os.environ) -> Sparing:
    """Have all that the process logs go to standard error. as_json: as JSON lines; None for where systemd reads them.

    Source: systemd.exec(5), which sets JOURNAL_STREAM for what it connects to its journal.
    """
    handler, sparing = logging.StreamHandler(sys.stderr), Sparing()
    if as_json is None:
        as_json = "JOURNAL_STREAM" in environment
    handler.setFormatter(JsonLines() if as_json else Lines())
    handler.addFilter(sparing)
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    return sparing
