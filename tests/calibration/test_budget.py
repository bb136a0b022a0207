import json
import math
from math import inf
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import budget
from calibration.buoyancy import mass_from_indication

WEIGHED: dict[str, Any] = {
    "indicated_kg": 2.5, "u_indication_kg": 0.001, "u_slope_rel": 0.0005, "u_creep_kg": 0.0008,
    "density_kg_m3": 851.5, "density_reference_kg_m3": 876.9, "u_density_rel": 0.001, "air_density_kg_m3": 1.19,
}  # fmt: skip
METERED: dict[str, Any] = {
    "volume_reference_l": 2.9, "u_pulses_l": 0.0015, "u_k_rel": 0.0015, "expansion_per_c": 7.4e-4,
    "u_temperature_c": 0.5,
}  # fmt: skip


def parts(b: budget.Budget) -> dict[str, float]:
    return {t.name: t.u for t in b.terms}


def test_drained_value_is_the_contracts_chain() -> None:
    mass = mass_from_indication(2.5, 851.5, 1.19)
    assert budget.drained(**WEIGHED).value == pytest.approx(mass / 876.9 * 1000.0, rel=1e-15)


def test_drained_terms_are_sensitivity_times_uncertainty() -> None:
    b = budget.drained(**WEIGHED)
    per_kg = b.value / 2.5
    found = parts(b)
    assert found["indication"] == pytest.approx(per_kg * 0.001, rel=1e-9)
    assert found["scale slope"] == pytest.approx(b.value * 0.0005, rel=1e-9)
    assert found["creep and drift"] == pytest.approx(per_kg * 0.0008, rel=1e-9)
    # V goes with 1/density, and a little less through buoyancy
    assert found["fluid density"] == pytest.approx(b.value * 0.001, rel=2e-3)
    assert found["air density"] == pytest.approx(b.value * 0.01 * (1 / 851.5 - 1 / 8000.0), rel=2e-3)


def test_metered_terms() -> None:
    b = budget.metered(**METERED, u_slip_rel=0.002, u_body_rel=0.001, u_expansion_rel=0.0005, dof_k=4)
    assert b.value == 2.9
    assert parts(b) == {
        "K-factor": pytest.approx(2.9 * 0.0015),
        "pulse count": pytest.approx(0.0015),
        "slip": pytest.approx(2.9 * 0.002),
        "meter body": pytest.approx(2.9 * 0.001),
        "fluid expansion": pytest.approx(2.9 * 0.0005),
        "fluid temperature": pytest.approx(2.9 * 7.4e-4 * 0.5),
    }
    assert {t.name for t in b.terms if t.dof == 4} == {"K-factor"}


def test_what_a_cell_does_by_itself_is_in_grams_of_the_result() -> None:
    b = budget.drained(**WEIGHED, u_linearity_kg=0.002, u_cell_temperature_kg=0.0012, u_wander_kg=0.0004)
    per_kg = b.value / 2.5
    found = parts(b)
    assert found["nonlinearity"] == pytest.approx(per_kg * 0.002, rel=1e-9)
    assert found["cell temperature"] == pytest.approx(per_kg * 0.0012, rel=1e-9)
    assert found["zero wander"] == pytest.approx(per_kg * 0.0004, rel=1e-9)


def test_expanded_is_the_coverage_that_a_budget_states() -> None:
    """Student's t for 95 %: 2.776 at 4, 2.228 at 10 degrees of freedom (JCGM 100, table G.2)."""
    assert budget.expanded(1.0, 4.0) == pytest.approx(2.78, abs=0.005)
    assert budget.expanded(1.0, 10.0) == pytest.approx(2.23, abs=0.005)
    assert budget.expanded(1.0) == pytest.approx(1.96, abs=1e-4)
    b = budget.metered(**METERED, dof_k=4)
    assert budget.expanded(b.u, b.dof) == pytest.approx(b.u95, rel=1e-12)


