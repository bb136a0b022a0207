"""Whether the station says of itself what is so: its engine, record, disk, clock and guard."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.bay.engine import Engine
from station.bay.watchdog import BUCKETS_S, Turns
from tests.station.bay.fake_rig import FORM, engine_on


def until(true: Callable[[], bool], within_s: float = 5.0) -> None:
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < within_s
        time.sleep(0.005)


def ok(engine: Engine, name: str) -> bool:
    return engine.health().checks[name].ok


def test_it_follows_what_happens(tmp_path: Path) -> None:
    engine, rig = engine_on(tmp_path)
    try:
        assert not ok(engine, "guard")  # nothing heard of it yet
        rig.put(Sample(time.monotonic(), "pump_state", "ok"))
        until(lambda: engine.health().ok)
        before = engine.health()
        engine.open_job(FORM)
        assert engine.health().job_open
        engine.abandon("only a test")
        until(lambda: engine.health().waiting == 0)
        after = engine.health()
        assert after.written > before.written
        assert after.jobs == {"abandoned": 1}
        assert after.turns.n > 0
        assert after.turns.samples >= 1
        assert sum(after.turns.within) == pytest.approx(after.turns.n, abs=1)
        assert after.software == engine.software
        rig.put(Sample(time.monotonic(), "pump_state", "lost"))
        until(lambda: not engine.health().ok)
        assert "lost" in engine.health().checks["guard"].text
    finally:
        engine.close()


def test_an_engine_that_hangs_is_seen(tmp_path: Path) -> None:
    """From outside its thread, which is the one that hangs."""
    engine, rig = engine_on(tmp_path)
    try:
        rig.put(Sample(time.monotonic(), "pump_state", "ok"))
        until(lambda: ok(engine, "engine"))
        engine._loop.stop()
        engine._loop.turns.last_s = time.monotonic() - 2.0  # and that was two seconds ago
        assert not engine.health().ok
        assert "has not turned for 2.0 s" in engine.health().checks["engine"].text
    finally:
        engine.close()


def test_turns_are_counted_by_what_lies_between_them() -> None:
    now_s = 10.0
    turns = Turns(lambda: now_s)
    for interval_s in (0.004, 0.02, 0.02, 0.3, 5.0):
        now_s += interval_s
        turns.over()
    assert turns.n == 5
    assert turns.longest_s == pytest.approx(5.0)
    assert turns.seconds == pytest.approx(5.344)
    within = dict(zip((*BUCKETS_S, None), turns.within, strict=True))
    assert within[0.005] == 1
    assert within[0.02] + within[0.03] == 2  # 0.02 s added up is a hair off
    assert (within[0.5], within[None]) == (1, 1)
