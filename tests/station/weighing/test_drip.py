"""The drip's curve, against films that know nothing of it."""

import math
import random
from collections.abc import Callable

import pytest

from station.weighing import drip
from station.weighing.limits import LIMITS

NOISE_KG = 1.2e-4


def fed(kg: Callable[[float], float], until_s: float, seed: int = 1) -> drip.DripFit:
    rng, fit = random.Random(seed), drip.start(0.0)
    for i in range(round(until_s / 0.5)):
        fit = drip.add(fit, i * 0.5, kg(i * 0.5) + rng.gauss(0.0, NOISE_KG / 3))
    return fit


@pytest.mark.parametrize("origin_s", [0.0, 40.0, 120.0])
@pytest.mark.parametrize("seed", range(5))
def test_one_wall_is_told_at_three_minutes_whenever_its_clock_began(origin_s: float, seed: int) -> None:
    def kg(t: float) -> float:
        return 2.5 - 0.4 / math.sqrt(t + origin_s + 5.0)

    told = drip.forecast(fed(kg, 180.0, seed), 180.0, NOISE_KG, 0.005)
    came = kg(180.0 + LIMITS.horizon_s) - kg(180.0)
    assert told is not None
    assert abs(told.still_to_come_kg - came) < max(0.15 * came, 0.009)
    assert abs(told.still_to_come_kg - came) < 2.5 * told.u_kg


def test_three_walls_that_cool_are_told_within_the_goal() -> None:
    """Heights 8, 16 and 24 cm; viscosity doubles in half an hour, so that each film's clock slows down."""

    def kg(t: float) -> float:
        clock = 1800.0 / math.log(2.0) * (1.0 - 0.5 ** (t / 1800.0))
        return 2.5 - sum(a / math.sqrt(clock + o) for a, o in ((0.1, 30.0), (0.2, 50.0), (0.2, 80.0)))

    told = drip.forecast(fed(kg, 180.0), 180.0, NOISE_KG, 0.005)
    came = kg(180.0 + LIMITS.horizon_s) - kg(180.0)
    assert told is not None
    assert abs(told.still_to_come_kg - came) < max(0.15 * came, 0.009)


def test_waiting_ends_when_the_next_half_hour_is_not_worth_it() -> None:
    def kg(t: float) -> float:
        return 2.5 - 0.4 / math.sqrt(t + 20.0)

    told = drip.forecast(fed(kg, 120.0), 120.0, NOISE_KG, 0.009)
    assert told is not None
    assert told.wait_s > 0
    age_s = 120.0 + told.wait_s
    assert kg(age_s + LIMITS.horizon_s) - kg(age_s) == pytest.approx(0.009, rel=0.15)
    late = drip.forecast(fed(kg, age_s + 300.0), age_s + 300.0, NOISE_KG, 0.009)
    assert late is not None
    assert late.wait_s == 0.0


def test_a_dry_axle_has_nothing_to_come() -> None:
    told = drip.forecast(fed(lambda t: 2.5, 180.0), 180.0, NOISE_KG, 0.005)
    assert told is not None
    assert told.still_to_come_kg < 0.001


def test_a_drip_alone_is_explained_and_solvent_is_not() -> None:
    def kg(t: float, solvent_at_s: float = math.inf) -> float:
        return 2.5 - 0.4 / math.sqrt(t + 20.0) + 0.004 * max(0.0, t - solvent_at_s)

    fit = drip.start(0.0)
    for i in range(1200):
        fit = drip.add(fit, i * 0.5, kg(i * 0.5))
        assert drip.unexplained(fit, NOISE_KG) is None
    fit = drip.start(0.0)
    for i in range(600):
        fit = drip.add(fit, i * 0.5, kg(i * 0.5, 200.0))
        last = drip.unexplained(fit, NOISE_KG)
        if last is not None:
            break
    assert last is not None
    assert last[0] == pytest.approx(200.0, abs=2.5)
    assert last[1] == pytest.approx(kg(last[0]), abs=0.001)
    assert i * 0.5 < 209.0  # it may be a gulp for as long as a gulp lasts


def test_a_step_that_was_taken_out_badly_does_not_bend_the_curve() -> None:
    def kg(t: float) -> float:
        return 2.5 - 0.4 / math.sqrt(t + 40.0)

    whole = fed(kg, 180.0)
    fit, rng = drip.start(0.0), random.Random(1)
    for i in range(360):
        t_s = i * 0.5
        if t_s == 120.0:
            fit = drip.break_off(fit, 118.0, 120.0)
        off_kg = 0.012 if t_s >= 119.0 else 0.0  # what the step was wrong by
        fit = drip.add(fit, t_s, kg(t_s) + off_kg + rng.gauss(0.0, NOISE_KG / 3))
    broken, plain = (drip.forecast(f, 180.0, NOISE_KG, 0.005) for f in (fit, whole))
    assert broken is not None
    assert plain is not None
    assert broken.still_to_come_kg == pytest.approx(plain.still_to_come_kg, rel=0.15)
