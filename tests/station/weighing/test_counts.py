"""A converter that hangs against one that is only quiet."""

import itertools
import random

import pytest

from station.weighing import counts
from station.weighing.counts import Counts


def stuck_at(values: list[int], noise_counts: float, pace_s: float = 0.1) -> int | None:
    """The index at which the counts are called stuck."""
    state = Counts()
    for i, value in enumerate(values):
        state, _, finding = counts.check(state, i * pace_s, value, noise_counts)
        if finding == "stuck":
            return i
    return None


def noise(sigma: float, n: int, seed: int = 1) -> list[int]:
    rng = random.Random(seed)
    return [round(84_213 + rng.gauss(0.0, sigma)) for _ in range(n)]


@pytest.mark.parametrize("sigma", [3.0, 10.0, 25.0, 200.0])
def test_a_live_converter_is_not_called_stuck_in_five_hours(sigma: float) -> None:
    assert stuck_at(noise(sigma, 180_000), 25.0) is None


def test_a_kick_does_not_make_a_quiet_cell_look_stuck() -> None:
    for seed in range(200):
        rung = [84_213 + 40_000, 84_213 - 30_000, 84_213 + 10_000]
        assert stuck_at(noise(8.0, 30, seed) + rung + noise(8.0, 100, seed + 1), 25.0) is None


@pytest.mark.parametrize(("sigma", "at_most"), [(25.0, 7), (10.0, 9), (5.0, 20)])
def test_the_noisier_it_was_the_sooner_it_is_called_stuck(sigma: float, at_most: int) -> None:
    live = noise(sigma, 200)
    found = stuck_at(live + [live[-1] + 1] * 100, 25.0)
    assert found is not None
    assert 3 <= found - len(live) < at_most


def test_a_cell_without_noise_of_its_own_is_given_five_seconds() -> None:
    live = [84_213 + i % 2 for i in range(200)]
    assert stuck_at(live + [84_214] * 49, 25.0) is None
    assert stuck_at(live + [84_214] * 60, 25.0) is not None


def test_two_equal_readings_are_as_rare_as_stated() -> None:
    values = noise(25.0, 400_000)
    same = sum(a == b for a, b in itertools.pairwise(values)) / (len(values) - 1)
    assert same == pytest.approx(counts.chance(2, 100.0, 25.0), rel=0.05)
