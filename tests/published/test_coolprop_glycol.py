"""Coolants: the reference table was copied from CoolProp 8.0.0 (INCOMP), so this checks the copy and what the straight
lines between its nodes add, nothing else. No measured table of these mixtures was at hand.
"""

import pytest

from calibration.reference_data import fluid

MIXTURES = {
    "coolant_50_by_mass": "MEG-50%",
    "coolant_50_by_volume": "MEG-52.7%",
    "coolant_propylene_50_by_mass": "MPG-50%",
}


def theirs(name: str, t: float) -> tuple[float, float]:
    """Density in kg/m³ and kinematic viscosity in mm²/s."""
    # It takes two seconds, which is not for every process that finds this test.
    from CoolProp.CoolProp import PropsSI

    rho, mu = (PropsSI(x, "T", t + 273.15, "P", 101325.0, f"INCOMP::{MIXTURES[name]}") for x in ("D", "V"))
    return float(rho), float(mu / rho * 1e6)


@pytest.mark.parametrize("name", MIXTURES)
@pytest.mark.parametrize("t", range(-20, 101, 10))
def test_a_node_is_copied_to_its_last_digit(name: str, t: int) -> None:
    rho, kv = theirs(name, float(t))
    assert fluid(name).density_kg_m3(float(t)) == pytest.approx(rho, abs=0.0051)
    assert fluid(name).viscosity_mm2_s(float(t)) == pytest.approx(kv, abs=5.1e-5)


@pytest.mark.parametrize("name", MIXTURES)
@pytest.mark.parametrize("t", range(-15, 100, 10))
def test_between_nodes(name: str, t: int) -> None:
    """Density to 0.1 kg/m³, as the file states. Viscosity is the geometric mean of its neighbours; the true curve bends
    away from that by 1.5 % at -15 °C and by less the warmer it is, which is this table's own doubt."""
    rho, kv = theirs(name, float(t))
    assert fluid(name).density_kg_m3(float(t)) == pytest.approx(rho, abs=0.1)
    ours = fluid(name).viscosity_mm2_s(float(t))
    assert ours is not None
    assert ours == pytest.approx((theirs(name, t - 5.0)[1] * theirs(name, t + 5.0)[1]) ** 0.5, rel=1e-4)
    assert -0.002 < ours / kv - 1.0 < 0.0135 - 0.000135 * t
