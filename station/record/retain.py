"""Which raw samples may go: those of jobs closed longer ago than a rule of the shop's says. Never a figure, never an event.

What is left of such a job is all that its sheet shows, and the digest of the samples in its result: whoever kept a copy
of them can still show that they are the ones.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import accumulate

from station.errors import InputError
from station.record.ledger import Ledger, clock_synced, now
from station.record.samples import pieces

MONTH_DAYS = 30.44
"""Mean length of a month; a rule of this kind needs no calendar."""


Today = Callable[[], datetime]


def may_go(ledger: Ledger, months: float, today: Today | None = None) -> list[str]:
    """Closed jobs whose samples the rule lets go, oldest first. Raises InputError for a rule that is none."""
    if not months >= 1:
        raise InputError(f"samples are to be kept for {months} months; expected 1 or more.")
    kept_s = months * MONTH_DAYS * 86400.0
    present = _present(ledger) if today is None else today()
    return [
        job_id
        for job_id, since in _since(ledger, present)
        if (present - datetime.fromisoformat(since)).total_seconds() > kept_s
    ]


def _present(ledger: Ledger) -> datetime:
    """Where nobody has set the clock it may stand years ahead: then it is no later than the record's newest entry."""
    by_clock, newest = datetime.now(UTC), ledger.newest_utc()
    if newest is None or clock_synced():
        return by_clock
    return min(by_clock, datetime.fromisoformat(newest))


def _since(ledger: Ledger, present: datetime) -> list[tuple[str, str]]:
    """Jobs that have samples, and from when each counts as closed.

    A clock that was not set may have stood months behind when a job was closed. Such a job counts from the next close
    under a set clock, or from now where the clock is set and none followed; else from the latest time that the record had
    reached.
    """
    rows = ledger.db.execute(
        "select job_id, closed_utc, (select clock_synced from event where event.job_id = job.job_id and kind = 'result' "
        "order by seq desc limit 1), exists (select 1 from block where block.job_id = job.job_id and data is not null) "
        "from job order by rowid"
    ).fetchall()
    reached = accumulate((row[1] for row in rows), max)
    later, found = present.isoformat() if clock_synced() else None, []
    for (job_id, closed_utc, was_set, has_samples), latest in reversed(list(zip(rows, reached, strict=True))):
        later = closed_utc if was_set else later
        if has_samples:
            found.append((job_id, later or latest))
    return found[::-1]


def apply(ledger: Ledger, months: float, today: Today | None = None) -> tuple[int, int]:
    """Let go of what the rule lets go, and say so in the chain: (jobs, samples). Samples that are damaged stay, as does
    everything else of a record that is to be looked into. Raises InputError, LedgerError."""
    jobs = [job_id for job_id in may_go(ledger, months, today) if _whole(ledger, job_id)]
    rule = f"raw samples of jobs closed more than {months:g} months ago"
    return len(jobs), ledger.let_samples_go(jobs, rule, now())


def _whole(ledger: Ledger, job_id: str) -> bool:
    try:
        for piece in pieces(ledger.db, job_id):
            piece.read()
    except ValueError:
        return False
    return True
