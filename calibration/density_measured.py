"""A fluid's density from a known volume weighed on the pan, with its budget.

A flask filled to its mark, a pycnometer, or so many litres through a proved meter: whatever volume is known, its mass
less the empty vessel's gives the density at the fluid's temperature. Two weighings on one pan share its slope, and the
vessel's buoyancy cancels in their difference; the fluid's own does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, inf, sqrt
from typing import Any, Final

from calibration.budget import Budget, propagate
from calibration.buoyancy import REFERENCE_DENSITY_KG_M3
from calibration.fluid import WATER_U_DENSITY_REL
from calibration.ranges import check_scalar
from calibration.water import water_density

GLASS_PER_C: Final = 1.0e-5
"""Volume expansion of borosilicate glass, 1/K (3.3e-6 linear; ISO 3585). A plastic vessel grows by about 3e-4 (from
memory): give that one."""
VESSEL_AT_C: Final = 20.0
"""Volumetric glassware is marked for this temperature (ISO 384)."""


STEEL_PER_C: Final = 5.0e-5
PLASTIC_PER_C: Final = 3.0e-4
"""Volume expansion of other vessels, 1/K (from memory: stainless steel 3 × 17e-6, polypropylene about 3 × 1e-4)."""
MATERIALS: Final = {"glass": GLASS_PER_C, "steel": STEEL_PER_C, "plastic": PLASTIC_PER_C}


def volume_by_water(
    *,
    empty_kg: float,
    full_kg: float,
    u_weighing_kg: float,
    temperature_c: float,
    u_temperature_c: float,
    u_mark_l: float,
    air_density_kg_m3: float,
    vessel_per_c: float = GLASS_PER_C,
) -> tuple[float, float]:
    """Volume at 20 °C in litres of a vessel filled to its mark with tap water, and its standard uncertainty.

    u_mark_l: of how well the mark is hit. The pan's slope is left out: where the fluid is weighed on the same pan it
    cancels. Raises ValueError as ``measure`` does, and outside the temperatures of water.
    """
    if not full_kg > empty_kg:
        raise ValueError(
            f"vessel with water {full_kg!r} kg, empty one {empty_kg!r} kg; expected the water to weigh something. Weigh again."
        )
    water = float(water_density(temperature_c))
    grown = 1.0 + vessel_per_c * (temperature_c - VESSEL_AT_C)
    indicated_kg = full_kg - empty_kg
    lift = 1.0 - air_density_kg_m3 / REFERENCE_DENSITY_KG_M3
    volume_l = 1000.0 * indicated_kg * lift / (water - air_density_kg_m3) / grown
    per_c = abs(float(water_density(temperature_c - 0.5)) - float(water_density(temperature_c + 0.5))) / water
    u_rel = hypot(
        sqrt(2.0) * u_weighing_kg / indicated_kg,
        WATER_U_DENSITY_REL,
        per_c * u_temperature_c,
        u_mark_l / volume_l,
    )
    return volume_l, u_rel * volume_l


def measure(
    *,
    volume_l: float,
    u_volume_l: float,
    empty_kg: float,
    full_kg: float,
    u_weighing_kg: float,
    u_slope_rel: float,
    temperature_c: float,
    u_temperature_c: float,
    expansion_per_c: float,
    air_density_kg_m3: float,
    vessel_per_c: float = GLASS_PER_C,
    u_air_density_kg_m3: float = 0.01,
    dof_weighing: float = inf,
) -> Budget:
    """Density in kg/m³ at the fluid's temperature, with its budget.

    volume_l, u_volume_l: the vessel at 20 °C and its standard uncertainty (reading the mark included). empty_kg,
    full_kg: as the pan indicates them, u_weighing_kg of each (noise, repeatability, linearity). u_slope_rel: the pan's.
    temperature_c: of the fluid. expansion_per_c: of the fluid, 1/K: what a wrong temperature does to a density that is
    then carried to another. vessel_per_c: of the vessel.
    Raises ValueError for a volume or a mass that is not positive, and for a temperature below −20 or above 100 °C.
    Source: the equation of ISO 3507-type pycnometers with buoyancy (form from memory).
    """
    check_scalar("volume of the vessel", volume_l, 0.01, 100.0, "L", "Use a vessel of 10 mL or more.")
    check_scalar("temperature of the fluid", temperature_c, -20.0, 100.0, "°C", "Check the thermometer.")
    if not full_kg > empty_kg:
        raise ValueError(
            f"full vessel {full_kg!r} kg, empty one {empty_kg!r} kg; expected the full one to be heavier. Weigh again."
        )
    inputs = {
        "volume": (volume_l, u_volume_l, inf),
        "empty vessel": (empty_kg, u_weighing_kg, dof_weighing),
        "full vessel": (full_kg, u_weighing_kg, dof_weighing),
        "scale slope": (1.0, u_slope_rel, inf),
        "fluid temperature": (0.0, u_temperature_c, inf),
        "air density": (air_density_kg_m3, u_air_density_kg_m3, inf),
    }
    grown = 1.0 + vessel_per_c * (temperature_c - VESSEL_AT_C)

    def model(i: Mapping[str, Any]) -> Any:
        indicated = (i["full vessel"] - i["empty vessel"]) * i["scale slope"]
        volume_m3 = i["volume"] * grown / 1000.0
        # m (1 − a/ρ) = W (1 − a/8000) with m = ρ V, so ρ = W (1 − a/8000) / V + a: no iteration
        density = (
            indicated * (1.0 - i["air density"] / REFERENCE_DENSITY_KG_M3) / volume_m3 + i["air density"]
        )
        return density * (1.0 + expansion_per_c * i["fluid temperature"])

    return propagate("density", "kg/m³", inputs, model)
