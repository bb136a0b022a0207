"""SAE J306:2019, kinematic viscosity at 100 °C of gear-oil grades, as the trade press reproduces it."""

import pytest

from calibration.grades import doubt_about_grade


@pytest.mark.parametrize(
    ("grade", "lowest", "beyond"),
    [("80", 8.5, 11.0), ("85", 11.0, 13.5), ("90", 13.5, 18.5), ("110", 18.5, 24.0), ("140", 24.0, 32.5),
     ("190", 32.5, 41.0)],
)  # fmt: skip
def test_range_of_a_grade(grade: str, lowest: float, beyond: float) -> None:
    assert doubt_about_grade(grade, lowest) is None
    assert doubt_about_grade(grade, beyond - 0.01) is None
    assert doubt_about_grade(grade, lowest - 0.01) is not None
    assert doubt_about_grade(grade, beyond) is not None


def test_250_has_no_upper_end() -> None:
    assert doubt_about_grade("250", 41.0) is None
    assert doubt_about_grade("250", 400.0) is None


@pytest.mark.parametrize(("grade", "lowest"), [("75W", 3.8), ("80W", 8.5), ("85W", 11.0)])
def test_lowest_of_a_winter_grade(grade: str, lowest: float) -> None:
    assert doubt_about_grade(grade, lowest) is None
    assert doubt_about_grade(grade, lowest - 0.01) is not None
