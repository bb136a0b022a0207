"""API MPMS 4.8: how far the runs of a proving may lie apart.

Seen in public sources: 0.05 % in five runs, 0.12 % in ten, 0.17 % in fifteen, all for 0.027 % at 95 %. The form
w = 0.00027 D(n) sqrt(n) / t and the other printed rows are from memory. D is integrated here and t is scipy's, so no
constant of ours is on both sides.
"""

from math import sqrt

import pytest
from scipy import integrate, stats

from calibration.meter import MEAN_RANGE, repeatability_limit_percent

PRINTED = {3: 0.02, 4: 0.03, 5: 0.05, 7: 0.08, 8: 0.09, 9: 0.10, 10: 0.12, 12: 0.14, 15: 0.17, 20: 0.22}


def mean_range(n: int) -> float:
    """Mean range of n standard normal values: the integral of 1 - (1 - F)^n - F^n over the real line."""
    cdf = stats.norm.cdf
    value, _ = integrate.quad(lambda x: 1.0 - (1.0 - cdf(x)) ** n - cdf(x) ** n, -10.0, 10.0)
    return float(value)


@pytest.mark.parametrize("n", PRINTED)
def test_limit_as_printed(n: int) -> None:
    assert round(repeatability_limit_percent(n), 2) == PRINTED[n]


@pytest.mark.parametrize("n", range(3, 21))
def test_limit_with_constants_of_others(n: int) -> None:
    limit = 0.027 * mean_range(n) * sqrt(n) / float(stats.t.ppf(0.975, n - 1))
    assert repeatability_limit_percent(n) == pytest.approx(limit, rel=3e-4)


@pytest.mark.parametrize("n", MEAN_RANGE)
def test_mean_range_constant_from_its_definition(n: int) -> None:
    assert MEAN_RANGE[n] == pytest.approx(mean_range(n), abs=5.1e-4)
