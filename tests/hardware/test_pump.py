"""The station's side of the guard, with real guard processes."""

import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hardware.errors import GuardError
from hardware.pump import PumpGuard, guard_command
from hardware.sample import Sample
from tests.hardware.benches import GuardBench, Wait

PATIENCE_S = 60.0


class Beater:
    """Beats as the station does, until told to stop."""

    def __init__(self, pump: PumpGuard) -> None:
        self.pump, self.run, self._halt = pump, False, threading.Event()
        self.taken = pump.beat(False)  # arms the guard
        self._thread = threading.Thread(target=self._beat, daemon=True)
        self._thread.start()

    def _beat(self) -> None:
        while not self._halt.wait(0.04):
            self.taken = self.pump.beat(self.run)

    def start_pump(self, guard_bench: GuardBench) -> None:
        """Off, then on, until it runs: a busy machine may hold this thread up past the deadline."""
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            self.run = False
            self.pump.beat(False)
            self.run = True
            look_until_s = time.monotonic() + 0.5
            while time.monotonic() < look_until_s:
                if guard_bench.level() == 1:
                    return
                time.sleep(0.001)
        pytest.fail("the pump does not start")

    def stop(self) -> None:
        self._halt.set()
        self._thread.join()


@pytest.fixture
def samples() -> list[Sample]:
    return []


@pytest.fixture
def pump(guard_bench: GuardBench, samples: list[Sample]) -> Iterator[PumpGuard]:
    pump = PumpGuard(guard_command(pin_file=guard_bench.pin_file), samples.append)
    yield pump
    guard_bench.stick(0)
    pump.close()


@pytest.fixture
def beater(pump: PumpGuard) -> Iterator[Beater]:
    beater = Beater(pump)
    yield beater
    beater.stop()


def words(samples: list[Sample]) -> list[tuple[str, Any]]:
    return [(sample.source, sample.value) for sample in samples]


def test_runs_while_told_to_and_reports_each_change(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater, samples: list[Sample], wait_for: Wait
) -> None:
    beater.start_pump(guard_bench)
    beater.run = False
    guard_bench.wait_level(0)
    wait_for(lambda: ("pump", 0) in words(samples)[words(samples).index(("pump", 1)) :])
    assert words(samples)[:2] == [("pump", 0), ("pump_state", "ok")]
    times_s = [sample.t_s for sample in samples]
    assert times_s == sorted(times_s)


def test_a_missed_beat_is_named_and_the_next_off_beat_makes_it_well(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater, samples: list[Sample], wait_for: Wait
) -> None:
    beater.start_pump(guard_bench)
    beater.stop()
    wait_for(lambda: words(samples)[-1] == ("pump_state", "late"))
    assert words(samples)[-2:] == [("pump", 0), ("pump_state", "late")], words(samples)
    pump.beat(False)
    wait_for(lambda: words(samples)[-1] == ("pump_state", "ok"))


def test_a_lost_guard_is_named_its_pin_forced_off_and_nothing_resumes(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater, samples: list[Sample], wait_for: Wait
) -> None:
    beater.start_pump(guard_bench)
    os.kill(pump.pid, signal.SIGKILL)
    took_s = guard_bench.wait_level(0)
    print(f"pin forced off {1000 * took_s:.0f} ms after the guard's kill -9")
    wait_for(lambda: words(samples)[-2:] == [("pump_state", "lost"), ("pump", 0)])
    wait_for(lambda: not beater.taken)
    time.sleep(0.3)
    assert guard_bench.level() == 0


def test_a_stop_that_ends_guard_and_station_together_is_no_trouble(
    guard_bench: GuardBench,
    pump: PumpGuard,
    beater: Beater,
    samples: list[Sample],
    wait_for: Wait,
    caplog: pytest.LogCaptureFixture,
) -> None:
    beater.start_pump(guard_bench)
    os.kill(pump.pid, signal.SIGTERM)
    guard_bench.wait_level(0)
    wait_for(lambda: not beater.taken)
    pump.close()
    assert words(samples)[-1] == ("pump", 0)
    assert ("pump_state", "lost") not in words(samples)
    assert caplog.records == []


