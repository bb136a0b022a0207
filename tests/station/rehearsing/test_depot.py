"""The simulated depot's past: a whole record, of any day, that the engine plays again, with its stories where the pages
look for them."""

import json
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from hardware.simulated.bay import SimulatedBay
from hardware.simulated.plant import Plant
from station.common import days
from station.given.config import BayConfig, demo_path, read_config
from station.given.job import spec_from_tables
from station.learning import expected, quality, reason
from station.learning.first_look import look_first
from station.learning.quality import NEXT_DRAIN
from station.record import archive
from station.record.ledger import Ledger, now
from station.record.verify import verify
from station.rehearsing import depot
from station.rehearsing.bench import Bench
from station.shop import audit, catalogue, course, due, offered, stock
from station.shop.shop import Causes, causes
from tests.depot import timetable
from tests.depot.playing import Depot
from tests.depot.timetable import ATF, DRIFTS_FROM, GEAR, LATE_SHIFT, SHORT
from tests.golden import differences

ZONE = ZoneInfo("Europe/Oslo")
METER = "Bay 1 meter"
MOST_BYTES = 1_200_000


@dataclass(frozen=True)
class Opened:
    path: Path
    config: BayConfig
    ledger: Ledger
    today: date

    def day(self, day: int) -> str:
        return f"{self.today + timedelta(days=day)}"

    def books(self, first: int, after: int) -> dict[str, stock.Stock]:
        """Container → its stock take of a period."""
        shop = catalogue.read(self.ledger)
        found = audit.audit(self.ledger, self.day(first), self.day(after), shop, "us", ZONE)
        return {take.container: take for take in found.stock}

    def job(self, day: int, vehicle: str, compartment: str) -> str:
        sql = "select job_id from job where vehicle = ? and compartment = ? and opened_utc >= ? order by rowid limit 1"
        begins = days.begins(self.day(day), ZONE)
        return str(self.ledger.db.execute(sql, [vehicle, compartment, begins]).fetchone()[0])

    def opening(self, job_id: str) -> dict[str, Any]:
        return archive.spec_tables(next(self.ledger.events(job_id))["body"])

    def causes(self, job_id: str) -> Causes:
        job = archive.job(self.ledger, job_id)
        return causes(self.config, catalogue.read(self.ledger), self.ledger, job)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    path = tmp_path_factory.mktemp("depot") / "l.sqlite"
    assert depot.begin(path, ZONE)
    ledger = Ledger(path, read_only=True)
    yield Opened(path, replace(read_config(demo_path()), ledger=path, zone=ZONE), ledger, days.today(ZONE))
    ledger.close()


def seed() -> dict[str, Any]:
    with zipfile.ZipFile(depot.seed_path()) as archived:
        told: dict[str, Any] = json.loads(archived.read("record.json"))
    return told


# --- the record ----------------------------------------------------------------------------------------------


def test_the_record_is_whole_and_says_that_it_is_simulated(opened: Opened) -> None:
    verdict = verify(opened.path)
    assert (verdict.broken, verdict.notes) == ([], [])
    assert archive.begins_invented(opened.ledger)
    assert archive.of_simulated_bay(opened.ledger)
    jobs = opened.ledger.jobs(limit=1000)
    assert len(jobs) == len(list(timetable.services()))
    assert all(archive.job(opened.ledger, job.job_id).backend == "simulated" for job in jobs[::20])
    assert all("simulated" in str(c.conditions) for c in archive.certificates(opened.ledger))
    assert opened.ledger.unfinished() == []


def test_bays_that_share_the_past_have_each_job_once_and_the_books_of_their_own_container(
    opened: Opened, tmp_path: Path
) -> None:
    books: dict[str, stock.Stock] = {}
    jobs: list[str] = []
    begun = set()
    for part in depot.parts(["Bay 1", "Bay 2", "Bay 3"]):
        path = tmp_path / f"{part.bay}.sqlite"
        assert depot.begin(path, ZONE, part=part)
        assert verify(path).broken == []
        with closing(Ledger(path, read_only=True)) as ledger:
            books |= replace(opened, ledger=ledger).books(-300, -1)
            begun.add(ledger.db.execute("select hash from event where seq = 1").fetchone()[0])
            rows = ledger.jobs(limit=1000)
        assert {(row.bay, row.meter) for row in rows} == {(part.bay, f"{part.bay} meter")}
        jobs += [
            row.job_id[-6:] for row in rows
        ]  # before that stands when it was, and today's jobs were just now
    assert sorted(jobs) == sorted(row.job_id[-6:] for row in opened.ledger.jobs(limit=1000))
    whole = opened.books(-300, -1)
    assert books == whole
    assert len(whole) == 2
    assert len(begun) == 2, "a roll-up takes records with one beginning for one record under two names"


def test_a_record_that_has_begun_stays_as_it_is(opened: Opened, tmp_path: Path) -> None:
    before = opened.ledger.newest_utc()
    assert not depot.begin(opened.path, ZONE)
    assert opened.ledger.newest_utc() == before
    ledger = Ledger(tmp_path / "l.sqlite")
    ledger.append(None, "software", {"text": "a first start"}, now())
    ledger.close()
    assert not depot.begin(tmp_path / "l.sqlite", ZONE)


