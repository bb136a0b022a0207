"""The bay as the job goes: clock, pan, meter, pump, what has flowed, and what was written down of it."""

import math
import random

from tests.apart.housing import Filling, drain
from tests.apart.instruments import Meter, Pan
from tests.apart.matter import air_kg_m3, in_steel_kg
from tests.apart.scene import Scene

PUMP_STEP_S = 0.1
DRIP_STEP_S = 0.5
OTHER_S = 15.0
"""Time constant of another compartment's stream."""
PAN_AWAY_S = 25.0
RESIDUE_KG = 0.03
"""What stays in a pan that was emptied in a hurry."""
SWAP_S = 30.0
STEP_ON_S, STEP_OFF_S = 0.5, 5.0
"""Lip proof: pump on for so long, then the pan is watched for so long."""
LIP_SEEN_L = 0.015
LIP_MOST_L = 0.6
TICKED_AFTER_S = 3.0
"""Into a wait of the bay: a tick takes none of the job's own time."""
TARGET_EARLY_S = 0.25
"""By how much the shop's pump is stopped before the target, for what still flows."""


class _Recorder:
    def __init__(self) -> None:
        self.rows: list[tuple[float, str, str]] = []

    def put(self, t_s: float, source: str, value: object) -> None:
        self.rows.append((round(t_s, 3), source, str(value)))

    def text(self) -> str:
        self.rows.sort(key=lambda row: row[0])
        return "t_s,source,value\n" + "".join(f"{t:g},{s},{v}\n" for t, s, v in self.rows)


class Bay:
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
        self.other_kg = self.leaked_kg = 0.0
        self.hose_l = 0.0
        self.drum_kg = s.drum_kg
        self.pan_stands = True
        self.dries = 1.0
        self.flow_l_s = self.on_s = 0.0
        self.pump_on = False
        self.passed_l = self.air_passed_l = 0.0
        self.air = air_kg_m3(s.air_c, s.pressure_hpa, s.humidity)
        self.weighed_kg: list[float] = []
        self.pan_c: float = s.air_c
        self._meter_due_s = self._slow_due_s = 0.0

    def load_kg(self) -> float:
        s = self.s
        if not self.pan_stands:
            return 0.0
        fluids = in_steel_kg(self.old_kg + self.other_kg, s.old.density_kg_m3(s.air_c + 10.0), self.air)
        fluids += in_steel_kg(self.over_kg + self.leaked_kg, s.fresh.density_kg_m3(s.supply_c), self.air)
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
                ("fluid_supply_c", self.s.shown_c),
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
            self.solvent_kg -= self.dries * self.solvent_kg * DRIP_STEP_S / 2500.0
            self.pan_c += (self.s.air_c - self.pan_c) * DRIP_STEP_S / (1.3 * self.s.cooling_s)
            self.look()

    def pan_goes(self) -> None:
        """Somebody takes the pan away to empty it, and brings it back or does not."""
        self.pan_stands = False
        self.wait(PAN_AWAY_S)
        self.old_kg, self.other_kg, self.solvent_kg = RESIDUE_KG, 0.0, 0.0
        self.pan_stands = self.s.people.pan_goes == "emptied"

    def weigh(self) -> None:
        e = self.s.container
        kg = (self.drum_kg - in_steel_kg(self.poured_kg, self.s.fresh.density_15_kg_m3, self.air)) * (
            1.0 + e.slope
        )
        kg += self.rng.gauss(0.0, e.sigma_kg)
        if self.weighed_kg and self.passed_l > 0:
            kg += e.wrong_kg
        kg = max(0.0, kg)
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
            since_s = max(0.0, float(t_s) - s.other_at_s)
            self.other_kg = s.other_l * kg_per_l * (1.0 - math.exp(-since_s / OTHER_S))
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
        to_hose_l = min(fluid_l, max(0.0, s.pump.hose_l - self.hose_l))
        self.hose_l += to_hose_l
        fluid_l -= to_hose_l
        inside_per_l = s.fresh.per_20(filling.housing_c) / s.fresh.per_20(s.supply_c)
        self._rises(filling, dt_s, fluid_l * inside_per_l, kv)
        self.rec.put(self.t_s, "meter", self.meter.pulses)
        if round(self.t_s / dt_s) % 3 == 0:
            self.look()

    def run_over(self, filling: Filling, lasts_s: float) -> None:
        """Wait while the level settles and what stands above the lip runs off."""
        end_s = self.t_s + lasts_s
        kv = self.s.fresh.kv_mm2_s(self.s.supply_c)
        while self.t_s < end_s:
            self._rises(filling, DRIP_STEP_S, 0.0, kv)
            self.wait(DRIP_STEP_S)

    def _rises(self, filling: Filling, dt_s: float, poured_l: float, kv_mm2_s: float) -> None:
        over_l, _ = filling.advance(dt_s, poured_l, kv_mm2_s)
        kg_m3 = self.s.fresh.density_kg_m3(filling.housing_c)
        self.over_kg += over_l * kg_m3 / 1000.0
        self.leaked_kg = filling.leaked_l * kg_m3 / 1000.0

    def swap(self, filling: Filling) -> None:
        """One container off the scale, another one on; the pump rests."""
        self.stop(filling)
        was_kg, self.drum_kg = self.drum_kg, 0.0
        self.run_over(filling, SWAP_S)
        self.drum_kg = was_kg + self.s.people.swap_kg
        self.run_over(filling, SWAP_S)
        self.switch(True)

    def counted_l(self) -> float:
        """At 20 °C, as the typed K-factor and the supply's thermometer have it."""
        return self.meter.pulses / self.s.typed.k_per_l / self.s.fresh.per_20(self.s.shown_c)

    def over_l(self) -> float:
        return self.over_kg / self.s.fresh.density_kg_m3(20.0) * 1000.0

    def inside_l(self) -> float:
        """Fresh fluid in the compartment, litres at 20 °C."""
        kg = self.poured_kg - self.over_kg - self.leaked_kg
        return kg / self.s.fresh.density_kg_m3(20.0) * 1000.0 - self.hose_l / self.s.fresh.per_20(
            self.s.supply_c
        )

    def gained_l(self) -> float:
        """What the pan shows of the fill, wherever it came from."""
        return self.pan_stands * (self.over_kg + self.leaked_kg) / self.s.fresh.density_kg_m3(20.0) * 1000.0

    def fill(self, filling: Filling) -> None:
        p = self.s.people
        air_from_l = self.s.pump.air_at * p.target_l
        swaps_at_l = None if p.swaps_at is None else p.swaps_at * p.target_l
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
            if done or self.gained_l() > p.over_limit_l:
                break
            if swaps_at_l is not None and self.counted_l() >= swaps_at_l:
                swaps_at_l = None
                self.swap(filling)
        self.stop(filling)
        if p.stops == "lip":
            self.mark("lip_proof")
        most_l = self.counted_l() + LIP_MOST_L
        while p.stops == "lip" and self.gained_l() < LIP_SEEN_L and self.counted_l() < most_l:
            self.switch(True)
            for _ in range(round(STEP_ON_S / PUMP_STEP_S)):
                self.pour(filling, air_from_l)
            self.stop(filling)
            self.run_over(filling, STEP_OFF_S)

    def stop(self, filling: Filling) -> None:
        self.switch(False)
        while self.flow_l_s > 0 or self.t_s < self.on_s + 1.0:
            self.pour(filling, 1e9)
