"""For every test: property tests draw the same examples each time, so that a red run can be run again; what a run cost; whose
clock they have."""

import itertools
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from station.record.many.embedded import Embedded
    from station.record.many.store import Store

settings.register_profile("repeatable", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("repeatable")

# Days and hours that tests expect are those of no place: a bay without a zone of its own takes the machine's, wherever it stands.
os.environ["TZ"] = "UTC"
time.tzset()

BEGINNINGS = (
    (
        "tests/journeys/test_whole_job.py",
        "tests/journeys/test_every_page.py",
        "tests/journeys/test_layout.py",
        "tests/journeys/test_this_device.py",
    ),
    ("tests/journeys/",),
    ("tests/study/", "tests/apart/", "tests/station/record/test_lock.py"),
    ("tests/station/rehearsing/test_golden.py", "tests/station/core/test_pump_faults.py"),
)
"""With what each process begins, so that all end at about the same time. `make test` has two of them for the journeys, which
wait more than they compute, and three beside them for the rest."""
CPU = pytest.StashKey[list[float]]()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Each process is handed one stretch of the list, and takes from the end of another's when it has done its own."""
    processes = getattr(config, "workerinput", {}).get("workercount", 1)
    begun: list[list[tuple[int, pytest.Item]]] = [[] for _ in range(processes)]
    rest = []
    places = [(n, place) for n, beginning in enumerate(BEGINNINGS) for place in beginning]
    for item in items:
        rank = next((r for r, (_, place) in enumerate(places) if item.nodeid.startswith(place)), None)
        if rank is None:
            rest.append(item)
        else:
            begun[places[rank][0] % processes].append((rank, item))
    left, others = len(items), iter(rest)
    items.clear()
    for n, beginning in enumerate(begun):
        share = left // (processes - n)
        left -= share
        items += [item for _, item in sorted(beginning, key=lambda ranked: ranked[0])]
        items += itertools.islice(others, max(0, share - len(beginning)))
    items += others


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--postgres",
        type=Path,
        metavar="DIR",
        help="the programs of another PostgreSQL than the wheel's, such as Debian's /usr/lib/postgresql/15/bin",
    )


def pytest_configure(config: pytest.Config) -> None:
    config.stash[CPU] = []


def _cpu_s() -> float:
    """Of this process and of those that it waited for."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker hands over what it took; DEVELOPERS.md says what a run may take."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["cpu_s"] = _cpu_s()


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    node.config.stash[CPU].append(getattr(node, "workeroutput", {}).get("cpu_s", 0.0))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    workers = config.stash[CPU]
    terminalreporter.write_line(f"{sum(workers) if workers else _cpu_s():.0f} s of processor time")


@pytest.fixture(scope="session")
def postgres(request: pytest.FixtureRequest) -> "Iterator[Embedded]":
    """A PostgreSQL server of the session's own; each test takes a database of its own from it, by tests.rolled.fresh."""
    from tests.rolled import server

    with server(request.config.getoption("--postgres")) as engine:
        yield engine


@pytest.fixture
def store(postgres: "Embedded") -> "Iterator[Store]":
    """An empty roll-up."""
    from station.record.many.store import Store
    from tests.rolled import fresh

    store = Store(fresh(postgres.dsn))
    yield store
    store.close()
