"""Beyond what a meter was proved for its doubt grows, and the report says so."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.meter import MeterCurve
from station.core.state import BayState
from station.figures import balance
from station.figures.metered import proved_here, u_slip_rel
from station.given.lines import MeterLine
from tests.station.figures.test_constants import OIL, PAN, THIN, spec, state

CURVE = MeterCurve((400.0, -60.0, 0.0), u_common_rel=0.001, flow_l_min=(1.0, 4.0), kv_mm2_s=(100.0, 400.0))


def with_curve(one: BayState) -> BayState:
    return replace(one, spec=replace(one.spec, meter=MeterLine(400.0, 0.0015, curve=CURVE)))


def test_beyond_the_proved_range_the_doubt_grows_and_is_told() -> None:
    inside = replace(spec(), meter=MeterLine(400.0, 0.0015, curve=CURVE))
    beyond = replace(spec(THIN), meter=MeterLine(400.0, 0.0015, curve=CURVE))
    assert proved_here(inside, 30.0, 2.0)
    assert not proved_here(beyond, 38.0, 2.0)
    assert not proved_here(inside, 30.0, 8.0)
    assert u_slip_rel(beyond, 38.0, 2.0) > 5 * u_slip_rel(inside, 30.0, 2.0)
    assert u_slip_rel(inside, 30.0, 8.0) > u_slip_rel(inside, 30.0, 4.0)
    told = balance.report(with_curve(state(fresh=THIN, supply_c=38.0))).to_dict()["notices"]
    assert [n["kind"] for n in told] == ["meter_not_proved_here"]
    assert balance.report(with_curve(state())).to_dict()["notices"] == []


@pytest.mark.parametrize("supply_c", [2.0, 20.0, 38.0])
@pytest.mark.parametrize("fluid", [OIL, THIN])
def test_leaving_out_viscosity_or_temperature_never_narrows(
    fluid: dict[str, object], supply_c: float
) -> None:
    known = spec(fluid)
    unknown = spec({k: v for k, v in fluid.items() if not k.startswith("kv")})
    assert u_slip_rel(unknown, supply_c, None) >= u_slip_rel(known, supply_c, None)
    assert u_slip_rel(known, None, None) >= u_slip_rel(known, known.reference_temperature_c, None)
    assert u_slip_rel(unknown, None, None) >= u_slip_rel(known, None, None)


AGES = st.floats(0.0, 3650.0)


@given(AGES, AGES, AGES, AGES, st.floats(2.0, 50.0))
def test_an_older_certificate_never_narrows_a_figure(
    pan: float, pan_more: float, meter: float, more: float, dof: float
) -> None:
    """Of few readings too: U95 is by their degrees of freedom, which a part that is known without end adds to by Welch and
    Satterthwaite's formula: that may take some hundred-thousandths back."""
    young, old = aged(pan, meter, dof), aged(pan + pan_more, meter + more, dof)
    for name in ("drained", "overflow", "metered", "filled"):
        assert getattr(old, name).u95 >= getattr(young, name).u95 * (1.0 - 1e-4)
        assert getattr(old, name).value == getattr(young, name).value


def aged(pan_days: float, meter_days: float, dof: float) -> balance.Figures:
    one = state(over_kg=0.03, pan=replace(PAN, age_days=pan_days, dof_slope=dof))
    meter = replace(one.spec.meter, age_days=meter_days, dof=dof)
    return balance.figures(replace(one, spec=replace(one.spec, meter=meter)))


def test_two_years_widen_a_budget_by_twice_the_drift_of_one() -> None:
    """0.2 % of the metered volume, 0.06 % of the drained one; nothing on the day of the certificate."""
    new, old = aged(0.0, 0.0, math.inf), aged(730.5, 730.5, math.inf)
    for name, term, rel in (("metered", "K-factor", 0.002), ("drained", "scale slope", 0.0006)):
        told = [{t.name: t.u for t in getattr(f, name).terms}[term] for f in (new, old)]
        grown_l = math.sqrt(told[1] ** 2 - told[0] ** 2)
        assert grown_l == pytest.approx(rel * getattr(new, name).value, rel=1e-3)
    assert aged(0.0, 0.0, math.inf).metered == balance.figures(state(over_kg=0.03)).metered
