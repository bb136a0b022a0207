"""Plays the depot's two years: each job through the desk of the station, each certificate through its calibration desk."""

import json
import random
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from calibration.certificates import Certificate, Reference
from hardware.sample import Sample
from hardware.simulated.fleet import volume_l
from hardware.simulated.plant import Plant, PlantSettings
from hardware.simulated.sim_fluid import SimFluid
from station.bay import plan
from station.bay.desk import Desk
from station.calibrating.calibrating import CertificateEntry, PanStep
from station.calibrating.calibration_desk import CalibrationDesk
from station.calibrating.in_force import Lines
from station.core import amounts
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import LedgerEvent, PumpCommand
from station.errors import InputError
from station.given.config import BayConfig
from station.given.job import JobSpec, expected_retained
from station.given.report import Report
from station.given.stages import Stage
from station.learning.condition import EVENT as CONDITION
from station.learning.condition import Condition
from station.learning.reason import GIVEN
from station.record.ledger import JobRow, Ledger, Moment
from station.rehearsing.depot import rounded
from station.rehearsing.mishap import Mishap
from station.rehearsing.rehearse import STEP_S, Bay, hidden, rehearse
from station.rehearsing.scenario import Scenario, Technician, believed_plant
from station.shop import catalogue, entering, movement, offered
from station.shop.catalogue import Catalogue
from station.shop.shop import capacity_question, planned
from tests.depot import timetable
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


_PACE = {
    Stage.DRAIN: (1, 16, 8, 60), Stage.DRIP: (2, 16, 8, 100), Stage.RESEAL: (4, 16, 16, 160),
    Stage.SETTLE: (4, 16, 8, 100), Stage.LEAK_WATCH: (4, 16, 8, 100),
}  # fmt: skip
"""Stage → after how many steps of time the plant moves on, and meter, pan and thermometers are read, in quiet stretches."""


PRESSED_EVERY_S = 0.18
"""A held pendant is heard anew before ``hold_lapses_s`` is over."""


