"""What the shop enters beside its jobs reaches the next job: catalogue, learned fill, unit mix-up, photos, stock."""

import io
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from station.__main__ import _open_engine, main
from station.bay.engine import Engine
from station.bay.plan import PlanForm
from station.errors import InputError, LedgerError
from station.given.config import demo_path, read_config
from station.given.report import Report
from station.given.said import Mark
from station.learning import condition
from station.record.finding import Wanted
from station.record.ledger import Ledger, job_row, now
from station.record.recorder import Recorder
from station.shop import audit, movement, stock
from tests.station.bay.fake_rig import until

FORM = PlanForm("b12_rear_axle", drained_fluid="gear_75w90_used", fresh_fluid="gear_75w90")


def closed_job(recorder: Recorder, n: int, filled_l: float) -> None:
    """A row as a finished job leaves it: the same axle, filled to the plug."""
    report = Report(
        stage="closed",
        verdict="full",
        listed_capacity_l=2.9,
        expected_fill_l=2.871,
        expected_fill_u95_l=0.029,
        tolerance_minus_l=0.1,
        tolerance_plus_l=0.1,
        drained_l=filled_l - 0.01,
        drained_u95_l=0.006,
        metered_l=filled_l,
        overflow_l=0.0,
        overflow_u95_l=0.001,
        filled_l=filled_l,
        filled_u95_l=0.009,
        level_seen=True,
        proved_fill_l=filled_l,
        reference_temperature_c=20.0,
    )
    labels = {"vehicle": "Bus 12", "compartment": "rear axle", "grade": "75W-90", "method": "cover removed"}
    utc = f"2026-0{n}-01T08:00:00.000+00:00"
    recorder.event(f"old{n}", "job_open", {"job": {"capacity": "2.9 L", "method": "cover removed"}}, now(0.0))
    recorder.result(
        f"old{n}", report, job_row(f"old{n}", utc, utc, labels, report, 94_000.0 + 1000 * n), now(0.0)
    )


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    config = replace(read_config(demo_path()), ledger=tmp_path_factory.mktemp("shop") / "l.sqlite")
    recorder = Recorder(config.ledger, lambda text: None)
    for n, filled_l in enumerate((2.79, 2.80, 2.81, 2.795, 2.805, 2.80), start=1):
        closed_job(recorder, n, filled_l)
    recorder.close()
    engine, close = _open_engine(config, simulated=True)
    yield engine
    close()


def wait_for(engine: Engine, kind: str) -> None:
    """The recorder writes in a thread of its own."""

    def written() -> bool:
        with engine.reading() as ledger:
            return any(event["kind"] == kind for event in ledger.events())

    until(written, "written")


def test_the_configuration_seeds_the_catalogue_once(engine: Engine) -> None:
    assert next(e.key for e in engine.catalogue().active("compartment")) == ("Bus 12", "rear axle")
    wait_for(engine, "catalogue")
    with engine.reading() as ledger:
        assert len(list(ledger.shop_events("catalogue"))) == 1


def test_the_target_is_learned_from_the_shops_own_jobs(engine: Engine) -> None:
    job_id = engine.open_job(FORM)
    job = engine.view().job
    assert job is not None
    expected_l = job.expected_fill_l
    engine.abandon("only a test")
    assert 2.79 < expected_l < 2.85  # drawn from the listed 2.871 towards six fills of 2.80
    wait_for(engine, "abandoned")
    assert engine.job(job_id).labels["expected_from"] == "learned from 6 jobs"


def test_the_plan_is_told_before_the_job_is_opened(engine: Engine) -> None:
    told = engine.plan_preview(FORM)
    assert told.expected.words == "learned from 6 jobs"
    assert 2.79 < told.expected.value_l < 2.85
    assert told.supply.held == 0
    assert "No container of Gear oil 75W-90, fresh is entered" in told.supply_text
    assert told.pan is None
    large = engine.plan_preview(replace(FORM, capacity="14 L", container="drum 1"))
    assert "the pan takes 12.0 L more. What is more runs over its rim" in str(large.pan)
    with pytest.raises(InputError, match="takes 75W-90"):
        engine.plan_preview(replace(FORM, fresh_fluid="atf"))


