"""Kinematic viscosity against temperature (ASTM D341).

Source: ASTM D341, equations (1) to (3): log10 log10 Z = A - B log10 T, Z = v + 0.7 + exp(-1.47 - 1.84 v
- 0.51 v²), T in kelvin. The standard's own inverse (3) is an approximation (2.0 comes back as 2.00017);
here it is only the starting value, and Newton's method inverts (2) itself, so that the curve passes
through the two entered points.
"""

from __future__ import annotations

from math import exp, log10
from typing import Final

import numpy as np

from calibration.ranges import (
    FloatArray,
    FloatOrArray,
    as_result,
    check_array,
    check_scalar,
    is_scalar,
)
from station.common.digits import number
from station.common.words import N_, _

KV_RANGE_MM2_S: Final = (0.21, 2.0e7)
TEMPERATURE_RANGE_C: Final = (-70.0, 370.0)
_AT_40, _AT_100 = N_("kinematic viscosity at 40 °C"), N_("kinematic viscosity at 100 °C")
_AT_T, _T = N_("kinematic viscosity at the temperature"), N_("temperature")
_L40: Final = log10(40.0 + 273.15)
_L100: Final = log10(100.0 + 273.15)


def _z(v: float) -> float:
    return v + 0.7 + exp(-1.47 - 1.84 * v - 0.51 * v * v)


def _w(v: float) -> float:
    return log10(log10(_z(v)))


def _v_from_z(z: float) -> float:
    y = z - 0.7
    if y > 8.0:  # the exponential term is below 1e-20: nothing left to solve
        return y
    v = y - exp(-0.7487 - 3.295 * y + 0.6119 * y * y - 0.3193 * y**3)
    for _round in range(6):
        e = exp(-1.47 - 1.84 * v - 0.51 * v * v)
        step = (v + e - y) / (1.0 - e * (1.84 + 1.02 * v))
        v -= step
        if abs(step) < 1e-15 * y:
            break
    return v


def _v_from_z_array(z: FloatArray) -> FloatArray:
    y = z - 0.7
    small = np.minimum(y, 8.0)  # keeps the cubic of equation (3) from overflowing
    v = small - np.exp(-0.7487 - 3.295 * small + 0.6119 * small**2 - 0.3193 * small**3)
    for _round in range(6):
        e = np.exp(-1.47 - 1.84 * v - 0.51 * v * v)
        v = v - (v + e - small) / (1.0 - e * (1.84 + 1.02 * v))
    return np.where(y > 8.0, y, v)


def kinematic_viscosity(
    kv40_mm2_s: FloatOrArray, kv100_mm2_s: FloatOrArray, temperature_c: FloatOrArray
) -> FloatOrArray:
    """Kinematic viscosity in mm²/s at a temperature, through the two entered points.

    kv40_mm2_s, kv100_mm2_s: mm²/s at 40 °C and 100 °C, 0.21 to 2e7, kv40 > kv100. temperature_c:
    -70 °C to 370 °C. Scalars or arrays that broadcast. Raises ValueError outside these ranges, or if the
    result leaves 0.21 mm²/s to 2e7 mm²/s. Source: ASTM D341 (limits of the charts: from memory).
    """
    if is_scalar(kv40_mm2_s, kv100_mm2_s, temperature_c):
        return _kv_scalar(float(kv40_mm2_s), float(kv100_mm2_s), float(temperature_c))
    v40, v100, t = (np.asarray(x, dtype=float) for x in (kv40_mm2_s, kv100_mm2_s, temperature_c))
    check_array(_AT_40, v40, *KV_RANGE_MM2_S, "mm²/s")
    check_array(_AT_100, v100, *KV_RANGE_MM2_S, "mm²/s")
    check_array(_T, t, *TEMPERATURE_RANGE_C, "°C")
    if np.any(v40 <= v100):
        raise ValueError(_(_ORDER))
    w40, w100 = (np.log10(np.log10(v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v * v))) for v in (v40, v100))
    slope = (w40 - w100) / (_L100 - _L40)
    w = w40 - slope * (np.log10(t + 273.15) - _L40)
    v = _v_from_z_array(10.0**10.0**w)
    check_array(_AT_T, v, *KV_RANGE_MM2_S, "mm²/s")
    return as_result(v)


_ORDER = N_(
    "kinematic viscosity at 40 °C must be above the one at 100 °C: oils thin as they warm. Check whether the two were swapped."
)


def _kv_scalar(v40: float, v100: float, t: float) -> float:
    check_scalar(_AT_40, v40, *KV_RANGE_MM2_S, "mm²/s")
    check_scalar(_AT_100, v100, *KV_RANGE_MM2_S, "mm²/s")
    check_scalar(_T, t, *TEMPERATURE_RANGE_C, "°C")
    if v40 <= v100:
        got = _("Got {v40} at 40 °C and {v100} at 100 °C, in mm²/s.")
        got = got.format(v40=number(v40, ".6g"), v100=number(v100, ".6g"))
        raise ValueError(f"{_(_ORDER)} {got}")
    w40 = _w(v40)
    w = w40 - (w40 - _w(v100)) / (_L100 - _L40) * (log10(t + 273.15) - _L40)
    v = _v_from_z(10.0**10.0**w)
    check_scalar(_AT_T, v, *KV_RANGE_MM2_S, "mm²/s")
    return v
