"""One writer per record: a lock on a file beside it, which the kernel lets go of however its holder ends."""

import fcntl
import os
import time
from pathlib import Path

from station.errors import LedgerBusy

WAIT_S = 1.0
"""A command that enters one thing is through within this time; a station keeps the lock as long as it runs."""
POLL_S = 0.05


def _path(ledger: Path | str) -> Path:
    return Path(f"{ledger}.lock")


class WriterLock:
    """Held from construction to ``release``. Raises LedgerBusy where another process, or another part of this one,
    writes the record, and OSError where the file cannot be had."""

    def __init__(self, ledger: Path | str) -> None:
        # Never removed: a second holder would lock a file that has no name any more.
        self._file = os.open(_path(ledger), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        deadline_s = time.monotonic() + WAIT_S
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() < deadline_s:
                    time.sleep(POLL_S)
                    continue
                os.close(self._file)
                raise LedgerBusy(
                    f"ledger {ledger}: {_holder(ledger)} writes it, and only one may. Enter the change on the "
                    "station's page, or stop the station first."
                ) from None
            break
        name_holder(ledger, f"process {os.getpid()}")

    def release(self) -> None:
        os.close(self._file)


def name_holder(ledger: Path | str, text: str) -> None:
    """Say for whoever is turned away who holds the lock. For its holder alone."""
    _path(ledger).write_text(text, encoding="utf-8")


def _holder(ledger: Path | str) -> str:
    try:
        text = _path(ledger).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    return text.strip() or "another process"
