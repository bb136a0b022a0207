"""Is this station well, and how much of what has it done? Facts for whoever watches it from outside.

Reading them waits for nothing and touches no device: they are what the threads have left behind.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from station.bay.watchdog import Turns

TURNS_WITHIN_S = 1.0
"""An engine that has not come round for so long hangs; a turn takes 0.02 s."""


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


def clock_check(synced: bool) -> Check:
    """Order and amounts do not hang on it."""
    return Check(synced, "set from the network" if synced else "not set from the network", vital=False)


def guard_check(state: str | None) -> Check:
    """state: the pump guard's last word; None before the first. A pump that was tripped is off, as it should be."""
    if state is None:
        return Check(False, "the pump's guard has not been heard")
    return Check(state in ("ok", "tripped"), f"says: {state}")
