"""What still flows after the stop command, learned per fluid and bay.

Overrun is so many seconds of the flow at the stop: relay, motor, valve and hose need their time, and a thick fluid
takes longer. So T = a + b·lg(ν / 100 mm²/s), a straight line in the logarithm of the viscosity, fitted to clean stops
by a Kalman filter: one stop in, a new line out, and an old pump may wear. Nothing here knows when a stop is clean;
station.core.control decides that, and gives no other.
"""

import math
from dataclasses import dataclass

from station.common.evolve import evolve

PRIOR_S = 0.35
U_PRIOR_S = 0.15
U_SLOPE_S = 0.08
WEAR_S, WEAR_SLOPE_S = 0.004, 0.002
"""How far a and b may wander from one stop to the next."""
U_LAG_S = 0.02
"""Jitter of a relay and a motor from stop to stop (assumption; bench_pump prints what the simulated one has)."""
U_STOP_L = 0.0015
"""Of one observed overrun: a pulse of 2.5 mL at either end, rectangular."""
LONGEST_S = 2.0
SHARE_MOST = 0.10
"""Never forecast more than this share of the target, whatever was learned."""
CLIP = 3.0


@dataclass(frozen=True)
class Stop:
    """One stop, as it is recorded. Volumes are litres at the reference temperature, metered since the fill began.

    why: what stopped the pump. clean: whether it may be learned from. flow_l_min: at the stop.
    """

    t_s: float
    target_l: float
    cut_off_l: float
    forecast_l: float
    final_l: float
    flow_l_min: float
    kv_mm2_s: float | None
    why: str
    clean: bool

    @property
    def overrun_l(self) -> float:
        return self.final_l - self.cut_off_l


@dataclass(frozen=True)
class Overrun:
    """a_s, b_s: the line. paa, pab, pbb: its covariance in s². stops: how many it has seen."""

    a_s: float = PRIOR_S
    b_s: float = 0.0
    paa: float = U_PRIOR_S**2
    pab: float = 0.0
    pbb: float = U_SLOPE_S**2
    stops: int = 0

    def seconds(self, kv_mm2_s: float | None) -> float:
        """Seconds of flow that still pass after the stop; the middle of the line where the viscosity is not known."""
        return min(LONGEST_S, max(0.0, self.a_s + self.b_s * _lg(kv_mm2_s)))

    def forecast_l(self, flow_l_min: float, kv_mm2_s: float | None, target_l: float) -> float:
        """Overrun in litres at a flow, at most SHARE_MOST of the target."""
        return min(flow_l_min / 60.0 * self.seconds(kv_mm2_s), SHARE_MOST * max(0.0, target_l))

    def learn(self, stop: Stop) -> "Overrun":
        """Take in a clean stop; anything else leaves the line as it is."""
        if not stop.clean or not stop.flow_l_min > 0:
            return self
        x, flow_l_s = _lg(stop.kv_mm2_s), stop.flow_l_min / 60.0
        paa, pbb = self.paa + WEAR_S**2, self.pbb + WEAR_SLOPE_S**2
        ga, gb = paa + self.pab * x, self.pab + pbb * x
        variance = ga + gb * x + U_LAG_S**2 + (U_STOP_L / flow_l_s) ** 2
        off_s = stop.overrun_l / flow_l_s - (self.a_s + self.b_s * x)
        limit_s = CLIP * math.sqrt(variance)
        off_s = max(-limit_s, min(limit_s, off_s))  # one odd stop moves the line by no more than a likely one
        ka, kb = ga / variance, gb / variance
        return evolve(
            self,
            a_s=self.a_s + ka * off_s,
            b_s=self.b_s + kb * off_s,
            paa=paa - ka * ga,
            pab=self.pab - ka * gb,
            pbb=pbb - kb * gb,
            stops=self.stops + 1,
        )


def _lg(kv_mm2_s: float | None) -> float:
    return 0.0 if kv_mm2_s is None or not kv_mm2_s > 0 else math.log10(kv_mm2_s / 100.0)