def test_a_guard_that_is_ended_alone_is_lost(
    pump: PumpGuard, samples: list[Sample], wait_for: Wait, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hardware.pump.LEAVING_S", 0.1)
    os.kill(pump.pid, signal.SIGTERM)
    wait_for(lambda: words(samples)[-1] == ("pump_state", "lost"))


def test_a_guard_that_is_held_up_never_holds_up_the_station(pump: PumpGuard, samples: list[Sample]) -> None:
    os.kill(pump.pid, signal.SIGSTOP)
    began_s = time.monotonic()
    taken = [pump.beat(False) for _ in range(100_000)]
    assert time.monotonic() - began_s < PATIENCE_S
    assert taken[0]
    assert not taken[-1]
    os.kill(pump.pid, signal.SIGCONT)


def test_close_ends_a_guard_that_hangs_with_the_pump_on(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater
) -> None:
    beater.start_pump(guard_bench)
    os.kill(pump.pid, signal.SIGSTOP)
    pump.close()
    assert guard_bench.level() == 0
    assert not pump.beat(True)


def test_close_switches_off_and_is_harmless_twice(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater, samples: list[Sample]
) -> None:
    beater.start_pump(guard_bench)
    pump.close()
    assert guard_bench.level() == 0
    assert words(samples)[-1] == ("pump", 0)
    pump.close()


def test_a_stuck_pin_is_named_and_close_says_so(
    guard_bench: GuardBench, samples: list[Sample], wait_for: Wait
) -> None:
    pump = PumpGuard(guard_command(pin_file=guard_bench.pin_file), samples.append)
    beater = Beater(pump)
    beater.start_pump(guard_bench)
    guard_bench.stick(1)
    beater.run = False
    wait_for(lambda: ("pump_state", "stuck") in words(samples))
    assert [value for source, value in words(samples) if source == "pump"][-1] == 1
    with pytest.raises(GuardError, match="hard-wired stop"):
        pump.close()
    beater.stop()


def test_a_pin_stuck_on_at_the_start_is_refused(guard_bench: GuardBench, samples: list[Sample]) -> None:
    guard_bench.stick(1)
    with pytest.raises(GuardError, match="does not follow"):
        PumpGuard(guard_command(pin_file=guard_bench.pin_file), samples.append)


def test_clear_makes_a_stuck_pin_usable_again(
    guard_bench: GuardBench, pump: PumpGuard, beater: Beater, samples: list[Sample], wait_for: Wait
) -> None:
    guard_bench.stick(2)
    beater.run = True
    wait_for(lambda: ("pump_state", "stuck") in words(samples))
    guard_bench.stick(0)
    beater.run = False
    time.sleep(0.15)
    pump.clear()
    wait_for(lambda: words(samples)[-1] == ("pump_state", "ok"))
    beater.start_pump(guard_bench)


def test_a_second_guard_is_refused_in_the_guards_own_words(guard_bench: GuardBench, pump: PumpGuard) -> None:
    with pytest.raises(GuardError, match="owned by another guard"):
        PumpGuard(guard_command(pin_file=guard_bench.pin_file), lambda _sample: None)


def test_a_command_that_does_not_exist_is_named() -> None:
    with pytest.raises(GuardError, match="cannot be started"):
        PumpGuard(["/nowhere/guard"], lambda _sample: None)


def test_a_pin_and_a_file_at_once_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="exactly one"):
        guard_command(22, tmp_path)
    with pytest.raises(ValueError, match="exactly one"):
        guard_command()


def test_no_process_is_left_behind(guard_bench: GuardBench, samples: list[Sample]) -> None:
    pump = PumpGuard(guard_command(pin_file=guard_bench.pin_file), samples.append)
    pid = pump.pid
    pump.close()
    assert subprocess.run(["ps", "-p", str(pid)], capture_output=True, check=False).returncode == 1
