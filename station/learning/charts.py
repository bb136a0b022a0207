"""Control charts for single values: individuals with moving range, and EWMA.

Constants after ISO 7870-2 (from memory; the numbers agree with the NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.2 and 6.3.2.4). A chart shows whether values are steady, not why they are not, and not through whom.

Two rules signal, and no more: every further one cries wolf. In control the mean run length is 370 values for three sigma
alone and about 245 with the EWMA beside it (drawn, normal values, known limits); with runs, trends, zones and a limit on
ranges, too, it was 54. A lasting shift of 0.7 sigma is signalled after 20 values instead of 16.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from station.common.digits import number
from station.common.words import N_, _

D2 = 1.128
"""Expected range of two normal values over their standard deviation, 2/√π, to the published digits."""
D4 = 3.267
"""Upper limit of a range of two over its mean, 1 + 3·d3/d2, to the published digits."""
LAMBDA, EWMA_K = 0.2, 3.0
"""Of the 0.2 to 0.3 that are usual (e-Handbook 6.3.2.4), the one that sees small lasting shifts sooner."""
ENOUGH = 20
"""Fewer values than this give limits that move with every new one; the e-Handbook asks for 20 to 25 or more."""

BASELINE = 100
"""Limits come from so many of a subject's first values and hold for all that follow, so that what creeps in later can move
neither centre nor limits: phase I and phase II of a control chart (NIST/SEMATECH e-Handbook, 6.5.4.3, from memory). With 30 the
limits of single values are themselves too uncertain (common practice, no source)."""

RULES = {
    "beyond": N_("one value beyond three sigma"),
    "ewma": N_("the moving average beyond its limit"),
}


@dataclass(frozen=True)
class Signal:
    """index: of the value it is seen at. rule: a key of RULES."""

    index: int
    rule: str


@dataclass(frozen=True)
class Chart:
    """n values in time order with their limits; limits and signals are None and empty while n is too small.

    moving_ranges[i] lies between values[i] and values[i + 1]; ewma[i], ewma_half[i] belong to values[i], the limits
    being centre ± ewma_half.
    """

    values: tuple[float, ...]
    n: int
    enough: bool
    text: str
    centre: float | None
    sigma: float | None
    lcl: float | None
    ucl: float | None
    moving_ranges: tuple[float, ...]
    range_centre: float | None
    range_ucl: float | None
    ewma: tuple[float, ...]
    ewma_half: tuple[float, ...]
    signals: tuple[Signal, ...]

    def to_dict(self) -> dict[str, Any]:
        signals = [{"index": s.index, "rule": s.rule, "text": _(RULES[s.rule])} for s in self.signals]
        return {**vars(self), "signals": signals}


def chart(values: Sequence[float], centre: float | None = None, sigma: float | None = None) -> Chart:
    """Chart of single values in time order.

    centre, sigma: from an earlier, steady period; else the mean, and the mean moving range over d2 = 1.128.
    Raises ValueError for values that are not finite, or a sigma below zero.
    """
    x = np.asarray(values, dtype=float)
    if x.ndim != 1 or not np.isfinite(x).all():
        raise ValueError("values; expected one row of finite numbers.")
    if sigma is not None and not (math.isfinite(sigma) and sigma >= 0):
        raise ValueError(f"sigma is {sigma}, expected zero or more.")
    n, shown = len(x), tuple(x.tolist())
    if n < ENOUGH:
        text = _("n = {n}: too few for limits, {ENOUGH} are needed.").format(n=n, ENOUGH=ENOUGH)
        return Chart(shown, n, False, text, None, None, None, None, (), None, None, (), (), ())
    ranges = np.abs(np.diff(x))
    range_centre = float(ranges.mean()) if sigma is None else sigma * D2
    middle = float(x.mean()) if centre is None else centre
    s = range_centre / D2
    averages = ewma(shown, middle)
    halves = ewma_half(n, s)
    beyond = np.abs(x - middle) > 3.0 * s
    off = np.abs(np.asarray(averages) - middle) > np.asarray(halves)
    signals = [Signal(int(i), "beyond") for i in np.flatnonzero(beyond)] if s > 0 else []
    signals += [Signal(int(i), "ewma") for i in np.flatnonzero(off)]
    signals.sort(key=lambda signal: signal.index)
    text = _("n = {n}, centre {middle}, limits {low} to {high}.").format(
        n=n,
        middle=number(middle, ".3g"),
        low=number(middle - 3 * s, ".3g"),
        high=number(middle + 3 * s, ".3g"),
    )
    return Chart(
        shown,
        n,
        True,
        text,
        middle,
        s,
        middle - 3.0 * s,
        middle + 3.0 * s,
        tuple(ranges.tolist()),
        range_centre,
        D4 * range_centre,
        averages,
        halves,
        tuple(signals),
    )


def from_baseline(values: Sequence[float]) -> Chart:
    """Chart whose limits come from the first ``BASELINE`` values, without those of them that are beyond three sigma."""
    first = chart(values[:BASELINE])
    if first.lcl is None or first.ucl is None:
        return chart(values)
    steady = [value for value in first.values if first.lcl <= value <= first.ucl]
    limits = chart(steady) if len(steady) >= ENOUGH else first
    return chart(values, limits.centre, limits.sigma)


def changed_at(shown: Chart) -> int | None:
    """The index from which on the moving average has stayed on one side of the centre, where its newest is beyond its limit:
    about when the change began, as simple as that; None where it is within."""
    if shown.centre is None or abs(shown.ewma[-1] - shown.centre) <= shown.ewma_half[-1]:
        return None
    low = shown.ewma[-1] < shown.centre
    other = [i for i, average in enumerate(shown.ewma) if (average < shown.centre) != low]
    return other[-1] + 1 if other else 0


def ewma(values: Sequence[float], start: float, weight: float = LAMBDA) -> tuple[float, ...]:
    """Exponentially weighted moving average behind each value, begun at ``start`` (NIST e-Handbook 6.3.2.4)."""
    out, level = [], start
    for value in values:
        level += weight * (value - level)
        out.append(level)
    return tuple(out)


def ewma_half(n: int, sigma: float, weight: float = LAMBDA, k: float = EWMA_K) -> tuple[float, ...]:
    """Half width of the EWMA's limits behind each of n values, the start-up's narrower ones included."""
    i = np.arange(1, n + 1)
    half = k * sigma * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * i)))
    return tuple(half.tolist())
