"""A bay that is no simulated one, for a browser: it knows nobody at first. ``python -m tests.journeys.real_bay FOLDER``.

Its devices are silent, and everything above them is what a Pi runs. After SIGUSR1 its record takes nothing more, after
SIGUSR2 it takes no count of wrong secrets.
"""

import contextlib
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from station.bay.people_book import PeopleBook
from station.errors import LedgerError
from station.people.access import Access
from station.people.lockout import Lockout
from station.people.store import People, path_beside
from station.record.author import BY
from station.record.ledger import Ledger
from tests.station.bay.fake_rig import config, engine_on
from web.server import serve


@contextlib.contextmanager
def _full(self: Ledger) -> Iterator[None]:
    raise LedgerError("database or disk is full")
    yield


def _fill_the_disk(*_: Any) -> None:
    Ledger.transaction = _full  # type: ignore[method-assign]


def _count_no_tries(*_: Any) -> None:
    Lockout.may_try = lambda *_: 0.0  # type: ignore[method-assign]


def main() -> None:
    folder = Path(sys.argv[1])
    signal.signal(signal.SIGUSR1, _fill_the_disk)
    signal.signal(signal.SIGUSR2, _count_no_tries)
    engine, _ = engine_on(folder)
    people = People(path_beside(config(folder).ledger), by=BY.get)
    access = Access(people)
    book = PeopleBook(people, engine.entries.people_changed, every_s=0.1)
    try:
        serve(engine, access, "127.0.0.1", 0, lambda address: print(address, access.first_code, flush=True))
    finally:
        book.close()
        with contextlib.suppress(LedgerError):  # what the full disk did not take is named in its log
            engine.close()


if __name__ == "__main__":
    main()
