"""Beyond what a meter was proved for its doubt grows, and the report says so."""

from dataclasses import replace

import pytest

from calibration.meter import MeterCurve
from station.core.state import BayState
from station.figures import balance
from station.figures.metered import proved_here, u_slip_rel
from station.given.lines import MeterLine
from tests.station.figures.test_constants import OIL, THIN, spec, state

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
    told = balance.report(with_curve(state(fresh=THIN, supply_c=38.0)))["notices"]
    assert [n["kind"] for n in told] == ["meter_not_proved_here"]
    assert balance.report(with_curve(state()))["notices"] == []


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
