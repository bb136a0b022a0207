import pytest

from calibration.viscosity_index import doubt_about_viscosities, viscosity_index


def test_both_procedures_meet_at_100() -> None:
    from calibration.reference_data import load

    table = load("viscosity_index")
    at = table["kv100_mm2_s"].index(15.0)
    h = table["h_mm2_s"][at]
    assert viscosity_index(h, 15.0) == pytest.approx(100.0, abs=1e-9)
    assert viscosity_index(h * (1 - 1e-9), 15.0) == pytest.approx(100.0, abs=1e-4)


def test_a_plausible_pair_leaves_no_doubt() -> None:
    assert doubt_about_viscosities(102.0, 15.2) is None


@pytest.mark.parametrize(("kv40", "kv100"), [(1020.0, 15.2), (102.0, 5.2), (30.0, 15.2)])
def test_a_slip_of_the_pen_is_doubted(kv40: float, kv100: float) -> None:
    doubt = doubt_about_viscosities(kv40, kv100)
    assert doubt is not None
    assert f"{kv40:g} mm²/s at 40 °C with {kv100:g} mm²/s at 100 °C" in doubt


def test_swapped_values_are_refused() -> None:
    with pytest.raises(ValueError, match="Check whether the two were swapped"):
        viscosity_index(15.2, 102.0)
