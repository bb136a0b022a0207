"""What anyone may read of a bay's record: jobs open and closed, their files, their likely causes."""

from dataclasses import replace

from station.bay.publishing import JobNow, Publisher
from station.figures import balance
from station.given.config import BayConfig
from station.record import archive
from station.record.archive import JobRecord
from station.record.finding import EVERY, Wanted
from station.record.ledger import JobRow, Ledger, job_row
from station.shop import catalogue as catalogues
from station.shop import offered
from station.shop.catalogue import Catalogue
from station.shop.shop import Causes, causes, row_labels


class Kept:
    """Reads what is on disk, whether a station runs or not."""

    def __init__(self, config: BayConfig) -> None:
        self.config = config

    def job(self, job_id: str) -> JobRecord:
        """One job whole. Raises KeyError if unknown."""
        with self.reading() as ledger:
            return archive.job(ledger, job_id)

    def job_toml(self, job_id: str) -> str:
        """Raises KeyError if unknown."""
        with self.reading() as ledger:
            return archive.job_toml(ledger, job_id)

    def recording_csv(self, job_id: str) -> str:
        with self.reading() as ledger:
            return archive.recording_csv(ledger, job_id)

    def checkpoint(self, job_id: str) -> str | None:
        """The signed checkpoint that was made when a job was closed, for its sheet; None where there is none."""
        with self.reading() as ledger:
            return ledger.checkpoint(job_id)

    def catalogue(self) -> Catalogue:
        """Vehicles, compartments, fluids, containers, technicians, prices and the shop's own name as of now."""
        with self.reading() as ledger:
            return catalogues.read(ledger)

    def settings(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries in it."""
        return offered.merged(self.config, self.catalogue())

    def reading(self) -> "_Reader":
        return _Reader(Ledger(self.config.ledger, read_only=True))


class Records(Kept):
    """Reads through connections of its own; what is not on disk yet comes from the newest snapshot. Any thread may
    call it.

    The snapshot is taken before the record is opened: a job that the snapshot no longer holds is in the record by then.
    """

    _published: Publisher

    def jobs(self, limit: int = 50, before: str | None = None, wanted: Wanted = EVERY) -> list[JobRow]:
        """Jobs that are wanted, newest first; the open one leads. Raises InputError where ``before`` is no closed job."""
        here = self._published.newest
        open_job = here.open_job
        with self.reading() as ledger:
            leading = [job for job in here.leaving if not ledger.has_row(job.job_id)]
            if open_job is not None:
                leading.insert(0, open_job)
            ids = [job.job_id for job in leading]
            if before in ids:
                leading, before = leading[ids.index(before) + 1 :], None
            elif before is not None:
                leading = []
            rows = [row for row in map(self._row, leading) if wanted.fits(row)]
            return [*rows, *ledger.jobs(limit, before, wanted)][:limit]

    def _row(self, job: JobNow) -> JobRow:
        spec, report = job.state.spec, balance.report(job.state)
        labels = row_labels(self.config, spec.labels, spec.method)
        return job_row(job.job_id, job.opened_utc, job.closed_utc, labels, report, spec.distance_km)

    def job(self, job_id: str) -> JobRecord:
        job = self._published.newest.find(job_id)
        live = None if job is None else job.live(balance.report(job.state))
        with self.reading() as ledger:
            return archive.job(ledger, job_id, live)

    def job_toml(self, job_id: str) -> str:
        job = self._published.newest.find(job_id)
        live = None if job is None else job.live(None)
        with self.reading() as ledger:
            return archive.job_toml(ledger, job_id, live)

    def catalogue(self) -> Catalogue:
        return self._published.newest.catalogue

    def settings(self) -> BayConfig:
        """The bay's configuration with the catalogue's entries and the lines in force in it."""
        lines = self._published.newest.lines
        return replace(super().settings(), pan=lines.pan, pan_b=lines.pan_b, meter=lines.meter)

    def causes(self, job_id: str) -> Causes:
        """Ranked likely causes of what a job came to, and what would settle it. Raises KeyError if unknown."""
        job = self.job(job_id)
        with self.reading() as ledger:
            return causes(self.config, self.catalogue(), ledger, job)


class _Reader:
    """A read-only ledger for the length of a with block."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def __enter__(self) -> Ledger:
        return self._ledger

    def __exit__(self, *_: object) -> None:
        self._ledger.close()
