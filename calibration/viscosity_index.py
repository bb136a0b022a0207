"""Viscosity index (ASTM D2270): does a pair of entered viscosities belong to one oil?

The index is no figure of the job. It catches slips: two swapped fields, a digit lost, the 40 °C value of
one data sheet beside the 100 °C value of another.
"""

from __future__ import annotations

from math import log10
from typing import Any

import numpy as np

from calibration.ranges import check_scalar
from calibration.reference_data import load

# Common practice, no source: straight mineral oils lie near 95, multigrade and synthetic gear oils between
# 120 and 220, the thinnest transmission and hydraulic fluids reach 400.
PLAUSIBLE = (40.0, 400.0)


def viscosity_index(kv40_mm2_s: float, kv100_mm2_s: float) -> float:
    """Viscosity index, not rounded, from kinematic viscosities at 40 °C and 100 °C in mm²/s.

    kv100_mm2_s: 2 to 500 (the standard defines nothing below 2). Raises ValueError outside, or if
    kv40 <= kv100. Source: ASTM D2270, procedures A (up to 100) and B (above).
    """
    check_scalar("kinematic viscosity at 100 °C", kv100_mm2_s, 2.0, 500.0, "mm²/s")
    check_scalar("kinematic viscosity at 40 °C", kv40_mm2_s, 2.0, 1e6, "mm²/s")
    if kv40_mm2_s <= kv100_mm2_s:
        raise ValueError(
            f"kinematic viscosity is {kv40_mm2_s:g} mm²/s at 40 °C and {kv100_mm2_s:g} mm²/s at 100 °C, "
            "expected the first to be larger. Check whether the two were swapped."
        )
    table = load("viscosity_index")
    low, high = _reference(table, "l", kv100_mm2_s), _reference(table, "h", kv100_mm2_s)
    if kv40_mm2_s >= high:
        return 100.0 * (low - kv40_mm2_s) / (low - high)
    n = (log10(high) - log10(kv40_mm2_s)) / log10(kv100_mm2_s)
    return float((10.0**n - 1.0) / 0.00715 + 100.0)


def doubt_about_viscosities(kv40_mm2_s: float, kv100_mm2_s: float) -> str | None:
    """A sentence on why the pair is hardly one oil's, or None if it is plausible.

    Raises ValueError as viscosity_index does.
    """
    index = viscosity_index(kv40_mm2_s, kv100_mm2_s)
    if PLAUSIBLE[0] <= index <= PLAUSIBLE[1]:
        return None
    return (
        f"{kv40_mm2_s:g} mm²/s at 40 °C with {kv100_mm2_s:g} mm²/s at 100 °C gives a viscosity index of "
        f"{index:.0f}; oils lie between {PLAUSIBLE[0]:.0f} and {PLAUSIBLE[1]:.0f}. Check both values on one "
        "data sheet."
    )


def _reference(table: dict[str, Any], series: str, y: float) -> float:
    known = table["kv100_mm2_s"]
    if y <= known[-1]:
        return float(np.interp(y, known, table[f"{series}_mm2_s"]))
    c, b, a = table[f"above_70_{series}"]
    return float(c + y * (b + y * a))
