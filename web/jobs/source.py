"""What a sheet reads: a port that the running station fills, and its record alone as well."""

from contextlib import AbstractContextManager
from typing import Protocol

from station.given.config import BayConfig
from station.record.archive import JobRecord
from station.record.ledger import Ledger
from station.shop.catalogue import Catalogue


class Source(Protocol):
    """Where a sheet's content comes from: the station that runs, or its record alone."""

    def job(self, job_id: str, /) -> JobRecord: ...

    def checkpoint(self, job_id: str, /) -> str | None: ...

    def job_toml(self, job_id: str, /) -> str: ...

    def reading(self) -> AbstractContextManager[Ledger]: ...

    def catalogue(self) -> Catalogue: ...

    def settings(self) -> BayConfig: ...