def test_the_open_job_leads_the_list_and_its_vehicles_list(engine: Engine) -> None:
    job_id = engine.open_job(FORM)
    closed = [row.job_id for row in engine.jobs(100) if row.job_id != job_id]
    assert [row.job_id for row in engine.jobs(3)] == [job_id, *closed[:2]]
    assert [row.job_id for row in engine.jobs(3, job_id)] == closed[:3]
    assert [row.job_id for row in engine.jobs(3, closed[0])] == closed[1:4]
    assert engine.jobs(1, wanted=Wanted(vehicle="Bus 12"))[0].closed_utc is None
    assert engine.jobs(100, wanted=Wanted(vehicle="Bus 7")) == []
    with pytest.raises(InputError, match="before is 'nowhere'"):
        engine.jobs(3, "nowhere")
    engine.abandon("only a test")


def test_a_capacity_in_the_wrong_unit_is_stopped_before_the_pump_can_run(engine: Engine) -> None:
    with pytest.raises(InputError, match=r"the catalogue lists 2\.9 L"):
        engine.open_job(replace(FORM, capacity="2.9 US gallon"))
    engine.open_job(replace(FORM, capacity="2.9 US gallon", capacity_reason="read in the manual"))
    for item in engine.view().checklist:
        engine.check(item.key, True)
    for mark in (Mark.PAN_PLACED, Mark.DRAIN_OPEN, Mark.DRAIN_DONE, Mark.RESEAL_DONE):
        engine.mark(mark)
    with pytest.raises(InputError, match="confirm"):
        engine.mark(Mark.FILL_START)
    assert engine.view().stage == "reseal"
    engine.note("capacity", "read again from the plate: really gallons")
    engine.mark(Mark.FILL_START)
    assert engine.view().stage == "fill"
    engine.abandon("only a test")


def test_an_entered_compartment_is_offered_and_a_retired_one_is_not(engine: Engine) -> None:
    engine.entries.enter("vehicle", {"vehicle": "Bus 31"}, "M. Okafor")
    fields = {"vehicle": "Bus 31", "compartment": "rear axle", "capacity": "3.1 L", "method": "cover removed"}
    engine.entries.enter("compartment", fields)
    assert ("Bus 31", "3.1 L") in [(c.vehicle, c.capacity) for c in engine.plan_options().compartments]
    engine.entries.retire("compartment", ["Bus 31", "rear axle"])
    assert "Bus 31" not in [c.vehicle for c in engine.plan_options().compartments]


@pytest.mark.parametrize(
    ("table", "fields", "expected"),
    [
        ("compartment", {"vehicle": "Bus 12", "compartment": "x"}, "capacity"),
        ("tyres", {}, "no table"),
        ("vehicle", {}, "vehicle is empty"),
    ],
)
def test_a_wrong_entry_is_refused_with_a_sentence(
    engine: Engine, table: str, fields: dict[str, str], expected: str
) -> None:
    with pytest.raises(InputError, match=expected):
        engine.entries.enter(table, fields)


def test_what_is_not_listed_cannot_be_retired(engine: Engine) -> None:
    with pytest.raises(InputError, match="not among"):
        engine.entries.retire("vehicle", ["Bus 99"])


def test_an_import_with_one_bad_row_changes_nothing(engine: Engine) -> None:
    data = b"vehicle,note\nBus 40,new\n,nameless\n"
    plan = engine.entries.dry_run("vehicle", data)
    assert [row for row, _ in plan.rejected] == [3]
    with pytest.raises(InputError, match="nothing imported"):
        engine.entries.import_file("vehicle", data)
    assert engine.catalogue().get("vehicle", "Bus 40") is None
    engine.entries.import_file("vehicle", b"vehicle,note\nBus 40,new\n")
    assert engine.catalogue().get("vehicle", "Bus 40") is not None


def test_fluid_moved_by_hand_is_in_the_audit_and_the_stock(engine: Engine) -> None:
    drum = {"container": "drum A", "fluid": "gear_75w90", "size": "60 L"}
    engine.entries.enter("container", drum)
    engine.entries.move(movement.Movement("received", "gear_75w90", 60.0, container="drum A"))
    engine.entries.move(movement.Movement("waste", "gear_75w90", 2 * 0.946352946, container="drum A"))
    with engine.reading() as ledger:
        held = stock.contents(ledger, engine.catalogue())
        books = audit.audit(ledger, "2026-01-01", "2100-01-01", engine.catalogue(), "us")
    assert held[0].to_dict()["booked_l"] == pytest.approx(60 - 2 * 0.946352946, abs=1e-6)
    assert books.to_dict()["total"]["waste_l"] == pytest.approx(2 * 0.946352946, abs=1e-6)


