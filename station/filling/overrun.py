"""What still flows after the stop command, learned per fluid and bay.

Overrun is so many seconds of the flow at the stop: relay, motor, valve and hose need their time, and a thick fluid
takes longer. So T = a + b·lg(ν / 100 mm²/s), a straight line in the logarithm of the viscosity, fitted to clean stops
by a Kalman filter: one stop in, a new line out, and an old pump may wear. Nothing here knows when a stop is clean;
station.core.control decides that, and gives no other.
"""

import math
from dataclasses import dataclass

from station.common.evolve import evolve
from station.filling.limits import LIMITS


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

    a_s: float = LIMITS.prior_s
    b_s: float = 0.0
    paa: float = LIMITS.u_prior_s**2
    pab: float = 0.0
    pbb: float = LIMITS.u_slope_s**2
    stops: int = 0

    def seconds(self, kv_mm2_s: float | None) -> float:
        """Seconds of flow that still pass after the stop; the middle of the line where the viscosity is not known."""
        return min(LIMITS.overrun_longest_s, max(0.0, self.a_s + self.b_s * _lg(kv_mm2_s)))

    def forecast_l(self, flow_l_min: float, kv_mm2_s: float | None, target_l: float) -> float:
        """Overrun in litres at a flow, at most ``overrun_share_most`` of the target."""
        return min(flow_l_min / 60.0 * self.seconds(kv_mm2_s), LIMITS.overrun_share_most * max(0.0, target_l))

    def learn(self, stop: Stop) -> "Overrun":
        """Take in a clean stop; anything else leaves the line as it is."""
        if not stop.clean or not stop.flow_l_min > 0:
            return self
        x, flow_l_s = _lg(stop.kv_mm2_s), stop.flow_l_min / 60.0
        paa, pbb = self.paa + LIMITS.wear_s**2, self.pbb + LIMITS.wear_slope_s**2
        ga, gb = paa + self.pab * x, self.pab + pbb * x
        variance = ga + gb * x + LIMITS.u_lag_s**2 + (LIMITS.u_stop_l / flow_l_s) ** 2
        off_s = stop.overrun_l / flow_l_s - (self.a_s + self.b_s * x)
        limit_s = LIMITS.overrun_clip * math.sqrt(variance)
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
