"""Plays a scene: a JOB.toml and a recording in the public format, and the truth beside them."""

import math
import random
from dataclasses import dataclass

from tests.apart.housing import Filling, drain
from tests.apart.instruments import Meter, Pan
from tests.apart.matter import air_kg_m3, in_steel_kg
from tests.apart.paper import job_toml
from tests.apart.scene import Scene

PUMP_STEP_S = 0.1
DRIP_STEP_S = 0.5
STEP_ON_S, STEP_OFF_S = 0.5, 5.0
"""Lip proof: pump on for so long, then the pan is watched for so long."""
LIP_SEEN_L = 0.015
LIP_MOST_L = 0.6
TICKED_AFTER_S = 3.0
"""Into a wait of the bay: a tick takes none of the job's own time."""
TARGET_EARLY_S = 0.25
"""By how much the shop's pump is stopped before the target, for what still flows."""


@dataclass(frozen=True)
class Truth:
    """What is so. Litres at 20 °C but for below_lip_l, which has the fill's temperature.

    below_lip_l: what is missing up to the lip on a level vehicle when the plug goes in; below zero what is above it.
    """

    below_lip_l: float
    verdict: str
    drained_l: float
    filled_l: float
    overflow_l: float
    retained_l: float
    counted_l: float
    """What the meter's pulses come to by the typed K-factor."""
    air_l: float
    container_l: float | None
    """What the container's weighings come to by the typed density, at 20 °C."""
    level_seen: bool
    lip_reached: bool
    """Whether 10 mL or more ran over the lip into the pan."""
    stands: str
    """How the vehicle stands, and whether somebody ticked that it stands level: "off level and ticked" …"""


@dataclass(frozen=True)
class Played:
    scene: Scene
    job_toml: str
    recording_csv: str
    truth: Truth


class _Recorder:
    def __init__(self) -> None:
        self.rows: list[tuple[float, str, str]] = []

    def put(self, t_s: float, source: str, value: object) -> None:
        self.rows.append((round(t_s, 3), source, str(value)))

    def text(self) -> str:
        self.rows.sort(key=lambda row: row[0])
        return "t_s,source,value\n" + "".join(f"{t:g},{s},{v}\n" for t, s, v in self.rows)


