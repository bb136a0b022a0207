"""JCGM 101, propagation of distributions: its additive examples, and our budgets against it."""

from math import inf, sqrt
from typing import Any

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


@pytest.mark.parametrize("indicated_kg", [0.02, 0.5, 2.5, 12.0])
def test_drained_budget_is_confirmed(indicated_kg: float) -> None:
    """8.1: the ends of the linear interval within half a unit of the second digit of u."""
    numbers: dict[str, Any] = {
        "indicated_kg": indicated_kg, "u_indication_kg": 0.001, "u_slope_rel": 0.0005, "u_creep_kg": 0.0008,
        "u_density_rel": 0.001, "air_density_kg_m3": 1.19, "u_air_density_kg_m3": 0.01,
    }  # fmt: skip
    b = budget.drained(**numbers, density_kg_m3=851.5, density_reference_kg_m3=876.9)
    model = budget.weighed_model(851.5, 876.9)
    found = montecarlo.propagate(budget.weighed_inputs(**numbers), model, trials=1_000_000)
    assert b.value == pytest.approx(found.mean, abs=0.01 * b.u)
    assert b.u == pytest.approx(found.sd, rel=0.005)
    agreement, ratio = montecarlo.agrees(b.value, b.u95, found, significant_u=b.u)
    assert agreement, f"ends differ by {ratio:.2f} of the tolerance"


def test_metered_budget_is_confirmed() -> None:
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
    inputs = {
        "pulse count": (0.0, 0.0015, inf), "K-factor": (1.0, 0.0015, inf), "fluid temperature": (0.0, 0.5, inf),
        "slip": (1.0, 0.002, inf), "meter body": (1.0, 0.0005, inf), "fluid expansion": (1.0, 0.0005, inf),
    }  # fmt: skip
    found = montecarlo.propagate(inputs, budget.metered_model(2.9, 7.4e-4), trials=1_000_000)
    assert b.u == pytest.approx(found.sd, rel=0.005)
    assert montecarlo.agrees(b.value, b.u95, found, significant_u=b.u)[0]


def test_a_model_that_bends_is_not_confirmed() -> None:
    """The check can fail: the square of a variable about zero has no linear part at all."""
    inputs = {"x": (0.1, 1.0, inf)}
    b = budget.propagate("square", "1", inputs, lambda i: i["x"] * i["x"])
    found = montecarlo.propagate(inputs, lambda i: i["x"] * i["x"])
    assert not montecarlo.agrees(b.value, b.u95, found, significant_u=b.u)[0]
