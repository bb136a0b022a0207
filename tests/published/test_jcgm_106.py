"""JCGM 106:2012, conformance probability: the station's verdict against the document's numbers."""

import pytest

from station.verdict import judge


def test_one_sided_example() -> None:
    """Breakdown voltage (numbers from memory): y = -5.47, u = 0.05, upper limit -5.40, p = 0.92."""
    j = judge(-5.47, 0.05, -5.40, 0.0, 1e6, 0.0)
    assert round(j.p_within, 2) == 0.92
    assert j.p_within == pytest.approx(0.919243, abs=5e-7)  # computed from the normal distribution
    assert j.verdict == "undecided"


@pytest.mark.parametrize(("z", "p"), [(1.0, 0.841345), (1.645, 0.950015), (2.0, 0.977250)])
def test_distance_to_a_limit_in_standard_uncertainties(z: float, p: float) -> None:
    j = judge(3.0, 0.03, 3.0 + z * 0.03, 0.0, 1e6, 0.0)
    assert j.p_within == pytest.approx(p, abs=5e-7)
    assert (j.verdict == "full") == (p >= 0.95)


@pytest.mark.parametrize(("capability", "p"), [(1.0, 0.954500), (1.5, 0.997300), (2.0, 0.999937)])
def test_centred_in_a_two_sided_interval(capability: float, p: float) -> None:
    """Measurement capability index C_m = T / (4 u), T the width of the interval."""
    u = 0.02
    half = 2.0 * capability * u
    assert judge(3.0, u, 3.0, 0.0, half, half).p_within == pytest.approx(p, abs=5e-7)


def test_both_uncertainties_count() -> None:
    """A limit that is itself uncertain: the two in quadrature."""
    together = judge(2.9, 0.03, 3.0, 0.04, 0.05, 0.05)
    alone = judge(2.9, 0.05, 3.0, 0.0, 0.05, 0.05)
    assert together.p_short == pytest.approx(alone.p_short, rel=1e-12)
