"""Ten threads that open, give up, restart and read: whoever reads gets one job whole, never half of two."""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hardware.sample import Sample
from station.bay.engine import Engine
from station.bay.loop import BACKLOG_S, ITEMS_A_TURN
from tests.station.bay.fake_rig import FORM, engine_on

READERS, TURNS, RESTARTS = 8, 12, 3


class Hammer:
    """One engine at a time. Each job is planned with a capacity of its own, so that its id tells what it must hold."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.engine, _ = engine_on(folder)
        self.changing = threading.Lock()
        self.capacity_of: dict[str, str] = {}
        self.over = threading.Event()
        self.wrong: list[str] = []
        self.reads = 0

    def change(self) -> None:
        """One thread's share of jobs."""
        for n in range(TURNS):
            with self.changing:
                engine = self.engine
                capacity = f"{2 + len(self.capacity_of)}.{n % 10} L"
                job_id = engine.open_job(replace(FORM, capacity=capacity, capacity_reason="a test's own"))
                self.capacity_of[job_id] = capacity
            with self.changing:
                if self.engine is not engine:
                    continue  # a restart came between
                engine.abandon(f"turn {n}")

    def restart(self) -> None:
        for _ in range(RESTARTS):
            time.sleep(0.3)
            with self.changing:
                self.engine.close()
                self.engine, _ = engine_on(self.folder)
                if self.engine.view().stage not in ("idle", "abandoned"):
                    self.engine.abandon("restarted")

    def read(self) -> None:
        while not self.over.is_set():
            try:
                self._read_once(self.engine)
            except Exception as error:
                self.wrong.append(repr(error))

    def _read_once(self, engine: Engine) -> None:
        view, rows = engine.view(), engine.jobs(5)
        ids = [row.job_id for row in rows]
        if view.job is not None:
            ids.append(view.job.job_id)
        for row in rows:
            self._fits(row.job_id, row.listed_capacity_l or 0.0)
        for job_id in ids:
            job = engine.job(job_id)
            if job.report is None:
                self.wrong.append(f"{job_id} has no report")
                continue
            self._fits(job_id, job.measured.listed_capacity_l)
            engine.causes(job_id)
        self.reads += 1

    def _fits(self, job_id: str, capacity_l: float) -> None:
        capacity = self.capacity_of.get(job_id)
        if capacity is not None and abs(float(capacity.split()[0]) - capacity_l) > 1e-9:
            self.wrong.append(f"{job_id} was planned with {capacity} and is read with {capacity_l}")


def test_ten_threads_open_abandon_restart_and_read_without_a_torn_pair(tmp_path: Path) -> None:
    hammer = Hammer(tmp_path)
    failed: list[BaseException] = []

    def watched(run: object) -> None:
        try:
            run()  # type: ignore[operator]
        except BaseException as error:
            failed.append(error)

    readers = [threading.Thread(target=hammer.read) for _ in range(READERS)]
    changers = [threading.Thread(target=watched, args=(run,)) for run in (hammer.change, hammer.restart)]
    for thread in (*readers, *changers):
        thread.start()
    for thread in changers:
        thread.join(60.0)
    hammer.over.set()
    for thread in readers:
        thread.join(20.0)
    hammer.engine.close()
    assert not failed
    assert hammer.wrong == []
    assert len(hammer.capacity_of) == TURNS
    assert hammer.reads > TURNS


def test_whoever_asked_is_answered_though_no_view_can_be_made(tmp_path: Path) -> None:
    """A view that fails stops the pump; it must not leave the person waiting who pressed."""
    engine, _ = engine_on(tmp_path)
    publish, failed = engine._loop._publish, threading.Event()

    def fails() -> None:
        failed.set()
        raise ZeroDivisionError("no view")

    try:
        engine.open_job(FORM)
        engine._loop._publish = fails  # type: ignore[method-assign]
        engine.note("remark", "heard")
        assert failed.is_set()
    finally:
        engine._loop._publish = publish  # type: ignore[method-assign]
        engine.close()


def test_an_engine_whose_turn_fails_switches_the_pump_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine, rig = engine_on(tmp_path)
    loop, failed = engine._loop, threading.Event()

    def turn() -> None:
        if failed.is_set():
            time.sleep(0.01)
            return
        loop._run_pump = True
        rig.beat(True)
        failed.set()
        raise RuntimeError("planned")

    monkeypatch.setattr(loop, "_turn", turn)
    assert failed.wait(60.0)
    end_s = time.monotonic() + 60.0
    while rig.beats[-1] and time.monotonic() < end_s:
        time.sleep(0.01)
    assert rig.beats[-1] is False
    assert loop._run_pump is False
    engine.close()


def test_no_pump_runs_on_a_stream_that_is_old(tmp_path: Path) -> None:
    now_s = [100.0]
    engine, rig = engine_on(tmp_path, clock=lambda: now_s[0])
    loop = engine._loop
    loop._run_pump = True

    def until(true: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + 60.0
        while not true():
            assert time.monotonic() < end_s, what
            time.sleep(0.002)

    until(lambda: rig.beats[-1:] == [True], "the pump runs")
    told = len(rig.beats)
    for _ in range(10 * ITEMS_A_TURN):
        rig.put(Sample(now_s[0], "fluid_supply_c", 17.0))
    now_s[0] += 2.0 * BACKLOG_S
    until(lambda: rig.beats[told:][-1:] == [True], "it runs again once the stream is of now")
    assert rig.beats[told] is False
    engine.close()


def test_a_stop_is_obeyed_and_an_abandoned_job_stops_the_pump(tmp_path: Path) -> None:
    engine, _ = engine_on(tmp_path)
    engine.open_job(FORM)
    engine.stop()
    engine._loop._run_pump = True
    engine.abandon("wrong vehicle")
    assert engine._loop._run_pump is False
    with engine.reading() as ledger:
        job_id = next(event["job_id"] for event in ledger.events() if event["kind"] == "job_open")
        stops = [sample for sample in ledger.samples(str(job_id)) if sample.source == "stop"]
    assert len(stops) == 1
    engine.close()
