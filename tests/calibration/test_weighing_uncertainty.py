from math import hypot, inf

import pytest

from calibration import budget
from calibration import procedures as p
from calibration.loadcell import fit
from calibration.weighing_classes import Findings
from calibration.weighing_uncertainty import weighing_uncertainty

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
    assert only_scatter.dof_slope == pytest.approx(3.0)
    assert only_scatter.dof_indication == inf
    assert found.dof_slope > 3.0


def test_what_was_not_examined_adds_nothing() -> None:
    found = weighing_uncertainty(FIT, Findings(4.0, ()))
    assert (found.u_indication_kg, found.u_creep_kg) == (0.0, 0.0)
    assert found.u_slope_rel == FIT.u_slope_rel


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
