"""API MPMS 11.1-2004 / ASTM D1250-04, generalised lubricating oils.

No printed cell of Table 54D was at hand. The figures below were computed from the standard's equations and
constants by independent code, so they catch a slip here, not a wrong equation. What stands on its own is the
closed loop of the temperature scale; measured densities are held against it in test_measured_oils.py.
"""

import numpy as np
import pytest

from calibration import density as d


def fahrenheit(t_f: float) -> float:
    return (t_f - 32.0) / 1.8


@pytest.mark.parametrize(
    ("r60", "row"),
    [
        (850.0, {32: 1.01145148, 59: 1.00041038, 77: 0.99300820, 100: 0.98350444, 150: 0.96268300, 212: 0.93659913}),
        (870.0, {32: 1.01118916, 77: 0.99316925, 100: 0.98388534, 150: 0.96354865, 212: 0.93807607}),
        (885.0, {32: 1.01100018, 77: 0.99328525, 100: 0.98415967, 150: 0.96417200, 212: 0.93913950}),
        (900.0, {32: 1.01081747, 77: 0.99339738, 100: 0.98442482, 150: 0.96477441, 212: 0.94016710}),
    ],
)  # fmt: skip
def test_factor_to_60_f(r60: float, row: dict[int, float]) -> None:
    for t_f, ctl in row.items():
        assert d.vcf_lubricant_base(r60, fahrenheit(t_f), "60F") == pytest.approx(ctl, abs=6e-9)


def test_expansion_factor_and_shifted_density_at_60_f() -> None:
    oil = d.Lubricant.at_base(885.0, "60F")
    assert oil.alpha60_per_f == pytest.approx(3.941006e-4, abs=5e-11)
    assert d.K1_PER_F / oil.alpha60_per_f == pytest.approx(885.002398, abs=5e-7)  # rho*


@pytest.mark.parametrize(
    ("r15", "r60", "factors"),
    [
        (870.0, 869.651173, (1.01078820, 0.99638798, 0.98186499, 0.96723080, 0.95249692)),
        (880.0, 879.651173, (1.01066605, 0.99642906, 0.98207205, 0.96760618, 0.95304261)),
        (890.0, 889.651172, (1.01054663, 0.99646922, 0.98227442, 0.96797307, 0.95357592)),
    ],
)
def test_factor_to_15_c(r15: float, r60: float, factors: tuple[float, ...]) -> None:
    assert d.Lubricant.at_base(r15).density_60f_kg_m3 == pytest.approx(r60, abs=6e-7)
    for t, factor in zip((0.0, 20.0, 40.0, 60.0, 80.0), factors, strict=True):
        assert d.vcf_lubricant(r15, t) == pytest.approx(factor, abs=6e-9)


def test_density_of_an_880_oil() -> None:
    found = d.density_lubricant(880.0, np.array([0.0, 20.0, 40.0, 60.0, 80.0]))
    assert found == pytest.approx([889.3861, 876.8576, 864.2234, 851.4934, 838.6775], abs=5e-5)


@pytest.mark.parametrize(
    ("observed", "t", "r60", "r15"),
    [
        (860.0, 40.0, 875.428132, 875.776959),
        (870.0, 20.0, 872.793618, 873.142445),
        (845.0, 60.0, 873.159443, 873.508271),
        (880.0, 25.0, 885.942540, 886.291368),
    ],
)
def test_observed_density_to_base(observed: float, t: float, r60: float, r15: float) -> None:
    assert d.density_15_from_observed(observed, t) == pytest.approx(r15, abs=6e-7)
    assert d.density_base_from_observed(observed, t, "60F") == pytest.approx(r60, abs=6e-7)


def test_temperature_scale_closes_at_60_f() -> None:
    """The polynomial's own value at 60 °F must be the constants that the standard prints beside it."""
    t68_f = d._delta_t_f(fahrenheit(60.0)) + d.BASE_F
    assert t68_f - 60.0 == pytest.approx(d.DELTA60_F / 2.0, abs=1e-9)
    assert t68_f == pytest.approx(60.0068749, abs=5e-8)


def test_ipts_68_at_round_temperatures() -> None:
    for t90, t68 in {
        15: 15.0036785,
        20: 20.0049563,
        40: 40.0102301,
        60: 60.0155879,
        100: 100.0256467,
    }.items():
        assert (d._delta_t_f(float(t90)) + d.BASE_F - 32.0) / 1.8 == pytest.approx(t68, abs=6e-8)


def test_limits_are_those_of_the_standard() -> None:
    for good in (800.9, 1163.5):
        d.vcf_lubricant_base(good, 20.0, "60F")
    for bad in (800.89, 1163.51):
        with pytest.raises(ValueError, match=r"density at 60 °F is .* range 800\.9 to 1163\.5"):
            d.vcf_lubricant_base(bad, 20.0, "60F")
    for t_f in (-58.0, 302.0):
        d.vcf_lubricant(880.0, fahrenheit(t_f))
    for t in (-50.01, 150.01):
        with pytest.raises(ValueError, match=r"temperature is .* range −50 to 150"):
            d.vcf_lubricant(880.0, t)
