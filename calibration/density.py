"""Density and volume correction of lubricating oils.

Source: API MPMS chapter 11.1-2004 (= ASTM D1250-04), generalised lubricating oils at atmospheric
pressure, section 11.1.6; temperature scale 11.1.5.3. The constants below are the standard's. Results are
not rounded: the standard rounds CTL to five decimals for custody papers, and a balance of volumes must
not carry that step.

A density is turned into a volume by the same factor whichever base is chosen: 15 °C, 20 °C and 60 °F
are the bases that the standard knows, and each is reached through the density at 60 °F.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from typing import Final, Literal, TypeVar

import numpy as np

from calibration.ranges import (
    FloatArray,
    FloatOrArray,
    as_result,
    check,
    check_array,
    check_scalar,
    is_scalar,
)

Base = Literal["15C", "20C", "60F"]
F = TypeVar("F", float, FloatArray)
BASE_TEMPERATURE_C: Final[dict[Base, float]] = {"15C": 15.0, "20C": 20.0, "60F": (60.0 - 32.0) / 1.8}

# 11.1.6, generalised lubricating oils: K0 = K2 = 0, so alpha60 = K1 / rho*.
K1_PER_F: Final = 0.34878
DELTA60_F: Final = 0.01374979547  # shift between the scales' 60 °F, 11.1.5.3
BASE_F: Final = 60.0068749  # 60 °F of ITS-90 expressed on IPTS-68
DENSITY_60F_RANGE: Final = (800.9, 1163.5)  # kg/m³
TEMPERATURE_RANGE_C: Final = (-50.0, 150.0)  # -58 °F to 302 °F
# 11.1.5.3: t90 - t68 = sum a_i (t90/630)^i, i = 1..8
ITS90_A: Final = (
    -0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296,
)  # fmt: skip
_A1, _A2, _A3, _A4, _A5, _A6, _A7, _A8 = ITS90_A

_FLUID_ADVICE = "Check the density on the data sheet; other fluids need a linear or tabulated density."
_TEMPERATURE_ADVICE = "Check the thermometer."


def _delta_t_f(temperature_c: F) -> F:
    """ITS-90 °C to the standard's dT*: °F of IPTS-68 above 60.0068749 (11.1.5.3). No range check."""
    s = temperature_c / 630.0
    shift = s * (_A1 + s * (_A2 + s * (_A3 + s * (_A4 + s * (_A5 + s * (_A6 + s * (_A7 + s * _A8)))))))
    return (temperature_c - shift) * 1.8 + (32.0 - BASE_F)


def _alpha60(density_60f: float) -> float:
    """Thermal expansion factor at 60 °F in 1/°F (11.1.6.1, with the scale shift of the density)."""
    a = 0.5 * DELTA60_F * K1_PER_F / density_60f
    shifted = density_60f * (1.0 + (exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a)))
    return K1_PER_F / shifted


def _alpha60_array(density_60f: FloatArray) -> FloatArray:
    a = 0.5 * DELTA60_F * K1_PER_F / density_60f
    shifted = density_60f * (1.0 + (np.exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a)))
    return K1_PER_F / shifted


def _ctl(alpha: float, dt: float) -> float:
    return exp(-alpha * dt * (1.0 + 0.8 * alpha * (dt + DELTA60_F)))


def _ctl_array(alpha: FloatOrArray, dt: FloatOrArray) -> FloatArray:
    return np.exp(-alpha * dt * (1.0 + 0.8 * alpha * (dt + DELTA60_F)))


_DT_BASE: Final[dict[Base, float]] = {base: _delta_t_f(t) for base, t in BASE_TEMPERATURE_C.items()}


def _density_range(base: Base) -> tuple[float, float]:
    if base == "60F":
        return DENSITY_60F_RANGE
    low, high = (r * _ctl(_alpha60(r), _DT_BASE[base]) for r in DENSITY_60F_RANGE)
    last_digits = 1e-12  # an oil at the very limit must survive the way there and back
    return low * (1.0 - last_digits), high * (1.0 + last_digits)


