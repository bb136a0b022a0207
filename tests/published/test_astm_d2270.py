"""ASTM D2270, viscosity index. The three worked examples were read in a reproduction of the standard."""

import numpy as np
import pytest

from calibration.reference_data import load
from calibration.viscosity_index import viscosity_index


@pytest.mark.parametrize(
    ("kv40", "kv100", "exact", "printed"),
    [
        (73.30, 8.86, 92.43, 92),  # procedure A
        (22.83, 5.05, 156.37, 156),  # procedure B; 156.37 comes from H rounded to 28.97
        (53.47, 7.80, 111.31, 111),  # procedure B
    ],
)
def test_worked_examples(kv40: float, kv100: float, exact: float, printed: int) -> None:
    assert viscosity_index(kv40, kv100) == pytest.approx(exact, abs=0.06)
    assert round(viscosity_index(kv40, kv100)) == printed


def test_interpolated_reference_viscosities_of_the_examples() -> None:
    table = load("viscosity_index")
    for y, key, printed in ((8.86, "l_mm2_s", 119.94), (8.86, "h_mm2_s", 69.48), (5.05, "h_mm2_s", 28.97)):
        assert np.interp(y, table["kv100_mm2_s"], table[key]) == pytest.approx(printed, abs=0.006)


@pytest.mark.parametrize(
    ("kv40", "kv100", "index"),
    [(102, 15.2, 156.81), (180, 25, 171.64), (140, 14.5, 102.06), (35, 7.2, 175.57)],
)
def test_values_printed_by_the_chemicals_library(kv40: float, kv100: float, index: float) -> None:
    """chemicals 1.5.2, viscosity_index."""
    assert viscosity_index(kv40, kv100) == pytest.approx(index, abs=0.006)


def test_agrees_with_the_chemicals_library_over_the_whole_range() -> None:
    chemicals = pytest.importorskip("chemicals", reason="general-purpose reference library, test extra")
    for kv100 in np.linspace(2.03, 300.03, 299):  # past 70 itself, which the standard gives to the table
        for ratio in (1.5, 3.0, 6.0, 9.0, 12.0, 20.0):
            theirs = chemicals.viscosity_index(kv100 * ratio * 1e-6, kv100 * 1e-6)
            assert viscosity_index(kv100 * ratio, kv100) == pytest.approx(theirs, rel=1e-9, abs=1e-9)


def test_table_is_smooth() -> None:
    """A mistyped cell would stick out of its neighbours by more than the table's rounding."""
    table = load("viscosity_index")
    y = np.array(table["kv100_mm2_s"])
    for key in ("l_mm2_s", "h_mm2_s"):
        values = np.array(table[key])
        between = (values[:-2] * (y[2:] - y[1:-1]) + values[2:] * (y[1:-1] - y[:-2])) / (y[2:] - y[:-2])
        assert np.abs(values[1:-1] / between - 1.0).max() < 0.004
        assert (np.diff(values) > 0.0).all()


def test_equations_above_70_join_the_table() -> None:
    for ratio in (10.0, 5.0):
        below, above = viscosity_index(70.0 * ratio, 70.0), viscosity_index(70.001 * ratio, 70.001)
        assert above == pytest.approx(below, abs=0.2)


def test_undefined_below_2() -> None:
    with pytest.raises(ValueError, match=r"at 100 °C is 1\.99 mm²/s, outside the range 2 to"):
        viscosity_index(5.0, 1.99)
