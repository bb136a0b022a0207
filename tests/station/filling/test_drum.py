"""Drum, hose and learned overrun from job to job, through the record and back."""

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from calibration.budget import expanded
from hardware.sample import Sample
from station.__main__ import _open_engine
from station.bay.engine import Engine
from station.bay.plan import PlanForm
from station.bay.supply_book import SupplyBook
from station.bay.views import SlugView
from station.core.state import Supply
from station.errors import InputError
from station.filling.drum import Drum, short_by_l
from station.filling.limits import LIMITS
from station.given.bench import BenchVerb
from station.given.config import BayConfig, demo_path, read_config
from station.given.said import Mark, SetAside
from station.record import archive
from station.record.ledger import Ledger
from station.record.recorder import Recorder
from tests.soak.fills import Fill, spec_of

PATIENCE_S = 60.0
"""How soon a pump stops is shown elsewhere, by a clock that is told."""

GEAR_FORM = PlanForm(
    compartment="b12_rear_axle",
    drained_fluid="gear_75w90_used",
    fresh_fluid="gear_75w90",
    technician="J. Lindqvist",
)
ATF_FORM = PlanForm(
    compartment="b12_transfer",
    drained_fluid="atf_used",
    fresh_fluid="atf",
    technician="M. Okafor",
)


def test_a_drum_counts_down_and_never_below_empty() -> None:
    drum = Drum("drum 1", "gear", "75W-90", 20.0, 0.1)
    later = drum.now(4.0).now(7.0)
    assert later.left_l == pytest.approx(13.0)
    assert later.u_l == pytest.approx(0.1 + 0.005 * 7.0)
    assert drum.now(0.0) is drum
    assert drum.now(30.0).left_l == 0.0


def test_it_is_short_by_what_is_missing_with_its_doubt_against_it() -> None:
    drum = Drum("drum 1", "gear", "75W-90", 3.0, 0.1)
    assert short_by_l(drum, 2.0) == 0.0
    assert short_by_l(drum, 3.0) == pytest.approx(3.0 + LIMITS.spare_l - (3.0 - expanded(0.1)))


@pytest.fixture
def config(tmp_path: Path) -> BayConfig:
    return replace(read_config(demo_path()), ledger=tmp_path / "ledger.sqlite")


def test_between_jobs_every_pulse_counts_and_a_stray_flow_is_told_once(config: BayConfig) -> None:
    recorder = Recorder(config.ledger, lambda text: None)
    book = SupplyBook(config, recorder)
    book.connect(None, "drum 7", "gear_75w90", 20.0, 0.0)
    told = [book.idle(Sample(t, "meter", 1000 + t), config.meter, may_flow=False) for t in range(20)]
    assert [t for t in told if t] == ["20 mL flowed between jobs, with the pump off."]
    assert book.drum is not None
    assert book.drum.left_l == pytest.approx(20.0 - 19 / 402.5)
    assert book.idle(Sample(30.0, "meter", 5000), config.meter, may_flow=True) is None, (
        "a proving run pumps on purpose"
    )
    recorder.close()


def test_a_container_is_refused_with_a_sentence(config: BayConfig) -> None:
    recorder = Recorder(config.ledger, lambda text: None)
    book = SupplyBook(config, recorder)
    for form, words in (
        (("drum", "soup", 20.0), "fluid is 'soup'"),
        (("", "atf", 20.0), "name is empty"),
        (("drum", "atf", 1e6), "volume_l is 1000000.0"),
    ):
        with pytest.raises(InputError, match=words):
            book.connect(None, *form, 0.0)
        assert book.drum is None
    recorder.close()


