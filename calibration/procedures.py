"""What a scale does besides following its line: the guided procedures of a calibration, as pure functions.

Each takes readings that somebody took, in kg of indicated mass, and returns a finding with the standard
uncertainty that it adds to a weighing. Where a finding is a difference that may act either way, it is
taken as the half width or width of a rectangular distribution (JCGM 100, 4.3.7), as the functions say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, sqrt
from typing import Final

import numpy as np

from station.common.digits import number
from station.common.words import _

CREEP_TIME_S: Final = 1800.0


@dataclass(frozen=True)
class Hysteresis:
    """Largest difference between unloading and loading at the same load, and where it was found."""

    difference_kg: float
    at_kg: float
    u_kg: float


@dataclass(frozen=True)
class Repeatability:
    """Scatter of the same load put on several times."""

    n: int
    mean_kg: float
    sd_kg: float
    range_kg: float


@dataclass(frozen=True)
class CornerLoad:
    """Indication at each place of the pan minus the one in the middle; the largest, and its load."""

    load_kg: float
    differences_kg: tuple[tuple[str, float], ...]
    largest_kg: float
    u_rel: float


@dataclass(frozen=True)
class Creep:
    """Change of the indication under a constant load, counted from the first reading."""

    load_kg: float
    change_30_min_kg: float
    change_15_to_30_min_kg: float
    u_kg: float


@dataclass(frozen=True)
class ZeroReturn:
    """Empty indication after a long load minus the one before it."""

    change_kg: float
    u_kg: float


@dataclass(frozen=True)
class TemperatureEffect:
    """Slope of the indication over temperature, with its standard uncertainty and degrees of freedom."""

    kg_per_c: float
    u_kg_per_c: float
    dof: int
    from_c: float
    to_c: float

    def change_kg(self, temperature_change_c: float) -> float:
        """What a temperature change, in °C, is expected to add to the indication."""
        return self.kg_per_c * temperature_change_c


def hysteresis(loads_kg: Sequence[float], up_kg: Sequence[float], down_kg: Sequence[float]) -> Hysteresis:
    """Hysteresis from indications while loading (up) and unloading (down) at the same known loads.

    u is the largest difference over 2√3: an indication lies anywhere between the two branches.
    Raises ValueError for unequal lengths or values that are not finite.
    """
    _finite("load", loads_kg, 1)
    for name, values in (("loading", up_kg), ("unloading", down_kg)):
        _finite(f"{name} indication", values, 1)
        if len(values) != len(loads_kg):
            raise ValueError(
                f"{len(values)} {name} indications for {len(loads_kg)} loads, expected one each."
            )
    difference, at = max(
        ((d - u, load) for load, u, d in zip(loads_kg, up_kg, down_kg, strict=True)), key=lambda x: abs(x[0])
    )
    return Hysteresis(difference, at, abs(difference) / (2.0 * sqrt(3.0)))


def repeatability(indications_kg: Sequence[float]) -> Repeatability:
    """Scatter of one load put on at least three times, the pan emptied and zeroed in between."""
    _finite("indication", indications_kg, 3)
    x = np.asarray(indications_kg, dtype=float)
    return Repeatability(x.size, float(x.mean()), float(x.std(ddof=1)), float(np.ptp(x)))


def corner_load(middle_kg: float, places_kg: Mapping[str, float]) -> CornerLoad:
    """Eccentric load: one load of about a third of the pan's maximum, in the middle and in each corner.

    middle_kg: indication in the middle. places_kg: name of the place -> indication there, four or more.
    u_rel is the largest difference over load over 2√3 (a drained fluid's centre of mass seldom lies in a
    corner, so half of the corner's difference is the half width). Raises ValueError for fewer places.
    """
    _finite("corner indication", list(places_kg.values()), 4)
    if not middle_kg > 0.0:
        raise ValueError(
            _("indication in the middle is {middle_kg!r} kg, expected a load above 0.").format(
                middle_kg=middle_kg
            )
        )
    differences = tuple((place, kg - middle_kg) for place, kg in places_kg.items())
    largest = max((change for _, change in differences), key=abs)
    return CornerLoad(middle_kg, differences, largest, abs(largest) / middle_kg / (2.0 * sqrt(3.0)))


def creep(times_s: Sequence[float], indications_kg: Sequence[float]) -> Creep:
    """Creep from indications under one load over at least 30 minutes.

    times_s: seconds, rising; the first reading (within a few seconds of loading) is the reference. Values
    at 15 and 30 min are read off by straight lines. u is the change in 30 min over √3: a job's weighing
    may fall anywhere in it. Raises ValueError for a shorter record.
    """
    _record(times_s, indications_kg, CREEP_TIME_S)
    t = np.asarray(times_s, dtype=float) - times_s[0]
    at_15, at_30 = np.interp([CREEP_TIME_S / 2.0, CREEP_TIME_S], t, np.asarray(indications_kg, dtype=float))
    change = float(at_30) - indications_kg[0]
    return Creep(indications_kg[0], change, float(at_30 - at_15), abs(change) / sqrt(3.0))


def zero_return(before_kg: float, after_kg: float) -> ZeroReturn:
    """Return to zero: the empty pan before a load of 30 minutes, and just after it was taken off."""
    _finite("empty indication", [before_kg, after_kg], 2)
    return ZeroReturn(after_kg - before_kg, abs(after_kg - before_kg) / sqrt(3.0))


def temperature_effect(temperatures_c: Sequence[float], indications_kg: Sequence[float]) -> TemperatureEffect:
    """Slope of an unchanged load's indication over temperature, by a straight line.

    At least four readings over at least 5 °C. With the empty pan it is the effect on zero; with a load,
    the slope over the load is the effect on sensitivity. Raises ValueError for less.
    """
    _finite("temperature", temperatures_c, 4)
    _finite("indication", indications_kg, 4)
    t, y = np.asarray(temperatures_c, dtype=float), np.asarray(indications_kg, dtype=float)
    if t.size != y.size:
        raise ValueError(
            _("{temperatures} temperatures for {indications} indications, expected one each.").format(
                temperatures=t.size, indications=y.size
            )
        )
    span = float(np.ptp(t))
    if span < 5.0:
        raise ValueError(
            _("temperatures span {span} °C, expected at least 5 °C. Wait for the shop to warm up.").format(
                span=number(span, ".2g")
            )
        )
    d = t - t.mean()
    slope = float(d @ y) / float(d @ d)
    residuals = y - y.mean() - slope * d
    dof = t.size - 2
    u = sqrt(float(residuals @ residuals) / dof / float(d @ d))
    return TemperatureEffect(slope, u, dof, float(t.min()), float(t.max()))


def _finite(name: str, values: Sequence[float], at_least: int) -> None:
    if len(values) < at_least:
        raise ValueError(
            _("{n} {name} values, expected at least {at_least}. Take more readings.").format(
                n=len(values), name=name, at_least=at_least
            )
        )
    for value in values:
        if not isfinite(value):
            raise ValueError(
                _("{name} is {value!r}, expected a finite number. Repeat that reading.").format(
                    name=name, value=value
                )
            )


def _record(times_s: Sequence[float], indications_kg: Sequence[float], at_least_s: float) -> None:
    _finite("time", times_s, 3)
    _finite("indication", indications_kg, 3)
    if len(times_s) != len(indications_kg):
        raise ValueError(
            _("{times} times for {indications} indications, expected one each.").format(
                times=len(times_s), indications=len(indications_kg)
            )
        )
    if any(b <= a for a, b in pairwise(times_s)):
        raise ValueError(_("times do not rise from reading to reading. Enter seconds since loading."))
    if times_s[-1] - times_s[0] < at_least_s:
        raise ValueError(
            _(
                "record covers {times_s} s, expected at least {at_least_s} s. Leave the load on and keep reading."
            ).format(times_s=number(times_s[-1] - times_s[0], ".0f"), at_least_s=number(at_least_s, ".0f"))
        )
