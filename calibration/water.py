"""Density and viscosity of water, the reference liquid that every shop has.

Density: M. Tanaka et al., "Recommended table for the density of water between 0 °C and 40 °C based on
recent experimental reports", Metrologia 38 (2001) 301-309, equation on p. 305 (adopted by the CIPM).
Pressure is left out: it is worth 0.05 kg/m³ per bar (from memory), so 0.01 kg/m³ at 2000 m above the sea.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from calibration.buoyancy import indication_from_mass
from calibration.ranges import FloatOrArray, as_result, check_array, check_scalar

TEMPERATURE_RANGE_C: Final = (0.0, 40.0)
A1, A2, A3, A4, A5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
_ADVICE = "Bring the water to room temperature, or check the thermometer."


def water_density(temperature_c: FloatOrArray) -> FloatOrArray:
    """Density in kg/m³ of air-free water of mean isotopic composition at 101.325 kPa, 0 °C to 40 °C.

    Scalar or array, the same shape back. Raises ValueError outside 0 °C to 40 °C.
    Source: Tanaka et al. 2001 (see the module).
    """
    if isinstance(temperature_c, (float, int)):
        check_scalar("water temperature", temperature_c, *TEMPERATURE_RANGE_C, "°C", _ADVICE)
        t = temperature_c
        return A5 * (1.0 - (t + A1) * (t + A1) * (t + A2) / (A3 * (t + A4)))
    ta = np.asarray(temperature_c, dtype=float)
    check_array("water temperature", ta, *TEMPERATURE_RANGE_C, "°C", _ADVICE)
    return as_result(A5 * (1.0 - (ta + A1) ** 2 * (ta + A2) / (A3 * (ta + A4))))


def water_viscosity(temperature_c: FloatOrArray) -> FloatOrArray:
    """Kinematic viscosity of water in mm²/s at 0.1 MPa, 0 °C to 40 °C.

    Dynamic viscosity from IAPWS SR6-08 (Revised Supplementary Release on Properties of Liquid Water at
    0.1 MPa, equation 5; coefficients from memory, held against a reference library in the tests) over
    the density of Tanaka 2001. Raises ValueError outside 0 °C to 40 °C.
    """
    density = water_density(temperature_c)
    x = (np.asarray(temperature_c, dtype=float) + 273.15) / 300.0
    dynamic = 280.68 * x**-1.9 + 511.45 * x**-7.7 + 61.131 * x**-19.6 + 0.45903 * x**-40
    return as_result(dynamic / density)  # 1e-6 Pa·s over kg/m³ is mm²/s


def water_load_kg(volume_l: float, temperature_c: float, air_density_kg_m3: float) -> float:
    """Known mass in kg, as a calibration of a pan needs it, of a measured volume of water.

    volume_l: litres that the jug delivers, at its own temperature correction. What counts on a scale is
    the conventional value, so the water's own buoyancy is in it: one litre at 20 °C is a known mass of
    0.99716 kg. Raises ValueError outside 0 °C to 40 °C or for a volume of 0 or above 1000 L.
    """
    check_scalar("volume of water", volume_l, 1e-6, 1000.0, "L")
    density = float(water_density(float(temperature_c)))
    return float(indication_from_mass(volume_l * density / 1000.0, density, air_density_kg_m3))
