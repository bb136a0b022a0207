"""The drift of a pan at rest: solvent that leaves in proportion to what is left, told before the fill hides it."""

import math
import random
from collections.abc import Callable

import pytest

from station.weighing.limits import LIMITS
from station.weighing.rest import Drift, Rest

NOISE_KG = 1.2e-4
START_S = 300.0
FILL_S = 270.0


def rested(kg: Callable[[float], float], seed: int, until_s: float = START_S) -> Rest:
    rng, rest = random.Random(seed), Rest()
    for i in range(round(until_s)):
        rest = rest.add(float(i), kg(float(i)) + rng.gauss(0.0, 0.4 * NOISE_KG))
    return rest


@pytest.mark.parametrize("fades_s", [1200.0, 4000.0, 8000.0])
@pytest.mark.parametrize("seed", range(5))
def test_what_dries_during_the_fill_is_told_from_what_dried_before_it(fades_s: float, seed: int) -> None:
    def kg(t: float) -> float:
        return 3.0 + 0.3 * math.exp(-t / fades_s)

    drift = rested(kg, seed).drift(START_S, NOISE_KG)
    told, u = (f(START_S, START_S + FILL_S) for f in (drift.gained_kg, drift.u_gained_kg))
    true = kg(START_S + FILL_S) - kg(START_S)
    assert true < -0.009
    assert abs(told - true) < 0.002
    assert abs(told - true) < 2.5 * u


@pytest.mark.parametrize("seed", range(5))
def test_solvent_that_came_until_a_minute_ago_is_left_out_of_the_drift(seed: int) -> None:
    """0.3 kg in bursts of three seconds out of five until a minute before the fill."""
    came_until_s = START_S - 60.0

    def kg(t: float) -> float:
        return 3.0 + 0.0015 * min(t, came_until_s) - 7.5e-5 * max(0.0, t - came_until_s)

    drift = rested(kg, seed).drift(START_S, NOISE_KG)
    assert drift.kg_s == pytest.approx(-7.5e-5, rel=0.05)


def test_a_calm_pan_has_no_drift_but_a_doubt() -> None:
    drift = rested(lambda t: 3.0, 1).drift(START_S, NOISE_KG)
    assert drift.gained_kg(START_S, START_S + FILL_S) == 0.0
    assert 0.0 < drift.u_gained_kg(START_S, START_S + FILL_S) < 0.001


def test_a_drift_never_turns_and_never_grows() -> None:
    """Carried on for two hours, what dries comes to an end; what seems to grow goes on as it was."""
    dying = rested(lambda t: 3.0 + 0.3 * math.exp(-t / 1200.0), 1).drift(START_S, NOISE_KG)
    assert -0.3 < dying.gained_kg(START_S, START_S + 7200.0) < -0.1
    growing = Drift(0.0, -1e-5, -1e-8)
    assert growing.rate_kg_s(600.0) == -1e-5
    assert growing.gained_kg(0.0, 600.0) == pytest.approx(-6e-3)


def test_too_few_blocks_tell_no_drift_and_memory_is_bounded() -> None:
    short = rested(lambda t: 3.0 - 1e-4 * t, 1, until_s=5.0 * (LIMITS.least_blocks - 1))
    assert short.drift(20.0, NOISE_KG) == Drift(20.0)
    assert short.drift(20.0, NOISE_KG, wet=True).u_gained_kg(20.0, 120.0) > 0.004
    assert len(rested(lambda t: 3.0, 1, until_s=3600.0).blocks) == LIMITS.rest_blocks
