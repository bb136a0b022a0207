"""A clock that is set while the station runs is written down; what was measured and its order do not depend on it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from station.bay.clock_watch import KIND, ClockWatch, in_words
from station.bay.desk import Desk
from station.record import archive
from station.record.ledger import Ledger, Moment
from station.record.recorder import Recorder
from tests.rehearsed import short_job
from tests.soak.clocks import LEAPS_S, t1
from tests.station.bay.fake_rig import FORM, config, engine_on

JUMPS_S = (1.0, 3600.0, -3600.0, 86400.0, -86400.0, -1.77e9, 3.9e8)


class Clocks:
    def __init__(self) -> None:
        self.wall_s, self.monotonic_s = 1.77e9, 100.0

    def run(self, seconds: float) -> None:
        self.wall_s += seconds
        self.monotonic_s += seconds


def steps(path: Path) -> list[float]:
    ledger = Ledger(path, read_only=True)
    found = [event["body"]["by_s"] for event in ledger.shop_events(KIND)]
    ledger.close()
    return found


@pytest.mark.parametrize("jump_s", JUMPS_S)
def test_a_step_is_told_once_and_a_clock_that_is_slewed_is_not(jump_s: float, tmp_path: Path) -> None:
    clocks, path = Clocks(), config(tmp_path).ledger
    recorder = Recorder(path, lambda text: None)
    desk = Desk(config(tmp_path), recorder, "pi", 0.0)
    watch = ClockWatch(recorder, lambda: clocks.wall_s, lambda: clocks.monotonic_s)
    for n in range(600):
        clocks.run(0.1)
        clocks.wall_s += 0.00005  # as fast as the system slews
        if n == 300:
            clocks.wall_s += jump_s
        watch.look(desk)
    recorder.close()
    assert steps(path) == ([] if jump_s == 1.0 else [pytest.approx(jump_s, abs=0.01)])


@pytest.mark.parametrize(
    ("by_s", "words"),
    [(7205.0, "+2.0 h"), (-86400.0 * 3, "−3.0 days"), (-5.25, "−5.2 s"), (240.0, "+4.0 min")],
)
def test_a_step_in_words(by_s: float, words: str) -> None:
    assert in_words(by_s) == words


def test_a_station_tells_a_step_in_the_open_job_too_and_one_that_starts_behind_its_record(
    tmp_path: Path,
) -> None:
    engine, _ = engine_on(tmp_path)
    job_id = engine.open_job(FORM)
    engine._loop._clock_watch._ahead_s -= (
        3600.0  # as if the clock had been set an hour on since the last look
    )
    engine.note("remark", "a turn later")
    engine.note("remark", "and another")
    (told,) = engine.job(job_id).texts("clock")
    assert told.startswith("The clock was set: it stepped by +60.0 min")
    engine.close()
    recorder = Recorder(config(tmp_path).ledger, lambda text: None)
    ahead = (datetime.now(UTC) + timedelta(days=2)).isoformat(timespec="milliseconds")
    recorder.event(None, "notice", {"text": "made when the clock was ahead"}, Moment("b", 0.0, ahead, False))
    recorder.close()
    engine, _ = engine_on(tmp_path)
    engine.close()
    assert steps(config(tmp_path).ledger)[1] == pytest.approx(-2 * 86400.0, abs=60.0)


def test_the_times_of_a_job_that_began_before_the_clock_was_set_are_put_right_by_the_step(
    tmp_path: Path,
) -> None:
    path = config(tmp_path).ledger
    ledger = Ledger(path)
    opening = {"job": {"capacity": "2.9 L", "method": "cover removed", "labels": {}}}

    def at(boot: str, synced: bool) -> Moment:
        return Moment(boot, 1.0, "2026-03-01T08:00:00.000+00:00", synced)

    for job_id, boot, synced in (("unset", "b1", False), ("set", "b1", True), ("cut", "b0", False)):
        ledger.append(job_id, "job_open", opening, at(boot, synced))
    ledger.append(None, KIND, {"text": "", "by_s": 10.0, "set": False}, at("b1", False))
    ledger.append(None, KIND, {"text": "", "by_s": 86400.0, "set": True}, at("b1", True))
    ledger.append(None, KIND, {"text": "", "by_s": -5.0, "set": True}, at("b1", True))
    result = {"report": short_job(3).report().to_dict()}
    ledger.append("unset", "result", result, at("b1", True))
    assert archive.job(ledger, "unset").closed_off_s is None, "it was closed by a clock that was set"
    found = {job_id: archive.job(ledger, job_id).times_off_s for job_id in ("unset", "set", "cut")}
    assert found == {"unset": 86410.0, "set": None, "cut": None}
    ledger.close()


def test_a_clock_that_is_set_in_mid_job_moves_no_figure_no_pump_and_no_session(tmp_path: Path) -> None:
    """Goal T1; more seeds by ``make soak``."""
    seen = t1(tmp_path)
    assert (seen.trials, seen.failed) == (len(LEAPS_S), [])


def test_sessions_by_the_wall_clock_would_be_caught(tmp_path: Path) -> None:
    assert t1(tmp_path, planted=True).failed != []