def test_another_fluids_drum_in_between_leaves_hose_and_books_right(config: BayConfig) -> None:
    """0.3 L of gear oil, 0.5 L of ATF by mistake, 0.1 L of gear oil: a quarter of a litre of ATF still stands in the hose."""
    recorder = Recorder(config.ledger, lambda text: None)
    book = SupplyBook(config, recorder)
    state = Fill(
        spec_of("75W-90", 1.0, None, {"fluid": "gear_75w90", "container": "keg 1"}, None), 20.0, 1
    ).state
    keg, other, again = (
        Drum("keg 1", "gear_75w90", "75W-90", 5.0),
        Drum("drum B", "atf", "ATF", 5.0, total_l=0.3),
        Drum("keg 2", "gear_75w90", "75W-90", 5.0, total_l=0.8),
    )
    poured_l = {"keg 1": 0.3, "drum B": 0.5}
    supply = Supply(drum=again, drum_from_l=0.8, poured_l=poured_l, earlier=(keg, other))
    state = replace(state, supply=supply, meter=replace(state.meter, total_l=0.9, volume_l=0.9))
    book.settle("j1", state)
    recorder.close()
    assert [(slug.fluid, round(slug.volume_l, 3)) for slug in book.hose.slugs] == [
        ("atf", 0.25),
        ("gear_75w90", 0.1),
    ]
    ledger = Ledger(config.ledger, read_only=True)
    moved = list(ledger.db.query("select fluid, container, volume_l from movement order by seq"))
    ledger.close()
    assert [(m["fluid"], m["container"], round(m["volume_l"], 3)) for m in moved] == [
        ("atf", "drum B", 0.5),
        ("gear_75w90", "keg 1", -0.5),
        ("gear_75w90", "keg 2", 0.1),
        ("gear_75w90", "keg 1", -0.1),
    ]


def until(true: Callable[[], object], what: str) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end_s:
            pytest.fail(f"{what}: not within {PATIENCE_S} s")
        time.sleep(0.01)


def begin(engine: Engine, form: PlanForm) -> str:
    until(lambda: engine.view().pan_g is not None, "pan reads")
    job_id = engine.open_job(form)
    until(lambda: engine.view().stage == "plan", "job shown")
    for item in engine.view().checklist:
        engine.check(item.key, True)
    for mark in (Mark.PAN_PLACED, Mark.DRAIN_OPEN, Mark.DRAIN_DONE, Mark.RESEAL_DONE):
        engine.mark(mark)
    until(lambda: "fluid_supply_c" in engine.view().temperatures_c, "supply read")
    engine.note("capacity", "looked up and right")
    return job_id


def hold(engine: Engine) -> bool:
    """Beat once as a holding hand does; where a busy computer lost a beat or a reading, let go first. Whether the pump runs."""
    engine.hold(engine.view().latched is None)
    return engine.view().pump_on


def pump(engine: Engine, litres: Callable[[], float], enough_l: float) -> None:
    end_s = time.monotonic() + 2 * PATIENCE_S
    while litres() < enough_l:
        hold(engine)
        time.sleep(0.02)
        view = engine.view()
        assert time.monotonic() < end_s, (litres(), view.latched, view.blocked, view.notices)
    engine.hold(False)
    until(lambda: not engine.view().pump_on, "pump off")
    settled_s = engine._clock() + 1.0
    until(lambda: engine._clock() > settled_s, "what ran on is metered")


