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


@pytest.mark.parametrize(
    ("kv100", "ratio_3", "ratio_9", "ratio_20"),
    [
        (2.03, 136.842577, -613.347123, -1971.784889),
        (3.18, 234.027916, -311.218986, -1254.584682),
        (4.41, 290.232216, -118.939493, -755.637223),
        (5.37, 319.449651, -10.573586, -412.492345),
        (6.62, 333.425573, 39.820121, -249.976122),
        (7.83, 342.062193, 66.676199, -157.241648),
        (9.04, 346.010579, 81.416534, -107.302816),
        (10.55, 346.699348, 92.561869, -67.883313),
        (12.3, 347.495727, 101.506231, -35.764944),
        (14.7, 348.556913, 111.693081, -5.386251),
        (17.2, 350.317723, 120.499423, 17.079463),
        (20.6, 353.052615, 130.415866, 38.563259),
        (25.3, 356.071316, 141.097552, 57.931196),
        (31.4, 358.779898, 151.498318, 73.331719),
        (38.9, 361.874371, 161.444307, 84.949741),
        (47.7, 365.756909, 170.937026, 93.568615),
        (58.2, 370.168252, 180.168126, 100.095286),
        (69.4, 374.37894, 188.246267, 107.98436),
        (70.03, 374.485793, 188.594821, 108.346901),
        (104.9, 386.926621, 207.940795, 127.053508),
        (180.2, 409.099911, 236.003708, 153.764322),
        (300.03, 435.254319, 265.06304, 181.040374),
    ],
)  # past 70 itself, which the standard gives to the table
def test_the_whole_range_as_the_chemicals_library_prints_it(
    kv100: float, ratio_3: float, ratio_9: float, ratio_20: float
) -> None:
    """chemicals 1.5.2, viscosity_index, where the viscosity at 40 °C is 3, 9 and 20 times that at 100 °C."""
    for ratio, index in ((3.0, ratio_3), (9.0, ratio_9), (20.0, ratio_20)):
        assert viscosity_index(kv100 * ratio, kv100) == pytest.approx(index, abs=1e-6)


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
