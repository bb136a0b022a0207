from math import inf

import pytest

from calibration import montecarlo


def test_same_seed_same_answer() -> None:
    inputs = {"a": (1.0, 0.1, inf), "b": (2.0, 0.2, 5.0)}
    one, two, three = (
        montecarlo.propagate(inputs, lambda i: i["a"] * i["b"], trials=20_000, seed=s) for s in (1, 1, 2)
    )
    assert one == two
    assert one != three
    assert one.mean == pytest.approx(2.0, abs=0.02)


def test_tolerance_is_half_a_unit_of_the_last_significant_digit() -> None:
    found = montecarlo.Distribution(0.0, 1.0, -1.96, 1.96, 10_000)
    agreement, ratio = montecarlo.agrees(0.0, 1.99, found, significant_u=1.0)
    assert agreement
    assert ratio == pytest.approx(0.03 / 0.05)
    assert not montecarlo.agrees(0.0, 2.02, found, significant_u=1.0)[0]
    assert montecarlo.agrees(0.0, 2.02, found, significant_u=1.0, digits=1)[0]


def test_too_few_trials_are_refused() -> None:
    with pytest.raises(ValueError, match="trials is 9999, expected at least 10000"):
        montecarlo.propagate({}, lambda i: 0.0, trials=9_999)
