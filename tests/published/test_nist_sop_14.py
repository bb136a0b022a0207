"""Gravimetric calibration of volume after NIST SOP 14 (NISTIR 7383): V20 of a steel measure from water.

The standard's own worked example was not at hand; its equation is from memory. What goes into it comes from others:
water by IAPWS-95 and humid air by ASHRAE RP-1485, both from CoolProp, so that density, air and buoyancy here are held
against formulas that they do not share.
"""

from itertools import product

import pytest

from calibration.buoyancy import air_density, mass_from_indication
from calibration.water import water_density

STAINLESS_PER_C = 4.77e-5


def theirs_ml(t: float, pressure_pa: float, humidity: float) -> float:
    # It takes two seconds, which is not for every process that finds this test.
    from CoolProp.CoolProp import PropsSI
    from CoolProp.HumidAirProp import HAPropsSI

    water = PropsSI("D", "T", t + 273.15, "P", 101325.0, "Water")
    air = 1.0 / HAPropsSI("Vha", "T", t + 273.15, "P", pressure_pa, "R", humidity)
    return float(1e6 * (1.0 - air / 8000.0) / (water - air) * (1.0 - STAINLESS_PER_C * (t - 20.0)))


@pytest.mark.parametrize(
    ("t", "pressure_hpa", "humidity"), [*product((15.0, 22.0, 28.0), (930.0, 1013.25), (0.2, 0.8))]
)
def test_volume_of_a_litre_measure(t: float, pressure_hpa: float, humidity: float) -> None:
    """Within 2e-6: the two waters differ by 1.2e-6, the two airs by 4e-5 of 0.12 %."""
    air = air_density(t, pressure_hpa * 100.0, humidity)
    mass_kg = mass_from_indication(1.0, water_density(t), air)
    v20_ml = mass_kg / water_density(t) * 1e6 * (1.0 - STAINLESS_PER_C * (t - 20.0))
    assert v20_ml == pytest.approx(theirs_ml(t, pressure_hpa * 100.0, humidity), rel=2e-6)
