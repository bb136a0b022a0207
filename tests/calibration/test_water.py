import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.buoyancy import air_density
from calibration.water import water_density, water_load_kg, water_viscosity


def test_densest_at_four_degrees() -> None:
    t = np.linspace(0.0, 40.0, 40_001)
    assert t[np.argmax(water_density(t))] == pytest.approx(3.983, abs=0.001)
    assert (np.diff(water_density(t[t > 3.99])) < 0.0).all()


@given(st.floats(0.0, 40.0))
def test_array_and_scalar_are_the_same_sum(t: float) -> None:
    assert type(water_density(t)) is float
    assert water_density(np.array([t])) == pytest.approx([water_density(t)], rel=1e-15)
    assert water_viscosity(np.array([t, t])) == pytest.approx([water_viscosity(t)] * 2, rel=1e-15)


def test_thins_as_it_warms() -> None:
    assert (np.diff(water_viscosity(np.linspace(0.0, 40.0, 200))) < 0.0).all()


def test_refuses_hot_water() -> None:
    with pytest.raises(ValueError, match=r"water temperature is 41 °C, outside the range 0 to 40 °C\. Bring"):
        water_density(np.array([20.0, 41.0]))
    with pytest.raises(ValueError, match="water temperature is −1 °C"):
        water_viscosity(-1.0)


def test_a_jug_of_water_as_a_known_mass() -> None:
    """One over the Z factor of ISO/TR 20461 at 20 °C and 1013.25 hPa, 1.0028512 mL/g."""
    air = float(air_density(20.0, 101_325.0, 0.5))
    assert water_load_kg(1.0, 20.0, air) == pytest.approx(1.0 / 1.0028512, rel=1e-7)
    assert water_load_kg(5.0, 20.0, air) == pytest.approx(5.0 * water_load_kg(1.0, 20.0, air), rel=1e-15)


def test_an_empty_jug_is_no_known_mass() -> None:
    with pytest.raises(ValueError, match="volume of water is 0 L"):
        water_load_kg(0.0, 20.0, 1.2)