class _Bay:
    """The job as it goes: clock, pan, meter, pump and what has flowed."""

    def __init__(self, scene: Scene) -> None:
        self.s = s = scene
        self.rng = random.Random(f"apart {s.seed}")
        typed = s.typed
        self.pan = Pan(typed.zero_count, typed.kg_per_count, typed.noise_counts, s.pan, self.rng)
        self.meter = Meter(typed.k_per_l, s.meter, s.fresh.kv_mm2_s(20.0))
        self.rec = _Recorder()
        self.t_s = 0.0
        self.pan_kg = 0.0
        self.old_kg = self.over_kg = self.poured_kg = self.solvent_kg = 0.0
        self.flow_l_s = self.on_s = 0.0
        self.pump_on = False
        self.passed_l = self.air_passed_l = 0.0
        self.air = air_kg_m3(s.air_c, s.pressure_hpa, s.humidity)
        self.weighed_kg: list[float] = []
        self.pan_c: float = s.air_c
        self._meter_due_s = self._slow_due_s = 0.0

    def load_kg(self) -> float:
        s = self.s
        fluids = in_steel_kg(self.old_kg, s.old.density_kg_m3(s.air_c + 10.0), self.air)
        fluids += in_steel_kg(self.over_kg, s.fresh.density_kg_m3(s.supply_c), self.air)
        return self.pan_kg + fluids + self.solvent_kg

    def look(self) -> None:
        """A reading of the pan, and of whatever else is due."""
        self.rec.put(self.t_s, "pan", self.pan.count(self.t_s, self.load_kg()))
        if self.t_s >= self._meter_due_s:
            self._meter_due_s = self.t_s + 0.45
            self.rec.put(self.t_s, "meter", self.meter.pulses)
        if self.t_s >= self._slow_due_s:
            self._slow_due_s = self.t_s + 3.95
            for source, celsius in (
                ("fluid_drained_c", self.pan_c),
                ("fluid_supply_c", self.s.supply_c),
                ("air_c", self.s.air_c),
            ):
                self.rec.put(self.t_s, source, round(celsius * 16) / 16)
            if self.s.people.weighs == "all the time":
                self.weigh()

    def mark(self, what: str) -> None:
        self.rec.put(self.t_s, "mark", what)

    def ticks_level(self, when: str) -> None:
        """In passing, while the bay waits: the vehicle was said to stand level."""
        if self.s.people.ticks_level == when:
            self.rec.put(self.t_s + TICKED_AFTER_S, "mark", "stands_level")

    def wait(self, lasts_s: float) -> None:
        """Nothing happens but readings; solvent leaves."""
        end_s = self.t_s + lasts_s
        while self.t_s < end_s:
            self.t_s += DRIP_STEP_S
            self.solvent_kg -= self.solvent_kg * DRIP_STEP_S / 2500.0
            self.pan_c += (self.s.air_c - self.pan_c) * DRIP_STEP_S / (1.3 * self.s.cooling_s)
            self.look()

    def weigh(self) -> None:
        e = self.s.container
        kg = (self.s.drum_kg - in_steel_kg(self.poured_kg, self.s.fresh.density_15_kg_m3, self.air)) * (
            1.0 + e.slope
        )
        kg += self.rng.gauss(0.0, e.sigma_kg)
        if self.weighed_kg and self.passed_l > 0:
            kg += e.wrong_kg
        self.weighed_kg.append(kg)
        self.rec.put(self.t_s, "container", f"{kg:.3f}")

    # --- out ------------------------------------------------------------------------------------------------

    def drain(self) -> float:
        """Play the drain; old fluid still inside, litres at 20 °C."""
        s = self.s
        inside_l = s.box.level_l(s.air_c) * s.old_share
        lasts_s = s.people.drains_s + s.people.late_s
        gone = drain(
            s.box, inside_l, s.old.kv_mm2_s, s.arrives_c, s.air_c, s.cooling_s, s.stream_s, lasts_s, self.rng
        )
        start_s, kg_per_l = self.t_s, s.old.density_kg_m3(20.0) / 1000.0
        self.pan.warmed_from_s = start_s + 20.0
        shut = int(s.people.drains_s / 0.25)
        dropped = 0.0
        for i, t_s in enumerate(gone.t_s):
            out_kg = float(gone.out_l[min(i, shut)]) * kg_per_l
            if out_kg - dropped > 5e-5:  # drops
                dropped = out_kg
            self.old_kg = dropped
            self.t_s = start_s + float(t_s)
            self.pan_c = s.air_c + (s.arrives_c - s.air_c) * 0.92 * math.exp(-float(t_s) / s.cooling_s)
            if i % 2 == 0:
                self.look()
        return float(gone.left_l[min(shut, len(gone.left_l) - 1)])

    # --- in -------------------------------------------------------------------------------------------------

    def switch(self, on: bool) -> None:
        self.rec.put(self.t_s, "pump", int(on))
        self.pump_on, self.on_s = on, self.t_s

    def pour(self, filling: Filling, air_from_l: float) -> None:
        """One short step of the pump's line."""
        s, dt_s = self.s, PUMP_STEP_S
        self.t_s += dt_s
        kv = s.fresh.kv_mm2_s(s.supply_c)
        acts = self.pump_on if self.t_s - self.on_s > s.pump.lag_s else not self.pump_on and self.flow_l_s > 0
        in_air = air_from_l <= self.passed_l < air_from_l + s.pump.air_l
        want = s.pump.l_s / (1.0 + kv / s.pump.kv_half_mm2_s) * (s.pump.air_speed if in_air else 1.0)
        self.flow_l_s += ((want if acts else 0.0) - self.flow_l_s) * min(1.0, dt_s / s.pump.ramp_s)
        if not acts and self.flow_l_s < 2e-4:
            self.flow_l_s = 0.0
        moved_l = self.flow_l_s * dt_s
        self.passed_l += moved_l
        self.meter.passed(moved_l, kv, s.supply_c)
        fluid_l = 0.0 if in_air else moved_l
        self.air_passed_l += moved_l - fluid_l
        density = s.fresh.density_kg_m3(s.supply_c) / 1000.0
        self.poured_kg += fluid_l * density
        inside_per_l = s.fresh.per_20(filling.housing_c) / s.fresh.per_20(s.supply_c)
        over_l, _ = filling.advance(dt_s, fluid_l * inside_per_l, kv)
        self.over_kg += over_l * s.fresh.density_kg_m3(filling.housing_c) / 1000.0
        self.rec.put(self.t_s, "meter", self.meter.pulses)
        if round(self.t_s / dt_s) % 3 == 0:
            self.look()

    def run_over(self, filling: Filling, lasts_s: float) -> None:
        """Wait while the level settles and what stands above the lip runs off."""
        end_s = self.t_s + lasts_s
        kv = self.s.fresh.kv_mm2_s(self.s.supply_c)
        while self.t_s < end_s:
            over_l, _ = filling.advance(DRIP_STEP_S, 0.0, kv)
            self.over_kg += over_l * self.s.fresh.density_kg_m3(filling.housing_c) / 1000.0
            self.wait(DRIP_STEP_S)

    def counted_l(self) -> float:
        """At 20 °C, as the typed K-factor has it."""
        return self.meter.pulses / self.s.typed.k_per_l / self.s.fresh.per_20(self.s.supply_c)

    def over_l(self) -> float:
        return self.over_kg / self.s.fresh.density_kg_m3(20.0) * 1000.0

    def fill(self, filling: Filling) -> None:
        p = self.s.people
        air_from_l = self.s.pump.air_at * p.target_l
        self.switch(True)
        seen_s = None
        while True:
            self.pour(filling, air_from_l)
            early_l = self.flow_l_s * TARGET_EARLY_S
            at_target = self.counted_l() >= p.target_l - early_l
            if p.stops == "watch":
                if self.over_l() > 0.004 and seen_s is None:
                    seen_s = self.t_s
                done = seen_s is not None and self.t_s >= seen_s + p.reacts_s
                done = done or self.counted_l() > 1.6 * p.target_l
            else:
                done = at_target
            if done or self.over_l() > p.over_limit_l:
                break
        self.stop(filling)
        if p.stops == "lip":
            self.mark("lip_proof")
        most_l = self.counted_l() + LIP_MOST_L
        while p.stops == "lip" and self.over_l() < LIP_SEEN_L and self.counted_l() < most_l:
            self.switch(True)
            for _ in range(round(STEP_ON_S / PUMP_STEP_S)):
                self.pour(filling, air_from_l)
            self.stop(filling)
            self.run_over(filling, STEP_OFF_S)

    def stop(self, filling: Filling) -> None:
        self.switch(False)
        while self.flow_l_s > 0 or self.t_s < self.on_s + 1.0:
            self.pour(filling, 1e9)


