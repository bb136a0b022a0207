"""Fluids and air by laws of their own: simple ones, on purpose not those that the station uses."""

import math
from dataclasses import dataclass

R_AIR = 287.05
"""Gas constant of dry air, J/(kg K); source: ideal-gas tables, from memory."""


@dataclass(frozen=True)
class Fluid:
    """A fluid as it truly is.

    density_15_kg_m3: at 15 °C. expansion_per_k: of volume, at 15 °C; density falls along a straight line. kv40_mm2_s,
    kv100_mm2_s: at 40 and 100 °C. vogel_c: the third constant of Vogel's law; 95 °C is common practice for oils.
    """

    density_15_kg_m3: float
    kv40_mm2_s: float
    kv100_mm2_s: float
    expansion_per_k: float = 7.1e-4
    vogel_c: float = 95.0

    def density_kg_m3(self, temperature_c: float) -> float:
        return self.density_15_kg_m3 * (1.0 - self.expansion_per_k * (temperature_c - 15.0))

    def kv_mm2_s(self, temperature_c: float) -> float:
        """Vogel 1921: ln ν is linear in 1 / (t + c)."""
        at = [1.0 / (t + self.vogel_c) for t in (40.0, 100.0, temperature_c)]
        low, high = math.log(self.kv40_mm2_s), math.log(self.kv100_mm2_s)
        return math.exp(low + (high - low) * (at[2] - at[0]) / (at[1] - at[0]))

    def per_20(self, temperature_c: float) -> float:
        """Litres at temperature_c that a litre at 20 °C comes to."""
        return self.density_kg_m3(20.0) / self.density_kg_m3(temperature_c)


def air_kg_m3(temperature_c: float, pressure_hpa: float, relative_humidity: float) -> float:
    """Moist air as an ideal gas, vapour pressure by Magnus' formula (Sonntag's constants, from memory)."""
    vapour_hpa = relative_humidity * 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))
    return (pressure_hpa - 0.378 * vapour_hpa) * 100.0 / (R_AIR * (temperature_c + 273.15))


def in_steel_kg(mass_kg: float, density_kg_m3: float, air: float) -> float:
    """What a balance that was set with steel masses shows for a fluid: the fluid floats more than steel does."""
    return mass_kg * (1.0 - air / density_kg_m3) / (1.0 - air / 8000.0)
