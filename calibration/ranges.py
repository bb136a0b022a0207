"""One place where a value is held against the range that its source covers.

Everything outside is refused, never clipped: a figure outside the source has no source.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from station.common.digits import number
from station.common.words import _

FloatArray: TypeAlias = npt.NDArray[np.float64]
FloatOrArray: TypeAlias = float | FloatArray


class OutOfRange(ValueError):
    """A quantity lies outside the range that its source covers (a NaN lies outside every range).

    The pieces are kept as attributes so that a page can word them in its own way.
    """

    def __init__(
        self, quantity: str, value: float, low: float, high: float, unit: str, advice: str = ""
    ) -> None:
        self.quantity, self.value, self.low, self.high, self.unit = quantity, value, low, high, unit
        self.advice = advice
        shown = f" {unit}" if unit else ""
        super().__init__(
            _("{quantity} is {value}{shown}, outside the range {low} to {high}{shown}.").format(
                quantity=_(quantity),
                value=number(value, ".9g"),
                shown=shown,
                low=number(low, ".9g"),
                high=number(high, ".9g"),
            )
            + (f" {_(advice)}" if advice else "")
        )


def is_scalar(*values: object) -> bool:
    """True if every value is a plain Python number (numpy.float64 is one: it derives from float)."""
    return all(isinstance(value, (float, int)) for value in values)


def check_scalar(quantity: str, value: float, low: float, high: float, unit: str, advice: str = "") -> None:
    """Raise OutOfRange unless low <= value <= high."""
    if not low <= value <= high:
        raise OutOfRange(quantity, float(value), low, high, unit, advice)


def check_array(
    quantity: str, value: FloatArray, low: float, high: float, unit: str, advice: str = ""
) -> None:
    """Raise OutOfRange naming the first element that is not within low..high; an empty array passes."""
    # min and max carry a NaN on, so one comparison of each catches it without a boolean array.
    if value.size and not (low <= value.min() and value.max() <= high):
        worst = value[~((value >= low) & (value <= high))].flat[0] if value.ndim else value
        raise OutOfRange(quantity, float(worst), low, high, unit, advice)


def check(quantity: str, value: FloatOrArray, low: float, high: float, unit: str, advice: str = "") -> None:
    """Raise OutOfRange unless every element of a scalar or array lies within low..high."""
    if isinstance(value, (float, int)):
        check_scalar(quantity, value, low, high, unit, advice)
    else:
        check_array(quantity, np.asarray(value, dtype=float), low, high, unit, advice)


def as_result(value: FloatArray) -> FloatOrArray:
    """A 0-d array as a Python float, anything else as it is."""
    return float(value) if np.ndim(value) == 0 else value
