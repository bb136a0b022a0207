"""Straight lines through a pan's readings, and the level that they give at one moment."""

import math
from dataclasses import dataclass

Block = tuple[float, float]


@dataclass(frozen=True)
class Level:
    """An indicated mass at t_s with its standard uncertainty from noise and unrest alone.

    slope_kg_s: how fast it rises; 0 where noise hides it.
    """

    t_s: float
    kg: float
    u_kg: float
    slope_kg_s: float = 0.0


@dataclass(frozen=True)
class Line:
    """kg at t_s and its slope, through n blocks; sigma_kg: their scatter about it."""

    t_s: float
    kg: float
    slope_kg_s: float
    sigma_kg: float
    n: int
    stt: float

    def at(self, t_s: float) -> float:
        return self.kg + self.slope_kg_s * (t_s - self.t_s)

    def u_slope(self, sigma_kg: float) -> float:
        return sigma_kg / math.sqrt(self.stt) if self.stt > 0 else math.inf

    def u_at(self, t_s: float, sigma_kg: float) -> float:
        lever = (t_s - self.t_s) ** 2 / self.stt if self.stt > 0 else 0.0
        return sigma_kg * math.sqrt(1.0 / self.n + lever)


def median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def fit_line(blocks: tuple[Block, ...]) -> Line:
    """Least squares through at least one block."""
    mean_t, mean_kg, slope, stt = _straight(blocks)
    n = len(blocks)
    ss = 0.0
    for t, kg in blocks:
        off_kg = kg - mean_kg - slope * (t - mean_t)
        ss += off_kg * off_kg
    return Line(mean_t, mean_kg, slope, math.sqrt(ss / (n - 2)) if n > 2 else 0.0, n, stt)


def _straight(blocks: tuple[Block, ...]) -> tuple[float, float, float, float]:
    n = len(blocks)
    times, masses = zip(*blocks, strict=True)
    mean_t, mean_kg = sum(times) / n, sum(masses) / n
    stt = stm = 0.0
    for t, kg in blocks:
        dt = t - mean_t
        stt += dt * dt
        stm += dt * (kg - mean_kg)
    return mean_t, mean_kg, stm / stt if stt > 0 else 0.0, stt


def fit_level(window: tuple[tuple[float, float], ...], t_s: float, noise_kg: float) -> Level | None:
    """Indicated mass at t_s: a line through the window, without the readings that a kick threw off.

    A slope that its own uncertainty hides is left out, so that a calm pan gets the smaller u of a mean.
    noise_kg: standard deviation of one reading, the least that is believed. None for an empty window.
    """
    points = list(window)
    if not points:
        return None
    points, sigma = _without_outliers(points, noise_kg)
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean_kg = sum(m for _, m in points) / n
    stt = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (m - mean_kg) for t, m in points) / stt if stt > 0 else 0.0
    if abs(slope) <= 2.0 * sigma / math.sqrt(stt) if stt > 0 else True:
        return Level(t_s, mean_kg, sigma / math.sqrt(n))
    ahead_s = t_s - mean_t
    return Level(t_s, mean_kg + slope * ahead_s, sigma * math.sqrt(1.0 / n + ahead_s**2 / stt), slope)


def _without_outliers(points: list[Block], noise_kg: float) -> tuple[list[Block], float]:
    """The points that lie near a resistant line (Theil 1950, Sen 1968), and their scatter about it.

    Least squares alone would bend towards what it should reject.
    """
    slopes = [
        (m2 - m1) / (t2 - t1) for i, (t1, m1) in enumerate(points) for t2, m2 in points[i + 1 :] if t2 > t1
    ]
    slope = median(slopes) if slopes else 0.0
    offset = median([m - slope * t for t, m in points])
    residuals = [abs(m - offset - slope * t) for t, m in points]
    sigma = max(noise_kg, 1.4826 * median(residuals))
    kept = [p for p, r in zip(points, residuals, strict=True) if r <= 4.0 * sigma]
    return kept, sigma