def test_an_entry_is_on_disk_when_the_station_has_answered_however_slow_the_disk_is(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = Ledger.append

    def slowly(*values: Any) -> int:
        time.sleep(0.2)
        return append(*values)

    monkeypatch.setattr(Ledger, "append", slowly)
    engine.entries.move(movement.Movement("waste", "atf", 1.0, note="slow disk"))
    with engine.reading() as ledger:
        assert ledger.db.execute("select count(*) from movement where note = 'slow disk'").fetchone() == (1,)


def test_an_entry_that_the_disk_refuses_is_told_as_that(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = Ledger.append

    def refused(*values: Any) -> int:
        raise LedgerError("disk is full")

    monkeypatch.setattr(Ledger, "append", refused)
    with pytest.raises(LedgerError, match="does not take the entry yet"):
        engine.entries.move(movement.Movement("waste", "atf", 1.0, note="full disk"))
    monkeypatch.setattr(Ledger, "append", append)

    def written() -> bool:
        with engine.reading() as ledger:
            sql = "select count(*) from movement where note = 'full disk'"
            return bool(ledger.db.execute(sql).fetchone() == (1,))

    until(written, "written")


def test_a_photo_is_kept_without_its_metadata(engine: Engine) -> None:
    job_id = engine.open_job(FORM)
    picture = io.BytesIO()
    image = Image.new("RGB", (640, 480), (120, 80, 20))
    tags = Image.Exif()
    tags[0x010E] = "where the photographer lives"
    image.save(picture, "JPEG", exif=tags)
    assert b"photographer" in picture.getvalue()
    photo = engine.entries.photo(job_id, picture.getvalue(), "M. Okafor", "magnet")
    engine.abandon("only a test")
    kept = condition.load(condition.folder_of(Path(engine.config.ledger)), photo.name)
    assert b"photographer" not in kept
    with pytest.raises(InputError):
        engine.entries.photo(job_id, b"GIF89a not a photo", "", "")


def test_causes_of_a_job_are_ranked_and_named(engine: Engine) -> None:
    job_id = engine.open_job(replace(FORM, capacity="2.9 US gallon", capacity_reason="read in the manual"))
    engine.abandon("only a test")
    until(lambda: engine.job(job_id).closed_utc is not None, "written")
    assert engine.causes(job_id).causes[0].kind == "unit_mixup"


def test_fluid_that_was_never_changed_is_told_against_the_catalogues_interval(
    engine: Engine, capsys: pytest.CaptureFixture[str]
) -> None:
    """The record says changed 1,000 km ago of an interval of 80,000 km; what comes out is black and burnt."""
    entry = engine.catalogue().get("compartment", "Bus 12", "rear axle")
    assert entry is not None
    fields = {"vehicle": "Bus 12", "compartment": "rear axle", **entry.fields}
    job_id = engine.open_job(replace(FORM, distance="101000 km"))
    engine.entries.note_condition(job_id, condition.picked("black", "burnt", "none"))
    engine.abandon("only a test")
    engine.entries.enter("technician", {"technician": "M. Okafor"})  # all before is on disk
    assert "never_changed" not in [cause.kind for cause in engine.causes(job_id).causes]
    engine.entries.enter("compartment", {**fields, "interval_distance": "80 000 km"})
    (cause,) = [cause for cause in engine.causes(job_id).causes if cause.kind == "never_changed"]
    assert "1\u00a0000\u00a0km ago" in cause.text
    path = str(engine.config.ledger)
    assert main(["why", job_id, "--ledger", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["causes"] == [
        cause.to_dict() for cause in engine.causes(job_id).causes
    ]


def test_the_ledger_is_whole_after_all_that(engine: Engine) -> None:
    ledger = Ledger(engine.config.ledger, read_only=True)
    assert ledger.verify() is None
    ledger.close()
