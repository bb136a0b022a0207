"""A bay that is to leave its shop: its record, where it sends, and what is counted of it there."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from station.record import outbox
from station.record.ledger import Moment
from station.record.many import ingest, wire
from station.record.many.derive import USE
from station.record.many.ingest import Taken, head_of
from station.record.many.queries import Scope
from station.record.many.store import Store
from station.shop.movement import Movement
from tests.rolled import COMPANY, certificate, enter, give, known, record

HARBOUR, QUAY = ("harbour", "bay-1"), ("quay", "bay-7")
THEN = "2026-02-10T00:00:00.000+00:00"
"""In the middle of the invented jobs, which begin with January."""
LENT, BACK = "2026-02-05T00:00:00.000+00:00", "2026-02-20T00:00:00.000+00:00"
WHO = ("E. Brandvold", "the pit was closed")
SHOPS = ("harbour", "quay")
YEAR = Scope(COMPANY, SHOPS, date(2026, 1, 1), date(2027, 1, 1))
SUMS = ("use_day", "use_month", "use_year", "tally_month", "tally_year")


@dataclass
class Sending:
    """A bay, its record and where it sends: with the token that it was given once."""

    store: Store
    path: Path
    token: str
    batch: int = 40

    def send(self, most: int | None = None) -> Taken:
        """Send from where the roll-up is, to the record's end or so many batches."""
        n = 0
        while True:
            with self.store.bay(self.token) as (db, bay):
                after = head_of(db, bay).seq
                batch = outbox.batch(self.path, after, self.batch, "Bay 1", "5a")
                taken = ingest.take(db, bay, wire.batch_of(wire.batch_text(batch)))
            n += 1
            if taken.fault or taken.seq == batch.newest_seq or n == most:
                return taken


def rows(store: Store, sql: str, *values: object) -> list[Any]:
    with store.connection() as db:
        return db.execute(sql.encode(), list(values)).fetchall()


def jobs(store: Store) -> dict[str, set[str]]:
    """Shop → its jobs."""
    found: dict[str, set[str]] = {}
    for shop, job in rows(store, "select shop, job_id from job"):
        found.setdefault(shop, set()).add(job)
    return found


def counted(stores: Sequence[Store]) -> list[Any]:
    """What all shops' sums come to together, whoever they stand under."""
    found = []
    for table in SUMS:
        names = USE if table.startswith("use") else ("jobs", "short", "over", "undecided", "measured")
        at = table.partition("_")[2]
        by = "fluid" if table.startswith("use") else "dimension, name"
        where = "" if table.startswith("use") else "where dimension <> 'bay'"
        sums: dict[Any, list[int]] = {}
        for store in stores:
            of = ", ".join(f"sum({name})::bigint" for name in names)
            for day, *line in rows(
                store, f"select {at}, {by}, {of} from {table} {where} group by {at}, {by}"
            ):
                key, values = (day, *line[: -len(names)]), line[-len(names) :]
                sums[key] = [a + b for a, b in zip(sums.get(key, [0] * len(values)), values, strict=True)]
        found.append({key: values for key, values in sums.items() if any(values)})
    return found


@pytest.fixture
def bay(store: Store, tmp_path: Path) -> Sending:
    """A bay of sixty jobs, from January into March, all of them here; a sister in its shop, and one in another."""
    for n, shop in enumerate(SHOPS):
        with closing(record(tmp_path / f"{shop}.sqlite", 5, seed=7 + n, bay=f"Bay {8 + n}")) as ledger:
            give(store, known(store, f"bay-{8 + n}", shop), outbox.batch(Path(ledger.path), 0, 1000))
    return a_bay(store, tmp_path / "bay.sqlite")


def a_bay(store: Store, path: Path) -> Sending:
    with closing(record(path, 60, notes=1)) as ledger:
        at = Moment("boot", 9.0, "2026-03-05T08:00:00.000+00:00", True)
        for number, kind in (("P-1", "pan"), ("M-1", "meter")):
            told = certificate(number, kind, made_at="2026-01-15T09:00:00+00:00")  # type: ignore[arg-type]
            ledger.append(None, "certificate", {"certificate": told.to_json()}, at)
        for volume_l, utc in ((20.0, "2026-01-20T08:00:00.000+00:00"), (9.0, None)):
            moved = Movement("counted" if utc else "received", "ATF", volume_l, 0.1, "drum 1", utc=utc)
            ledger.append(None, "movement", moved.to_dict(), at)
    return Sending(store, path, enter(store))