def test_the_seed_is_small() -> None:
    assert depot.seed_path().stat().st_size <= MOST_BYTES


@pytest.mark.parametrize(
    ("zone", "text"),
    [
        ("Europe/Oslo", "2027-03-01T00:10:00+01:00"),
        ("Europe/Oslo", "2027-03-28T12:00:00+02:00"),
        ("Pacific/Auckland", "2026-12-31T07:00:00+13:00"),
        ("America/Los_Angeles", "2026-11-02T23:59:00-08:00"),
    ],
)
def test_its_days_end_with_the_moment_of_opening_and_follow_each_other(zone: str, text: str) -> None:
    at = datetime.fromisoformat(text)
    told = [depot.Told(*entry) for entry in seed()["events"]]
    clock = depot.Clock(at, ZoneInfo(zone), told)
    moments = [clock.at(entry.day, entry.at_s) for entry in told]
    assert moments == sorted(moments)
    assert timedelta(seconds=depot.SINCE_S) <= at - moments[-1] < timedelta(hours=18)


def test_this_month_has_something_on_its_first_morning() -> None:
    at = datetime.fromisoformat("2027-03-01T05:00:00+01:00")
    told = [depot.Told(*entry) for entry in seed()["events"]]
    newest = depot.Clock(at, ZONE, told).local(told[-1].day, told[-1].at_s)
    assert newest.date() == at.date()


@pytest.mark.parametrize("place", [("Bus 4", "gearbox", -72), ("Bus 9", "rear axle", -45)])
def test_the_engine_plays_its_jobs_again_to_the_last_digit(place: tuple[str, str, int]) -> None:
    """What was measured, with every term of its budgets, and the verdict. How likely each instrument was sound is judged anew
    by each version, and a sentence may be said in better words."""
    told = seed()
    services = list(timetable.services())
    number = next(n for n, s in enumerate(services) if (s.vehicle, s.part, s.day) == place)
    bodies = {kind: json.loads(text) for _, _, job, kind, text in told["events"] if job == number}
    opening = bodies["job_open"]
    played = Depot(read_config(demo_path()), Ledger(":memory:"))
    learned = {"fluids": {"gear_75w90": opening["learned"]}, "job_id": ""}
    played.book.ledger.append(None, "learned", learned, now())
    played.desk.supply.read(played.book.ledger)
    spec = spec_from_tables(archive.spec_tables(opening), "seed", "us")
    played.play(number, services[number], spec, told["held_l"][number])
    again = next(event.body["report"] for event in reversed(played.book.events) if event.kind == "result")
    assert again["verdict"] == bodies["result"]["report"]["verdict"]
    moved = list(differences(figures(bodies["result"]["report"]), figures(again)))
    assert not moved, "; ".join(moved[:5])


def figures(report: Any) -> Any:
    """The numbers of a report, where they stand."""
    if isinstance(report, dict):
        return {name: figures(value) for name, value in report.items() if name not in JUDGED}
    if isinstance(report, list):
        return [figures(value) for value in report]
    return None if isinstance(report, str) else report


JUDGED = ("p_short", "p_within", "p_over", "witnesses", "narrows", "notices")


# --- its stories, where the pages ask for them ----------------------------------------------------------------


def test_three_short_fills_stand_on_top_of_what_is_due_and_have_somebody_in_common(opened: Opened) -> None:
    content = quality.quality(opened.ledger, opened.day(-89), opened.day(1), ZONE)
    assert sorted(fill.vehicle or "" for fill in content.short) == sorted(bus for bus, _ in SHORT.values())
    assert {fill.compartment for fill in content.short} == {"gearbox"}
    assert all("stopped by hand" in fill.reason.lower() for fill in content.short)
    assert ("technician", LATE_SHIFT) in {(one.dimension, one.name) for one in content.recurring}
    services = due.overview(opened.ledger, catalogue.read(opened.ledger), opened.today, zone=ZONE)
    states = [service.state for service in services]
    assert states[:5] == ["short fill"] * 3 + ["leaks", "overdue"]
    assert [(s.vehicle, s.compartment) for s in services if s.state == "overdue"] == [("Bus 5", "gearbox")]


def test_the_meter_was_steady_and_drifts_since(opened: Opened) -> None:
    """By what the next drain weighs, and by fills that were proved."""
    before = days.begins(opened.day(DRIFTS_FROM), ZONE)
    assert not quality.subject_chart(opened.ledger, "meter", METER, before).recent
    for dimension in (NEXT_DRAIN, "meter"):
        one = quality.subject_chart(opened.ledger, dimension, METER).chart
        told = {signal.index for signal in one.signals}
        assert set(range(one.n - 5, one.n)) <= told, dimension
        assert sum(one.values[-5:]) / 5 < -1.0, dimension
    drains, level = (quality.subject_chart(opened.ledger, one, METER) for one in (NEXT_DRAIN, "meter"))
    assert f"{drains.since}"[:10] in {opened.day(DRIFTS_FROM + day) for day in range(-10, 60)}
    assert (drains.left_out, level.left_out) == (0, 1), "the listing in another unit"
    content = quality.quality(opened.ledger, opened.day(-89), opened.day(1), ZONE)
    assert [(one.dimension, one.name) for one in look_first(content.charts)] == [(NEXT_DRAIN, METER)]
    instruments = {one.kind: one.state for one in quality.bay_due(opened.ledger, "Bay 1", opened.today)}
    assert instruments == {"pan": "ok", "meter": "due soon"}


