"""The doubt in a listing is half of its last digit, either way, rectangular: (step / 2) / √3 (JCGM 100:2008, 4.3.7)."""

import math

import pytest

from station.given.listing import UNITS_L, other_units, rounding_l


@pytest.mark.parametrize(
    ("text", "litres", "half_l"),
    [
        ("2.9 L", 2.9, 0.05),
        ("2.90 L", 2.9, 0.005),
        ("3 qt", 2.839, 0.5 * 0.946353),
        ("9 1/2 US pt", 4.495, 0.25 * 0.473176),
        ("1/2 gal", 1.893, 0.25 * 3.785412),
        ("2850 mL", 2.85, 0.0005),
        (".9 L", 0.9, 0.05),
    ],
)
def test_half_of_the_last_digit(text: str, litres: float, half_l: float) -> None:
    assert rounding_l(text, litres) == pytest.approx(half_l / math.sqrt(3.0), rel=1e-3)


def test_a_number_means_six_other_volumes_in_six_other_units() -> None:
    for name, litres in UNITS_L.items():
        others = other_units(f"6 1/2 {name}", 6.5 * litres)
        assert sorted(others) == pytest.approx(
            sorted(other / litres for other in UNITS_L.values() if other != litres)
        )
    assert other_units("2850 mL", 2.85) == ()
    assert other_units("some", 2.85) == ()
    assert other_units("0 L", 0.0) == ()
