import numpy as np
import pytest

from calibration.drift import change, trend


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


def test_trend_finds_a_wear_of_a_per_mille_a_year() -> None:
    days = np.arange(0.0, 1500.0, 150.0)
    k = 402.5 * (1.0 - 0.001 * days / 365.25) + np.random.default_rng(2).normal(0.0, 0.05, days.size)
    found = trend(days.tolist(), k.tolist())
    assert found.significant
    assert found.per_year == pytest.approx(-0.001, abs=3 * found.u_per_year)
    assert found.days_until(0.003) == pytest.approx(0.003 / abs(found.per_year) * 365.25)


def test_scatter_without_wear_is_called_a_trend_about_once_in_twenty() -> None:
    days = np.arange(0.0, 1500.0, 150.0).tolist()
    called = [
        trend(days, (402.5 + np.random.default_rng(s).normal(0.0, 0.3, 10)).tolist()) for s in range(400)
    ]
    assert 4 <= sum(t.significant for t in called) <= 36
    assert all(t.days_until(0.003) is None for t in called if not t.significant)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: change(0.0, 0.3, 402.0, 0.3), "previous value is 0.0"),
        (lambda: change(402.0, 0.3, float("nan"), 0.3), "newest value is nan"),
        (lambda: change(402.0, 0.3, 402.0, 0.0), "u of the newest value is 0.0"),
        (lambda: trend([0, 1, 2], [1.0, 1.0, 1.0]), "3 days and 3 values, expected four"),
        (lambda: trend([5, 5, 5, 5], [1.0, 1.0, 1.0, 1.0]), "expected positive values on different days"),
    ],
)
def test_what_says_nothing_is_refused(call, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
