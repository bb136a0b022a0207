"""Whether the station says of itself what is so: its engine, record, disk, clock and guard."""

import re
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from hardware.sample import Sample
from station.bay import health
from station.bay.engine import Engine
from station.bay.sender import Sending
from station.bay.watchdog import BUCKETS_S, Turns
from station.record import recorder
from station.record.backup import Standing
from tests.station.bay.fake_rig import FORM, engine_on, until


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
        before_n = after.turns.n  # it goes on turning while it is read
        assert before_n - 1 <= sum(after.turns.within) <= after.turns.n
        assert after.software == engine.software
        rig.put(Sample(time.monotonic(), "pump_state", "lost"))
        until(lambda: not engine.health().ok)
        assert "lost" in engine.health().checks["guard"].text
        assert "pan_b" not in engine.health().checks, "this bay has one pan"
        engine.config = replace(engine.config, pan_b=engine.config.pan)
        rig.put(Sample(time.monotonic(), "pump_state", "ok"))
        rig.put(Sample(time.monotonic(), "pan_state", "ok"))
        rig.put(Sample(time.monotonic(), "pan_b_state", "unplugged"))
        until(lambda: ok(engine, "pan") and "unplugged" in engine.health().checks["pan_b"].text)
        assert engine.health().checks["pan_b"].text == "says: unplugged"
        assert not ok(engine, "pan_b")
        assert engine.health().ok, "one that is plugged back in a moment"
    finally:
        engine.close()


def test_what_lasts_is_told_at_the_bay_and_no_longer_than_it_lasts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that will be full, and a second place that does not take its copies; neither keeps a job from being measured."""
    free = [150_000_000]
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=free[0]))
    monkeypatch.setattr(recorder, "DISK_EVERY_S", 0.02)
    engine, rig = engine_on(tmp_path)
    stick = Path("/media/stick")
    standing = [Standing(stick, 0.0, "2026-11-25T08:00:00+00:00")]
    engine.watch("backup", lambda: health.backup_check(standing[0], 2700.0))
    try:
        rig.put(Sample(time.monotonic(), "pump_state", "ok"))
        until(lambda: engine.health().ok)
        until(lambda: len(engine.view().standing) == 1)
        assert "nearly full: 150 MB free" in engine.view().standing[0]
        free[0] = 9_000_000_000
        until(lambda: engine.view().standing == ())
        assert "08:00" in engine.health().checks["backup"].text
        standing[0] = Standing(stick, 3600.0, "2026-11-25T08:00:00+00:00")
        until(lambda: "last 60 min is in no copy" in "".join(engine.view().standing))
        standing[0] = Standing(stick, 10.0, "", "the backup failed (no such device)")
        until(lambda: "no such device" in "".join(engine.view().standing))
        assert not ok(engine, "backup")
        assert engine.health().ok
        sending = [Sending(7, 60.0, "no route to host")]
        engine.watch("roll-up", lambda: health.roll_up_check(sending[0]))
        assert ok(engine, "roll-up")
        assert health.roll_up_check(Sending()).text == "has everything"
        cut = health.roll_up_check(Sending(0, 2.0, "no route to host"))
        assert (cut.ok, cut.text) == (True, "does not answer at present"), "how many wait, nobody knows yet"
        sending[0] = Sending(7, 3600.0, "no route to host")
        until(lambda: "cannot be reached (no route to host) for 60 min" in "".join(engine.view().standing))
        sending[0] = Sending(refused="entry 9 is another one")
        until(lambda: "takes no more of this bay's record: entry 9" in "".join(engine.view().standing))
    finally:
        engine.close()


def test_an_engine_that_hangs_is_seen(tmp_path: Path) -> None:
    """From outside its thread, which is the one that hangs."""
    engine, rig = engine_on(tmp_path)
    try:
        rig.put(Sample(time.monotonic(), "pump_state", "ok"))
        until(lambda: ok(engine, "engine"))
        engine._loop.stop()
        stood_s = time.monotonic() - 2.0
        engine._loop.turns.last_s = stood_s  # and that was two seconds ago
        assert not engine.health().ok
        told = re.match(r"has not turned for (\S+) s", engine.health().checks["engine"].text)
        assert told is not None
        assert 1.95 <= float(told[1]) <= time.monotonic() - stood_s + 0.05
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
