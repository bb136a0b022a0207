"""Which raw samples may go: those of jobs closed longer ago than a rule of the shop's says. Never a figure, never an event.

What is left of such a job is all that its sheet shows, and the digest of the samples in its result: whoever kept a copy
of them can still show that they are the ones.
"""

from collections.abc import Callable
from datetime import UTC, datetime

from station.errors import InputError
from station.record.ledger import Ledger, now
from station.record.samples import pieces

MONTH_DAYS = 30.44
"""Mean length of a month; a rule of this kind needs no calendar."""


def may_go(
    ledger: Ledger, months: float, today: Callable[[], datetime] = lambda: datetime.now(UTC)
) -> list[str]:
    """Closed jobs whose samples the rule lets go, oldest first. Raises InputError for a rule that is none."""
    if not months >= 1:
        raise InputError(f"samples are to be kept for {months} months; expected 1 or more.")
    kept_s = months * MONTH_DAYS * 86400.0
    rows = ledger.db.execute(
        "select job.job_id, job.closed_utc from job join block on block.job_id = job.job_id where block.data is not null "
        "group by job.job_id order by min(job.opened_utc)"
    )
    present = today()
    return [
        job_id
        for job_id, closed_utc in rows
        if (present - datetime.fromisoformat(closed_utc)).total_seconds() > kept_s
    ]


def apply(
    ledger: Ledger, months: float, today: Callable[[], datetime] = lambda: datetime.now(UTC)
) -> tuple[int, int]:
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
