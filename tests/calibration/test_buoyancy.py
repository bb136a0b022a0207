import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import buoyancy as b

masses = st.floats(-50.0, 500.0)
fluids = st.floats(700.0, 2000.0)
airs = st.floats(0.8, 1.4)


@given(masses, fluids, airs)
def test_indication_inverts(mass: float, density: float, air: float) -> None:
    indicated = b.indication_from_mass(mass, density, air)
    assert b.mass_from_indication(indicated, density, air) == pytest.approx(mass, rel=1e-14, abs=1e-300)


@given(fluids, airs)
def test_a_fluid_lighter_than_steel_weighs_less_than_it_is(density: float, air: float) -> None:
    assert b.mass_from_indication(1.0, density, air) > 1.0


def test_no_air_no_correction() -> None:
    assert b.mass_from_indication(1.0, 880.0, 0.0) == 1.0


@given(st.floats(-20.0, 50.0), st.floats(60e3, 110e3), st.floats(0.0, 1.0))
def test_air_array_and_scalar_are_the_same_sum(t: float, p: float, h: float) -> None:
    one = b.air_density(t, p, h)
    assert type(one) is float
    assert b.air_density(np.array([t, t]), p, h) == pytest.approx(one, rel=1e-14)


@given(st.floats(-20.0, 45.0), st.floats(60e3, 105e3), st.floats(0.0, 0.9))
def test_air_thins_with_heat_and_moisture_and_thickens_with_pressure(t: float, p: float, h: float) -> None:
    here = b.air_density(t, p, h)
    assert b.air_density(t + 1.0, p, h) < here
    assert b.air_density(t, p + 100.0, h) > here
    assert b.air_density(t, p, h + 0.05) < here


def test_shapes() -> None:
    assert np.shape(b.mass_from_indication(np.ones((2, 3)), 880.0, 1.2)) == (2, 3)
    assert type(b.mass_from_indication(1, 880, 1.2)) is float


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ((1.0, 0.88, 1.2), "density of the weighed fluid is 0.88 kg/m³, outside .* Enter kg/m³, not kg/L"),
        ((1.0, 880.0, 1200.0), "air density is 1200 kg/m³"),
        ((1.0, 880.0, 1.2, 8.0), "reference density is 8 kg/m³"),
    ],
)
def test_impossible_densities_are_refused(args: tuple[float, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        b.mass_from_indication(*args)
    with pytest.raises(ValueError, match=words):
        b.indication_from_mass(*args)
