"""A roll-up of three bays in two shops, one of whose records is open, and the spans that are asked for."""

from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest

from station.record import outbox
from station.record.ledger import Ledger, Moment
from station.record.many.queries import Scope
from station.record.many.store import Store
from tests.rolled import COMPANY, give, known, record

MARCH = Scope(COMPANY, ("harbour",), date(2026, 3, 1), date(2026, 4, 1))
YEAR = Scope(COMPANY, ("harbour",), date(2026, 1, 1), date(2027, 1, 1))
BOTH = Scope(COMPANY, ("harbour", "quay"), date(2026, 1, 1), date(2027, 1, 1))
LATER = Moment("boot", 99.0, "2026-04-20T08:00:00.000+00:00", True)


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[Ledger]:
    ledger = record(tmp_path / "bay.sqlite", 90, notes=1)
    yield ledger
    ledger.close()


@pytest.fixture
def rolled(store: Store, bay: Ledger, tmp_path: Path) -> Store:
    """One bay at the harbour, and two at the quay."""
    give(store, known(store), outbox.batch(Path(bay.path), 0, 10_000))
    for n in (2, 3):
        with closing(record(tmp_path / f"{n}.sqlite", 20, seed=n, bay=f"Bay {n}")):
            give(store, known(store, f"bay-{n}", "quay"), outbox.batch(tmp_path / f"{n}.sqlite", 0, 10_000))
    return store
