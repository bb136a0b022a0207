"""What anyone may read of a bay's record: jobs open and closed, their files, their likely causes."""

from typing import Any

from station.bay.desk import Desk
from station.figures import balance
from station.given.config import BayConfig
from station.record import archive
from station.record.ledger import Ledger, job_row
from station.shop.catalogue import Catalogue
from station.shop.shop import Shop, causes, row_labels


class Records:
    """Reads through connections of its own; the open job comes from the desk. Any thread may call it."""

    config: BayConfig
    _desk: Desk
    _shop: Shop

    def jobs(
        self, limit: int = 50, before: str | None = None, vehicle: str | None = None
    ) -> list[dict[str, Any]]:
        """Jobs, newest first; the open one leads. Raises InputError where ``before`` is no closed job."""
        state, job_id = self._desk.state, self._desk.job_id
        open_row = None
        if state is not None and job_id is not None and not self._desk.done:
            report = balance.report(state)
            row = job_row(
                job_id,
                self._desk.opened_utc,
                "",
                row_labels(self.config, state.spec.labels, state.spec.method),
                report,
            )
            if vehicle in (None, row["vehicle"]):
                open_row = {**row, "closed_utc": None}
        if before is not None and before == job_id and not self._desk.done:
            before, open_row = None, None  # behind the open one come all that are closed
        with self.reading() as ledger:
            rows = ledger.jobs(limit, before, vehicle)
        return rows if open_row is None or before is not None else [open_row, *rows][:limit]

    def job(self, job_id: str) -> dict[str, Any]:
        """One job whole. Raises KeyError if unknown."""
        state = self._desk.state
        live = balance.report(state) if state is not None and job_id == self._desk.job_id else None
        with self.reading() as ledger:
            return archive.job(ledger, job_id, live)

    def catalogue(self) -> Catalogue:
        """Vehicles, compartments, fluids, containers, technicians and prices as of now."""
        return self._shop.catalogue

    def causes(self, job_id: str) -> dict[str, Any]:
        """Ranked likely causes of what a job came to, and what would settle it. Raises KeyError if unknown."""
        job = self.job(job_id)
        if job["report"] is None:
            return {"causes": [], "settles": []}
        with self.reading() as ledger:
            return causes(self.config, self.catalogue(), ledger, job)

    def recording_csv(self, job_id: str) -> str:
        with self.reading() as ledger:
            return archive.recording_csv(ledger, job_id)

    def job_toml(self, job_id: str) -> str:
        """Raises KeyError if unknown."""
        with self.reading() as ledger:
            return archive.job_toml(ledger, job_id)

    def reading(self) -> "_Reader":
        return _Reader(Ledger(self.config.ledger, read_only=True))


class _Reader:
    """A read-only ledger for the length of a with block."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def __enter__(self) -> Ledger:
        return self._ledger

    def __exit__(self, *_: object) -> None:
        self._ledger.close()
