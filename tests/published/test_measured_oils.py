"""Densities and viscosities that others measured on lubricating oils, against the formulas used here.

Source: the package adios-db 1.2.7. Its data/OilLib.txt (NOAA's oil library, CC0) has whole kg/m³, records by number; its
data/env_canada table (Environment and Climate Change Canada, Open Government Licence) has 0.1 kg/m³, ASTM D5002 and
D7042, sample 3097. Copied by hand; the numbers were read in the package's files.
"""

import pytest
from scipy.optimize import fsolve

from calibration.density import density_15_from_observed, density_lubricant
from calibration.viscosity import kinematic_viscosity

AT_15_AND_0_C = {
    "AD00696, engine oil, used": (885.0, 895.0),
    "AD02220, compressor oil, new": (873.0, 883.0),
    "AD02221, compressor oil, used": (875.0, 884.0),
    "AD02223, electrical oil, new": (873.0, 882.0),
    "AD02224, electrical oil, used": (874.0, 883.0),
}
USED_AND_NEW = {
    "engine oil": (885.0, 877.0),
    "compressor oil": (875.0, 873.0),
    "electrical oil": (874.0, 873.0),
}
"""At 15 °C; new engine oil is AD00697."""

SAMPLE_3097 = {15.0: (858.7, 103.0), 5.0: (865.0, 200.0), 0.0: (868.2, 290.0)}
"""°C → kg/m³ and mPa·s, as measured."""


@pytest.mark.parametrize("record", AT_15_AND_0_C)
def test_cold_density_from_that_at_15_c(record: str) -> None:
    """Both are rounded to whole kg/m³: half of that each."""
    at_15, at_0 = AT_15_AND_0_C[record]
    assert density_lubricant(at_15, 0.0) == pytest.approx(at_0, abs=1.0)


@pytest.mark.parametrize("t", [5.0, 0.0])
def test_density_to_a_tenth(t: float) -> None:
    """Within 0.015 %: digits of 0.1 kg/m³ at both temperatures, and what one oil's expansion differs from its group's."""
    at_15, _ = SAMPLE_3097[15.0]
    measured, _ = SAMPLE_3097[t]
    assert density_lubricant(at_15, t) == pytest.approx(measured, abs=0.13)
    assert density_15_from_observed(measured, t) == pytest.approx(at_15, abs=0.13)


def test_viscosity_between_two_measured_points() -> None:
    """The line through 0 and 15 °C meets the measured 5 °C within 0.3 % (three digits were printed of each)."""
    measured = {t: mpa_s / rho * 1000.0 for t, (rho, mpa_s) in SAMPLE_3097.items()}

    def misses(kv: list[float]) -> list[float]:
        return [float(kinematic_viscosity(kv[0], kv[1], t)) / measured[t] - 1.0 for t in (0.0, 15.0)]

    kv40, kv100 = fsolve(misses, [34.0, 5.9])
    assert float(kinematic_viscosity(kv40, kv100, 5.0)) == pytest.approx(measured[5.0], rel=0.003)


def test_used_oil_is_off_its_new_density_by_a_tenth_to_nearly_one_percent() -> None:
    """Why a density of unknown origin is not believed to 0.1 %: the three pairs that could be found."""
    off = [used / new - 1.0 for used, new in USED_AND_NEW.values()]
    assert min(off) == pytest.approx(0.0011, abs=2e-4)
    assert max(off) == pytest.approx(0.0091, abs=2e-4)
