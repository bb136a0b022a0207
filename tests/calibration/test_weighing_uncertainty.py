from dataclasses import replace
from math import hypot, inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import budget
from calibration import procedures as p
from calibration import weighing_uncertainty as wu
from calibration.loadcell import fit
from calibration.weighing_classes import Findings
from calibration.weighing_uncertainty import WeighingUncertainty, weighing_uncertainty

FIT = fit([0, 100, 200, 300, 401], [0.0, 1.0, 2.0, 3.0, 4.0], u_reference_rel=1e-4)
ALL = Findings(
    max_kg=4.0,
    errors_kg=((0.0, 0.0),),
    hysteresis=p.hysteresis([2.0], [2.0], [2.002]),
    repeatability=p.repeatability([2.0, 2.001, 1.999, 2.0]),
    corner_load=p.corner_load(1.0, dict(zip("abcd", (1.002, 1.0, 1.0, 1.0), strict=True))),
    creep=p.Creep(4.0, 0.003, 0.001, 0.0017),
    zero_return=p.ZeroReturn(0.001, 0.0006),
)


def test_parts_are_combined_in_squares() -> None:
    found = weighing_uncertainty(FIT, ALL)
    assert ALL.repeatability is not None
    assert ALL.hysteresis is not None
    assert ALL.corner_load is not None
    assert found.u_indication_kg == pytest.approx(hypot(ALL.repeatability.sd_kg, ALL.hysteresis.u_kg))
    assert found.u_slope_rel == pytest.approx(hypot(FIT.u_slope_rel, ALL.corner_load.u_rel))
    assert found.u_creep_kg == pytest.approx(hypot(0.0017, 0.0006))


def test_degrees_of_freedom_belong_to_the_scatter_alone() -> None:
    found = weighing_uncertainty(FIT, ALL)
    assert ALL.repeatability is not None
    assert found.dof_indication == pytest.approx(3 * (found.u_indication_kg / ALL.repeatability.sd_kg) ** 4)
    only_scatter = weighing_uncertainty(
        fit([0, 100, 200, 300, 401], [0.0, 1.0, 2.0, 3.0, 4.0]), Findings(4.0, ())
    )
    scatter = fit([0, 100, 200, 300, 401], [0.0, 1.0, 2.0, 3.0, 4.0])
    assert only_scatter.dof_slope == pytest.approx(
        3.0 * (only_scatter.u_slope_rel / scatter.u_slope_rel) ** 4
    )
    assert only_scatter.dof_indication == inf
    assert found.dof_slope > 3.0


SPAN_KG = 4.0
USUAL = st.fixed_dictionaries(
    {
        "hysteresis": st.floats(0.0, 1.0).map(
            lambda x: p.Hysteresis(0.0, 2.0, x * wu.BRANCHES_REL * 0.99 * SPAN_KG)
        ),
        "repeatability": st.floats(0.0, 1.0).map(
            lambda x: p.Repeatability(5, 2.0, x * wu.REPEATS_REL * 0.99 * SPAN_KG, 0.0)
        ),
        "corner_load": st.floats(0.0, 1.0).map(lambda x: p.CornerLoad(1.0, (), 0.0, x * wu.CORNERS_REL)),
        "creep": st.floats(0.0, 1.0).map(
            lambda x: p.Creep(4.0, 0.0, 0.0, x * wu.CREEPS_REL * 0.99 * SPAN_KG)
        ),
        "zero_return": st.floats(0.0, 1.0).map(
            lambda x: p.ZeroReturn(0.0, x * wu.RETURNS_REL * 0.99 * SPAN_KG)
        ),
        "temperature_effect": st.floats(0.0, 1.0).map(
            lambda x: p.TemperatureEffect(x * wu.ZERO_REL_PER_C * 0.99 * SPAN_KG, 0.0, 3, 15.0, 25.0)
        ),
    }
)


@given(USUAL, st.sets(st.sampled_from(sorted(wu.EXAMINED))))
def test_leaving_a_procedure_out_never_narrows_a_pan_that_is_as_pans_usually_are(
    done: dict[str, object], left_out: set[str]
) -> None:
    some = {name: None if name in left_out else found for name, found in done.items()}
    whole = weighing_uncertainty(FIT, Findings(4.0, (), **done))  # type: ignore[arg-type]
    less = weighing_uncertainty(FIT, Findings(4.0, (), **some))  # type: ignore[arg-type]
    for name in ("u_indication_kg", "u_slope_rel", "u_creep_kg", "u_linearity_kg", "u_kg_per_c"):
        assert getattr(less, name) >= getattr(whole, name)


def test_a_pan_with_nothing_examined_is_doubted_more_than_one_with_all_done() -> None:
    found, none = weighing_uncertainty(FIT, ALL), weighing_uncertainty(FIT, Findings(4.0, ()))

    def u_kg(w: WeighingUncertainty) -> float:
        return hypot(w.u_indication_kg, w.u_creep_kg, 2.5 * w.u_slope_rel, 3.0 * w.u_kg_per_c)

    assert u_kg(none) > 0.5 * u_kg(found)  # ALL's creep is far above the usual
    usual = weighing_uncertainty(FIT, replace(ALL, creep=p.Creep(4.0, 0.0003, 0.0001, 0.0002)))
    assert u_kg(none) > u_kg(usual)


def test_what_the_line_misses_at_its_own_masses_is_the_doubt_between_them() -> None:
    assert weighing_uncertainty(FIT, ALL).u_linearity_kg == FIT.residual_sd_kg > 0.0


def test_the_terms_reach_a_budget() -> None:
    found = weighing_uncertainty(FIT, ALL)
    b = budget.drained(
        indicated_kg=2.0,
        u_indication_kg=found.u_indication_kg,
        u_slope_rel=found.u_slope_rel,
        u_creep_kg=found.u_creep_kg,
        density_kg_m3=851.5,
        density_reference_kg_m3=876.9,
        u_density_rel=0.0,
        air_density_kg_m3=1.19,
        u_air_density_kg_m3=0.0,
        dof_indication=found.dof_indication,
        dof_slope=found.dof_slope,
    )
    u = hypot(found.u_indication_kg, 2.0 * found.u_slope_rel, found.u_creep_kg)
    assert b.u / b.value == pytest.approx(u / 2.0, rel=1e-9)
    assert b.dof < inf
