"""Is this station well, and how much of what has it done? Facts for whoever watches it from outside.

Reading them waits for nothing and touches no device: they are what the threads have left behind.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from station.bay.notice_book import Lacking
from station.bay.sender import Sending
from station.bay.watchdog import Turns
from station.common.digits import number
from station.common.words import _
from station.errors import LedgerError
from station.record.backup import Standing
from station.record.many import tries

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
    return Check(
        ok,
        _("turns")
        if ok
        else _("has not turned for {since_s} s; systemd restarts it").format(since_s=number(since_s, ".1f")),
    )


def ledger_check(fault: str | None) -> Check:
    return Check(
        fault is None,
        _("takes entries") if fault is None else _("refuses entries: {fault}").format(fault=fault),
    )


def disk_check(free_bytes: int | None, least_bytes: int) -> Check:
    """least_bytes: with less no job begins."""
    if free_bytes is None:
        return Check(False, _("free space is not known"))
    ok = free_bytes >= least_bytes
    text = _("{free_mb} MB free") if ok else _("{free_mb} MB free; a job begins with {least_mb} MB or more")
    return Check(
        ok, text.format(free_mb=number(free_bytes / 1e6, ".0f"), least_mb=number(least_bytes / 1e6, ".0f"))
    )


def backup_check(standing: Standing, late_s: float) -> Check:
    """late_s: entries that no copy has for longer than this are told. No job hangs on it."""
    newest = (
        _("newest copy of {newest}").format(newest=standing.newest) if standing.newest else _("no copy yet")
    )
    where = _("{newest} in {folder}").format(newest=newest, folder=standing.folder)
    if standing.fault is not None:
        return Check(
            False, _("fails; {where}: {fault}").format(where=where, fault=standing.fault), vital=False
        )
    if standing.behind_s is not None and standing.behind_s > late_s:
        minutes = standing.behind_s / 60.0
        text = _(
            "behind: what was recorded in the last {minutes} min is in no copy; {where}. Look at the medium"
        ).format(minutes=number(minutes, ".0f"), where=where)
        return Check(False, text, vital=False)
    if standing.same_disk:
        text = _(
            "on the record's own disk: if that dies, the copies die with it; {where}. Plug the medium in, or name a folder on another"
        ).format(where=where)
        return Check(False, text, vital=False)
    return Check(True, where, vital=False)


def roll_up_check(sending: Sending) -> Check:
    """No job hangs on it: the record itself waits."""
    if sending.refused is not None:
        return Check(
            False,
            _("takes no more of this bay's record: {refused}").format(refused=sending.refused),
            vital=False,
        )
    if sending.behind_s > ROLL_UP_LATE_S:
        why = (
            _("is behind for {minutes} min; what it lacks waits here, and nothing is lost")
            if sending.fault is None
            else _(
                "cannot be reached ({fault}) for {minutes} min; what it lacks waits here, and nothing is lost"
            )
        )
        text = why.format(fault=sending.fault, minutes=number(sending.behind_s / 60.0, ".0f"))
        return Check(False, text, vital=False)
    if sending.waiting:
        return Check(True, _("{waiting} entries wait").format(waiting=sending.waiting), vital=False)
    # After a start with the line cut nobody knows how many wait: that none do would be a guess.
    text = _("has everything") if sending.fault is None else _("does not answer at present")
    return Check(True, text, vital=False)


def notices_check(lacking: Sequence[Lacking]) -> Check:
    """No job hangs on it: the record itself waits."""
    late = [one for one in lacking if one.aside or one.behind_s > ROLL_UP_LATE_S]
    if not late:
        waiting = sum(one.waiting for one in lacking)
        return Check(
            True, _("{n} are on their way").format(n=waiting) if waiting else _("all taken"), vital=False
        )
    each = "; ".join(
        (_("{name} refuses {n} ({answer})") if one.aside else _("{name} lacks {n} ({answer})")).format(
            name=one.receiver, n=one.aside or one.waiting, answer=_answered(one.answer)
        )
        for one in late
    )
    return Check(False, _("are not all taken, and wait here: {each}").format(each=each), vital=False)


def _answered(text: str) -> str:
    return _("it answers {status}").format(status=text) if text.isdigit() else _(text or tries.AWAY)


def standing_flags(beside: Mapping[str, Check], free_bytes: int | None, least_bytes: int) -> tuple[str, ...]:
    """What anybody at the bay should know for as long as it lasts. beside: checks of what the record is copied to."""
    flags = []
    if free_bytes is not None and free_bytes < NEARLY_FULL * least_bytes:
        flags.append(
            _(
                "The disk is nearly full: {free_mb} MB free; below {least_mb} MB no job begins. Free some space."
            ).format(free_mb=number(free_bytes / 1e6, ".0f"), least_mb=number(least_bytes / 1e6, ".0f"))
        )
    flags += [
        _("The {name} {text}.").format(name=_(name), text=check.text).replace("..", ".")
        for name, check in beside.items()
        if not check.ok
    ]
    return tuple(flags)


def clock_check(synced: bool) -> Check:
    """Order and amounts do not hang on it."""
    return Check(synced, _("set from the network") if synced else _("not set from the network"), vital=False)


def guard_check(state: str | None) -> Check:
    """state: the pump guard's last word; None before the first. A pump that was tripped is off, as it should be."""
    if state is None:
        return Check(False, _("the pump's guard has not been heard"))
    return Check(state in ("ok", "tripped"), _("says: {word}").format(word=_(state)))


def pan_check(state: str | None) -> Check:
    """state: a pan's last word; None before the first. One that is unplugged for a moment is no station that is not well."""
    if state is None:
        return Check(False, _("has not been heard"), vital=False)
    return Check(state == "ok", _("says: {word}").format(word=_(state)), vital=False)


def need_room(fault: str | None, free: int | None, least_bytes: int) -> None:
    """fault: of the record. free, least_bytes: on its disk, and what a job begins with. Raises LedgerError where no job may begin."""
    if fault is not None:
        raise LedgerError(
            _("No job can begin while the record cannot be written ({fault}). Free some space first.").format(
                fault=fault
            )
        )
    if free is not None and free < least_bytes:
        raise LedgerError(
            _(
                "The disk of the record has {free_mb} MB free; a job begins with {least_mb} MB or more. Free some space first."
            ).format(free_mb=number(free / 1e6, ".0f"), least_mb=number(least_bytes / 1e6, ".0f"))
        )