def test_the_bay_today_has_the_meter_that_its_past_wore_out(opened: Opened, tmp_path: Path) -> None:
    k_per_l = opened.config.meter.k_factor_per_l
    worn = depot.worn_k_per_l(opened.path, k_per_l)
    assert worn == pytest.approx(k_per_l * (1.0 + timetable.k_rel(0)))
    assert depot.worn_k_per_l(tmp_path / "none.sqlite", k_per_l) is None
    bay = SimulatedBay(Plant())
    try:
        bench = Bench(bay, k_per_l=worn)
        truly = [_true_k_per_l(bay)]
        bench.new_vehicle(spec_from_tables(opened.opening(opened.job(-9, "Bus 16", "gearbox")), "seed", "us"))
        truly.append(_true_k_per_l(bay))
    finally:
        bay.close()
    assert truly == [worn, worn]


def _true_k_per_l(bay: SimulatedBay) -> float:
    assert isinstance(bay.plant, Plant)
    return bay.plant.settings.k_factor_per_l


def test_the_keg_loses_more_than_any_doubt_explains_and_the_tank_does_not(opened: Opened) -> None:
    for first, after in ((-29, 1), (-89, 1), (-140, 1)):
        takes = opened.books(first, after)
        assert not takes[ATF].explained, (first, takes[ATF])
        assert takes[ATF].rest_l > 1.0
        assert takes[GEAR].explained, (first, takes[GEAR])
    for first, after in ((-700, -400), (-400, -160), (-300, -270)):
        assert all(take.explained for take in opened.books(first, after).values()), (first, after)


def test_a_month_is_missing_as_much_in_the_picture_as_on_its_own_page(opened: Opened) -> None:
    shop, months = catalogue.read(opened.ledger), sorted({opened.day(-30 * n)[:7] for n in range(7)})
    by_page = [
        audit.audit(opened.ledger, *audit.month(month), shop, "us", ZONE).missing.volume_l or 0.0
        for month in months
    ]
    assert course.missing_by_month(opened.ledger, months, ZONE) == by_page
    assert sum(volume_l > 1.0 for volume_l in by_page) >= 3


def test_one_axle_comes_in_low_every_time_and_was_seen_to_leak(opened: Opened) -> None:
    for day in timetable.LEAKED_L:
        job_id = opened.job(day, "Bus 9", "rear axle")
        assert opened.causes(job_id).causes[0].kind == "low_on_arrival", day
    for day in timetable.LEAK_L_H:
        job_id = opened.job(day, "Bus 9", "rear axle")
        told = reason.of_jobs(opened.ledger, [job_id])[job_id]
        assert told.kind == "leak"
        assert "seal on order" in told.text
    services = due.overview(opened.ledger, catalogue.read(opened.ledger), opened.today, zone=ZONE)
    (leaking,) = [one for one in services if one.visits and one.low_visits]
    assert (leaking.state, leaking.vehicle, leaking.leak_job) == ("leaks", "Bus 9", job_id)
    assert (leaking.low_visits, leaking.visits) == (len(timetable.LEAKED_L), 6)
    assert "Came in low at 3 of the last 6 visits, by 0.63, 0.70 and 0.78 L." in leaking.text


def test_one_listing_was_read_in_another_unit(opened: Opened) -> None:
    causes_ = opened.causes(opened.job(timetable.MIXED_SINCE, *timetable.MIXED_UP)).causes
    mixed = next(cause for cause in causes_ if cause.kind == "unit_mixup")
    assert mixed.certainty == "likely"
    assert "US pint" in str(mixed.numbers["meant"])
    config = offered.merged(opened.config, catalogue.read(opened.ledger))
    rows = expected.overview(opened.ledger, config.compartments.values(), "us")
    off = {
        (r["vehicle"], r["compartment"]) for r in rows if abs(r["retained_l"]) > 0.15 * r["listed_capacity_l"]
    }
    assert off == {timetable.MIXED_UP}


def test_every_job_can_be_looked_at_sample_by_sample(opened: Opened) -> None:
    jobs = opened.ledger.jobs(limit=1000)
    assert len(jobs) > 190
    without = [job.job_id for job in jobs if job.stage == "closed" and not opened.ledger.samples(job.job_id)]
    assert without == []
    samples = opened.ledger.samples(jobs[0].job_id)
    assert {"pan", "meter", "mark", "fluid_drained_c"} <= {sample.source for sample in samples}
