"""Units by definition: NIST Handbook 44, appendix C / SP 811 (gallon 231 in³, imperial gallon 4.54609 L)."""

import pytest

from station.common.units import parse_mass_kg, parse_torque_nm, parse_volume_l


@pytest.mark.parametrize(
    ("text", "ml"),
    [
        ("1 US gal", 3785.411784), ("1 US qt", 946.352946), ("1 US pt", 473.176473), ("1 US fl oz", 29.5735295625),
        ("1 imperial gallon", 4546.09), ("1 imperial quart", 1136.5225), ("1 imperial pint", 568.26125),
        ("1 imperial fl oz", 28.4130625), ("1 in3", 16.387064),
    ],
)  # fmt: skip
def test_volume(text: str, ml: float) -> None:
    assert parse_volume_l(text) == pytest.approx(ml / 1000.0, rel=1e-15)


def test_torque_and_mass() -> None:
    assert parse_torque_nm("1 lbf·ft") == pytest.approx(1.3558179483314004, rel=1e-15)
    assert parse_torque_nm("1 lbf·in") == pytest.approx(0.1129848290276167, rel=1e-15)
    assert parse_mass_kg("1 lb") == 0.45359237


def test_prover_tolerances_in_cubic_inches() -> None:
    """Six and three cubic inches, the tolerances of a five-gallon draft (from memory), in millilitres."""
    assert parse_volume_l("6 in³") == pytest.approx(0.09832, abs=5e-6)
    assert parse_volume_l("3 in³") == pytest.approx(0.04916, abs=5e-6)
