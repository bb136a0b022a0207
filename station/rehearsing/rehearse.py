"""One whole simulated job as fast as it goes: the plant's physics straight into the stream, on a virtual clock."""

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from hardware.sample import Sample
from hardware.simulated.plant import Plant, PlantSettings
from station.core import lip
from station.core.amounts import target_l
from station.core.state import BayState
from station.core.step import PumpCommand, finish, step
from station.figures import balance
from station.given.job import JobSpec
from station.given.report import Report
from station.given.stages import Stage
from station.rehearsing.mishap import Mishap
from station.rehearsing.scenario import Scenario

STEP_S = 0.05


@dataclass(frozen=True)
class Rehearsal:
    """A finished simulated job: the station's last state, every sample that led there, and the truth."""

    state: BayState
    samples: tuple[Sample, ...]
    truth: Mapping[str, float]
    happened: tuple[tuple[float, Mishap], ...] = ()
    """What went wrong, and when, in the stream's seconds."""

    def report(self) -> Report:
        return replace(balance.report(self.state), truth=dict(self.truth))


def hidden(plant: PlantSettings, spec: JobSpec, seed: int) -> PlantSettings:
    """The bay as it really is for one seed: off from belief by draws from the stated uncertainties."""
    rng = random.Random(f"hidden {seed}")

    def off(u_rel: float) -> float:
        return 1.0 + rng.gauss(0.0, u_rel)

    return replace(
        plant,
        old=replace(plant.old, density_15_kg_m3=plant.old.density_15_kg_m3 * off(spec.drained.u_density_rel)),
        fresh=replace(
            plant.fresh, density_15_kg_m3=plant.fresh.density_15_kg_m3 * off(spec.fresh.u_density_rel)
        ),
        kg_per_count=plant.kg_per_count * off(spec.pan.u_now_rel),
        k_factor_per_l=plant.k_factor_per_l * off(spec.meter.u_now_rel),
        creep_rel=rng.gauss(0.0, spec.pan.creep_rel),
        capacity_l=plant.capacity_l * off(0.004),
        compartment_c=plant.compartment_c + rng.gauss(0.0, 4.0),
        supply_c=plant.supply_c + rng.gauss(0.0, 2.0),
        seed=rng.getrandbits(32),
        pan_b=None
        if plant.pan_b is None or spec.pan_b is None
        else replace(
            plant.pan_b,
            kg_per_count=plant.pan_b.kg_per_count * off(spec.pan_b.u_now_rel),
            creep_rel=rng.gauss(0.0, spec.pan_b.creep_rel),
        ),
    )


