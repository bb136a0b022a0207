"""A lubricant as it really is: the simulation's own laws of density and viscosity, apart from the station's."""

import functools
import math
from dataclasses import dataclass

_X40, _X100 = math.log10(313.15), math.log10(373.15)


@functools.lru_cache(maxsize=32)
def _walther(kv40_mm2_s: float, kv100_mm2_s: float) -> tuple[float, float]:
    """The line's value at 40 °C and its slope: asked for at every step of a fluid that never changes."""
    w40, w100 = (math.log10(math.log10(v + 0.7)) for v in (kv40_mm2_s, kv100_mm2_s))
    return w40, (w100 - w40) / (_X100 - _X40)


@dataclass(frozen=True)
class SimFluid:
    """A lubricant as it really is. density_15_kg_m3 at 15 °C; viscosities in mm²/s at 40 and 100 °C."""

    density_15_kg_m3: float
    kv40_mm2_s: float
    kv100_mm2_s: float

    def density_kg_m3(self, temperature_c: float) -> float:
        """Source: API Standard 2540 (1980), lubricating oils, table 54D: α15 = 0.6278 / ρ15."""
        a = 0.6278 / self.density_15_kg_m3 * (temperature_c - 15.0)
        return self.density_15_kg_m3 * math.exp(-a * (1.0 + 0.8 * a))

    def kv_mm2_s(self, temperature_c: float) -> float:
        """Walther's two-point line without low-viscosity terms."""
        w40, per_x = _walther(self.kv40_mm2_s, self.kv100_mm2_s)
        w = w40 + per_x * (math.log10(temperature_c + 273.15) - _X40)
        return math.pow(10.0, math.pow(10.0, w)) - 0.7
