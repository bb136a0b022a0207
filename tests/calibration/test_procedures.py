from collections.abc import Callable
from math import sqrt

import numpy as np
import pytest

from calibration import procedures as p


def test_hysteresis_finds_the_largest_difference_and_its_load() -> None:
    found = p.hysteresis([0.0, 5.0, 10.0], [0.0, 5.000, 10.0], [0.0005, 5.002, 10.0])
    assert (found.difference_kg, found.at_kg) == pytest.approx((0.002, 5.0))
    assert found.u_kg == pytest.approx(0.002 / (2 * sqrt(3)))
    below = p.hysteresis([5.0], [5.0], [4.997])
    assert below.difference_kg == pytest.approx(-0.003)
    assert below.u_kg > 0.0


def test_u_of_hysteresis_is_that_of_a_uniform_branch() -> None:
    lie_anywhere = np.random.default_rng(3).uniform(0.0, 0.002, 200_000)
    assert p.hysteresis([5.0], [5.0], [5.002]).u_kg == pytest.approx(lie_anywhere.std(), rel=0.01)


def test_repeatability() -> None:
    found = p.repeatability([5.000, 5.001, 4.999])
    assert (found.n, found.mean_kg) == pytest.approx((3, 5.0))
    assert (found.sd_kg, found.range_kg) == pytest.approx((0.001, 0.002))


def test_corner_load() -> None:
    found = p.corner_load(
        3.3, {"front left": 3.301, "front right": 3.3, "rear left": 3.297, "rear right": 3.3}
    )
    assert found.largest_kg == pytest.approx(-0.003)
    assert dict(found.differences_kg)["front left"] == pytest.approx(0.001)
    assert found.u_rel == pytest.approx(0.003 / 3.3 / (2 * sqrt(3)))


def test_creep_reads_15_and_30_minutes_off_a_longer_record() -> None:
    t = np.arange(0.0, 3600.0, 10.0)
    y = 10.0 + 0.003 * (1.0 - np.exp(-t / 600.0))
    found = p.creep(t.tolist(), y.tolist())
    assert found.change_30_min_kg == pytest.approx(0.003 * (1 - np.exp(-3.0)), abs=1e-6)
    assert found.change_15_to_30_min_kg == pytest.approx(0.003 * (np.exp(-1.5) - np.exp(-3.0)), abs=1e-6)
    assert found.u_kg == pytest.approx(found.change_30_min_kg / sqrt(3))
    assert found.load_kg == 10.0


def test_zero_return() -> None:
    assert p.zero_return(0.001, -0.001).change_kg == pytest.approx(-0.002)
    assert p.zero_return(0.001, -0.001).u_kg == pytest.approx(0.002 / sqrt(3))


def test_temperature_effect_with_its_uncertainty() -> None:
    t = np.linspace(5.0, 30.0, 26)
    noise = np.random.default_rng(5).normal(0.0, 0.0003, t.size)
    found = p.temperature_effect(t.tolist(), (0.0001 * t + noise).tolist())
    assert found.kg_per_c == pytest.approx(0.0001, abs=3 * found.u_kg_per_c)
    assert found.u_kg_per_c == pytest.approx(0.0003 / np.sqrt(((t - t.mean()) ** 2).sum()), rel=0.3)
    assert (found.dof, found.from_c, found.to_c) == (24, 5.0, 30.0)
    assert found.change_kg(5.0) == pytest.approx(5.0 * found.kg_per_c)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: p.hysteresis([1.0, 2.0], [1.0], [1.0, 2.0]), "1 loading indications for 2 loads"),
        (lambda: p.hysteresis([], [], []), "0 load values, expected at least 1"),
        (lambda: p.repeatability([5.0, 5.0]), "2 indication values, expected at least 3"),
        (lambda: p.repeatability([5.0, 5.0, float("nan")]), "indication is nan"),
        (lambda: p.corner_load(3.3, {"a": 3.3, "b": 3.3, "c": 3.3}), "3 corner indication values"),
        (lambda: p.corner_load(0.0, dict.fromkeys("abcd", 0.0)), "in the middle is 0.0 kg"),
        (lambda: p.creep([0.0, 900.0, 1790.0], [1.0, 1.0, 1.0]), "covers 1790 s, expected at least 1800 s"),
        (lambda: p.creep([0.0, 900.0, 900.0], [1.0, 1.0, 1.0]), "times do not rise"),
        (lambda: p.creep([0.0, 900.0, 1800.0], [1.0, 1.0, 1.0, 1.0]), "3 times for 4 indications"),
        (lambda: p.zero_return(0.0, float("inf")), "empty indication is inf"),
        (lambda: p.temperature_effect([20.0, 21.0, 22.0, 23.0], [0.0] * 4), "span 3 °C, expected at least 5"),
        (
            lambda: p.temperature_effect([10.0, 21.0, 22.0, 23.0], [0.0] * 5),
            "4 temperatures for 5 indications",
        ),
    ],
)
def test_records_that_prove_nothing_are_refused(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