def play(scene: Scene) -> Played:
    """The whole job of one scene."""
    s, p = scene, scene.people
    bay = _Bay(s)
    bay.rec.put(0.0, "pump", 0)
    bay.ticks_level("first")
    bay.wait(5.0)
    bay.pan_kg = s.empty_pan_kg
    bay.wait(4.0)
    bay.mark("pan_placed")
    bay.wait(15.0)
    bay.mark("drain_open")
    retained_l = bay.drain()
    drained_l = bay.old_kg / s.old.density_kg_m3(20.0) * 1000.0
    bay.mark("drain_done")
    bay.wait(20.0)
    if p.flush_kg:
        bay.mark("flush")
        bay.solvent_kg += p.flush_kg
        bay.wait(30.0)
    bay.mark("reseal_done")
    bay.ticks_level("curing")
    bay.wait(p.waits_s)
    housing_c = s.supply_c + s.warms * (s.arrives_c - s.supply_c) * math.exp(
        -(p.drains_s + p.waits_s) / s.cooling_s
    )
    filling = Filling(s.box, retained_l * s.old.per_20(housing_c), housing_c, s.foam)
    if p.weighs == "twice":
        bay.weigh()
    bay.mark("fill_start")
    bay.wait(2.0)
    bay.fill(filling)
    bay.ticks_level("settling")
    bay.run_over(filling, p.settles_s)
    if p.weighs == "twice":
        bay.weigh()
    seen = p.looks and (p.says_seen or filling.below_lip_l <= p.eye_l)
    if seen:
        bay.mark("level_seen")
        bay.wait(3.0)
    bay.mark("fill_done")
    bay.wait(5.0)
    filling.plugged = True
    bay.mark("plug_in")
    bay.wait(p.watches_s)
    bay.mark("close")
    below_l = s.box.level_l(housing_c) - filling.old_l - filling.fresh_l
    tolerance_l = s.typed.tolerance_l
    weighed = bay.weighed_kg
    typed_fresh = s.typed.fresh or s.fresh
    truth = Truth(
        below_lip_l=below_l,
        verdict="short" if below_l > tolerance_l else "over" if below_l < -tolerance_l else "full",
        drained_l=drained_l,
        filled_l=(bay.poured_kg - bay.over_kg) / s.fresh.density_kg_m3(20.0) * 1000.0,
        overflow_l=bay.over_l(),
        retained_l=retained_l,
        counted_l=bay.counted_l(),
        air_l=bay.air_passed_l,
        container_l=(weighed[0] - weighed[-1]) * 1.0012 / typed_fresh.density_kg_m3(20.0) * 1000.0
        if weighed
        else None,
        level_seen=seen,
        lip_reached=bay.over_l() >= 0.010,
        stands=f"{'off level' if s.box.off_level else 'level'} and {'ticked' if p.ticks_level else 'not ticked'}",
    )
    return Played(s, job_toml(s), bay.rec.text(), truth)
