"""What keeps a bay from starting, asked before a device is opened; an older record is brought up to date for it."""

from pathlib import Path

from station.calibrating.in_force import Lines
from station.common import days
from station.common.schema import complain
from station.errors import InputError
from station.given.config import BayConfig
from station.record import archive
from station.record.ledger import Ledger
from station.record.migrate import is_older

LOST_AT_POWER_OFF = ("tmpfs", "ramfs", "devtmpfs")
MOUNTS = Path("/proc/self/mounts")
BETTER = 'write a path on the card or disk, such as "/var/lib/tallypan/ledger.sqlite"'


def check(config: BayConfig, simulated: bool) -> None:
    """Raises InputError, naming file, key and remedy, where a bay could not weigh or would lose its record; LedgerError where the
    record cannot be read. An older record is brought up to date first: all that read it here want the present version."""
    check_place(config, simulated)
    if is_older(config.ledger):
        Ledger(config.ledger).close()
    check_lines(config)


def check_place(config: BayConfig, simulated: bool) -> None:
    """The record outlives the service and the power. A simulated bay's need not. Raises InputError."""
    path, place = config.ledger, ("bay", "ledger")
    if path.is_dir():
        complain(config.source, place, str(path), f"that is a folder: {BETTER}")
    if simulated:
        return
    if not path.is_absolute():
        complain(
            config.source, place, str(path),
            f"it depends on where the service is started, and goes with that folder: {BETTER}",
        )  # fmt: skip
    kind = file_system(path, MOUNTS.read_text(encoding="utf-8") if MOUNTS.exists() else "")
    if kind in LOST_AT_POWER_OFF:
        complain(
            config.source, place, str(path), f"it lies in memory ({kind}) and goes with the power: {BETTER}"
        )


def file_system(path: Path, mounts: str) -> str:
    """The kind of file system that a path lies, or would lie, on; empty where no mount is known.

    mounts: as /proc/self/mounts has it; see proc_mounts(5): a blank in a mount point is written as its octal code.
    """
    while not path.exists() and path != path.parent:
        path = path.parent
    real, found, kind = path.resolve(), -1, ""
    for row in mounts.splitlines():
        words = row.split()
        if len(words) < 3:
            continue
        point = Path(words[1].encode().decode("unicode_escape"))
        # The later of two mounts on one point covers the earlier.
        if real.is_relative_to(point) and len(point.parts) >= found:
            found, kind = len(point.parts), words[2]
    return kind


def check_lines(config: BayConfig) -> Lines:
    """The lines in force today. Raises InputError where a certificate's cannot weigh or meter, LedgerError where the
    record cannot be read."""
    today = days.today(config.zone).isoformat()
    if not config.ledger.exists():
        return Lines.in_force((), config, today)
    ledger = Ledger(config.ledger, read_only=True)
    try:
        return Lines.in_force(archive.certificates(ledger), config, today)
    except ValueError as error:
        raise InputError(
            f"{config.ledger}: {error} Calibrate again, or take another bay's record away."
        ) from error
    finally:
        ledger.close()
