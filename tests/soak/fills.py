"""Seeded fills on a virtual clock: the station's own step on one side, the simulated pump's line on the other.

What counts is what the pump did: ``contact`` is whether current flows, ``line.metered_l`` what really passed. Faults
are put into the line or between a sensor and the stream, never into the station.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from hardware.sample import Sample
from hardware.simulated.plant import PlantSettings
from hardware.simulated.sim_fluid import SimFluid
from hardware.simulated.supply import SupplyLine
from station.core.state import BayState, Pump
from station.core.step import Effect, PumpCommand, step
from station.filling.overrun import Overrun
from station.given.job import HoseHeld, JobSpec, spec_from_tables
from station.given.pumping import PumpLine, UsualFlow
from station.given.settings import Settings

DT_S = 0.01
PAN_KG = 1.6
KG_PER_COUNT = 4.761e-6
ZERO = 84213
RUN_OVER_S = 0.8

# name: density at 15 °C, viscosity at 40 and 100 °C. Invented, within the usual range of each grade.
FLUIDS = {
    "thin ATF": (850.0, 24.0, 5.4),
    "ATF": (852.0, 34.0, 7.1),
    "75W-90": (871.0, 115.0, 15.2),
    "80W-90": (890.0, 145.0, 14.8),
    "85W-140": (902.0, 355.0, 26.0),
}


def spec_of(
    fluid: str,
    target_l: float,
    pump: PumpLine | None,
    labels: dict[str, str] | None = None,
    hose: HoseHeld | None = None,
) -> JobSpec:
    """A job whose target is target_l exactly."""
    density, kv40, kv100 = FLUIDS[fluid]
    table = {"kind": "lubricant", "density_15_kg_m3": density, "kv40_mm2_s": kv40, "kv100_mm2_s": kv100}
    spec = spec_from_tables(
        {
            "job": {
                "capacity": f"{target_l!r} L",
                "method": "drain plug",
                "retained": "0 L",
                "u_retained": "0 L",
            },
            "fluid": {"drained": table, "fresh": table},
            "pan": {"zero_count": ZERO, "kg_per_count": KG_PER_COUNT, "u_rel": 0.0005, "noise_counts": 25},
            "meter": {"k_factor_per_l": 402.5, "u_rel": 0.0015},
        },
        "fill",
    )
    return replace(spec, pump=pump, labels=labels or {}, hose=hose)


@dataclass
class Fill:
    """One fill on one line. tamper: source → what becomes of its value on the way; None is nothing at all.

    latency_s: from the station's word to the relay's coil, drawn anew for every switching. room_l: free room in the
    compartment; what is more runs over into the pan, most of it within a second or two.
    """

    spec: JobSpec
    supply_c: float
    seed: int
    settings: PlantSettings = field(default_factory=PlantSettings)
    overrun: Overrun = field(default_factory=Overrun)
    bay: Settings = field(default_factory=Settings)
    latency_s: tuple[float, float] = (0.004, 0.02)
    two_trains: bool = False
    room_l: float = math.inf
    usual: UsualFlow = field(default_factory=UsualFlow)
    marks: tuple[str, ...] = ("pan_placed", "drain_open", "drain_done", "reseal_done", "fill_start")
    step: Callable[[BayState, Sample], tuple[BayState, tuple[Effect, ...]]] = step

    def __post_init__(self) -> None:
        density, kv40, kv100 = (
            self.spec.fresh.density_15_kg_m3, self.spec.fresh.kv40_mm2_s, self.spec.fresh.kv100_mm2_s
        )  # fmt: skip
        if density is None or kv40 is None or kv100 is None:
            raise ValueError(
                f"{self.spec.fresh.name} is no lubricant with two viscosities; this line pumps those only"
            )
        fluid = SimFluid(density, kv40, kv100)
        self.random = random.Random(self.seed)
        self.line = SupplyLine(replace(self.settings, seed=self.seed))
        self.kv, self.kv_20 = fluid.kv_mm2_s(self.supply_c), fluid.kv_mm2_s(20.0)
        self.to_20 = fluid.density_kg_m3(self.supply_c) / fluid.density_kg_m3(20.0)
        self.state = BayState(self.spec, self.bay, pump=Pump(overrun=self.overrun, usual=self.usual))
        self.t_s, self.ticks = 100.0, 0
        self.held = False
        self.coil = False
        self.stop_open = False
        self.extra_pan_kg = 0.0
        self.tamper: dict[str, Callable[[float, float], float | None]] = {}
        self.switched: list[tuple[float, bool]] = []
        """Every change of the pump's contact."""
        self.commands: list[tuple[float, PumpCommand]] = []
        self._pending: list[tuple[float, bool]] = []
        self._contact = False
        self.in_pan_l = 0.0
        self.put("pump", 0)
        self.run(1.5)
        for mark in self.marks:
            self.put("mark", mark)

    @property
    def contact(self) -> bool:
        """Whether the pump's motor has current."""
        return (self.coil or self.line.welded) and not self.line.cut

    @property
    def delivered_l(self) -> float:
        """What really came out of the hose, air not counted, at 20 °C."""
        return self.line.fluid_l * self.to_20

    def notices(self) -> list[str]:
        return [n.kind for n in self.state.telling.notices]

    def told_s(self, kind: str) -> float | None:
        """When a kind of notice first came."""
        return next((n.t_s for n in self.state.telling.notices if n.kind == kind), None)

    def put(self, source: str, value: float | int | str) -> None:
        if source in self.tamper:
            changed = self.tamper[source](float(value), self.t_s)
            if changed is None:
                return
            value = changed
        self.state, effects = self.step(self.state, Sample(self.t_s, source, value))
        for effect in effects:
            if isinstance(effect, PumpCommand):
                self.commands.append((self.t_s, effect))
                self.line.fine = effect.fine
                if effect.trip:
                    self.line.cut = True
                self._pending.append((self.t_s + self.random.uniform(*self.latency_s), effect.run))

    def run(self, seconds: float, until: Callable[[], bool] | None = None) -> None:
        """Let time pass, up to so many seconds."""
        for _ in range(round(seconds / DT_S)):
            self.tick()
            if until is not None and until():
                return

    def run_until_latched(self, seconds: float) -> None:
        """Until the station keeps the pump off, or so many seconds."""
        self.run(seconds, until=lambda: self.state.pump.hold.latched is not None)

    def run_until_released(self, seconds: float) -> None:
        """Until the relay's coil is off."""
        self.run(seconds, until=lambda: not self.coil)

    def tick(self) -> None:
        self.t_s += DT_S
        self.ticks += 1
        while self._pending and self._pending[0][0] <= self.t_s:
            level = self._pending.pop(0)[1]
            if level != self.coil:
                self.coil = level
                self.put("pump", int(level))
        if self.contact != self._contact:
            self._contact = self.contact
            self.switched.append((self.t_s, self._contact))
        self.line.advance(self.t_s, DT_S, self.coil, self.kv, self.kv_20, self.to_20)
        over_l = max(0.0, self.delivered_l - self.room_l)
        self.in_pan_l += (over_l - self.in_pan_l) * DT_S / RUN_OVER_S
        n = self.ticks
        if n % 5 == 0:
            self.put("meter", self.line.pulses)
        if n % 5 == 2 and self.two_trains:
            self.put("meter_b", self.line.pulses_b)
        if self.stop_open and n % 5 == 4:
            self.put("stop_open", 1)
        if n % 5 == 1 and self.held:
            self.put("pendant", 1)
        if n % 10 == 3:
            kg = PAN_KG + self.extra_pan_kg + self.in_pan_l * self.spec.fresh.density_kg_m3(20.0) / 1000.0
            self.put("pan", round(ZERO + kg / KG_PER_COUNT + self.random.gauss(0.0, 25.0)))
        if n % 100 == 7:
            self.put("fluid_supply_c", round((self.supply_c + self.random.gauss(0.0, 0.05)) * 16) / 16)
            self.put("fluid_drained_c", 30.0)
        if n % 2 == 0:
            self.put("tick", 0)

    def press_stop(self, pressed: bool) -> None:
        """The sense contact alone: what the software makes of it. The hardware would have cut the circuit."""
        self.stop_open = pressed
        self.put("stop_open", int(pressed))

    def hold(self) -> None:
        self.held = True
        self.put("pendant", 1)

    def let_go(self) -> None:
        self.held = False
        self.put("pendant", 0)

    def fill(self, at_most_s: float = 900.0) -> None:
        """Hold until the station stops the pump, let go, and wait until everything stands."""
        self.hold()
        self.run_until_latched(at_most_s)
        self.let_go()
        self.run(4.0)


