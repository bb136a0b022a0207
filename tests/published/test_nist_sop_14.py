"""Gravimetric calibration of volume after NIST SOP 14 (NISTIR 7383): V20 of a steel measure from water.

The standard's own worked example was not at hand; the figures were computed from its equation (from memory)
with CIPM-2007 air and Tanaka water by independent code.
"""

import pytest

from calibration.buoyancy import air_density, mass_from_indication
from calibration.water import water_density

STAINLESS_PER_C = 4.77e-5


def test_volume_of_a_litre_measure() -> None:
    t = 22.0
    assert water_density(t) == pytest.approx(997.7730, abs=5e-5)
    mass_kg = mass_from_indication(1.0, water_density(t), 1.19048)
    v20_ml = mass_kg / water_density(t) * 1e6 * (1.0 - STAINLESS_PER_C * (t - 20.0))
    assert v20_ml == pytest.approx(1003.1842, abs=6e-5)


def test_the_air_of_that_example_is_cipm_2007s() -> None:
    assert air_density(22.0, 101325.0, 0.5) == pytest.approx(1.19048, abs=1e-4)
