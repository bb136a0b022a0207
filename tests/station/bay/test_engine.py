"""The running station on a simulated bay, through pins, bits, files and the guard process, in real time."""

import asyncio
import re
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from station.__main__ import _open_engine
from station.bay.engine import PAGE_LAPSE_S, Engine
from station.bay.plan import PlanForm
from station.core.replay import replay
from station.errors import InputError
from station.figures import balance
from station.given import recording
from station.given.bench import BenchVerb
from station.given.config import BayConfig, demo_path, read_config
from station.given.job import spec_from_tables
from station.given.said import Came, Mark
from station.learning import reason
from station.people.access import Access
from station.people.people import Role
from station.people.store import People
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.rehearsing.rehearse import rehearse
from station.rehearsing.scenario import Technician, read_scenario
from tests.station.bay.fake_rig import until
from tests.web.conftest import CHANGE, HOST
from web.app import create_app
from web.frame.door import TOKEN

FORM = PlanForm(
    compartment="b12_rear_axle",
    drained_fluid="gear_75w90_used",
    fresh_fluid="gear_75w90",
    technician="J. Lindqvist",
)


def config(folder: Path) -> BayConfig:
    return replace(read_config(demo_path()), ledger=folder / "ledger.sqlite")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bay")


@pytest.fixture(scope="module")
def engine(folder: Path) -> Iterator[Engine]:
    engine, close = _open_engine(config(folder), simulated=True)
    yield engine
    close()


def soon(engine: Engine, true: Callable[[], bool], within_s: float, what: str) -> float:
    """Wait for what is promised within a time; how long it took. By the bay's clock, which waits for a busy computer."""
    started = engine._clock()

    def over() -> bool:
        late = engine._clock() - started > within_s
        if not (there := true()) and late:
            pytest.fail(f"{what}: not within {within_s} s")
        return there

    until(over, what)
    return engine._clock() - started


def pass_by(engine: Engine, seconds: float) -> None:
    end_s = engine._clock() + seconds
    until(lambda: engine._clock() >= end_s, f"{seconds} s of the bay's")


def to_fill(engine: Engine) -> str:
    until(lambda: engine.view().pan_g is not None, "pan reads")
    if engine.view().stage not in ("idle", "closed", "abandoned"):
        engine.abandon("the next test needs the bay")
    job_id = engine.open_job(FORM)
    until(lambda: engine.view().stage == "plan", "job shown")
    for item in engine.view().checklist:
        engine.check(item.key, True)
    for mark in (Mark.PAN_PLACED, Mark.DRAIN_OPEN, Mark.DRAIN_DONE, Mark.RESEAL_DONE):
        engine.mark(mark)
    until(lambda: "fluid_supply_c" in engine.view().temperatures_c, "supply read")
    engine.note("capacity", "as listed: this drain was cut short")
    engine.mark(Mark.FILL_START)
    return job_id


def _press(engine: Engine) -> None:
    """Beat once as a holding hand does; where a busy computer lost a beat, let go first."""
    engine.hold(engine.view().latched is None)


def run_pump(engine: Engine) -> None:
    def running() -> bool:
        _press(engine)
        return bool(engine.view().pump_on)

    until(running, "pump runs while held")


def test_marks_are_taken_in_their_order_only(engine: Engine) -> None:
    until(lambda: engine.view().pan_g is not None, "pan reads")
    engine.open_job(FORM)
    with pytest.raises(InputError, match="does not fit the stage"):
        engine.mark(Mark.FILL_START)
    with pytest.raises(InputError, match="waits"):
        engine.mark(Mark.DRAIN_OPEN)  # the checklist comes first
    with pytest.raises(InputError, match="A job is open"):
        engine.open_job(FORM)
    for done in (True, False, True):  # a tick that is a mark, and needed for nothing
        engine.check("stands_level", done)
        item = next(item for item in engine.view().checklist if item.key == "stands_level")
        assert (item.done, item.optional) == (done, True)
    with pytest.raises(InputError, match="reason"):
        engine.abandon(" ")
    engine.abandon("only a test")
    assert engine.view().job is not None


