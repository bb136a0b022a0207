"""The estimator that was not kept: a robust Kalman filter of mass and flow with change detection.

State (kg, kg/s), one reading at a time. Readings far off are taken in with a bounded pull (Huber); three in a row on the
same side say that the level changed, whereupon the level is let go and found anew. The step is the new level against the
old one carried on, a second later. It answers like station.weighing.pan so that both can be compared on the same streams.
"""

import math
from dataclasses import dataclass

from station.weighing.jumps import Jump

HUBER = 3.0
OUT = 5.0
IN_A_ROW = 3
SETTLE_S = 1.0
ACCEL_KG_S2 = 2.0e-4
"""Standard deviation of the flow's change in a second, in a drip; it grows with the flow."""


@dataclass
class Kalman:
    """kg, flow_kg_s and their covariance; r: variance of a reading as seen lately."""

    noise_kg: float
    kg: float = 0.0
    flow_kg_s: float = 0.0
    p00: float = 1.0
    p01: float = 0.0
    p11: float = 1e-4
    t_s: float | None = None
    r: float = 0.0
    odd: int = 0
    odd_since_s: float = 0.0
    anchor: tuple[float, float, float, float] | None = None
    """While a change settles: when it began, the level and flow before, and the level's variance."""

    def add(self, t_s: float, kg: float) -> Jump | None:
        """Take in one reading."""
        if self.t_s is None:
            self.t_s, self.kg, self.r = t_s, kg, self.noise_kg**2
            return None
        dt_s = t_s - self.t_s
        q = (ACCEL_KG_S2 + 0.3 * abs(self.flow_kg_s)) ** 2 * dt_s
        kg_then, p00_then = self.kg, self.p00
        self.kg += self.flow_kg_s * dt_s
        self.p00 += 2.0 * dt_s * self.p01 + dt_s**2 * self.p11 + q * dt_s**2 / 3.0
        self.p01 += dt_s * self.p11 + q * dt_s / 2.0
        self.p11 += q
        self.t_s = t_s
        off = kg - self.kg
        s = self.p00 + max(self.r, self.noise_kg**2)
        z = off / math.sqrt(s)
        if self.anchor is None:
            if abs(z) > OUT:
                if self.odd == 0:
                    self.odd_since_s = t_s
                    self._before = (kg_then, self.flow_kg_s, p00_then)
                self.odd = self.odd + 1 if self.odd * z >= 0 else 1
                if abs(self.odd) >= IN_A_ROW:
                    self.anchor = (self.odd_since_s, *self._before)
                    self.p00, self.kg, self.odd = 1.0, kg, 0
                    return None
            else:
                self.odd = 0
        self.r += 0.05 * (min(off**2, 9.0 * s) - self.p00 - self.r) if self.anchor is None else 0.0
        self.r = max(self.r, self.noise_kg**2)
        pull = max(-HUBER, min(HUBER, z)) * math.sqrt(s)
        g0, g1 = self.p00 / s, self.p01 / s
        self.kg += g0 * pull
        self.flow_kg_s += g1 * pull
        self.p00, self.p01, self.p11 = (1 - g0) * self.p00, (1 - g0) * self.p01, self.p11 - g1 * self.p01
        if self.anchor is not None and t_s - self.anchor[0] > SETTLE_S:
            return self._settled(t_s)
        return None

    def _settled(self, t_s: float) -> Jump | None:
        since_s, before_kg, flow_kg_s, variance = self.anchor or (0.0, 0.0, 0.0, 0.0)
        self.anchor = None
        step = self.kg - before_kg - 0.5 * (flow_kg_s + self.flow_kg_s) * (t_s - since_s)
        leeway = 0.5 * abs(self.flow_kg_s - flow_kg_s) * (t_s - since_s)
        u = math.sqrt(variance + self.p00)
        if abs(step) - leeway <= max(4.0 * u, 0.001):
            step = 0.0
        return Jump(
            since_s,
            t_s,
            step,
            math.hypot(u, leeway / math.sqrt(3.0)),
            0.0,
            0.0,
            flow_kg_s,
            before_kg,
            self.kg,
        )
