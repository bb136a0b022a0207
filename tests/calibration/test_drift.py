from collections.abc import Callable

import numpy as np
import pytest

from calibration.drift import METER_REL_PER_YEAR, PAN_REL_PER_YEAR, change, u_since_rel


def test_change_within_its_uncertainty_is_no_drift() -> None:
    found = change(402.5, 0.3, 402.9, 0.3)
    assert found.relative == pytest.approx(0.4 / 402.5)
    assert found.u_relative == pytest.approx(np.hypot(0.3 / 402.9, 0.3 / 402.5) * 402.9 / 402.5)
    assert not found.significant
    assert found.ratio < 1.0


@pytest.mark.parametrize("newest", [404.0, 401.0])
def test_change_beyond_it_is(newest: float) -> None:
    found = change(402.5, 0.3, newest, 0.3)
    assert found.significant
    assert found.ratio > 1.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: change(0.0, 0.3, 402.0, 0.3), "previous value is 0.0"),
        (lambda: change(402.0, 0.3, float("nan"), 0.3), "newest value is nan"),
        (lambda: change(402.0, 0.3, 402.0, 0.0), "u of the newest value is 0.0"),
    ],
)
def test_what_says_nothing_is_refused(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


def test_what_may_have_moved_grows_with_the_time_since() -> None:
    """A tenth of a percent in a year of a meter, three hundredths of a pan; nothing on the day itself."""
    assert u_since_rel(METER_REL_PER_YEAR, 0.0) == 0.0
    assert u_since_rel(METER_REL_PER_YEAR, 365.25) == pytest.approx(0.001)
    assert u_since_rel(METER_REL_PER_YEAR, 730.5) == pytest.approx(0.002)
    assert u_since_rel(PAN_REL_PER_YEAR, 365.25) == pytest.approx(0.0003)
    for rate, age in ((0.001, -1.0), (-0.001, 1.0), (0.001, float("nan"))):
        with pytest.raises(ValueError, match="expected numbers of zero or more"):
            u_since_rel(rate, age)