def test_a_drain_that_brought_nothing_is_asked_about_once_and_only_of_a_person(engine: Engine) -> None:
    for ask in (True, False):
        engine.open_job(FORM)
        for item in engine.view().checklist:
            engine.check(item.key, True)
        engine.mark(Mark.PAN_PLACED)
        engine.mark(Mark.DRAIN_OPEN)
        if ask:
            with pytest.raises(InputError, match=r"Is it under the drain\? .* press Drain done once more"):
                engine.mark(Mark.DRAIN_DONE, "", ask)
            assert engine.view().stage == "drain", "nothing was marked"
        engine.mark(Mark.DRAIN_DONE, "", ask)
        until(lambda: engine.view().stage == "reseal", "drain over")
        engine.abandon("only a test")


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"compartment": "", "vehicle": ""}, "is empty"),
        ({"capacity": "2.9"}, "capacity"),
        ({"capacity": "-1 L"}, "capacity"),
        ({"fresh_fluid": "atf"}, "takes 75W-90"),
        ({"drained_fluid": "soup"}, "drained_fluid is 'soup'"),
        ({"method": "magic"}, "Emptied by: expected one of"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_with_a_sentence(
    engine: Engine, change: dict[str, str], expected: str
) -> None:
    with pytest.raises(InputError, match=expected):
        engine.open_job(replace(FORM, **change))


def held_l(engine: Engine) -> float:
    """What has been metered while somebody holds."""
    _press(engine)
    return engine.view().figures.metered_l or 0.0


def test_a_bare_quart_is_read_by_the_shops_country(engine: Engine) -> None:
    engine.open_job(replace(FORM, capacity="3 quarts"))
    until(lambda: engine.view().stage == "plan", "job shown")
    job = engine.view().job
    assert job is not None
    assert job.listed_capacity_l == pytest.approx(3 * 0.946352946)
    engine.abandon("only a test")


def test_the_pump_runs_only_while_held_and_stops_when_the_heartbeat_ends(engine: Engine) -> None:
    to_fill(engine)
    run_pump(engine)
    took_s = soon(engine, lambda: not engine.view().pump_on, 2, "pump off after the last heartbeat")
    print(f"pump seen off {took_s * 1000:.0f} ms after the last heartbeat")
    run_pump(engine)
    until(lambda: held_l(engine) > 0.01, "fluid is metered while held")
    engine.hold(False)
    soon(engine, lambda: not engine.view().pump_on, 1, "pump off on letting go")
    engine.abandon("only a test")


def test_whose_session_ends_while_they_hold_runs_no_pump_and_may_still_stop_it(
    engine: Engine, tmp_path: Path
) -> None:
    """Over the real application: what comes from the roll-up, from the bay's owner or from another device ends a session in
    the middle of a fill."""
    name, people = "M. Okafor", People(tmp_path / "people.json")
    people.add("E. Brandvold", Role.OWNER, secret="none that fits")
    told = {"name": name, "role": "technician", "secret": None}
    access = Access(people)
    ends: dict[str, Callable[[str], object]] = {
        "signed out elsewhere": access.sign_out,
        "another role, given at the bay": lambda token: people.set_role(name, Role.MANAGER),
        "taken out at the roll-up": lambda token: people.take({"version": 9, "people": []}),
    }
    app = create_app(engine, access)
    transport = httpx.ASGITransport(app, client=("127.0.0.1", 50000))
    client = httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}")
    to_fill(engine)
    with asyncio.Runner() as runner:

        def post(path: str, token: str, **body: object) -> httpx.Response:
            headers = {**CHANGE, "Cookie": f"{TOKEN}={token}"}
            return runner.run(client.post(path, json=body, headers=headers))

        for version, (how, end) in enumerate(ends.items(), 1):
            people.take({"version": version, "people": [{**told, "version": version}]})
            kept = people.get(name)
            assert kept is not None
            token = access.sessions.begin(kept.person, kept.version)
            grips = [f"{how} 0"]

            def beat(token: str = token, grips: list[str] = grips, held: bool = True) -> int:
                return post("/api/hold", token, held=held, grip=grips[-1]).status_code

            def running(beat: Callable[[], int] = beat, grips: list[str] = grips) -> bool:
                if beat() == 409:  # a busy computer lost a beat
                    grips.append(f"{grips[0]}{len(grips)}")
                return engine.view().pump_on

            def refused(beat: Callable[[], int] = beat) -> bool:
                assert beat() == 401
                return not engine.view().pump_on

            until(running, f"{how}: pump runs while held")
            end(token)
            assert "Sign in" in post("/api/hold", token, held=True, grip=grips[-1]).json()["text"]
            soon(engine, refused, PAGE_LAPSE_S + 1.0, f"{how}: pump off")
            assert beat(held=False) == 401
            assert post("/api/stop", token).status_code == 200, "with a session that is none any more"
            assert refused()
        runner.run(client.aclose())
    assert engine.view().job is not None, "the job goes on, under whoever signs in"
    engine.abandon("only a test")


def test_the_pendant_runs_the_pump_too(engine: Engine) -> None:
    to_fill(engine)
    engine.bench(BenchVerb.PENDANT_DOWN)
    until(lambda: engine.view().pump_on, "pump runs on the pendant")
    engine.bench(BenchVerb.PENDANT_UP)
    soon(engine, lambda: not engine.view().pump_on, 1, "pump off")
    engine.abandon("only a test")


