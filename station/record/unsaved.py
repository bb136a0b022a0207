"""The note beside the record that says what could not be stored when the station was stopped on a full disk.

Its room on the disk is taken while there is some: writing over a file's own blocks needs no new ones.
"""

import json
import logging
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

log = logging.getLogger(__name__)

ROOM = 64 * 1024
"""Bytes kept free for the note: a few hundred events. What does not fit is counted."""


class SideNote:
    """One file beside the ledger, blank as long as nothing was lost. For the recorder's thread alone."""

    def __init__(self, ledger: Path) -> None:
        self.path = Path(f"{ledger}.unsaved")

    def read(self) -> dict[str, Any] | None:
        """What the last stop left; None where it left nothing, or nothing that can be read."""
        if not self.path.exists():
            return None
        try:
            text = self.path.read_text(encoding="utf-8").strip()
            left = json.loads(text) if text else None
        except (OSError, ValueError) as error:
            log.warning("%s: cannot be read (%s)", self.path, error)
            return None
        return left if isinstance(left, dict) else None

    def blank(self) -> None:
        """Take the room on the disk, and forget what was noted."""
        try:
            self._over(b"")
        except OSError as error:
            log.warning("%s: no room for what a full disk may refuse later (%s)", self.path, error)

    def write(self, events: int, samples: int, lost: Sequence[Mapping[str, Any]]) -> None:
        """Name what was lost: as many of its events as there is room for. Raises OSError."""
        head = {"events": events, "samples": samples}
        listed = list(lost)
        while (
            len(data := json.dumps({**head, "lost": listed}, ensure_ascii=False).encode()) > ROOM and listed
        ):
            listed = listed[: len(listed) * ROOM // (len(data) + 1)]
        self._over(data)

    def _over(self, data: bytes) -> None:
        file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            data = data.ljust(ROOM, b" ")
            while data:
                data = data[os.pwrite(file, data, ROOM - len(data)) :]
            os.fsync(file)
        finally:
            os.close(file)


def in_words(left: Mapping[str, Any]) -> str:
    """A sentence for whoever comes next, with the first of what was lost."""
    lost = [
        f"{event.get('kind')}{': ' + str(event['text']) if event.get('text') else ''}"
        for event in left.get("lost", ())
    ]
    names = "; ".join(lost[:8]) + ("; …" if len(lost) > 8 else "")
    return (
        f"When the station was last stopped its disk was full: {left.get('events', 0)} entries and "
        f"{left.get('samples', 0)} readings could not be stored{f' ({names})' if names else ''}. "
        "Enter again what is missing."
    )
