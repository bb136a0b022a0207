"""Air density, air buoyancy and conventional mass.

Air: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist air
(CIPM-2007)", Metrologia 45 (2008) 149-155, carbon dioxide mole fraction 400 µmol/mol.
Conventional mass: OIML D 28:2004 (20 °C, air 1.2 kg/m³, reference density 8000 kg/m³).
"""

from __future__ import annotations

from math import exp
from typing import Final

import numpy as np

from calibration.ranges import FloatOrArray, as_result, check, is_scalar

REFERENCE_DENSITY_KG_M3: Final = 8000.0
REFERENCE_AIR_KG_M3: Final = 1.2

PRESSURE_RANGE_PA: Final = (60_000.0, 110_000.0)
# The paper states its uncertainty for 15 °C to 27 °C. A workshop is colder and hotter; over this wider
# range the tests hold the formula against an independent library, and the difference is stated there.
TEMPERATURE_RANGE_C: Final = (-20.0, 50.0)

_MOLAR_DRY_KG = 28.96546e-3
_WATER_LIFT = 1.0 - 18.01528e-3 / 28.96546e-3
_GAS_CONSTANT = 8.314472  # the value of CODATA 2006 that the paper uses


def air_density(
    temperature_c: FloatOrArray, pressure_pa: FloatOrArray, relative_humidity: FloatOrArray
) -> FloatOrArray:
    """Density of moist air in kg/m³ (CIPM-2007).

    temperature_c: -20 °C to 50 °C. pressure_pa: 60 kPa to 110 kPa, the station's own pressure and not
    the one reduced to sea level. relative_humidity: 0 to 1. Scalars or arrays that broadcast.
    Raises ValueError outside these ranges.
    """
    check("air temperature", temperature_c, *TEMPERATURE_RANGE_C, "°C")
    check("air pressure", pressure_pa, *PRESSURE_RANGE_PA, "Pa", "Enter the local pressure in pascal.")
    check("relative humidity", relative_humidity, 0.0, 1.0, "", "Enter 45 % as 0.45.")
    scalar = is_scalar(temperature_c, pressure_pa, relative_humidity)
    if scalar:
        t, p, h = temperature_c, pressure_pa, relative_humidity
    else:
        t, p, h = (np.asarray(x, dtype=float) for x in (temperature_c, pressure_pa, relative_humidity))
    k = t + 273.15
    exponent = 1.2378847e-5 * k * k - 1.9121316e-2 * k + 33.93711047 - 6.3431645e3 / k
    saturation = exp(exponent) if scalar else np.exp(exponent)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t * t
    xv = h * enhancement * saturation / p
    z = (
        1.0
        - p
        / k
        * (
            1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t * t
            + (5.707e-6 - 2.051e-8 * t) * xv + (1.9898e-4 - 2.376e-6 * t) * xv * xv
        )
        + p * p / (k * k) * (1.83e-11 - 0.765e-8 * xv * xv)
    )  # fmt: skip
    density = p * _MOLAR_DRY_KG / (z * _GAS_CONSTANT * k) * (1.0 - xv * _WATER_LIFT)
    return density if scalar else as_result(density)  # type: ignore[arg-type]


def _check_densities(density: FloatOrArray, air: FloatOrArray, reference: FloatOrArray) -> None:
    check("density of the weighed fluid", density, 100.0, 25_000.0, "kg/m³", "Enter kg/m³, not kg/L.")
    check("air density", air, 0.0, 2.0, "kg/m³")
    check("reference density", reference, 1_000.0, 25_000.0, "kg/m³", "Steel and brass weights: 8000 kg/m³.")


def mass_from_indication(
    indicated_kg: FloatOrArray,
    density_kg_m3: FloatOrArray,
    air_density_kg_m3: FloatOrArray,
    reference_density_kg_m3: FloatOrArray = REFERENCE_DENSITY_KG_M3,
) -> FloatOrArray:
    """Mass in kg of a fluid from the indication of a scale that was calibrated with known weights.

    indicated_kg: kg, any sign (a pan can lose fluid). density_kg_m3: of the fluid on the pan.
    reference_density_kg_m3: of the weights, 8000 for those marked with conventional mass. Scalars or
    arrays that broadcast. Raises ValueError for densities that no fluid, air or weight has.
    m = W (1 - ra/rr) / (1 - ra/r). Source: OIML D 28:2004; the factor is 1.0012 for oil.
    """
    _check_densities(density_kg_m3, air_density_kg_m3, reference_density_kg_m3)
    lift_reference = 1.0 - air_density_kg_m3 / reference_density_kg_m3
    return indicated_kg * lift_reference / (1.0 - air_density_kg_m3 / density_kg_m3)


def indication_from_mass(
    mass_kg: FloatOrArray,
    density_kg_m3: FloatOrArray,
    air_density_kg_m3: FloatOrArray,
    reference_density_kg_m3: FloatOrArray = REFERENCE_DENSITY_KG_M3,
) -> FloatOrArray:
    """What such a scale indicates, in kg, for a fluid of known mass; inverse of mass_from_indication."""
    _check_densities(density_kg_m3, air_density_kg_m3, reference_density_kg_m3)
    lift = 1.0 - air_density_kg_m3 / density_kg_m3
    return mass_kg * lift / (1.0 - air_density_kg_m3 / reference_density_kg_m3)


def conventional_mass(mass_kg: FloatOrArray, density_kg_m3: FloatOrArray) -> FloatOrArray:
    """Conventional mass in kg of a body of known mass and density. Source: OIML D 28:2004."""
    return indication_from_mass(mass_kg, density_kg_m3, REFERENCE_AIR_KG_M3)


def mass_from_conventional(conventional_kg: FloatOrArray, density_kg_m3: FloatOrArray) -> FloatOrArray:
    """Mass in kg of a body of known conventional mass and density; inverse of conventional_mass."""
    return mass_from_indication(conventional_kg, density_kg_m3, REFERENCE_AIR_KG_M3)
