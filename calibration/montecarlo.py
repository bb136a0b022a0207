"""Propagation of distributions by Monte Carlo (JCGM 101), to cross-check the budgets.

Not part of any figure: a budget must be the same tomorrow, and linear propagation is. This shows that
linear is good enough, where it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isinf

import numpy as np

from calibration.budget import Inputs, Model
from calibration.ranges import FloatArray


@dataclass(frozen=True)
class Distribution:
    """Mean, standard deviation and the probabilistically symmetric 95 % interval of a result."""

    mean: float
    sd: float
    low: float
    high: float
    trials: int


def propagate(inputs: Inputs, model: Model, *, trials: int = 200_000, seed: int = 1) -> Distribution:
    """Distribution of a model's result; the same inputs and model as calibration.budget.propagate.

    An input with infinite degrees of freedom is normal, one with few is Student's t about its value,
    scaled by its u (JCGM 101, 6.4.9). The seed makes the answer repeatable. Raises ValueError for fewer
    than 10,000 trials.
    """
    if trials < 10_000:
        raise ValueError(f"trials is {trials!r}, expected at least 10000 for a 95 % interval.")
    rng = np.random.default_rng(seed)
    draws = {name: value + u * _standard(rng, dof, trials) for name, (value, u, dof) in inputs.items()}
    y = np.asarray(model(draws), dtype=float)
    low, high = np.quantile(y, [0.025, 0.975])
    return Distribution(float(y.mean()), float(y.std(ddof=1)), float(low), float(high), trials)


def agrees(
    value: float, u95: float, found: Distribution, *, significant_u: float, digits: int = 2
) -> tuple[bool, float]:
    """JCGM 101, 8.1: do the ends of value ± u95 agree with Monte Carlo's within the numerical tolerance?

    significant_u: the standard uncertainty whose `digits` significant digits count. Returns (agreement,
    larger of the two end differences over the tolerance).
    """
    exponent = np.floor(np.log10(significant_u)) - (digits - 1)
    tolerance = 0.5 * 10.0**exponent
    ends = max(abs(value - u95 - found.low), abs(value + u95 - found.high))
    return bool(ends <= tolerance), float(ends / tolerance)


def _standard(rng: np.random.Generator, dof: float, trials: int) -> FloatArray:
    if isinf(dof):
        return rng.standard_normal(trials)
    return rng.standard_t(dof, trials)
