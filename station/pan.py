"""The pan's recent past: what it weighs now, how fast that changes, and how well either is known."""

import math
from dataclasses import dataclass

WINDOW_S = 6.0
SPARSE_POINTS = 5
SPARSE_S = 60.0
"""A recording slower than about one reading a second still gets five points, if they are a minute old at most."""

SATURATED = (8388607, -8388608)
"""The converter's end stops: a count there says "at least", not how much."""


@dataclass(frozen=True)
class Level:
    """An indicated mass at t_s with its standard uncertainty from noise and unrest alone."""

    t_s: float
    kg: float
    u_kg: float


@dataclass(frozen=True)
class PanTrack:
    """window: (t_s, indicated_kg), oldest first. median_kg and flow_kg_s are robust and cheap, for display."""

    window: tuple[tuple[float, float], ...] = ()
    median_kg: float = 0.0
    flow_kg_s: float = 0.0


def _median(values: list[float]) -> float:
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])


def add(track: PanTrack, t_s: float, indicated_kg: float) -> PanTrack:
    """Take in one reading, let the oldest go."""
    window = (*track.window, (t_s, indicated_kg))
    first = 0
    while len(window) - first > SPARSE_POINTS and window[first][0] < t_s - WINDOW_S:
        first += 1
    while window[first][0] < t_s - SPARSE_S:
        first += 1
    window = window[first:]
    masses = [kg for _, kg in window]
    third = max(1, len(window) // 3)
    dt_s = (t_s + window[-third][0] - window[0][0] - window[third - 1][0]) / 2
    rise = _median(masses[-third:]) - _median(masses[:third])
    return PanTrack(window, _median(masses[-9:]), rise / dt_s if dt_s > 0 else 0.0)


def fit_level(window: tuple[tuple[float, float], ...], t_s: float, noise_kg: float) -> Level | None:
    """Indicated mass at t_s: a line through the window, without the readings that a kick threw off.

    A slope that its own uncertainty hides is left out, so that a calm pan gets the smaller u of a mean.
    noise_kg: standard deviation of one reading, the least that is believed. None for an empty window.
    """
    points = list(window)
    if not points:
        return None
    # A resistant first look (Theil 1950, Sen 1968): least squares alone would bend towards what it should reject.
    slopes = [
        (m2 - m1) / (t2 - t1) for i, (t1, m1) in enumerate(points) for t2, m2 in points[i + 1 :] if t2 > t1
    ]
    slope = _median(slopes) if slopes else 0.0
    offset = _median([m - slope * t for t, m in points])
    residuals = [abs(m - offset - slope * t) for t, m in points]
    sigma = max(noise_kg, 1.4826 * _median(residuals))
    points = [p for p, r in zip(points, residuals, strict=True) if r <= 4.0 * sigma]
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean_kg = sum(m for _, m in points) / n
    stt = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (m - mean_kg) for t, m in points) / stt if stt > 0 else 0.0
    if abs(slope) <= 2.0 * sigma / math.sqrt(stt) if stt > 0 else True:
        return Level(t_s, mean_kg, sigma / math.sqrt(n))
    ahead_s = t_s - mean_t
    return Level(t_s, mean_kg + slope * ahead_s, sigma * math.sqrt(1.0 / n + ahead_s**2 / stt))


@dataclass(frozen=True)
class Rest:
    """A pan left alone: the sums of a line through it, one median every BLOCK_S, to see its slow drift."""

    BLOCK_S = 5.0

    t0_s: float
    block_t_s: float
    n: int = 0
    sum_t: float = 0.0
    sum_kg: float = 0.0
    sum_tt: float = 0.0
    sum_tkg: float = 0.0

    def add(self, t_s: float, median_kg: float) -> "Rest":
        if t_s - self.block_t_s < self.BLOCK_S:
            return self
        t = t_s - self.t0_s
        return Rest(
            self.t0_s,
            t_s,
            self.n + 1,
            self.sum_t + t,
            self.sum_kg + median_kg,
            self.sum_tt + t * t,
            self.sum_tkg + t * median_kg,
        )

    def drift(self, noise_kg: float) -> tuple[float, float]:
        """Drift in kg/s and its standard uncertainty; (0, 0) where there was too little rest to tell."""
        if self.n < 6:
            return 0.0, 0.0
        stt = self.sum_tt - self.sum_t**2 / self.n
        slope = (self.sum_tkg - self.sum_t * self.sum_kg / self.n) / stt
        return slope, noise_kg / math.sqrt(stt)
