"""A station that was stopped in the middle of a job goes on with it: at its stage, with its figures, its pump off."""

import random
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import station.record.moment as record
from hardware.sample import Sample
from station.bay.engine import Engine
from station.bay.recovery import LeftOpen, left_open
from station.core import interruption
from station.core.replay import replay
from station.errors import InputError
from station.figures import balance
from station.filling.overrun import Stop
from station.given import recording
from station.given.job import spec_from_tables
from station.given.said import Mark
from station.given.stages import Stage
from station.record.ledger import Ledger, Moment, now
from station.record.recorder import Recorder
from tests.station.bay.fake_rig import FORM, config, engine_on


class Clock:
    """Monotonic seconds, as the test turns them."""

    def __init__(self, t_s: float) -> None:
        self.t_s = t_s

    def __call__(self) -> float:
        return self.t_s


class Bench:
    """One bay that is fed sample by sample and restarted now and then."""

    def __init__(self, folder: Path, t_s: float = 1000.0) -> None:
        self.folder, self.clock = folder, Clock(t_s)
        self.engine, self.rig = engine_on(folder, self.clock)
        line = config(folder).pan
        self._zero, self._kg_per_count = line.zero_count, line.kg_per_count
        self._noise, self._kg = random.Random(1), 0.5

    def restart(self) -> None:
        self.engine.close()
        self.engine, self.rig = engine_on(self.folder, self.clock)

    def feed(self, source: str, value: float | str) -> None:
        self.rig.put(Sample(self.clock.t_s, source, value))
        self.engine.calibrations.view()  # a call behind it: the sample has been taken in

    def pan(self, kg: float) -> Sample:
        noise = self._noise.gauss(0.0, 25.0)
        return Sample(self.clock.t_s, "pan", round(self._zero + kg / self._kg_per_count + noise))

    def weigh(self, kg: float, seconds: float) -> None:
        """Readings at ten a second; the pan comes to this mass as fluid runs in, and then stands."""
        begun_kg, n = self._kg, round(seconds * 10)
        for k in range(n):
            self.clock.t_s += 0.1
            self._kg = begun_kg + (kg - begun_kg) * min(1.0, 2.0 * (k + 1) / n)
            self.rig.put(self.pan(self._kg))
        self.engine.calibrations.view()

    def to_drain(self) -> str:
        job_id = self.engine.open_job(FORM)
        for item in self.engine.view().checklist:
            self.engine.check(item.key, True)
        self.engine.mark(Mark.PAN_PLACED)
        self.weigh(0.5, 8.0)
        self.engine.mark(Mark.DRAIN_OPEN)
        self.weigh(3.0, 20.0)
        return job_id


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.engine.close()


def learned_stops(folder: Path, n: int) -> None:
    """So many stops in the record whose overrun was 1.2 s of the flow."""
    recorder = Recorder(config(folder).ledger, lambda text: None)
    for k in range(n):
        stop = Stop(float(k), 3.0, 2.5, 0.1, 2.5 + 1.2 * 4.0 / 60.0, 4.0, 200.0, "target reached", True)
        recorder.event(None, "stop", {**vars(stop), "fluid": "gear_75w90", "job_id": "old"}, now(float(k)))
    recorder.close()


def overrun_s(engine: Engine) -> float:
    pump = engine.view().pump
    assert pump is not None
    return pump.overrun_s


def test_a_restart_forgets_neither_the_learned_overrun_nor_how_many_stops_it_rests_on(tmp_path: Path) -> None:
    learned_stops(tmp_path, 12)
    bench = Bench(tmp_path)
    bench.engine.open_job(FORM)
    before = overrun_s(bench.engine)
    assert before > 0.8
    bench.restart()
    assert overrun_s(bench.engine) == before
    assert bench.engine.view().pump.stops_learned == 12  # type: ignore[union-attr]
    bench.engine.close()


def test_the_learned_overrun_is_read_without_every_past_stop(tmp_path: Path) -> None:
    learned_stops(tmp_path, 12)
    bench = Bench(tmp_path)
    bench.engine.open_job(FORM)
    before = overrun_s(bench.engine)
    bench.engine.abandon("only a test")
    bench.engine.close()
    ledger = Ledger(config(tmp_path).ledger, read_only=True)
    newest = next(ledger.shop_events("learned", newest_first=True))
    assert list(ledger.shop_events("stop", after=newest["seq"])) == []
    ledger.close()
    bench = Bench(tmp_path)
    bench.engine.open_job(FORM)
    assert overrun_s(bench.engine) == before
    bench.engine.close()


def goes_on(bench: Bench, job_id: str, timed: bool = True) -> None:
    view = bench.engine.view()
    assert view.job is not None
    assert view.job.job_id == job_id
    assert view.stage in ("drain", "drip")
    assert view.figures.drained_l == pytest.approx(2.5 / 0.88, rel=0.05)
    assert view.interruption == interruption.QUESTION
    [told] = [n.text for n in view.notices if n.kind == "interrupted"]
    assert ("No clock can tell" in told) is not timed
    assert any(f.source == "interruption" for f in view.faults)
    assert not view.pump_on


