"""Plays the depot's two years: each job through the desk of the station, each certificate through its calibration desk."""

import json
import random
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from calibration.certificates import Certificate
from hardware.sample import Sample
from hardware.simulated.fleet import volume_l
from hardware.simulated.plant import PlantSettings
from hardware.simulated.sim_fluid import SimFluid
from station.bay import plan
from station.bay.desk import Desk
from station.calibrating.calibrating import CertificateEntry
from station.calibrating.calibration_desk import CalibrationDesk
from station.calibrating.in_force import Lines
from station.given.config import BayConfig
from station.given.job import JobSpec, expected_retained
from station.given.report import Report
from station.learning.condition import EVENT as CONDITION
from station.learning.condition import Condition
from station.record.ledger import JobRow, Ledger, Moment
from station.rehearsing.depot import rounded
from station.rehearsing.mishap import Mishap
from station.rehearsing.rehearse import Bay, rehearse
from station.rehearsing.scenario import Scenario, Technician, believed_plant
from station.shop import catalogue, entering, movement, offered
from station.shop.catalogue import Catalogue
from station.shop.shop import capacity_question, planned
from tests.depot import timetable
from tests.depot.bay import DepotBay
from tests.depot.bench import REFERENCES, Bench
from tests.depot.timetable import ATF, GEAR, Calibration, Entry, Listing, Service

TODAY = datetime(2026, 1, 15, tzinfo=UTC)
"""The day that the timetable's days are counted from while it is played; a depot that is opened has its own."""
SEED = 4100
PAN_KG_PER_COUNT_REL = 0.0003
"""By how much the bay's own pan is off the file's line, within what that states."""


@dataclass
class Event:
    """As it goes into the seed: day and second by the depot's clock."""

    day: int
    at_s: float
    job: int | None
    kind: str
    body: dict[str, Any]
    named: tuple[int, str] | None
    """The job that its body may name, by number and id."""

    def text(self) -> str:
        """The body as the seed has it: the job by its number."""
        text = json.dumps(self.body, ensure_ascii=False, separators=(",", ":"))
        return text if self.named is None else text.replace(self.named[1], f"@J{self.named[0]}@")


@dataclass
class Book:
    """Stands where the recorder stands: writes at once, at the timetable's time, and keeps all of it for the seed."""

    ledger: Ledger
    day: int = 0
    at_s: float = 0.0
    job: int | None = None
    opened_utc: str = ""
    named: tuple[int, str] | None = None
    written: int = 0
    next_ticket: int = 1
    events: list[Event] = field(default_factory=list)
    samples: dict[int, list[Sample]] = field(default_factory=dict)

    def utc(self, t_s: float) -> str:
        return (TODAY + timedelta(days=self.day, seconds=self.at_s + t_s)).isoformat(timespec="milliseconds")

    def event(
        self, job_id: str | None, kind: str, body: Mapping[str, Any], at: Moment, row: JobRow | None = None
    ) -> None:
        told = dict(body)
        if job_id is not None and self.job is not None:
            self.named = (self.job, job_id)
        named = None if self.job is None else self.named
        self.events.append(
            Event(self.day, round(self.at_s + at.t_s, 3), self.job if job_id else None, kind, told, named)
        )
        when = Moment("depot", at.t_s, self.utc(at.t_s), True)
        self.ledger.append(job_id, kind, told, when, None if row is None else row.to_dict())

    def sample(self, job_id: str, sample: Sample) -> None:
        assert self.job is not None
        self.samples.setdefault(self.job, []).append(sample)

    def result(self, job_id: str, report: Report, row: JobRow, at: Moment) -> None:
        assert self.job is not None
        told = rounded(report.to_dict())
        plain = {**rounded(row.to_dict()), "opened_utc": self.opened_utc, "closed_utc": self.utc(at.t_s)}
        self.event(job_id, "result", {"report": told, "row": plain}, at, JobRow.of(plain))


