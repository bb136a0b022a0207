"""When something happened, by every clock there is."""

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path


@dataclass(frozen=True)
class Moment:
    """When something happened, by every clock there is. Order is by sequence number, never by wall clock."""

    boot_id: str
    t_s: float
    utc: str
    clock_synced: bool


def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


BOOT_ID = _boot_id()


def clock_synced() -> bool:
    """Whether the wall clock has been set from the network since boot (systemd-timesyncd's own flag)."""
    return Path("/run/systemd/timesync/synchronized").exists()


def now(t_s: float | None = None) -> Moment:
    utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Moment(BOOT_ID, time.monotonic() if t_s is None else t_s, utc, clock_synced())
