"""Devices of a bay that answer at once and feed nothing by themselves: for tests of threads, disk and restarts."""

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.bay.engine import Engine
from station.bay.plan import PlanForm
from station.errors import LedgerError
from station.given.config import BayConfig, demo_path, read_config

PATIENCE_S = 60.0
"""What is promised by no time is waited for as long as a busy computer takes."""
FORM = PlanForm(
    compartment="b12_rear_axle",
    drained_fluid="gear_75w90_used",
    fresh_fluid="gear_75w90",
    technician="J. Lindqvist",
)


def until(true: Callable[[], bool], what: str = "it") -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            pytest.fail(f"{what}: not within {PATIENCE_S} s")
        time.sleep(0.005)


class FakeRig:
    """beats: what the pump was told, newest last, without repetitions."""

    def __init__(self, put: Callable[[Sample], None], backend: str = "pi") -> None:
        self.put, self.backend = put, backend
        self.beats: list[bool] = []

    def beat(self, run: bool, fine: bool = False) -> bool:
        if not self.beats or self.beats[-1] != run:
            self.beats.append(run)
        return True

    def trip_pump(self) -> bool:
        return True

    def clear_pump(self) -> bool:
        return True

    def set_lamp(self, pattern: str) -> None:
        pass

    def beep(self, n: int = 1) -> None:
        pass

    def close(self) -> None:
        pass


def config(folder: Path) -> BayConfig:
    return replace(read_config(demo_path()), ledger=folder / "ledger.sqlite")


def engine_on(
    folder: Path, clock: Callable[[], float] | None = None, backend: str = "pi"
) -> tuple[Engine, FakeRig]:
    """An engine in that folder and its devices."""
    rigs: list[FakeRig] = []

    def open_rig(put: Callable[[Sample], None]) -> FakeRig:
        rigs.append(FakeRig(put, backend))
        return rigs[0]

    engine = Engine(config(folder), open_rig) if clock is None else Engine(config(folder), open_rig, clock)
    _opened.append(engine)
    return engine, rigs[0]


_opened: list[Engine] = []


def close_all() -> None:
    """Whatever a test that failed has left running: an engine of its own would turn on beside the next test's."""
    while _opened:
        with suppress(LedgerError):  # a disk that a test has filled
            _opened.pop().close()
