"""ASTM D341, kinematic viscosity against temperature: log10 log10 Z = A - B log10 T."""

from math import exp

import numpy as np
import pytest

from calibration.viscosity import kinematic_viscosity


def test_worked_example() -> None:
    """The standard's example as a document archive reproduces it: 32 mm²/s at 40 °C and 5.4 at 100 °C
    give 8.5 at 80 °C. Its 273 K instead of 273.15 K moves the result by 1e-4 mm²/s."""
    v80 = float(kinematic_viscosity(32.0, 5.4, 80.0))
    assert round(v80, 1) == 8.5
    assert v80 == pytest.approx(8.533215, abs=5e-7)  # computed with 273.15 by independent code


@pytest.mark.parametrize(
    ("kv40", "kv100", "row"),
    [
        (102.0, 15.2, {0: 1014.134, 15: 370.060, 20: 276.231, 25: 210.109, 60: 46.810, 80: 25.161}),
        (180.0, 25.0, {0: 1806.351, 20: 493.979, 60: 80.854, 80: 42.411}),
        (140.0, 14.5, {0: 2648.641, 20: 489.450, 60: 54.195, 80: 25.968}),
        (35.0, 7.2, {0: 239.278, 20: 80.290, 60: 18.331}),
    ],
)
def test_generic_oils(kv40: float, kv100: float, row: dict[int, float]) -> None:
    """Computed from the equation by independent code."""
    for t, v in row.items():
        assert kinematic_viscosity(kv40, kv100, float(t)) == pytest.approx(v, abs=6e-4)


def test_exact_inverse_agrees_with_the_approximate_one_that_the_standard_prints() -> None:
    """Equation (3), which gives 2.00017 for 2.0 and 0.99995 for 1.0."""
    for v, printed in {2.0: 2.00017, 1.0: 0.99995}.items():
        y = v + exp(-1.47 - 1.84 * v - 0.51 * v * v)
        approximate = y - exp(-0.7487 - 3.295 * y + 0.6119 * y**2 - 0.3193 * y**3)
        assert approximate == pytest.approx(printed, abs=6e-6)
    for v in np.geomspace(0.22, 50.0, 200):
        # a line through (40 °C, v + little) and (100 °C, v) evaluated at 100 °C runs the inverse on Z(v)
        assert kinematic_viscosity(float(v) * 1.5, float(v), 100.0) == pytest.approx(float(v), rel=1e-12)


def test_beyond_the_charts_is_refused() -> None:
    with pytest.raises(ValueError, match=r"at 40 °C is 0\.2 mm²/s, outside the range 0\.21 to 2"):
        kinematic_viscosity(0.2, 0.1, 40.0)
    with pytest.raises(ValueError, match=r"temperature is −80 °C, outside the range −70 to 370"):
        kinematic_viscosity(102.0, 15.2, -80.0)
    with pytest.raises(ValueError, match="at the temperature is"):
        kinematic_viscosity(19_000.0, 700.0, -60.0)