class Bay:
    """The virtual bay: a plant, the stream's cadence, and the station's state, all on one clock."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.spec = scenario.spec
        self.plant = Plant(hidden(scenario.plant, scenario.spec, seed))
        self.state = BayState(scenario.spec)
        self.samples: list[Sample] = []
        self.pump_on = False
        self.mishaps = list(scenario.mishaps)
        self.due: list[tuple[float, Mishap]] = []
        self.happened: list[tuple[float, Mishap]] = []
        self.solvent_at: float | None = None
        """True drained mass when solvent first came, kg."""
        self._rng = random.Random(f"sensors {seed}")
        self._ticks = 0

    def put(self, source: str, value: int | float | str) -> None:
        sample = Sample(self.plant.time_s, source, value)
        self.samples.append(sample)
        self.state, effects = step(self.state, sample)
        for effect in effects:
            if isinstance(effect, PumpCommand) and effect.run != self.pump_on:
                self.pump_on = effect.run
                self.put("pump", int(effect.run))
        if source == "mark":
            self.arm(str(value))

    def arm(self, after: str) -> None:
        """What is to happen after this gets its time."""
        self.due += [(self.plant.time_s + m.at_s, m) for m in self.mishaps if m.after == after]
        self.mishaps = [m for m in self.mishaps if m.after != after]

    def play(self) -> None:
        """Let happen what is due."""
        for at_s, mishap in [one for one in self.due if self.plant.time_s >= one[0]]:
            self.due.remove((at_s, mishap))
            if mishap.kind == "flush" and self.solvent_at is None:
                self.solvent_at = self.plant.old_in_pan_kg
            mishap.happen(self.plant)
            self.happened.append((self.plant.time_s, mishap))

    def advance(self) -> None:
        """One step of time, and the samples that fall due in it: meter 20 Hz, pan 10 Hz, temperatures 1 Hz."""
        self.plant.advance(STEP_S, self.pump_on)
        self._ticks += 1
        self.put("meter", self.plant.pulses)
        if self._ticks % 2 == 0:
            self.put("pan", self.plant.adc_count())
            if self.plant.pan_b is not None:
                self.put("pan_b", self.plant.adc_count_b())
        if self._ticks % 20 == 0:
            for source, value_c in self.plant.temperatures().items():
                # A 1-Wire sensor reads in sixteenths of a degree.
                self.put(source, round((value_c + self._rng.gauss(0.0, 0.1)) * 16.0) / 16.0)

    def wait(self, seconds: float, each: Callable[[], None] | None = None) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.advance()
            if self.due:
                self.play()
            if each is not None:
                each()


def rehearse(
    scenario: Scenario, seed: int, bay_type: type[Bay] = Bay, look: Callable[[Bay], None] | None = None
) -> Rehearsal:
    """Play one whole job. The technician reads what the station says, like anybody at the page.

    look: called once a second while it drains and drips, for a study that wants to see.
    """
    bay, technician = bay_type(scenario, seed), scenario.technician
    plant, reference_c = bay.plant, scenario.spec.reference_temperature_c
    bay.put("mark", "pan_placed")
    if technician.spirit_level:
        bay.put("mark", "stands_level")
    bay.wait(12.0)
    bay.put("mark", "drain_open")
    plant.open_drain()
    opened_s = plant.time_s
    kicks = sorted(technician.kicks_s, reverse=True)
    while plant.time_s - opened_s < technician.patience_s:
        bay.wait(1.0)
        while kicks and plant.time_s - opened_s >= kicks[-1]:
            kicks.pop()
            plant.kick()
        if bay.state.stage is Stage.DRIP:
            bay.arm("drip")
        if look is not None:
            look(bay)
        if bay.state.stage is Stage.RESEAL:  # the station saw solvent come
            break
        if bay.state.stage is Stage.DRIP and plant.time_s - bay.state.stage_t_s > technician.least_drip_s:
            told = balance.drip_ahead(bay.state)
            if told is not None and told.wait_s == 0.0:
                break
    bay.mishaps = [m for m in bay.mishaps if m.after not in ("drain_open", "drip")]
    bay.due = []  # what has not happened by now happens to another job
    bay.put("mark", "drain_done")
    drained_kg = plant.old_in_pan_kg if bay.solvent_at is None else bay.solvent_at
    drained_l = drained_kg / plant.settings.old.density_kg_m3(reference_c) * 1000.0
    plant.close_drain()
    bay.wait(60.0)
    bay.put("mark", "reseal_done")
    bay.put("mark", "hose_full")
    bay.wait(technician.cure_s)
    bay.put("mark", "fill_start")
    _pump(bay, technician.stop_early_l)
    if technician.lip_proof:
        _prove(bay)
    bay.put("mark", "fill_done")
    bay.wait(bay.state.settings.settle_s)
    if plant.at_plug:
        bay.put("mark", "level_seen")
    plant.plug_in()
    bay.wait(8.0)
    bay.put("mark", "plug_in")
    filled_l = plant.filled_l(reference_c)
    overflow_kg = plant.fresh_in_pan_kg
    bay.wait(bay.state.settings.leak_watch_s)
    bay.put("mark", "close")
    truth = {
        "drained_l": drained_l,
        "filled_l": filled_l,
        "overflow_l": overflow_kg / plant.settings.fresh.density_kg_m3(reference_c) * 1000.0,
        "retained_l": plant.retained_l,
    }
    return Rehearsal(finish(bay.state), tuple(bay.samples), truth, tuple(bay.happened))


PROOF_S = 300.0


def _prove(bay: Bay) -> None:
    """Prove at the lip, and once more where the first amount did not do."""
    for _ in range(2):
        bay.wait(3.0)
        bay.put("mark", "lip_proof")
        for _ in range(round(PROOF_S / STEP_S)):
            bay.put("pendant", 1)
            bay.advance()
            bay.play()
            if bay.state.pump.hold.latched is not None:
                break
        reason = bay.state.pump.hold.latched
        bay.put("pendant", 0)
        bay.wait(5.0)
        if reason != lip.NOTHING:
            break


def _pump(bay: Bay, stop_early_l: float) -> None:
    """Hold the pendant until the station stops the pump, then let go and watch the overrun out."""
    enough_l = target_l(bay.state) - stop_early_l if stop_early_l else math.inf
    for _ in range(round(900.0 / STEP_S)):
        bay.put("pendant", 1)
        bay.advance()
        bay.play()
        if bay.state.pump.hold.latched is not None or bay.state.meter.volume_l >= enough_l:
            break
    bay.put("pendant", 0)
    bay.wait(5.0)
