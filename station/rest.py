"""A pan left alone: how its reading drifts by itself, from creep, a warming cell or evaporating solvent."""

import math
from dataclasses import dataclass, field

from station.evolve import evolve

BLOCK_S = 5.0
SHORT_S, LONG_S = 100.0, 400.0


@dataclass(frozen=True)
class Slope:
    """Sums of a line through (t, kg), older points weighing less by exp(−age / forget_s)."""

    forget_s: float
    w: float = 0.0
    wt: float = 0.0
    wm: float = 0.0
    wtt: float = 0.0
    wtm: float = 0.0

    def add(self, t: float, kg: float, passed_s: float) -> "Slope":
        keep = math.exp(-passed_s / self.forget_s)
        return Slope(
            self.forget_s,
            self.w * keep + 1.0,
            self.wt * keep + t,
            self.wm * keep + kg,
            self.wtt * keep + t * t,
            self.wtm * keep + t * kg,
        )

    @property
    def stt(self) -> float:
        return self.wtt - self.wt**2 / self.w if self.w > 0 else 0.0

    @property
    def kg_s(self) -> float:
        return (self.wtm - self.wt * self.wm / self.w) / self.stt if self.stt > 0 else 0.0


@dataclass(frozen=True)
class Rest:
    """One median every BLOCK_S since t0_s, in a short and a long memory: their difference shows a drift that dies."""

    t0_s: float
    block_t_s: float
    n: int = 0
    kg0: float = 0.0
    short: Slope = field(default_factory=lambda: Slope(SHORT_S))
    long: Slope = field(default_factory=lambda: Slope(LONG_S))

    def add(self, t_s: float, median_kg: float) -> "Rest":
        passed_s = t_s - self.block_t_s
        if passed_s < BLOCK_S:
            return self
        kg0 = self.kg0 if self.n else median_kg
        t, kg = t_s - self.t0_s, median_kg - kg0
        return evolve(
            self,
            block_t_s=t_s,
            n=self.n + 1,
            kg0=kg0,
            short=self.short.add(t, kg, passed_s),
            long=self.long.add(t, kg, passed_s),
        )

    def drift(self, noise_kg: float) -> tuple[float, float]:
        """Drift in kg/s and its standard uncertainty; (0, 0) where there was too little rest to tell."""
        if self.n < 6 or self.short.stt <= 0:
            return 0.0, 0.0
        u_read = noise_kg / math.sqrt(self.short.stt)
        fading = 0.5 * (self.short.kg_s - self.long.kg_s)
        return self.short.kg_s, math.hypot(u_read, fading)
