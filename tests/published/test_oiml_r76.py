"""OIML R 76-1:2006, Table 6: maximum permissible errors at initial verification, class III as read."""

import pytest

from calibration.weighing_classes import mpe_kg


@pytest.mark.parametrize(
    ("load_g", "mpe_g"),
    [
        (0, 0.5),
        (400, 0.5),
        (500, 0.5),
        (501, 1.0),
        (1500, 1.0),
        (2000, 1.0),
        (2001, 1.5),
        (3000, 1.5),
        (10000, 1.5),
    ],
)
def test_class_iii_with_an_interval_of_one_gram(load_g: float, mpe_g: float) -> None:
    assert mpe_kg("III", 0.001, load_g / 1000.0) == pytest.approx(mpe_g / 1000.0, rel=1e-12)
    assert mpe_kg("III", 0.001, load_g / 1000.0, in_service=True) == pytest.approx(mpe_g / 500.0, rel=1e-12)


@pytest.mark.parametrize(("load_e", "mpe_e"), [(50, 0.5), (51, 1.0), (200, 1.0), (201, 1.5), (1000, 1.5)])
def test_class_iiii(load_e: float, mpe_e: float) -> None:
    """Steps of class IIII from memory."""
    assert mpe_kg("IIII", 0.01, load_e * 0.01) == pytest.approx(mpe_e * 0.01, rel=1e-12)


def test_beyond_the_last_step_is_refused() -> None:
    with pytest.raises(ValueError, match=r"load is 10\.001 kg, outside the range 0 to 10"):
        mpe_kg("III", 0.001, 10.001)
