"""The benches as fixtures, each ended at teardown."""

import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.hardware.benches import Adapter, Bench, GuardBench, Wait


@pytest.fixture
def make_bench() -> type[Bench]:
    return Bench


@pytest.fixture
def guard_bench(tmp_path: Path) -> Iterator[GuardBench]:
    bench = GuardBench(tmp_path)
    yield bench
    bench.close()


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[Adapter]:
    adapter = Adapter(tmp_path)
    yield adapter
    adapter.pull()


@pytest.fixture
def wait_for() -> Wait:
    def wait(condition: Callable[[], bool], limit_s: float = 60.0, what: str = "the condition") -> None:
        end_s = time.monotonic() + limit_s
        while not condition():
            if time.monotonic() > end_s:
                pytest.fail(f"{what} did not come true within {limit_s} s")
            time.sleep(0.002)

    return wait


@pytest.fixture(autouse=True)
def forget_simulated_gpio() -> Iterator[None]:
    yield
    for name in ("RPi", "RPi.GPIO"):
        sys.modules.pop(name, None)
