"""Density of water: Tanaka et al., Metrologia 38 (2001) 301, and what else is published beside it."""

import numpy as np
import pytest

from calibration.water import water_density, water_viscosity

# Printed by chempy 0.10.2 (Tanaka 2001) and, independently, by iapws 1.5.5 = CoolProp 8.0.0 (IAPWS-95).
TABLE = {
    0: (999.84283, 999.84309), 4: (999.97495, 999.97487), 5: (999.96678, 999.96663),
    10: (999.70270, 999.70247), 15: (999.10257, 999.10262), 20: (998.20675, 998.20715),
    25: (997.04702, 997.04764), 30: (995.64880, 995.64945), 35: (994.03260, 994.03331),
    40: (992.21521, 992.21635),
}  # fmt: skip


@pytest.mark.parametrize("t", TABLE)
def test_table_values(t: int) -> None:
    tanaka, iapws95 = TABLE[t]
    assert water_density(float(t)) == pytest.approx(tanaka, abs=6e-6)
    assert water_density(float(t)) == pytest.approx(iapws95, abs=0.002)  # two formulations, 1.2 ppm


@pytest.mark.parametrize(
    ("t", "density", "tolerance"),
    [(15, 999.1026, 1e-4), (10, 999.7026, 3e-4), (22, 997.7735, 7e-4), (25, 997.0479, 9e-4)],
)
def test_values_and_tolerances_of_chempys_own_tests(t: float, density: float, tolerance: float) -> None:
    assert water_density(float(t)) == pytest.approx(density, abs=tolerance)


@pytest.mark.parametrize(
    ("t", "air_saturated"),
    [
        (5, 999.9648),
        (10, 999.6990),
        (15, 999.0992),
        (20, 998.2033),
        (25, 997.0430),
        (30, 995.6449),
        (40, 992.2112),
    ],
)
def test_air_saturated_water_is_lighter_by_a_few_millionths(t: float, air_saturated: float) -> None:
    """Jones and Harris 1992, the formula of ISO/TR 20461, for water with its air."""
    assert 0.001 < water_density(float(t)) - air_saturated < 0.005


def test_agrees_with_iapws_95_over_the_whole_range() -> None:
    iapws = pytest.importorskip("iapws", reason="general-purpose reference library, test extra")
    for t in np.linspace(0.0, 40.0, 41):
        w = iapws.IAPWS95(T=t + 273.15, P=0.101325)
        assert water_density(float(t)) == pytest.approx(w.rho, abs=0.002)
        assert water_viscosity(float(t)) == pytest.approx(w.nu * 1e6, rel=5e-5)


def test_viscosity_reference_of_viscometry() -> None:
    """1.0034 mm²/s at 20.00 °C: the value on which kinematic viscosities rest (ASTM D2270-04, 1.3)."""
    assert water_viscosity(20.0) == pytest.approx(1.0034, abs=5e-5)


def test_outside_the_papers_range_is_refused() -> None:
    for t in (-0.01, 40.01, float("nan")):
        with pytest.raises(ValueError, match=r"water temperature is .* outside the range 0 to 40 °C"):
            water_density(t)