def test_purge_drum_and_hose_live_and_after_a_restart(config: BayConfig) -> None:
    """A gear-oil bay serves a transfer case: the hose is purged, all of it is counted, and the record keeps it."""
    engine, close = _open_engine(config, simulated=True)
    try:
        engine.connect_drum("keg 2", "atf", 5.0)
        supply = engine.view().supply
        assert supply.hose == (SlugView("gear_75w90", "75W-90", 0.35),)
        job_id = begin(engine, ATF_FORM)
        assert engine.view().pump.purge_needed_l == pytest.approx(0.525), (
            "half as much again as the hose holds"
        )
        engine.mark(Mark.FILL_START)
        assert engine.view().blocked == "the hose holds another grade"
        with pytest.raises(InputError, match="before the fill"):
            engine.purge(True)
        with pytest.raises(InputError, match="reason"):
            engine.override(SetAside.HOSE_HOLDS, " ")
        engine.override(SetAside.HOSE_HOLDS, "the owner wants it so")
        until(lambda: engine.view().blocked is None, "set aside")
        engine.abandon("the hose was not purged")
        given_up = job_id

        job_id = begin(engine, ATF_FORM)
        engine.purge(True)
        engine.bench(BenchVerb.FASTER)
        assert engine.view().pump.purging is True
        pump(engine, lambda: engine.view().pump.purge_l, 0.4)
        engine.purge(False)
        engine.mark(Mark.FILL_START)
        view = engine.view()
        assert view.figures.metered_l in (None, 0.0)
        assert view.blocked is None
        purged_l = view.pump.purged_l
        pump(engine, lambda: engine.view().figures.metered_l or 0.0, 0.1)
        engine.hold(False)
        metered_l = engine.view().figures.metered_l
        left_l = engine.view().supply.left_l
        assert left_l == pytest.approx(5.0 - purged_l - metered_l, abs=0.006)
        engine.connect_drum("keg 3", "atf", 2 * 0.946353)
        assert engine.view().supply.left_l == pytest.approx(1.8927, abs=0.001)
        pump(engine, lambda: engine.view().figures.metered_l or 0.0, metered_l + 0.05)
        engine.abandon("only a test")
        last = engine.view().supply
    finally:
        close()

    engine, close = _open_engine(config, simulated=True)
    try:
        again = engine.view().supply
        assert again.container == "keg 3"
        assert again.left_l == pytest.approx(last.left_l, abs=0.003)
        [slug] = again.hose
        assert (slug.fluid, slug.grade) == ("atf", "ATF")
        assert slug.volume_l == pytest.approx(0.35)
    finally:
        close()
    ledger = Ledger(config.ledger, read_only=True)
    moves = list(ledger.db.query("select kind, container, volume_l from movement order by seq"))
    assert sum(m["volume_l"] for m in moves if m["kind"] == "purge") == pytest.approx(purged_l, abs=0.001)
    assert [m["container"] for m in moves if m["kind"] == "counted"] == ["keg 2", "keg 3"]
    from_3_l = 2 * 0.946353 - last.left_l
    assert from_3_l > 0.04
    assert {m["container"]: m["volume_l"] for m in moves if m["kind"] == "shifted"} == {
        "keg 3": pytest.approx(from_3_l, abs=0.005),
        "keg 2": pytest.approx(-from_3_l, abs=0.005),
    }
    overrides = archive.job(ledger, given_up).texts("override")
    assert overrides == ["hose_holds: the owner wants it so"]
    purges = archive.job(ledger, job_id).texts("purge")
    assert archive.job(ledger, job_id).texts("container") == [
        "keg 3 at the pump, 1.9 L of Automatic transmission fluid, fresh in it"
    ]
    assert len(purges) == 1
    assert f"{purged_l * 1000:.0f} mL into a waste vessel" in purges[0]
    assert [
        e["body"]["instead_of"]["container"]
        for e in ledger.shop_events("drum")
        if e["body"].get("instead_of")
    ] == ["keg 2"]
    assert ledger.verify() is None
    ledger.close()


@pytest.mark.parametrize(
    ("breaks", "mends", "told"),
    [("kink_hose", "free_hose", "no_flow"), ("weld_relay", "free_relay", "flow_while_stopped")],
)
def test_a_broken_line_is_told_live(config: BayConfig, breaks: str, mends: str, told: str) -> None:
    """The real service: the bench breaks the line in mid-fill, and the notice names it."""
    engine, close = _open_engine(config, simulated=True)
    try:
        begin(engine, GEAR_FORM)
        engine.mark(Mark.FILL_START)
        pump(engine, lambda: engine.view().figures.metered_l or 0.0, 0.03)
        if told == "no_flow":
            until(lambda: hold(engine), "pump on")
        engine.bench(BenchVerb(breaks))
        end_s = time.monotonic() + PATIENCE_S
        while told not in [n.kind for n in engine.view().notices]:
            if told == "no_flow":
                hold(engine)
            time.sleep(0.02)
            assert time.monotonic() < end_s, engine.view().notices
        until(lambda: not engine.view().pump_on, "pump off")
        engine.hold(False)
        engine.bench(BenchVerb(mends))
        engine.abandon("only a test")
    finally:
        close()
