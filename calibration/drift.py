"""Does the meter (or the pan) drift? One proving against the one before, and what may have come since the last."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import Final

PAN_REL_PER_YEAR: Final = 3.0e-4
"""Standard uncertainty of what a load cell's slope moves by in a year, relative (common practice, no source)."""
METER_REL_PER_YEAR: Final = 1.0e-3
"""The same of the K-factor of a small displacement meter in workshop use (common practice, no source)."""
DAYS_PER_YEAR: Final = 365.25


def u_since_rel(rel_per_year: float, age_days: float) -> float:
    """Standard uncertainty, relative, of what an instrument has moved by since it was calibrated so many days ago.

    Wear goes one way, so it grows with the time and not with its root. Raises ValueError for an age or a rate below zero.
    """
    if not (isfinite(age_days) and age_days >= 0.0 and isfinite(rel_per_year) and rel_per_year >= 0.0):
        raise ValueError(
            f"age is {age_days!r} days, drift {rel_per_year!r} per year; expected numbers of zero or more."
        )
    return rel_per_year * age_days / DAYS_PER_YEAR


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