DENSITY_RANGE: Final[dict[Base, tuple[float, float]]] = {base: _density_range(base) for base in _DT_BASE}


def _newton_step(r: F, density: F, dt: F | float, alpha: F, ctl: F) -> F:
    """How far r is from the density at 60 °F whose density at dt is the given one."""
    slope = ctl * (1.0 + alpha * dt * (1.0 + 1.6 * alpha * (dt + DELTA60_F)))
    return (r * ctl - density) / slope


# Newton's error after a step is about 1e-5 m³/kg x step² at the hottest end of the range and less
# elsewhere, so a step this small (kg/m³) leaves nothing that a double can hold.
_LAST_STEP: Final = 1e-3
# The start, r = rho + K1 dT, is within 4 kg/m³ of the root anywhere in the range: three steps, one spare.
_STEPS: Final = 4


def _solve_60f(density: float, dt: float) -> float:
    """Density at 60 °F of the oil that has this density at dt (11.1.6.2; the standard stops at 1e-6)."""
    r = density + K1_PER_F * dt
    for _ in range(_STEPS):
        alpha = _alpha60(r)
        step = _newton_step(r, density, dt, alpha, _ctl(alpha, dt))
        r -= step
        if abs(step) < _LAST_STEP:
            break
    return r


def _solve_60f_array(density: FloatArray, dt: FloatOrArray) -> FloatArray:
    r = density + K1_PER_F * dt
    for _ in range(_STEPS):
        alpha = _alpha60_array(r)
        step = _newton_step(r, density, dt, alpha, _ctl_array(alpha, dt))
        r = r - step
        if r.size == 0 or np.abs(step).max() < _LAST_STEP:
            break
    return r


@dataclass(frozen=True)
class Lubricant:
    """A generalised lubricating oil whose base has been solved once, so that each call is one exp().

    density_60f_kg_m3 and alpha60_per_f are the standard's rho60 and alpha60.
    """

    density_60f_kg_m3: float
    alpha60_per_f: float

    @classmethod
    def at_base(cls, density_kg_m3: float, base: Base = "15C") -> Lubricant:
        """From the density at a base temperature. Raises ValueError outside the standard's range."""
        _check_density(density_kg_m3, base)
        r60 = density_kg_m3 if base == "60F" else _solve_60f(density_kg_m3, _DT_BASE[base])
        return cls(r60, _alpha60(r60))

    def density_kg_m3(self, temperature_c: FloatOrArray) -> FloatOrArray:
        """Density at a temperature of -50 °C to 150 °C; scalar or array. Raises ValueError outside."""
        if isinstance(temperature_c, (float, int)):
            check_scalar("temperature", temperature_c, *TEMPERATURE_RANGE_C, "°C", _TEMPERATURE_ADVICE)
            return self.density_60f_kg_m3 * _ctl(self.alpha60_per_f, _delta_t_f(temperature_c))
        t = np.asarray(temperature_c, dtype=float)
        check_array("temperature", t, *TEMPERATURE_RANGE_C, "°C", _TEMPERATURE_ADVICE)
        return as_result(self.density_60f_kg_m3 * _ctl_array(self.alpha60_per_f, _delta_t_f(t)))


def _check_density(density: FloatOrArray, base: Base) -> None:
    if base not in DENSITY_RANGE:
        raise ValueError(f"base is {base!r}, expected one of {', '.join(DENSITY_RANGE)}.")
    name = f"lubricant density at {'60 °F' if base == '60F' else base[:-1] + ' °C'}"
    if isinstance(density, (float, int)):
        check_scalar(name, density, *DENSITY_RANGE[base], "kg/m³", _FLUID_ADVICE)
    else:
        check_array(name, density, *DENSITY_RANGE[base], "kg/m³", _FLUID_ADVICE)