class DepotBay(Bay):
    """A rehearsal's bay whose samples go over the station's desk; what the desk has done is done."""

    def __init__(self, scenario: Scenario, seed: int, desk: Desk, service: Service) -> None:
        self.spec, self._desk, self._service = scenario.spec, desk, service
        built = hidden(scenario.plant, scenario.spec, seed)
        # A bay's own scale and meter, and a bus's own size, stay what they are from one job to the next.
        self.plant = Plant(replace(built, kg_per_count=scenario.plant.kg_per_count, k_factor_per_l=scenario.plant.k_factor_per_l, capacity_l=scenario.plant.capacity_l))  # fmt: skip
        self.samples = []
        self.pump_on = False
        self.mishaps, self.due, self.happened = list(scenario.mishaps), [], []
        self.solvent_at = None
        self._rng = random.Random(f"sensors {seed}")
        self._ticks = 0
        self._pressed_s = -1.0
        self.content_l = 0.0

    @property
    def state(self) -> BayState:  # type: ignore[override]
        assert self._desk.state is not None
        return self._desk.state

    def put(self, source: str, value: int | float | str) -> None:
        if source == "pendant" and value:
            if self.plant.time_s - self._pressed_s < PRESSED_EVERY_S:
                return
            self._pressed_s = self.plant.time_s
        if source == "mark":
            self._before(str(value))
            self._desk.event("mark", str(value))
        self._take(Sample(round(self.plant.time_s, 3), source, value))
        if source == "mark":
            self.arm(str(value))
        if self.state.stage is Stage.CLOSED and not self._desk.done:
            self._desk.finish()

    def _take(self, sample: Sample) -> None:
        for effect in self._desk.take(sample):
            if isinstance(effect, PumpCommand) and effect.run != self.pump_on:
                self.pump_on = effect.run
                self.put("pump", int(effect.run))
            elif isinstance(effect, Notice):
                self._desk.event("notice", f"{effect.kind}: {effect.text}")
            elif isinstance(effect, LedgerEvent):
                self._desk.event(effect.kind, effect.text)

    def _before(self, mark: str) -> None:
        if mark == "fill_start":
            if self._mixed_up():
                self._desk.note("capacity: as it stands on the list")
            super().wait(2.0)
            if amounts.purge_needed_l(self.state) > 0:
                self._purge()
        if mark == "close" and self._service.closed_with:
            self._desk.event("note", f"{GIVEN}: {self._service.closed_with}")
        if mark == "close":
            self.content_l = self.plant.filled_l(20.0) + self.plant.retained_l

    def _mixed_up(self) -> bool:
        place = (self._service.vehicle, self._service.part)
        return place == timetable.MIXED_UP and self._service.day >= timetable.MIXED_SINCE

    def _purge(self) -> None:
        """The hose into a waste vessel, and on until it holds nothing of another grade."""
        self.plant.hose_at = "waste"
        self.put(*self._desk.purge(begin=True))
        for _ in range(round(120.0 / STEP_S)):
            self.put("pendant", 1)
            self.advance()
            if self.state.pump.hold.latched is not None:
                break
        self.put("pendant", 0)
        super().wait(5.0)
        self.put("purge", 0.0)
        self.plant.hose_at = "plug"

    def advance(self) -> None:
        self.plant.advance(STEP_S, self.pump_on)
        self._ticks += 1
        self._put_sensors(2, 4, 40)

    def _put_sensors(self, meter: int, pan: int, temperatures: int) -> None:
        """One of each every so many steps."""
        if self._ticks % meter == 0:
            self.put("meter", self.plant.pulses)
        if self._ticks % pan == 0:
            self.put("pan", self.plant.adc_count())
        if self._ticks % temperatures == 0:
            for source, value_c in self.plant.temperatures().items():
                self.put(source, round((value_c + self._rng.gauss(0.0, 0.1)) * 16.0) / 16.0)

    def wait(self, seconds: float, each: Any = None) -> None:
        """A quiet stretch: fewer readings than a bay takes, or two years would take a night to play."""
        stage, left = self.state.stage, round(seconds / STEP_S)
        if self.pump_on or (stage in (Stage.FILL, Stage.SETTLE) and seconds < 30.0):
            super().wait(seconds, each)
            return
        step, meter, pan, warm = _PACE.get(stage, (4, 16, 8, 100))
        self._ticks += -self._ticks % step
        while left > 0:
            n = min(step, left)
            left -= n
            self.plant.advance(n * STEP_S, self.pump_on)
            self._ticks += n
            if n != step:
                self._ticks += step - n
            self._put_sensors(meter, pan, warm)
            if self.due:
                self.play()


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
        bench = _Bench(desk, self._bay_now(deed.day))
        (bench.calibrate_pan if deed.kind == "pan" else bench.prove)()
        made_at = TODAY + timedelta(days=deed.day, seconds=deed.at_s + bench.plant.time_s)
        year = timedelta(days=366)
        entry = CertificateEntry(
            made_by=deed.by,
            valid_until=(datetime.now(UTC) + year).date().isoformat(),
            references=_REFERENCES[deed.kind],
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


_REFERENCES = {
    "pan": (Reference("weights, set W3", 5.0, 0.00005, "kg", "W3-0417"),),
    "meter": (Reference("pan, by its own certificate", 5.0, 0.0025, "kg", "the pan's newest"),),
}


class _Bench:
    """A plant and a calibration desk on one virtual clock, and the hands of whoever calibrates."""

    def __init__(self, desk: CalibrationDesk, settings: PlantSettings) -> None:
        self.desk, self.plant = desk, Plant(settings)
        self.pump_on = self.held = False

    def _take(self, source: str, value: int | float | str) -> None:
        for effect in self.desk.take(Sample(round(self.plant.time_s, 3), source, value)):
            if isinstance(effect, PumpCommand):
                self.pump_on = effect.run
                self._take("pump", int(effect.run))

    def wait(self, seconds: float) -> None:
        for i in range(round(seconds / STEP_S)):
            self.plant.advance(STEP_S, self.pump_on)
            if self.held:
                self._take("pendant", 1)
            self._take("meter", self.plant.pulses)
            if i % 2 == 0:
                self._take("pan", self.plant.adc_count())
            if i % 20 == 0:
                for source, value_c in self.plant.temperatures().items():
                    self._take(source, round(value_c * 16.0) / 16.0)

    def _put(self, mass_kg: float) -> None:
        self.plant.pan.disturbed.lay(self.plant.time_s, mass_kg)
        self.wait(9.0)

    def calibrate_pan(self) -> None:
        """Up and down over 5 kg, and one load four times."""
        desk, on_kg = self.desk, 0.0
        desk.begin_pan()
        self.wait(7.0)
        for step, loads in ((PanStep.UP, (0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0)), (PanStep.DOWN, (4.0, 3.0, 2.0, 1.0, 0.5, 0.0))):  # fmt: skip
            for load_kg in loads:
                if load_kg != on_kg:
                    self._put(load_kg - on_kg)
                    on_kg = load_kg
                try:
                    desk.read(step, load_kg)
                except InputError:  # asked whether it is empty, where no certificate knows this pan: it is
                    desk.read(step, load_kg)
        for _ in range(4):
            self._put(2.0)
            desk.read(PanStep.REPEAT, 2.0)
            self._put(-2.0)

    def prove(self) -> None:
        """Five runs into the pan."""
        self.desk.begin_meter("gear_75w90", 0.8)
        self.plant.hose_at = "pan"
        self.wait(7.0)
        for _ in range(5):
            self.desk.begin_run()
            self.held = True
            self.wait(35.0)
            self.held = False
            self._take("pendant", 0)
            self.wait(12.0)
            self.desk.end_run()
