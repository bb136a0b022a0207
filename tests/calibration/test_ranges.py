import numpy as np
import pytest

from calibration.ranges import FloatOrArray, OutOfRange, as_result, check, is_scalar


def test_error_carries_its_pieces_and_says_what_to_do() -> None:
    with pytest.raises(OutOfRange) as caught:
        check("oil temperature", 151.0, -50.0, 150.0, "°C", "Check the thermometer.")
    error = caught.value
    assert (error.quantity, error.value, error.low, error.high, error.unit) == (
        "oil temperature", 151.0, -50.0, 150.0, "°C",
    )  # fmt: skip
    expected = "oil temperature is 151 °C, outside the range −50 to 150 °C. Check the thermometer."
    assert str(error) == expected


@pytest.mark.parametrize("value", [float("nan"), np.array([1.0, float("nan")]), np.array(float("nan"))])
def test_nan_is_outside_every_range(value: FloatOrArray) -> None:
    with pytest.raises(ValueError, match="is nan"):
        check("x", value, -1e308, 1e308, "")


def test_first_element_outside_is_named() -> None:
    with pytest.raises(ValueError, match="x is −3 "):
        check("x", np.array([[1.0, -3.0], [99.0, 2.0]]), 0.0, 5.0, "kg")


def test_ends_belong_to_the_range_and_an_empty_array_passes() -> None:
    check("x", 0.0, 0.0, 5.0, "")
    check("x", np.array([0.0, 5.0]), 0.0, 5.0, "")
    check("x", np.array([]), 0.0, 5.0, "")


def test_scalars_and_results() -> None:
    assert is_scalar(1, 2.0, np.float64(3.0))
    assert not is_scalar(1.0, np.array(1.0))
    assert type(as_result(np.array(2.5))) is float
