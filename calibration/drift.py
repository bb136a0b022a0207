"""Does the meter (or the pan) drift? One proving against the one before."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, sqrt


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
