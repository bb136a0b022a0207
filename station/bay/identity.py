"""Which software this is: one SHA-256 over every file of the packages that run, their names and their bytes.

A change of a single byte is another identity. It is computed when the station starts; where it is not the one that the
record names last, the record says so before anything else is entered.
"""

import hashlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from station.common.words import _
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder

EVENT = "software"
PACKAGES = ("calibration", "hardware", "station", "web")
HOUSE = Path(__file__).parents[2]


def files(house: Path, packages: Iterable[str] = PACKAGES) -> Iterator[Path]:
    """All that belongs to the packages, in the order of their names; what Python itself compiles is left out."""
    found = (path for package in packages for path in (house / package).rglob("*"))
    wanted = (path for path in found if path.is_file() and "__pycache__" not in path.parts)
    return iter(sorted(wanted, key=lambda path: path.relative_to(house).as_posix()))


def of(house: Path = HOUSE) -> str:
    """The identity of the software in that folder, 64 hexadecimal digits.

    Each file enters with the length of its name, its name, the length of its bytes and its bytes, so that nothing can
    move from one into the other. Raises OSError where a file cannot be read.
    """
    digest = hashlib.sha256()
    for path in files(house):
        for part in (path.relative_to(house).as_posix().encode(), path.read_bytes()):
            digest.update(len(part).to_bytes(8, "big"))
            digest.update(part)
    return digest.hexdigest()


def short(identity: str) -> str:
    """What a person compares: the first 16 digits, in fours; "unknown" where there is none."""
    return " ".join(identity[n : n + 4] for n in range(0, 16, 4)) if identity else "unknown"


def last_recorded(ledger: Ledger) -> str | None:
    """The identity that the record names last; None before the first."""
    event: dict[str, Any] | None = next(ledger.shop_events(EVENT, newest_first=True), None)
    return None if event is None else str(event["body"]["new"])


def tell(recorder: Recorder, path: Path) -> None:
    """Have the record say which software writes it from here on, where that is another than before.

    path: of the record. Raises LedgerError where it cannot be read.
    """
    ledger = Ledger(path, read_only=True)
    try:
        before, identity = last_recorded(ledger), recorder.software
    finally:
        ledger.close()
    if before == identity:
        return
    text = (
        _("the software is {short}").format(short=short(identity))
        if before is None
        else _("the software changed: {before} → {now}").format(before=short(before), now=short(identity))
    )
    recorder.event(None, EVENT, {"text": text, "old": before, "new": identity}, now())