def test_filled_is_the_difference_with_every_term_of_both() -> None:
    m = budget.metered(**METERED, dof_k=4)
    o = budget.drained(**{**WEIGHED, "indicated_kg": 0.1}, quantity="overflow")
    f = budget.filled(m, o)
    assert f.value == pytest.approx(m.value - o.value, rel=1e-15)
    assert f.u == pytest.approx(math.hypot(m.u, o.u), rel=1e-12)
    assert len(f.terms) == len(m.terms) + len(o.terms)
    assert parts(f)["metered: K-factor"] == pytest.approx(parts(m)["K-factor"])
    assert parts(f)["overflow: indication"] == pytest.approx(parts(o)["indication"])


def test_degrees_of_freedom_follow_welch_and_satterthwaite() -> None:
    b = budget.metered(**METERED, dof_k=4)
    by_hand = b.u**4 / (parts(b)["K-factor"] ** 4 / 4)
    assert b.dof == pytest.approx(by_hand, rel=1e-9)
    assert b.coverage_factor > 2.3  # few degrees of freedom must cost coverage
    assert budget.metered(**METERED).coverage_factor == pytest.approx(1.959964, abs=1e-6)
    f = budget.filled(b, budget.drained(**WEIGHED, quantity="overflow"))
    assert f.dof == pytest.approx(f.u**4 / (parts(b)["K-factor"] ** 4 / 4), rel=1e-9)


@given(
    st.floats(0.0, 50.0), st.floats(0.0, 0.1), st.floats(0.0, 0.01), st.floats(0.0, 0.1), st.floats(0.0, 0.02)
)  # fmt: skip
def test_shares_add_up_and_u_is_the_root_of_squares(
    w: float, ui: float, us: float, uc: float, ud: float
) -> None:
    b = budget.drained(
        indicated_kg=w, u_indication_kg=ui, u_slope_rel=us, u_creep_kg=uc, u_density_rel=ud,
        density_kg_m3=851.5, density_reference_kg_m3=876.9, air_density_kg_m3=1.19, u_air_density_kg_m3=0.01,
    )  # fmt: skip
    assert b.u == pytest.approx(math.sqrt(sum(t.u**2 for t in b.terms)), rel=1e-12)
    assert sum(t.share for t in b.terms) == pytest.approx(1.0 if b.u > 0.0 else 0.0, abs=1e-12)
    assert [t.u for t in b.terms] == sorted((t.u for t in b.terms), reverse=True)


def test_an_empty_pan_still_has_a_budget() -> None:
    b = budget.drained(**{**WEIGHED, "indicated_kg": 0.0})
    assert b.value == 0.0
    assert {t.name for t in b.terms if t.u > 0.0} == {"indication", "creep and drift"}


def test_no_uncertainty_at_all_is_zero_not_an_error() -> None:
    b = budget.metered(
        volume_reference_l=2.0, u_pulses_l=0.0, u_k_rel=0.0, expansion_per_c=0.0, u_temperature_c=0.0
    )
    assert (b.value, b.u, b.u95, b.dof) == (2.0, 0.0, 0.0, inf)
    assert all(t.share == 0.0 for t in b.terms)
    assert budget.filled(b, b).u95 == 0.0


def test_a_budget_is_data_that_json_can_carry() -> None:
    b = budget.metered(**METERED, dof_k=4)
    data = json.loads(json.dumps(b.to_dict(), allow_nan=False))
    assert data["u95"] == b.u95
    assert {t["name"]: t["dof"] for t in data["terms"]}["pulse count"] is None
    assert budget.Budget.from_dict(data) == b
    assert budget.Budget.from_dict(budget.drained(**WEIGHED).to_dict()) == budget.drained(**WEIGHED)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"u_indication_kg": -0.001}, "drained: input 'indication' is 2.5 with u -0.001"),
        ({"u_density_rel": float("nan")}, "drained: input 'fluid density' is 1.0 with u nan"),
        ({"indicated_kg": inf}, "drained: input 'indication' is inf"),
        ({"density_kg_m3": 0.0}, "drained: density is 0.0 kg/m³, expected a positive number"),
        ({"dof_slope": 0.0}, "0.0 degrees of freedom, expected"),
    ],
)
def test_impossible_inputs_are_refused_by_name(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        budget.drained(**{**WEIGHED, **wrong})
