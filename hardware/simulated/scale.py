"""One pan on its load cell: what lies in it, how the cell creeps and wanders, and what the converter makes of it."""

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hardware.simulated.disturbance import Disturbances

if TYPE_CHECKING:
    from hardware.simulated.plant import PlantSettings


@dataclass(frozen=True)
class SecondPan:
    """A second pan: the share of what comes out of the compartment, and of what runs over at its plug, that falls into it;
    and the load cell below it, each value as of the same name in ``PlantSettings``."""

    drain_share: float = 0.0
    overflow_share: float = 0.0
    zero_count: float = 61840.0
    kg_per_count: float = 2.381e-6
    noise_counts: float = 30.0
    pan_kg: float = 0.74
    creep_rel: float = 0.0001
    zero_walk_kg: float = 2.0e-5


@dataclass
class Scale:
    """settings: those of its cell count here. noise: draws for zero and converter. old_kg, fresh_kg: what fell in so far.
    carried_off_kg: of it, what was emptied out. floor_kg: what missed it while it was lifted."""

    settings: "PlantSettings"
    noise: random.Random
    disturbed: Disturbances
    old_kg: float = 0.0
    fresh_kg: float = 0.0
    carried_off_kg: float = 0.0
    floor_kg: float = 0.0
    _creep_kg: float = 0.0
    _zero_kg: float = 0.0

    def lift(self, t_s: float, lasts_s: float, emptied: bool = False, tare_change_kg: float = 0.0) -> None:
        """The pan is taken off its cells and put back, perhaps emptied, perhaps another one."""
        self.disturbed.lift(t_s, lasts_s, tare_change_kg)
        if emptied:
            self.carried_off_kg = self.old_kg + self.fresh_kg

    def catch(self, t_s: float, old_kg: float) -> float:
        """Old fluid falls; what stays in the pan, which is none of it while the pan is lifted."""
        if self.disturbed.lifted(t_s):
            self.floor_kg += old_kg
            return 0.0
        self.old_kg += old_kg
        return old_kg

    def advance(self, t_s: float, dt_s: float, before_kg: float) -> None:
        """Let dt_s pass up to t_s. before_kg: what had fallen in when it began."""
        s, in_pan_kg = self.settings, self.old_kg + self.fresh_kg
        self.disturbed.advance(t_s, dt_s, (in_pan_kg - before_kg) / dt_s)
        in_pan_kg -= self.carried_off_kg
        self._creep_kg += (s.creep_rel * in_pan_kg - self._creep_kg) * dt_s / s.creep_s
        self._zero_kg += self.noise.gauss(0.0, s.zero_walk_kg) * math.sqrt(dt_s / 60.0)

    def count(self, t_s: float, pan_c: float, air_c: float) -> int:
        """One fresh conversion of the load cell's bridge."""
        s = self.settings
        load_kg = self.disturbed.felt_kg(t_s, self._load_kg(pan_c)) + self._creep_kg + self._zero_kg
        load_kg += s.zero_kg_per_c * (air_c - s.air_c)
        count = s.zero_count + load_kg / s.kg_per_count + self.noise.gauss(0.0, s.noise_counts)
        return max(-8388608, min(8388607, round(count)))

    def _load_kg(self, pan_c: float) -> float:
        """What a cell calibrated with steel masses makes of the pan: fluids float a little in air."""
        s = self.settings
        steel = 1.0 - s.air_kg_m3 / 8000.0
        old = self.old_kg * (1.0 - s.air_kg_m3 / s.old.density_kg_m3(pan_c))
        fresh = self.fresh_kg * (1.0 - s.air_kg_m3 / s.fresh.density_kg_m3(s.supply_c))
        return s.pan_kg + (old + fresh) / steel - self.carried_off_kg