@dataclass(frozen=True)
class Make:
    """A pump as it was made, for one seed: what the station does not know."""

    fluid: str
    settings: PlantSettings
    nominal: PumpLine
    lag_jitter_s: float
    ramp_per_kv: float
    range_c: tuple[float, float]


RANGES_C = {
    "thin ATF": (20.0, 40.0),
    "ATF": (10.0, 40.0),
    "75W-90": (5.0, 35.0),
    "80W-90": (5.0, 30.0),
    "85W-140": (5.0, 25.0),
}


def make(seed: int) -> Make:
    """One of many pumps: slow and fast, tight and worn, with a stiff or a soft hose."""
    rng = random.Random(f"pump {seed}")
    fluid = rng.choice(list(FLUIDS))
    flow, half = rng.uniform(2.4, 4.5), rng.uniform(900.0, 3000.0)
    settings = PlantSettings(
        pump_l_min=flow,
        pump_kv_half_mm2_s=half,
        pump_lag_s=rng.uniform(0.05, 0.5),
        pump_ramp_s=rng.uniform(0.08, 0.3),
        slip_mm2_s=0.0,  # what a meter loses at another viscosity is the calibration's business, not the stop's
        drum_l=200.0,
    )
    nominal = PumpLine(flow * rng.uniform(0.93, 1.07), half * rng.uniform(0.9, 1.1))
    return Make(fluid, settings, nominal, rng.uniform(0.0, 0.015), rng.uniform(0.0, 1.5e-4), RANGES_C[fluid])


def fill_of(
    pump: Make, seed: int, target_l: float, supply_c: float, overrun: Overrun, **more: object
) -> Fill:
    """A fill on that pump, not yet begun."""
    spec = spec_of(pump.fluid, target_l, pump.nominal)
    fill = Fill(spec, supply_c, seed, pump.settings, overrun, **more)  # type: ignore[arg-type]
    fill.line.lag_jitter_s, fill.line.ramp_per_kv = pump.lag_jitter_s, pump.ramp_per_kv
    return fill