def vcf_lubricant_base(
    density_base_kg_m3: FloatOrArray, temperature_c: FloatOrArray, base: Base
) -> FloatOrArray:
    """Volume correction factor to a base: volume at the base = factor x volume at temperature_c.

    density_base_kg_m3: kg/m³ at that same base, air-free, atmospheric pressure.
    temperature_c: -50 °C to 150 °C. Scalars or arrays that broadcast, the same shape back.
    base: "15C", "20C" or "60F". Raises ValueError outside the standard's range.
    Source: API MPMS 11.1-2004, 11.1.6.1 (60 °F) and 11.1.6.3 (15 °C, 20 °C).
    """
    if is_scalar(density_base_kg_m3, temperature_c):
        density = float(density_base_kg_m3)
        return Lubricant.at_base(density, base).density_kg_m3(float(temperature_c)) / density
    r = np.asarray(density_base_kg_m3, dtype=float)
    t = np.asarray(temperature_c, dtype=float)
    _check_density(r, base)
    check_array("temperature", t, *TEMPERATURE_RANGE_C, "°C", _TEMPERATURE_ADVICE)
    r60 = r if base == "60F" else _solve_60f_array(r, _DT_BASE[base])
    return as_result(_ctl_array(_alpha60_array(r60), _delta_t_f(t)) * (r60 / r))


def vcf_lubricant(density_15_kg_m3: FloatOrArray, temperature_c: FloatOrArray) -> FloatOrArray:
    """Volume correction factor to 15 °C: volume at 15 °C = factor x volume at temperature_c.

    density_15_kg_m3: about 801.2 to 1163.8 kg/m³. temperature_c: -50 °C to 150 °C. Scalars or arrays
    that broadcast, the same shape back. Raises ValueError outside these ranges.
    Source: API MPMS 11.1-2004 / ASTM D1250-04, generalised lubricating oils.
    """
    return vcf_lubricant_base(density_15_kg_m3, temperature_c, "15C")


def density_lubricant(density_15_kg_m3: FloatOrArray, temperature_c: FloatOrArray) -> FloatOrArray:
    """Density in kg/m³ at a temperature, from the density at 15 °C; ranges and source as vcf_lubricant."""
    factor = vcf_lubricant_base(density_15_kg_m3, temperature_c, "15C")
    if is_scalar(density_15_kg_m3, factor):
        return float(density_15_kg_m3) * float(factor)
    return as_result(np.asarray(density_15_kg_m3, dtype=float) * factor)


def density_15_from_observed(density_kg_m3: FloatOrArray, temperature_c: FloatOrArray) -> FloatOrArray:
    """Density at 15 °C in kg/m³ from one observed at another temperature; inverse of density_lubricant.

    No glass correction: the observed value is a density, not a glass hydrometer's scale reading.
    Scalars or arrays that broadcast, the same shape back. Raises ValueError if the temperature, or the
    density brought to 15 °C, lies outside the standard's range. Source: API MPMS 11.1-2004, 11.1.6.2.
    """
    return density_base_from_observed(density_kg_m3, temperature_c, "15C")


def density_base_from_observed(
    density_kg_m3: FloatOrArray, temperature_c: FloatOrArray, base: Base
) -> FloatOrArray:
    """Density at base "15C", "20C" or "60F" from an observed density, as density_15_from_observed."""
    # Wider than any oil of the range at any temperature of the range (714 to 1205 kg/m³): it only keeps
    # nonsense away from the iteration. The standard's own limit is the one at the base, checked below.
    check("observed density", density_kg_m3, 600.0, 1300.0, "kg/m³", _FLUID_ADVICE)
    check("temperature", temperature_c, *TEMPERATURE_RANGE_C, "°C", _TEMPERATURE_ADVICE)
    if is_scalar(density_kg_m3, temperature_c):
        r60 = _solve_60f(float(density_kg_m3), _delta_t_f(float(temperature_c)))
        at_base = r60 * _ctl(_alpha60(r60), _DT_BASE[base])
        _check_density(at_base, base)
        return at_base
    t = np.asarray(temperature_c, dtype=float)
    r60s = _solve_60f_array(np.asarray(density_kg_m3, dtype=float), _delta_t_f(t))
    at_bases = r60s * _ctl_array(_alpha60_array(r60s), _DT_BASE[base])
    _check_density(at_bases, base)
    return as_result(at_bases)
