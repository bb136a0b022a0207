"""Ethylene glycol 50 % by mass: the reference table against CoolProp 8.0.0, INCOMP::MEG-50%.

The printed values are at temperatures of which most are no nodes of the table, so they check its straight
lines, too.
"""

import numpy as np
import pytest

from calibration.reference_data import fluid

PRINTED = {
    0: 1074.6236,
    15: 1067.5334,
    20: 1064.9287,
    25: 1062.2119,
    40: 1053.4408,
    60: 1040.4900,
    80: 1026.4064,
}


@pytest.mark.parametrize("t", PRINTED)
def test_density(t: int) -> None:
    assert fluid("coolant_50_by_mass").density_kg_m3(float(t)) == pytest.approx(PRINTED[t], abs=0.1)


def test_viscosity() -> None:
    """3.69321 mPa·s at 20 °C."""
    assert fluid("coolant_50_by_mass").viscosity_mm2_s(20.0) == pytest.approx(3.69321 / 1.0649287, rel=1e-4)


def test_propylene_glycol() -> None:
    assert fluid("coolant_propylene_50_by_mass").density_kg_m3(20.0) == pytest.approx(1039.0606, abs=0.01)


@pytest.mark.parametrize(
    ("name", "theirs"),
    [("coolant_50_by_mass", "MEG-50%"), ("coolant_50_by_volume", "MEG-52.7%"),
     ("coolant_propylene_50_by_mass", "MPG-50%")],
)  # fmt: skip
def test_whole_table(name: str, theirs: str) -> None:
    coolprop = pytest.importorskip(
        "CoolProp.CoolProp", reason="general-purpose reference library, test extra"
    )
    for t in np.linspace(-20.0, 100.0, 61):
        rho, mu = (
            coolprop.PropsSI(x, "T", t + 273.15, "P", 101325.0, f"INCOMP::{theirs}") for x in ("D", "V")
        )
        ours = fluid(name)
        assert ours.density_kg_m3(float(t)) == pytest.approx(rho, abs=0.1)
        assert ours.viscosity_mm2_s(float(t)) == pytest.approx(mu / rho * 1e6, rel=0.016)