def test_a_job_goes_on_after_the_service_restarts(bench: Bench) -> None:
    job_id = bench.to_drain()
    bench.restart()
    goes_on(bench, job_id)


@pytest.mark.parametrize("uptime_s", [5.0, 50_000.0])
def test_a_job_goes_on_after_a_reboot_whatever_the_new_boots_clock_says(
    tmp_path: Path, uptime_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    job_id = bench.to_drain()
    bench.engine.close()
    monkeypatch.setattr(record, "BOOT_ID", "another boot")
    bench.clock.t_s = uptime_s
    bench.engine, bench.rig = engine_on(tmp_path, bench.clock)
    goes_on(bench, job_id, timed=False)
    bench.engine.answer_interruption(False, False)
    bench.weigh(3.1, 20.0)  # readings of the new boot join the old ones
    view = bench.engine.view()
    assert not any("time_backwards" in n.kind for n in view.notices)
    assert view.figures.drained_l == pytest.approx(2.6 / 0.88, rel=0.05)
    bench.engine.mark(Mark.DRAIN_DONE)
    bench.engine.abandon("only a test")
    kept = bench.engine.job(job_id).measured
    tables, text = bench.engine.job_toml(job_id), bench.engine.recording_csv(job_id)
    bench.engine.close()
    spec = spec_from_tables(tomllib.loads(tables), "export")
    again = balance.report(replay(spec, recording.parse(text.splitlines(True), "export")))
    assert again.drained_l == kept.drained_l


def test_what_was_ticked_confirmed_and_seen_is_still_so(bench: Bench) -> None:
    bench.engine.open_job(FORM)
    keys = [item.key for item in bench.engine.view().checklist]
    for key in keys[:3]:
        bench.engine.check(key, True)
    bench.engine.check(keys[0], False)
    bench.engine.note("capacity", "it is right")
    bench.restart()
    assert [i.key for i in bench.engine.view().checklist if i.done] == keys[1:3]
    assert bench.engine._published.newest.job is not None
    assert bench.engine._published.newest.job.capacity_confirmed


def fill_ready(bench: Bench) -> None:
    bench.engine.mark(Mark.DRAIN_DONE)
    bench.engine.mark(Mark.RESEAL_DONE)
    for source, value in (("meter", 0), ("fluid_supply_c", 20.0), ("pump", 0), ("stop_open", 0)):
        bench.feed(source, value)
    bench.engine.mark(Mark.FILL_START)


def hold(bench: Bench, seconds: float) -> None:
    """The pendant held, with all sensors speaking."""
    for _ in range(round(seconds * 10)):
        bench.clock.t_s += 0.1
        bench.rig.put(bench.pan(3.0))
        for source, value in (("meter", 0), ("fluid_supply_c", 20.0), ("pendant", 1)):
            bench.rig.put(Sample(bench.clock.t_s, source, value))
    bench.engine.calibrations.view()


def test_the_pump_stays_off_until_the_question_is_answered_and_the_control_pressed_anew(bench: Bench) -> None:
    bench.to_drain()
    fill_ready(bench)
    hold(bench, 0.5)
    assert True in bench.rig.beats
    bench.restart()  # with the pendant held down all the while
    hold(bench, 3.0)
    assert True not in bench.rig.beats
    bench.engine.answer_interruption(False, False)
    hold(bench, 1.0)
    assert True not in bench.rig.beats
    bench.feed("pendant", 0)
    hold(bench, 0.5)
    assert True in bench.rig.beats
    assert bench.engine.view().stage == Stage.FILL


@pytest.mark.parametrize(
    ("moved", "filled", "kinds"),
    [
        (False, False, {"interrupted_undisturbed"}),
        (True, False, {"interrupted_pan_moved"}),
        (True, True, {"interrupted_pan_moved", "interrupted_filled"}),
    ],
)
def test_the_answer_is_in_the_record_and_what_was_disturbed_in_a_notice(
    bench: Bench, moved: bool, filled: bool, kinds: set[str]
) -> None:
    job_id = bench.to_drain()
    with pytest.raises(InputError, match="There is nothing to answer"):
        bench.engine.answer_interruption(moved, filled)
    bench.restart()
    bench.restart()  # twice without an answer: asked again
    assert bench.engine.view().interruption is not None
    bench.engine.answer_interruption(moved, filled)
    view = bench.engine.view()
    assert view.interruption is None
    assert not view.faults
    assert {n.kind for n in view.notices if n.kind.startswith("interrupted_")} == kinds
    texts = bench.engine.job(job_id).texts("resumed")
    assert texts[-1].startswith("while the station was stopped: pan moved: " + ("yes" if moved else "no"))
    with pytest.raises(InputError, match="There is nothing to answer"):
        bench.engine.answer_interruption(moved, filled)


def test_the_wall_clock_says_how_long_a_reboot_took_where_it_was_set(tmp_path: Path) -> None:
    def left(synced: bool) -> float:
        path = tmp_path / f"{synced}.sqlite"
        recorder = Recorder(path, lambda text: None)
        at = Moment("one boot", 100.0, "2026-03-01T08:00:00.000+00:00", synced)
        recorder.event("j1", "job_open", {"job": {}}, at)
        recorder.close()
        ledger = Ledger(path, read_only=True)
        newest = list(ledger.events("j1"))[-1]
        ledger.close()
        job = LeftOpen("j1", {}, "", synced, [], None, newest, frozenset(), False, {})  # type: ignore[arg-type]
        return job.goes_on_at_s(Moment("another", 5.0, "2026-03-01T08:10:00.000+00:00", True))

    assert left(True) == 700.0
    assert left(False) == 101.0


@pytest.mark.parametrize("uptime_s", [5.0, 50_000.0])
def test_a_restart_after_a_reboot_goes_on_in_the_jobs_time(
    tmp_path: Path, uptime_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither deaf until the new boot's clock has caught up with the job's, nor hours later: a sealant would be cured."""
    bench = Bench(tmp_path)
    bench.to_drain()
    bench.engine.close()
    monkeypatch.setattr(record, "BOOT_ID", "another boot")
    bench.clock.t_s = uptime_s
    bench.engine, bench.rig = engine_on(tmp_path, bench.clock)
    bench.engine.answer_interruption(False, False)
    bench.weigh(3.0, 8.0)
    bench.engine.mark(Mark.DRAIN_DONE)
    bench.engine.mark(Mark.RESEAL_DONE)
    bench.clock.t_s += 60.0
    bench.restart()
    bench.engine.answer_interruption(False, False)
    bench.weigh(3.0, 8.0)
    view = bench.engine.view()
    assert not any(n.kind == "time_backwards" for n in view.notices)
    assert view.timer is not None
    assert view.timer.left_s == pytest.approx(1200.0 - 68.0, abs=2.0)
    bench.engine.close()


@pytest.mark.parametrize(
    ("stepped_to", "goes_on_at_s"), [("2026-03-04T08:01:00", 300.0), ("2026-03-01T08:01:00", 161.0)]
)
def test_a_clock_that_was_set_by_hand_cures_no_sealant(
    tmp_path: Path, stepped_to: str, goes_on_at_s: float
) -> None:
    """Set back by three days in the job, and right again after the reboot: that the network had set it once says nothing."""
    bench = Bench(tmp_path)
    job_id = bench.engine.open_job(FORM)
    bench.engine.close()
    recorder = Recorder(config(tmp_path).ledger, lambda text: None)
    for t_s, utc in ((100.0, "2026-03-04T08:00:00"), (160.0, stepped_to)):
        recorder.event(job_id, "note", {"text": "a word"}, Moment("one boot", t_s, f"{utc}.000+00:00", True))
    recorder.close()
    ledger = Ledger(config(tmp_path).ledger, read_only=True)
    job = replace(left_open(ledger, job_id, config(tmp_path).settings), samples=())
    ledger.close()
    assert job.goes_on_at_s(Moment("another", 5.0, "2026-03-04T08:03:20.000+00:00", True)) == goes_on_at_s


def test_time_between_the_last_word_and_the_stop_counts_once(tmp_path: Path) -> None:
    """A quarter of an hour after the last mark the power goes for three minutes: that is no half an hour of a cure."""
    bench = Bench(tmp_path)
    job_id = bench.engine.open_job(FORM)
    bench.engine.close()
    recorder = Recorder(config(tmp_path).ledger, lambda text: None)
    at = Moment("one boot", 1100.0, "2026-03-04T08:00:00.000+00:00", True)
    recorder.event(job_id, "mark", {"text": "reseal_done"}, at)
    recorder.close()
    ledger = Ledger(config(tmp_path).ledger, read_only=True)
    job = replace(
        left_open(ledger, job_id, config(tmp_path).settings), samples=(Sample(2000.0, "pan", 84213),)
    )
    ledger.close()
    back = Moment("another", 5.0, "2026-03-04T08:18:00.000+00:00", True)
    assert job.goes_on_at_s(back) == 1100.0 + 18 * 60.0


def test_a_simulated_bays_job_is_abandoned_with_its_figures(tmp_path: Path) -> None:
    engine, _ = engine_on(tmp_path, backend="simulated")
    job_id = engine.open_job(FORM)
    engine.close()
    engine, _ = engine_on(tmp_path, backend="simulated")
    assert engine.job(job_id).measured.stage == "abandoned"
    assert engine.view().stage == "idle"
    [shown] = engine.view().notices
    assert "a simulated axle is gone with it" in shown.text
    assert shown.text in [told.text for told in engine.job(job_id).measured.notices]
    engine.close()
