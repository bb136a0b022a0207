"""Is this station well, and how much of what has it done? Facts for whoever watches it from outside.

Reading them waits for nothing and touches no device: they are what the threads have left behind.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from station.bay.sender import Sending
from station.bay.watchdog import Turns
from station.record.backup import Standing

TURNS_WITHIN_S = 1.0
"""An engine that has not come round for so long hangs; a turn takes 0.02 s."""
NEARLY_FULL = 4
"""Times the least that a job begins with: forty hours of samples to act in."""
BACKUP_LATE = 3.0
"""Times the interval between copies."""
ROLL_UP_LATE_S = 900.0
"""A roll-up that is away for less is started anew, or its line is mended, before anybody need know."""


@dataclass(frozen=True)
class Check:
    """vital: without it no job is measured or kept."""

    ok: bool
    text: str
    vital: bool = True


@dataclass(frozen=True)
class Health:
    """The station as it is now.

    jobs: closed and abandoned since the start, by stage. written, waiting: units of the record on disk, and on their way.
    inbox: samples and calls that the engine has not taken yet.
    """

    checks: Mapping[str, Check]
    turns: Turns
    written: int
    waiting: int
    inbox: int
    free_bytes: int | None
    jobs: Mapping[str, int]
    job_open: bool
    pump_on: bool
    software: str

    @property
    def ok(self) -> bool:
        return all(check.ok for check in self.checks.values() if check.vital)


def engine_check(since_s: float) -> Check:
    """since_s: since the engine last came round."""
    ok = since_s < TURNS_WITHIN_S
    return Check(ok, "turns" if ok else f"has not turned for {since_s:.1f} s; systemd restarts it")


def ledger_check(fault: str | None) -> Check:
    return Check(fault is None, "takes entries" if fault is None else f"refuses entries: {fault}")


def disk_check(free_bytes: int | None, least_bytes: int) -> Check:
    """least_bytes: with less no job begins."""
    if free_bytes is None:
        return Check(False, "free space is not known")
    need = f"; a job begins with {least_bytes / 1e6:.0f} MB or more"
    ok = free_bytes >= least_bytes
    return Check(ok, f"{free_bytes / 1e6:.0f} MB free{'' if ok else need}")


def backup_check(standing: Standing, late_s: float) -> Check:
    """late_s: entries that no copy has for longer than this are told. No job hangs on it."""
    newest = f"newest copy of {standing.newest}" if standing.newest else "no copy yet"
    where = f"{newest} in {standing.folder}"
    if standing.fault is not None:
        return Check(False, f"fails; {where}: {standing.fault}", vital=False)
    if standing.behind_s is not None and standing.behind_s > late_s:
        minutes = standing.behind_s / 60.0
        text = f"behind: what was recorded in the last {minutes:.0f} min is in no copy; {where}. Look at the medium"
        return Check(False, text, vital=False)
    return Check(True, where, vital=False)


def roll_up_check(sending: Sending) -> Check:
    """No job hangs on it: the record itself waits."""
    if sending.refused is not None:
        return Check(False, f"takes no more of this bay's record: {sending.refused}", vital=False)
    if sending.behind_s > ROLL_UP_LATE_S:
        why = "is behind" if sending.fault is None else f"cannot be reached ({sending.fault})"
        text = f"{why} for {sending.behind_s / 60.0:.0f} min; what it lacks waits here, and nothing is lost"
        return Check(False, text, vital=False)
    return Check(
        True, f"{sending.waiting} entries wait" if sending.waiting else "has everything", vital=False
    )


def standing_flags(beside: Mapping[str, Check], free_bytes: int | None, least_bytes: int) -> tuple[str, ...]:
    """What anybody at the bay should know for as long as it lasts. beside: checks of what the record is copied to."""
    flags = []
    if free_bytes is not None and free_bytes < NEARLY_FULL * least_bytes:
        flags.append(
            f"The disk is nearly full: {free_bytes / 1e6:.0f} MB free; below {least_bytes / 1e6:.0f} MB no job begins. "
            "Free some space."
        )
    flags += [
        f"The {name} {check.text}.".replace("..", ".") for name, check in beside.items() if not check.ok
    ]
    return tuple(flags)


def clock_check(synced: bool) -> Check:
    """Order and amounts do not hang on it."""
    return Check(synced, "set from the network" if synced else "not set from the network", vital=False)


def guard_check(state: str | None) -> Check:
    """state: the pump guard's last word; None before the first. A pump that was tripped is off, as it should be."""
    if state is None:
        return Check(False, "the pump's guard has not been heard")
    return Check(state in ("ok", "tripped"), f"says: {state}")
