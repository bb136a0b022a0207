"""A pan left alone: how its reading drifts by itself, from creep, a warming cell or evaporating solvent.

Whatever drives such a drift is used up by it: solvent leaves in proportion to what is left, creep and warmth die away.
So a drift is a rate that fades as an exponential, and the readings since the last thing that came tell both.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from station.common.evolve import evolve
from station.weighing.limits import LIMITS

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Drift:
    """kg_s: rate at t_s. bends_kg_s2: how it changes. The u and the covariance are those of these two."""

    t_s: float = 0.0
    kg_s: float = 0.0
    bends_kg_s2: float = 0.0
    u_kg_s: float = 0.0
    u_bends_kg_s2: float = 0.0
    cov_kg2_s3: float = 0.0

    @property
    def _fades_per_s(self) -> float:
        return -self.bends_kg_s2 / self.kg_s if self.kg_s else 0.0

    def rate_kg_s(self, t_s: float) -> float:
        """The drift at a later time."""
        fades, dt_s = self._fades_per_s, t_s - self.t_s
        if fades <= 0.0:
            return self.kg_s  # one that seems to grow is not carried on
        return self.kg_s * math.exp(-fades * dt_s)

    def u_rate_kg_s(self, t_s: float) -> float:
        dt_s = t_s - self.t_s
        variance = self.u_kg_s**2 + 2.0 * dt_s * self.cov_kg2_s3 + (dt_s * self.u_bends_kg_s2) ** 2
        return math.hypot(math.sqrt(max(0.0, variance)), LIMITS.drift_model_u * self.kg_s)

    def gained_kg(self, from_s: float, to_s: float) -> float:
        """What the pan gains by its drift alone."""
        fades = self._fades_per_s
        if fades <= 0.0:
            return self.kg_s * (to_s - from_s)
        return (self.rate_kg_s(from_s) - self.rate_kg_s(to_s)) / fades

    def u_gained_kg(self, from_s: float, to_s: float) -> float:
        dt_s = to_s - from_s
        return dt_s * math.hypot(self.u_rate_kg_s(0.5 * (from_s + to_s)), LIMITS.u_cell_kg_s)


@dataclass(frozen=True)
class Rest:
    """One median (t_s, kg) every ``rest_block_s``, the newest ``rest_blocks`` of them."""

    blocks: tuple[tuple[float, float], ...] = ()

    def add(self, t_s: float, median_kg: float) -> "Rest":
        if self.blocks and t_s - self.blocks[-1][0] < LIMITS.rest_block_s:
            return self
        return Rest((*self.blocks, (t_s, median_kg))[-LIMITS.rest_blocks :])

    def drift(self, t_s: float, noise_kg: float, wet: bool = False) -> Drift:
        """The drift as of t_s, from the blocks since the last thing that came; none where they do not show any.

        wet: solvent was used, so that too short a rest leaves a doubt.
        """
        t = np.array([b[0] - t_s for b in self.blocks])
        kg = np.array([b[1] for b in self.blocks])
        if len(t) < LIMITS.least_blocks:
            return Drift(t_s, u_kg_s=LIMITS.u_wet_kg_s if wet else 0.0)
        noise_kg *= LIMITS.median_noise
        first = len(t) - LIMITS.least_blocks
        fitted, covariance = _fit(t[first:], kg[first:], noise_kg)
        while first > 0:
            row = np.array([1.0, t[first - 1], 0.5 * t[first - 1] ** 2])
            u_kg = math.sqrt(noise_kg**2 + float(row @ covariance @ row))
            if abs(kg[first - 1] - float(row @ fitted)) > LIMITS.off_times * u_kg + LIMITS.off_kg:
                break
            first -= 1
            fitted, covariance = _fit(t[first:], kg[first:], noise_kg)
        rate, bends = float(fitted[1]), float(fitted[2])
        u_rate, u_bends = math.sqrt(covariance[1, 1]), math.sqrt(covariance[2, 2])
        if abs(rate) < 3.0 * math.hypot(u_rate, LIMITS.u_cell_kg_s):
            rate = bends = 0.0  # nothing but noise and the cell's own wandering
        return Drift(t_s, rate, bends, u_rate, u_bends, float(covariance[1, 2]))


def _fit(t: Floats, kg: Floats, noise_kg: float) -> tuple[Floats, Floats]:
    """Level, rate and bend at t = 0 with their covariance; a drift's bend is believed to be its own fading."""
    line = np.column_stack([np.ones_like(t), t])
    straight, *_ = np.linalg.lstsq(line, kg, rcond=None)
    bend = -LIMITS.fades_per_s * straight[1]
    u_bend = math.hypot(LIMITS.u_fades_per_s * straight[1], LIMITS.u_fades_per_s * LIMITS.u_cell_kg_s)
    rows = np.column_stack([line, 0.5 * t * t])
    sigma = noise_kg
    for _ in range(2):  # the scatter that is seen, where it is more than the cell's own
        weight = sigma / u_bend
        matrix = np.vstack([rows, [0.0, 0.0, weight]])
        fitted, *_ = np.linalg.lstsq(matrix, np.append(kg, weight * bend), rcond=None)
        seen = math.sqrt(float(np.sum((kg - rows @ fitted) ** 2)) / max(1, len(t) - 2))
        sigma = max(noise_kg, seen)
    return fitted, sigma**2 * np.linalg.inv(matrix.T @ matrix)


@dataclass(frozen=True)
class Slope:
    """Sums of a line through (t, kg)."""

    n: int = 0
    t: float = 0.0
    m: float = 0.0
    tt: float = 0.0
    tm: float = 0.0

    def add(self, t: float, kg: float) -> "Slope":
        return Slope(self.n + 1, self.t + t, self.m + kg, self.tt + t * t, self.tm + t * kg)

    @property
    def stt(self) -> float:
        return self.tt - self.t**2 / self.n if self.n > 0 else 0.0

    @property
    def kg_s(self) -> float:
        return (self.tm - self.t * self.m / self.n) / self.stt if self.stt > 0 else 0.0


@dataclass(frozen=True)
class Watch:
    """The pan since the plug went in at t0_s: a line through one median every ``rest_block_s``."""

    t0_s: float
    block_t_s: float
    kg0: float = 0.0
    slope: Slope = field(default_factory=Slope)

    def add(self, t_s: float, median_kg: float) -> "Watch":
        if t_s - self.block_t_s < LIMITS.rest_block_s:
            return self
        kg0 = self.kg0 if self.slope.n else median_kg
        return evolve(self, block_t_s=t_s, kg0=kg0, slope=self.slope.add(t_s - self.t0_s, median_kg - kg0))