@pytest.mark.parametrize(
    ("pull", "put_back", "source"),
    [("unplug_pan", "replug_pan", "pan"), ("unplug_supply", "replug_supply", "fluid_supply_c")],
)
def test_an_unplugged_sensor_stops_the_pump_and_is_told_within_two_seconds(
    engine: Engine, pull: str, put_back: str, source: str
) -> None:
    job_id = to_fill(engine)
    run_pump(engine)
    engine.bench(BenchVerb(pull))
    started = engine._clock()

    def told() -> bool:
        engine.hold(True)  # the technician goes on holding
        return any(fault.source == source for fault in engine.view().faults)

    soon(engine, told, 2, "the fault is told")
    soon(engine, lambda: not engine.view().pump_on, 2 - (engine._clock() - started), "the pump is off")
    engine.hold(True)
    time.sleep(0.2)
    assert not engine.view().pump_on
    assert any(source in notice.kind for notice in engine.view().notices)
    engine.hold(False)
    engine.bench(BenchVerb(put_back))
    until(lambda: not engine.view().faults, "well again")
    run_pump(engine)  # and the job goes on
    engine.hold(False)
    engine.abandon("only a test")
    until(lambda: engine.job(job_id).closed_utc is not None, "the job is kept")


def test_the_hard_wired_stop_is_sensed_and_its_release_restarts_nothing(engine: Engine) -> None:
    to_fill(engine)
    run_pump(engine)
    engine.bench(BenchVerb.STOP_PRESSED)

    def off() -> bool:
        engine.hold(True)
        return not engine.view().pump_on

    soon(engine, off, 2, "pump off")
    engine.bench(BenchVerb.STOP_RELEASED)
    for _ in range(10):
        engine.hold(True)
        time.sleep(0.05)
        assert not engine.view().pump_on
    engine.hold(False)
    engine.abandon("only a test")


def test_the_pages_stop_holds_until_every_control_was_let_go(engine: Engine) -> None:
    to_fill(engine)
    engine.bench(BenchVerb.PENDANT_DOWN)
    until(lambda: engine.view().pump_on, "pump runs on the pendant")
    engine.stop()
    soon(engine, lambda: not engine.view().pump_on, 1, "pump off though the pendant is held")
    time.sleep(0.3)
    assert not engine.view().pump_on
    engine.bench(BenchVerb.PENDANT_UP)
    until(lambda: not engine.view().held, "let go")
    engine.bench(BenchVerb.PENDANT_DOWN)
    until(lambda: engine.view().pump_on, "pump runs again after letting go")
    engine.bench(BenchVerb.PENDANT_UP)
    engine.abandon("only a test")


def begin_run(engine: Engine) -> None:
    """Begin a proving run as soon as the pan has been calm for long enough."""

    def begun() -> bool:
        try:
            engine.calibrations.begin_run()
        except InputError:
            return False
        return True

    until(begun, "the run begins")


def refused_as_held(engine: Engine) -> bool:
    try:
        engine.calibrations.begin_run()
    except InputError as refused:
        return "held" in str(refused)
    engine.calibrations.drop_run()
    return False


def test_a_proving_run_needs_a_new_press_and_its_drop_stops_the_pump(engine: Engine) -> None:
    engine.calibrations.begin_meter("gear_75w90", 1.0)
    try:
        pass_by(engine, 7.0)
        engine.bench(BenchVerb.PENDANT_DOWN)
        until(lambda: refused_as_held(engine), "a run refused while a control is held")
        engine.bench(BenchVerb.PENDANT_UP)
        begin_run(engine)
        engine.bench(BenchVerb.PENDANT_DOWN)
        until(lambda: engine.view().pump_on, "pump runs within the run")
        engine.calibrations.drop_run()
        soon(engine, lambda: not engine.view().pump_on, 1, "pump off though the pendant is held")
        time.sleep(0.4)
        assert not engine.view().pump_on
        engine.bench(BenchVerb.PENDANT_UP)
        time.sleep(0.2)
        assert not engine.view().pump_on
    finally:
        engine.bench(BenchVerb.PENDANT_UP)
        engine.calibrations.abandon("only a test")