class Depot:
    """All that goes on from one job to the next: tank, keg, what stands in each compartment, what is learned."""

    def __init__(self, config: BayConfig, ledger: Ledger) -> None:
        self.config, self.book = config, Book(ledger)
        self.desk = Desk(config, self.book, "simulated", 0.0)  # type: ignore[arg-type]
        self.register: tuple[Certificate, ...] = ()
        self.catalogue: Catalogue = catalogue.fold(())
        self.content_l: dict[tuple[str, str], float] = {}
        self.stock_l = {GEAR: 0.0, ATF: 0.0}
        self.jobs: list[tuple[int, int, str]] = []
        """Day, second and id of each."""
        self.held_l: list[float] = []
        self._dice = random.Random(SEED)

    def do(self, deed: timetable.Deed) -> None:
        book = self.book
        book.day, book.at_s, book.job = deed.day, float(deed.at_s), None
        if not book.events:
            self._change(tuple(offered.from_config(self.config)), "configuration")
        if isinstance(deed, Listing):
            day = f"{(TODAY + timedelta(days=deed.day)).date()}"
            change = entering.enter(self.catalogue, deed.table, deed.texts, self.config.country, day)
            if change is not None and deed.table == "price":
                # without its day, which is then that of its entry (catalogue.dated): days of the seed are counted back from today
                change = replace(change, key=change.key[:1])
            self._change(() if change is None else (change,), "page")
        elif isinstance(deed, Entry):
            self._enter(deed)
        elif isinstance(deed, Calibration):
            self._calibrate(deed)
        else:
            self.serve(deed)

    def _change(self, changes: tuple[catalogue.Change, ...], origin: str) -> None:
        if changes:
            self._event(catalogue.EVENT, catalogue.body(changes, origin, "E. Brandvold"))
            self.catalogue = catalogue.read(self.book.ledger)

    def _event(self, kind: str, body: Mapping[str, Any]) -> None:
        self.book.event(None, kind, body, Moment("depot", 0.0, "", True))

    def _enter(self, entry: Entry) -> None:
        fluid = "gear_75w90" if entry.container == GEAR else "atf"
        volume_l, u95_l = entry.volume_l, 0.02 * entry.volume_l
        if entry.kind == "counted":
            u95_l = 2.0 if entry.container == GEAR else 0.15
            volume_l = round(
                self.stock_l[entry.container] + self._dice.gauss(0.0, u95_l / 2.5), 1 if u95_l > 1.0 else 2
            )
        elif entry.kind == "received":
            u95_l = 0.003 * volume_l
            self.stock_l[entry.container] += volume_l + self._dice.gauss(0.0, u95_l / 2.5)
        elif entry.kind in ("waste", "gone"):
            self.stock_l[entry.container] -= volume_l
        if entry.kind == "gone":
            return  # nobody enters that
        container = None if entry.kind == "collected" else entry.container
        name = "gear_75w90_used" if entry.kind == "collected" else fluid
        moved = movement.Movement(entry.kind, name, volume_l, u95_l, container, None, entry.by, entry.note)
        self._event(movement.EVENT, moved.to_dict())

    def serve(self, service: Service) -> None:
        """One job, from its plan to its sheet."""
        place = (service.vehicle, service.part)
        held_l = self.content_l.get(place, volume_l(*place)) - service.missing_l
        self.held_l.append(held_l)
        self.play(len(self.jobs), service, self.spec(service), held_l)

    def play(self, number: int, service: Service, spec: JobSpec, held_l: float) -> None:
        """The job as planned. held_l: what stands in the compartment as the bus comes in, but for what every bus seeps."""
        book, dice = self.book, random.Random(f"{SEED} {number}")
        scenario = self._scenario(service, spec, held_l, dice)
        book.day, book.at_s = service.day, float(service.at_s)
        book.job, book.opened_utc = number, book.utc(0.0)
        self.desk.t_s = 0.0
        job_id = self.desk.open(spec)
        self.jobs.append((service.day, service.at_s, job_id))
        made: list[DepotBay] = []

        def bay_of(scenario: Scenario, seed: int) -> Bay:
            made.append(DepotBay(scenario, seed, self.desk, service))
            return made[0]

        if service.given_up:
            bay_of(scenario, SEED + number).put("mark", "pan_placed")
            made[0].wait(240.0)
            self.desk.abandon(service.given_up)
            return
        rehearse(scenario, SEED + number, bay_of)  # type: ignore[arg-type]
        plant = made[0].plant
        self.content_l[service.vehicle, service.part] = made[0].content_l
        out_l = (plant.delivered_kg + plant.wasted_kg) / plant.settings.fresh.density_kg_m3(20.0) * 1000.0
        self.stock_l[ATF if service.part == "transfer case" else GEAR] -= out_l
        self._look_at_it(service, job_id, dice)

    def spec(self, service: Service) -> JobSpec:
        """What the page's plan would have made of it on that day."""
        config = offered.merged(self.config, self.catalogue)
        atf = service.part == "transfer case"
        key = next(k for k, c in config.compartments.items() if (c.vehicle, c.compartment) == (service.vehicle, service.part))  # fmt: skip
        form = plan.PlanForm(
            compartment=key,
            technician=service.technician,
            container=ATF if atf else GEAR,
            drained_fluid="atf_used" if atf else "gear_75w90_used",
            fresh_fluid="atf" if atf else "gear_75w90",
            distance=f"{timetable.distance_km(service.vehicle, service.day):.0f} km",
        )
        day = (TODAY + timedelta(days=service.day)).date().isoformat()
        lines = Lines.in_force(self.register, self.config, day)
        spec = plan.spec_from_form(config, form, lines)
        spec, shop = planned(self.config, self.book.ledger, spec)
        asked = capacity_question(self.catalogue, self.book.ledger, spec, shop, self.config.country)
        reason = {} if asked is None else {"capacity_reason": "as it stands on the list"}
        return replace(spec, labels={**spec.labels, **reason})

    def _scenario(self, service: Service, spec: JobSpec, held_l: float, dice: random.Random) -> Scenario:
        true_l, day = volume_l(service.vehicle, service.part), service.day
        retained_l, _ = expected_retained(spec.method, true_l)
        built = believed_plant(replace(spec, capacity_l=true_l, retained_l=retained_l))
        plant = replace(
            built,
            capacity_l=true_l,
            old_volume_l=held_l * (1.0 - abs(dice.gauss(0.0, 0.004))),
            kg_per_count=self.config.pan.kg_per_count * (1.0 + PAN_KG_PER_COUNT_REL),
            k_factor_per_l=self.config.meter.k_factor_per_l * (1.0 + timetable.k_rel(day)),
            zero_count=self.config.pan.zero_count + 40.0 * (day - timetable.BEGIN) / 365.0,
            outlet_m2=1.5 * built.outlet_m2,
            compartment_c=dice.uniform(44.0, 56.0),
            supply_c=timetable.season_c(day, 16.0, 4.0),
            air_c=timetable.season_c(day, 17.0, 6.0),
        )
        cured = 1200.0 if spec.method == "cover removed" else 60.0
        technician = Technician(
            patience_s=dice.uniform(420.0, 700.0),
            cure_s=cured,
            kicks_s=(dice.uniform(60.0, 200.0),) if service.knocked else (),
            stop_early_l=service.early_l,
            lip_proof=service.lip_proof,
        )
        leak = (Mishap("leak", "plug_in", 0.5, l_h=service.leak_l_h),) if service.leak_l_h else ()
        return Scenario(spec, plant, technician, leak)

    def _look_at_it(self, service: Service, job_id: str, dice: random.Random) -> None:
        """What the technician noted of the drained fluid, of three in four."""
        leaking = service.missing_l > 0
        if not leaking and dice.random() < 0.25:
            return
        colour = (
            "black" if leaking else dice.choice(("amber", "amber", "brown", "brown", "brown", "like new"))
        )
        metal = "fine paste" if service.part != "transfer case" and dice.random() < 0.6 else "none"
        milky = not leaking and dice.random() < 0.05
        note = "tide water again" if milky else ""
        noted = Condition(colour, "burnt" if leaking else "usual", metal, milky, note)
        self.book.event(job_id, CONDITION, noted.to_dict(), Moment("depot", self.desk.t_s, "", True))

    # --- calibrations --------------------------------------------------------------------------------------

    def _calibrate(self, deed: Calibration) -> None:
        book = self.book
        begun = len(book.events)
        desk = CalibrationDesk(self.config, book, self.register, backend="simulated")  # type: ignore[arg-type]
        bench = Bench(desk, self._bay_now(deed.day))
        (bench.calibrate_pan if deed.kind == "pan" else bench.prove)()
        made_at = TODAY + timedelta(days=deed.day, seconds=deed.at_s + bench.plant.time_s)
        year = timedelta(days=366)
        entry = CertificateEntry(
            made_by=deed.by,
            valid_until=(datetime.now(UTC) + year).date().isoformat(),
            references=REFERENCES[deed.kind],
            use_from_kg=1.6,
            use_to_kg=5.0,
            air_c=round(timetable.season_c(deed.day, 17.0, 6.0), 1),
        )
        desk.finish(entry)
        dated = replace(desk.register[-1], made_at=made_at.isoformat(timespec="seconds"), valid_until=(made_at + year).date().isoformat())  # fmt: skip
        self.register = (*self.register, dated)
        book.events[-1].body.update(certificate=dated.to_json(), sha256=dated.digest)
        assert book.events[-1].kind == "certificate", begun

    def _bay_now(self, day: int) -> PlantSettings:
        fresh = self.config.fluids["gear_75w90"]
        density, kv40, kv100 = fresh.density_15_kg_m3, fresh.kv40_mm2_s, fresh.kv100_mm2_s
        assert density is not None
        assert kv40 is not None
        assert kv100 is not None
        return PlantSettings(
            fresh=SimFluid(density, kv40, kv100),
            kg_per_count=self.config.pan.kg_per_count * (1.0 + PAN_KG_PER_COUNT_REL),
            k_factor_per_l=self.config.meter.k_factor_per_l * (1.0 + timetable.k_rel(day)),
            supply_c=timetable.season_c(day, 16.0, 4.0),
            air_c=timetable.season_c(day, 17.0, 6.0),
            seed=SEED + day,
        )
