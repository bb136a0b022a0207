"""Does the meter (or the pan) drift? One proving against the one before, and all of them over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Final

import numpy as np

from calibration.loadcell import student_t

DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True)
class Change:
    """The newest value against the one before: relative change, and |change| over its own U95."""

    relative: float
    u_relative: float
    significant: bool

    @property
    def ratio(self) -> float:
        """|change| over its U95 (k = 2); above 1 the two results do not agree."""
        return abs(self.relative) / (2.0 * self.u_relative)


@dataclass(frozen=True)
class Trend:
    """Straight line through all values: relative slope per year, with standard uncertainty."""

    per_year: float
    u_per_year: float
    dof: int
    significant: bool

    def days_until(self, limit_rel: float) -> float | None:
        """Days in which the trend uses up a relative limit; None where no trend is proved."""
        return limit_rel / abs(self.per_year) * DAYS_PER_YEAR if self.significant else None


def change(previous: float, u_previous: float, newest: float, u_newest: float) -> Change:
    """Compare two provings (or calibrations) by their independent standard uncertainties.

    u: what the two do not share (scatter and pulses; the scale and the density that both rest on cancel).
    Raises ValueError for values that are not positive and finite.
    """
    for name, value in (("previous", previous), ("newest", newest)):
        if not (isfinite(value) and value > 0.0):
            raise ValueError(f"{name} value is {value!r}, expected a positive number.")
    for name, u in (("previous", u_previous), ("newest", u_newest)):
        if not (isfinite(u) and u > 0.0):
            raise ValueError(f"u of the {name} value is {u!r}, expected a positive number.")
    relative = newest / previous - 1.0
    u_relative = newest / previous * sqrt((u_newest / newest) ** 2 + (u_previous / previous) ** 2)
    return Change(relative, u_relative, abs(relative) > 2.0 * u_relative)


def trend(days: Sequence[float], values: Sequence[float]) -> Trend:
    """Trend of at least four values over time, by a straight line; significant at 95 % (Student's t).

    days: when each was found, in days from any start. Raises ValueError for fewer, for values that are
    not positive, or if all were found on one day.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    if t.shape != y.shape or t.ndim != 1 or t.size < 4:
        raise ValueError(f"{t.size} days and {y.size} values, expected four or more of each.")
    if not (np.isfinite(t).all() and np.isfinite(y).all() and (y > 0.0).all() and float(np.ptp(t)) > 0.0):
        raise ValueError("days or values are not usable, expected positive values on different days.")
    d = t - t.mean()
    slope = float(d @ y) / float(d @ d)
    residuals = y - y.mean() - slope * d
    dof = t.size - 2
    u = sqrt(float(residuals @ residuals) / dof / float(d @ d))
    to_year = DAYS_PER_YEAR / float(y.mean())
    return Trend(slope * to_year, u * to_year, dof, abs(slope) > student_t(dof, 95) * u)
