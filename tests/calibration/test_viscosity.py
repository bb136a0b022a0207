from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from calibration.viscosity import kinematic_viscosity
from station.common import words

kv100s = st.floats(1.0, 60.0)
ratios = st.floats(2.0, 15.0)


@given(kv100s, ratios)
def test_passes_through_the_two_entered_points(kv100: float, ratio: float) -> None:
    kv40 = kv100 * ratio
    assert kinematic_viscosity(kv40, kv100, 40.0) == pytest.approx(kv40, rel=1e-12)
    assert kinematic_viscosity(kv40, kv100, 100.0) == pytest.approx(kv100, rel=1e-12)


@given(kv100s, ratios, st.floats(-10.0, 140.0), st.floats(0.01, 10.0))
def test_thins_as_it_warms(kv100: float, ratio: float, t: float, step: float) -> None:
    assume(ratio < 8.0)  # thicker ones leave the chart when cold
    cold, warm = (kinematic_viscosity(kv100 * ratio, kv100, x) for x in (t, t + step))
    assert warm < cold


@given(kv100s, ratios, st.floats(20.0, 120.0))
def test_array_and_scalar_are_the_same_sum(kv100: float, ratio: float, t: float) -> None:
    one = kinematic_viscosity(kv100 * ratio, kv100, t)
    assert type(one) is float
    several = kinematic_viscosity(np.array([kv100 * ratio]), kv100, np.array([[t], [t]]))
    assert np.shape(several) == (2, 1)
    assert several == pytest.approx(one, rel=1e-12)


def test_a_thin_liquid_uses_the_low_viscosity_term() -> None:
    """Without exp(-1.47 - 1.84 v - 0.51 v²) a liquid of 1 mm²/s at 70 °C would be off by several per cent."""
    v = kinematic_viscosity(1.6, 0.8, 70.0)
    w = [np.log10(np.log10(x + 0.7)) for x in (1.6, 0.8)]
    part = (np.log10(343.15) - np.log10(313.15)) / (np.log10(373.15) - np.log10(313.15))
    simple = 10**10 ** (w[0] + part * (w[1] - w[0])) - 0.7
    assert 0.005 < abs(v / simple - 1.0) < 0.05


@pytest.mark.parametrize(
    "args", [(15.2, 102.0, 20.0), (np.array([102.0, 15.0]), 15.2, 20.0), (15.2, 15.2, 20.0)]
)
def test_swapped_points_are_refused(args: tuple[Any, ...]) -> None:
    with pytest.raises(ValueError, match=r"oils thin as they warm\. Check whether the two were swapped"):
        kinematic_viscosity(*args)


@pytest.fixture
def german() -> Iterator[None]:
    words.speak("de")
    yield
    words.speak(words.SOURCE)


def test_a_german_shop_reads_it_in_german(german: None) -> None:
    with pytest.raises(ValueError, match=r"Öle werden dünner.* Angegeben sind 15,2 bei 40 °C"):
        kinematic_viscosity(15.2, 102.5, 20.0)
    with pytest.raises(ValueError, match=r"^kinematische Viskosität bei 40 °C ist 0,1 mm²/s"):
        kinematic_viscosity(0.1, 0.05, 20.0)


def test_array_beyond_the_charts_is_refused() -> None:
    with pytest.raises(ValueError, match="temperature is 371 °C"):
        kinematic_viscosity(102.0, 15.2, np.array([20.0, 371.0]))
