"""Quantiles of Student's t distribution, without a library of statistics: the one at hand takes a tenth of what a bay's service
may have of a small board's memory, and this is all that a bay asks of it.

By definition the share of the distribution beyond ±t is the regularised incomplete beta function I_x(ν/2, 1/2) with
x = ν/(ν + t²) (DLMF 8.17). That is solved for t; where ν is large, the expansion about the normal distribution's quantile is
nearer than the logarithms of the gamma function are.
"""

from functools import lru_cache
from math import exp, inf, lgamma, log, log1p, sqrt
from statistics import NormalDist
from typing import Final

EXPANDED_FROM: Final = 1000.0
"""Degrees of freedom from which four terms of the expansion are good to 1e-13."""
INFINITE_FROM: Final = 1e5
"""Beyond it they count as infinite, as they do for GTC (``inf_dof``), to whose budgets these quantiles belong."""
_BEGUN_FROM: Final = 5.0
"""And from which they are near enough to begin with."""
_LAST_STEP: Final = 1e-7
"""Of Newton's. What is left behind it is of the order of its square."""
_NEAR: Final = 1e-15
_STEPS: Final = 1000


@lru_cache(maxsize=256)
def student_t(dof: float, percent: float) -> float:
    """Two-sided quantile: half the width, in standard uncertainties, of an interval with this coverage (JCGM 100, G.3.2).

    dof: 1 or more, infinite for the normal distribution. percent: between 0 and 100. Raises ValueError.
    """
    if not (dof >= 1.0 and 0.0 < percent < 100.0):
        raise ValueError(
            f"{dof!r} degrees of freedom and {percent!r} %, expected 1 or more, and a percentage between 0 and 100."
        )
    t = z = NormalDist().inv_cdf(0.5 + percent / 200.0)
    if dof > INFINITE_FROM:
        return z
    if dof >= _BEGUN_FROM:
        t = _expanded(z, dof)
    if dof >= EXPANDED_FROM:
        return t
    beyond = 1.0 - percent / 100.0
    log_scale = lgamma(0.5 * dof + 0.5) - lgamma(0.5 * dof) - lgamma(0.5)
    for _step in range(
        _STEPS
    ):  # Newton's: the share falls ever more slowly, so that none leads beyond the quantile
        density = exp(log_scale - 0.5 * (dof + 1.0) * log1p(t * t / dof)) / sqrt(dof)
        step = (_beyond(t, dof, log_scale) - beyond) / (2.0 * density)
        t += step
        if abs(step) <= _LAST_STEP * t:
            break
    return t


def _expanded(z: float, dof: float) -> float:
    """M. Abramowitz and I. Stegun, Handbook of Mathematical Functions, 26.7.5, for the normal distribution's quantile z."""
    s = z * z
    terms = (
        z * (s + 1.0) / 4.0,
        z * ((5.0 * s + 16.0) * s + 3.0) / 96.0,
        z * (((3.0 * s + 19.0) * s + 17.0) * s - 15.0) / 384.0,
        z * ((((79.0 * s + 776.0) * s + 1482.0) * s - 1920.0) * s - 945.0) / 92160.0,
    )
    return z + sum(term / dof ** (n + 1) for n, term in enumerate(terms))


def _beyond(t: float, dof: float, log_scale: float) -> float:
    """I_x(a, b), or from its other end where the fraction converges sooner there. log_scale: of 1 / B(a, b)."""
    a, b, x, rest = 0.5 * dof, 0.5, dof / (dof + t * t), t * t / (dof + t * t)
    scaled = exp(log_scale + a * log(x) + b * log(rest))
    if x < (a + 1.0) / (a + b + 2.0):
        return scaled / a * _fraction(x, a, b)
    return 1.0 - scaled / b * _fraction(rest, b, a)


def _fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of the incomplete beta function (DLMF 8.17.22), formed from the front after Lentz (DLMF 3.10(iii))."""
    made, up, down = 1.0, inf, 1.0
    for step in range(1, _STEPS):
        m = step // 2
        if step % 2:
            part = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        else:
            part = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        down = 1.0 / (1.0 + part * down)
        up = 1.0 + part / up
        made *= up * down
        if abs(up * down - 1.0) <= _NEAR:
            break
    return made