def test_a_live_job_exported_and_replayed_gives_the_same_figures(engine: Engine, folder: Path) -> None:
    job_id = to_fill(engine)
    engine.bench(BenchVerb.HOSE_IN_WASTE)  # into a full axle it would stop as it runs over, sooner or later
    run_pump(engine)
    until(lambda: held_l(engine) > 0.05, "some fluid metered")
    engine.hold(False)
    until(lambda: not engine.view().pump_on, "pump off")
    pass_by(engine, 1.0)
    engine.mark(Mark.FILL_DONE)
    engine.mark(Mark.PLUG_IN)
    with pytest.raises(InputError, match="not topped up, level not seen: top up before the vehicle leaves"):
        engine.mark(Mark.CLOSE)
    with pytest.raises(InputError, match="at most 200"):
        engine.mark(Mark.CLOSE, "x" * 201)
    assert engine.view().stage == "leak watch"
    engine.mark(Mark.CLOSE, "waiting for fluid")
    until(lambda: engine.job(job_id).closed_utc is not None, "written")
    job = engine.job(job_id)
    told = reason.of_job(job)
    assert told is not None
    assert "leak watch ended after" in told.text
    assert "reason given: waiting for fluid" in told.text
    kept = job.measured.to_dict()
    spec = spec_from_tables(tomllib.loads(engine.job_toml(job_id)), "export")
    samples = recording.parse(engine.recording_csv(job_id).splitlines(True), "export")
    again = balance.report(replay(spec, samples)).to_dict()
    for key in kept:
        if key not in (
            "notices",
            "pump_runs",
            "leak_watch_s",
        ):  # hands and the bay's file are in no recording
            assert again[key] == kept[key], key
    assert kept["verdict"] == "short"
    ledger = Ledger(folder / "ledger.sqlite", read_only=True)
    assert ledger.verify() is None
    ledger.close()


def test_a_job_that_a_stopped_station_left_open_is_kept_with_its_figures(tmp_path: Path) -> None:
    here = config(tmp_path)
    half = rehearse(replace(read_scenario(None), technician=Technician(patience_s=240.0, cure_s=30.0)), 4)
    drained_at = next(s.t_s for s in half.samples if s.value == "drain_done")
    recorder = Recorder(here.ledger, lambda text: None)
    recorder.event("j1", "job_open", {**half.state.spec.to_table(), "backend": "simulated"}, now(0.0))
    for sample in half.samples:
        if sample.t_s <= drained_at + 5.0:
            recorder.sample("j1", sample)
    recorder.close()

    engine, close = _open_engine(here, simulated=True)
    try:
        until(lambda: engine.job("j1").closed_utc is not None, "the job is closed off")
        job = engine.job("j1")
        assert job.measured.stage == "abandoned"
        assert "interrupted" in [n.kind for n in job.measured.notices]
        assert job.measured.drained_l == pytest.approx(half.truth["drained_l"], rel=0.01)
        assert engine.view().pump_on is False
        assert engine.jobs()[0].job_id == "j1"
    finally:
        close()
    ledger = Ledger(here.ledger, read_only=True)
    assert ledger.verify() is None
    ledger.close()


def test_what_landed_on_the_pan_can_be_answered_until_the_close(engine: Engine) -> None:
    until(lambda: engine.view().pan_g is not None, "pan reads")
    if engine.view().stage not in ("idle", "closed", "abandoned"):
        engine.abandon("the next test needs the bay")
    with pytest.raises(InputError, match="No job is open"):
        engine.answer("s1", Came.FLUID)
    job_id = engine.open_job(FORM)
    until(lambda: engine.view().stage == "plan", "job shown")
    for item in engine.view().checklist:
        engine.check(item.key, True)
    engine.mark(Mark.PAN_PLACED)
    pass_by(engine, 1.5)
    engine.mark(Mark.DRAIN_OPEN)
    pass_by(engine, 1.0)
    with pytest.raises(InputError, match="no step 's1' on this pan; you can answer for: none yet"):
        engine.answer("s1", Came.FLUID)
    engine.bench(BenchVerb.WEIGHT_500G)
    until(lambda: engine.view().steps != (), "the weight seen")
    seen = engine.view().steps[0]
    assert seen.kind == "object"
    assert seen.utc is not None
    assert engine.view().figures.drained_l == pytest.approx(0.0, abs=0.05)
    engine.answer("s1", Came.FLUID)
    assert engine.view().steps[0].says == "fluid"
    assert engine.view().figures.drained_l == pytest.approx(0.57, abs=0.05)
    engine.mark(Mark.DRAIN_DONE)
    engine.answer("s1", Came.OBJECT)
    assert engine.view().figures.drained_l == pytest.approx(0.0, abs=0.05)
    engine.bench(BenchVerb.WEIGHTS_OFF)
    until(lambda: len(engine.view().steps) == 2, "the weight gone")
    with pytest.raises(InputError, match=r"s2 \(object gone\) is not asked about"):
        engine.answer("s2", Came.FLUID)
    engine.abandon("only a test")
    texts = [(e.kind, e.text) for e in engine.job(job_id).events if e.kind in ("step", "answer")]
    assert texts[0][0] == "step"
    assert re.fullmatch(
        r"s1: object of \+(499|500|501) g", texts[0][1]
    )  # the pan's noise, rounded to the gram
    assert texts[1:3] == [("answer", "s1:fluid"), ("answer", "s1:object")]
    with pytest.raises(InputError, match="No job is open"):
        engine.answer("s1", Came.FLUID)
