"""JCGM 101, propagation of distributions: its additive examples, and our budgets against it."""

from math import inf, sqrt

import numpy as np
import pytest

from calibration import budget, montecarlo


def test_9_2_2_four_normal_inputs() -> None:
    """Sum of four normal inputs of u = 1: 95 % interval ± 3.92 (from memory, and 1.96 x 2 in the head)."""
    inputs = dict.fromkeys("abcd", (0.0, 1.0, inf))
    found = montecarlo.propagate(inputs, lambda i: sum(i.values()), trials=1_000_000)
    assert found.sd == pytest.approx(2.0, abs=0.01)
    assert (found.low, found.high) == pytest.approx((-3.92, 3.92), abs=0.02)


def test_6_4_9_few_degrees_of_freedom_are_students_t() -> None:
    """The t distribution of 4 degrees of freedom: 95 % within ± 2.776 u, standard deviation sqrt(2) u."""
    found = montecarlo.propagate({"x": (10.0, 0.1, 4.0)}, lambda i: i["x"], trials=1_000_000)
    assert found.high - 10.0 == pytest.approx(0.2776, abs=0.002)
    assert found.sd == pytest.approx(0.1 * sqrt(2.0), rel=0.01)


def _normal(rng: np.random.Generator, mean: float, sd: float) -> np.ndarray:
    return rng.normal(mean, sd, 1_000_000)


@pytest.mark.parametrize("indicated_kg", [0.02, 0.5, 2.5, 12.0])
def test_drained_budget_is_confirmed(indicated_kg: float) -> None:
    """The model is written here once more, as a balance of forces: the cell carries weight less buoyancy, and was set with
    steel. Trials by numpy. 8.1: the ends of the linear interval within half a unit of the second digit of u."""
    rng = np.random.default_rng(101)
    b = budget.drained(
        indicated_kg=indicated_kg, u_indication_kg=0.001, u_slope_rel=0.0005, u_creep_kg=0.0008,
        density_kg_m3=851.5, density_reference_kg_m3=876.9, u_density_rel=0.001,
        air_density_kg_m3=1.19, u_air_density_kg_m3=0.01,
    )  # fmt: skip
    off, air = _normal(rng, 1.0, 0.001), _normal(rng, 1.19, 0.01)
    carried = _normal(rng, indicated_kg, 0.001) * _normal(rng, 1.0, 0.0005) + _normal(rng, 0.0, 0.0008)
    force = carried * (1.0 - air / 8000.0)  # of steel in air, in units of g
    volume_warm_m3 = force / (851.5 * off - air)
    litres = 1000.0 * volume_warm_m3 * 851.5 / 876.9  # it shrinks by the ratio of the two densities
    low, high = np.quantile(litres, (0.025, 0.975))
    assert b.value == pytest.approx(float(litres.mean()), abs=0.01 * b.u)
    assert b.u == pytest.approx(float(litres.std()), rel=0.004)
    half_digit = 0.05 * 10.0 ** np.floor(np.log10(b.u))
    assert abs(b.value - b.u95 - low) < half_digit
    assert abs(b.value + b.u95 - high) < half_digit


def test_metered_budget_is_confirmed() -> None:
    """Here the true volume is what makes the pulses: V = N / K, shrunk from the fluid's temperature."""
    rng = np.random.default_rng(102)
    b = budget.metered(
        volume_reference_l=2.9,
        u_pulses_l=0.0015,
        u_k_rel=0.0015,
        expansion_per_c=7.4e-4,
        u_temperature_c=0.5,
        u_slip_rel=0.002,
        u_body_rel=0.0005,
        u_expansion_rel=0.0005,
    )
    k_per_l = 402.5
    pulses = _normal(rng, 2.9 * k_per_l, 0.0015 * k_per_l)
    true_k = k_per_l * _normal(rng, 1.0, 0.0015) * _normal(rng, 1.0, 0.002) * _normal(rng, 1.0, 0.0005)
    litres = pulses / true_k / (1.0 + 7.4e-4 * _normal(rng, 0.0, 0.5)) / _normal(rng, 1.0, 0.0005)
    low, high = np.quantile(litres, (0.025, 0.975))
    assert b.u == pytest.approx(float(litres.std()), rel=0.004)
    assert (b.value - b.u95, b.value + b.u95) == pytest.approx((low, high), abs=0.01 * b.u95)


def test_a_model_that_bends_is_not_confirmed() -> None:
    """The check can fail: the square of a variable about zero has no linear part at all."""
    inputs = {"x": (0.1, 1.0, inf)}
    b = budget.propagate("square", "1", inputs, lambda i: i["x"] * i["x"])
    found = montecarlo.propagate(inputs, lambda i: i["x"] * i["x"])
    assert not montecarlo.agrees(b.value, b.u95, found, significant_u=b.u)[0]
