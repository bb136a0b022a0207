"""JCGM 106:2012, conformance probability: the station's verdict against the document's example and scipy."""

import pytest
from scipy import integrate, stats

from station.verdict import judge


def test_one_sided_example() -> None:
    """Breakdown voltage (numbers from memory): y = -5.47, u = 0.05, upper limit -5.40, p = 0.92."""
    j = judge(-5.47, 0.05, -5.40, 0.0, 1e6, 0.0)
    assert round(j.p_within, 2) == 0.92
    assert j.verdict == "undecided"


@pytest.mark.parametrize(
    ("filled", "u_filled", "expected", "u_expected", "minus", "plus"),
    [
        (2.80, 0.02, 2.87, 0.03, 0.10, 0.10),
        (2.99, 0.04, 2.87, 0.01, 0.10, 0.05),
        (2.70, 0.03, 2.87, 0.05, 0.12, 0.20),
        (6.10, 0.06, 6.00, 0.02, 0.15, 0.15),
        (2.87, 0.03, 2.87, 0.04, 0.05, 0.05),
    ],
)
def test_both_uncertain_by_integration(
    filled: float, u_filled: float, expected: float, u_expected: float, minus: float, plus: float
) -> None:
    """For each place that the expected fill may have, scipy's normal distribution of the filled volume about it."""

    def beside(lower: bool) -> float:
        def here(e: float) -> float:
            limit = e - minus if lower else e + plus
            share = (
                stats.norm.cdf(limit, filled, u_filled) if lower else stats.norm.sf(limit, filled, u_filled)
            )
            return float(stats.norm.pdf(e, expected, u_expected) * share)

        ends = (expected - 9.0 * u_expected, expected + 9.0 * u_expected)
        return float(integrate.quad(here, *ends, limit=200, epsabs=1e-12)[0])

    j = judge(filled, u_filled, expected, u_expected, minus, plus)
    assert j.p_short == pytest.approx(beside(True), abs=1e-9)
    assert j.p_over == pytest.approx(beside(False), abs=1e-9)
    assert j.p_short + j.p_within + j.p_over == pytest.approx(1.0, abs=1e-12)
