from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import density
from calibration.density import density_lubricant
from calibration.fluid import ORIGIN_U_REL, ORIGINS, UNKNOWN_LEAST_REL, Fluid
from calibration.viscosity import kinematic_viscosity
from calibration.water import water_density

OIL = {"kind": "lubricant", "density_15_kg_m3": 885.0, "kv40_mm2_s": 120.0, "kv100_mm2_s": 14.5}
LINEAR = {"kind": "linear", "density_kg_m3": 1055.0, "at_c": 20.0, "expansion_per_c": 0.00085}
TABLE = {
    "kind": "tabulated",
    "temperatures_c": [0.0, 20.0, 60.0],
    "densities_kg_m3": [1075.0, 1065.0, 1040.0],
}


def test_lubricant_is_api_mpms() -> None:
    oil = Fluid.from_table(OIL)
    for t in (-30.0, 15.0, 61.3, 120.0):
        assert oil.density_kg_m3(t) == pytest.approx(density_lubricant(885.0, t), rel=1e-15)
        assert oil.viscosity_mm2_s(t) == kinematic_viscosity(120.0, 14.5, t)
    assert oil.density_kg_m3(15.0) == pytest.approx(885.0, rel=1e-14)
    assert oil.density_reference_kg_m3(20.0) == oil.density_kg_m3(20.0)


def test_water() -> None:
    w = Fluid.from_table({"kind": "water"})
    assert w.density_kg_m3(20.0) == water_density(20.0)
    assert w.viscosity_mm2_s(20.0) == pytest.approx(1.0034, abs=1e-4)
    assert w.u_density_rel < ORIGIN_U_REL["measured"]


def test_linear_is_exact_at_its_point_and_expands_by_its_coefficient() -> None:
    f = Fluid.from_table(LINEAR)
    assert f.density_kg_m3(20.0) == 1055.0
    volume = 1055.0 / f.density_kg_m3(30.0)
    assert volume == pytest.approx(1.0 + 0.00085 * 10.0, rel=1e-15)
    assert f.expansion_at_per_c(20.0) == pytest.approx(0.00085, rel=1e-4)
    assert f.viscosity_mm2_s(20.0) is None


def test_tabulated_joins_its_points_by_straight_lines() -> None:
    f = Fluid.from_table({**TABLE, "viscosities_mm2_s": [7.4, 3.5, 1.3]})
    assert [f.density_kg_m3(t) for t in (0.0, 20.0, 60.0)] == [1075.0, 1065.0, 1040.0]
    assert f.density_kg_m3(10.0) == 1070.0
    assert f.density_kg_m3(50.0) == pytest.approx(1046.25)
    assert f.viscosity_mm2_s(10.0) == pytest.approx((7.4 * 3.5) ** 0.5)  # straight in the logarithm
    assert f.viscosity_mm2_s(60.0) == pytest.approx(1.3)


def test_expansion_of_oil_is_the_slope_of_its_density() -> None:
    oil = Fluid.from_table(OIL)
    assert oil.expansion_at_per_c(20.0) == pytest.approx(7.13e-4, rel=5e-3)
    step = 1e-3
    slope = (oil.density_kg_m3(60.0 - step) - oil.density_kg_m3(60.0 + step)) / (2 * step)
    assert oil.expansion_at_per_c(60.0) == pytest.approx(slope / oil.density_kg_m3(60.0), rel=1e-6)


@pytest.mark.parametrize(
    ("table", "ends"), [(OIL, (-50, 150)), ({"kind": "water"}, (0, 40)), (TABLE, (0, 60))]
)
def test_ends_of_the_range_work_and_beyond_is_refused(
    table: dict[str, Any], ends: tuple[float, float]
) -> None:
    f = Fluid.from_table(table)
    assert f.range_c == ends
    for end, outward in zip(ends, (-0.1, 0.1), strict=True):
        assert f.density_kg_m3(float(end)) > 0.0
        f.expansion_at_per_c(float(end))
        for call in (f.density_kg_m3, f.expansion_at_per_c):
            with pytest.raises(ValueError, match="outside the range"):
                call(end + outward)


def test_a_linear_fluids_own_limits_are_kept() -> None:
    f = Fluid.from_table({**LINEAR, "valid_c": [-40.0, 80.0], "name": "brake fluid"})
    with pytest.raises(ValueError, match="temperature of brake fluid is 81 °C, outside the range −40 to 80"):
        f.density_kg_m3(81.0)


def test_uncertainty_of_the_density() -> None:
    assert Fluid.from_table(OIL).u_density_rel == ORIGIN_U_REL["unknown"]
    assert Fluid.from_table({**OIL, "u_density_kg_m3": 0.5}).u_density_rel == pytest.approx(0.5 / 885.0)
    assert Fluid.from_table({**TABLE, "u_density_kg_m3": 5.0}).u_density_rel == pytest.approx(5.0 / 1075.0)
    assert Fluid.from_table({"kind": "water", "u_density_kg_m3": 0.1}).u_density_rel == pytest.approx(1e-4)


@given(
    st.floats(802.0, 1160.0), st.floats(3.0, 60.0), st.floats(1.5, 15.0), st.floats(0.01, 50.0), st.text(max_size=20)
)  # fmt: skip
def test_lubricant_table_round_trips(r15: float, kv100: float, ratio: float, u: float, name: str) -> None:
    table = {
        "kind": "lubricant", "name": name, "grade": "75W-90", "density_15_kg_m3": r15, "kv40_mm2_s": kv100 * ratio,
        "kv100_mm2_s": kv100, "u_density_kg_m3": u,
    }  # fmt: skip
    fluid = Fluid.from_table(table)
    assert fluid.to_table() == table
    assert Fluid.from_table(fluid.to_table()) == fluid


@pytest.mark.parametrize("table", [LINEAR, TABLE, {"kind": "water"}, {**LINEAR, "valid_c": [-40.0, 80.0]}])
def test_other_tables_round_trip(table: dict[str, Any]) -> None:
    assert Fluid.from_table(table).to_table() == table


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "key 'kind' is missing"),
        ({"kind": "oil"}, "key 'kind' is 'oil', expected one of lubricant, water, linear, tabulated"),
        ({"kind": "lubricant"}, "key 'density_15_kg_m3' is missing; a fluid of kind 'lubricant' needs it"),
        ({**OIL, "densty": 1.0}, "key 'densty' is not known, expected some of"),
        ({**OIL, "at_c": 20.0}, "key 'at_c' does not belong to a fluid of kind 'lubricant'"),
        ({**OIL, "density_15_kg_m3": "885"}, "key 'density_15_kg_m3' is '885', expected a number"),
        ({**OIL, "density_15_kg_m3": True}, "key 'density_15_kg_m3' is True, expected a number"),
        ({**OIL, "density_15_kg_m3": float("nan")}, "key 'density_15_kg_m3' is nan"),
        ({**OIL, "density_15_kg_m3": 0.885}, "density at 15 °C is 0.885 kg/m³, outside"),
        ({k: v for k, v in OIL.items() if k != "kv100_mm2_s"}, "belong together. Give both or neither"),
        ({**OIL, "kv40_mm2_s": 10.0}, "oils thin as they warm"),
        ({**OIL, "u_density_kg_m3": 0.0}, "'u_density_kg_m3' is 0 kg/m³, outside"),
        ({**OIL, "name": 5}, "key 'name' is 5, expected text"),
        ({**LINEAR, "expansion_per_c": 0.85}, "'expansion_per_c' is 0.85 1/°C, outside"),
        ({**LINEAR, "valid_c": [80.0, -40.0]}, r"'valid_c' is .* expected \[lowest, highest\]"),
        ({**LINEAR, "valid_c": 80.0}, "key 'valid_c' is 80.0, expected a list of numbers"),
        ({**TABLE, "temperatures_c": [0.0, 60.0, 20.0]}, "'temperatures_c' is .* values that rise"),
        ({**TABLE, "densities_kg_m3": [1075.0]}, "'densities_kg_m3' has 1 values, expected 3"),
        ({**TABLE, "densities_kg_m3": [1.075, 1.065, 1.04]}, "'densities_kg_m3' is 1.075 kg/m³, outside"),
        ({**TABLE, "viscosities_mm2_s": [3.0, 2.0, -1.0]}, "'viscosities_mm2_s' is −1 mm²/s, outside"),
    ],
)
def test_a_wrong_table_is_refused_by_its_key(table: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Fluid.from_table(table)


def test_density_call_does_not_solve_the_base_again(monkeypatch: pytest.MonkeyPatch) -> None:
    oil = Fluid.from_table(OIL)
    monkeypatch.setattr(density, "_solve_60f", None)  # calling it would be an error
    assert oil.density_kg_m3(61.3) < oil.density_kg_m3(20.0)
    with pytest.raises(TypeError):
        Fluid.from_table(OIL)


def test_the_less_is_known_of_a_density_the_more_it_is_doubted() -> None:
    doubts = [Fluid.from_table({**OIL, "density_origin": origin}).u_density_rel for origin in ORIGINS]
    assert doubts == sorted(doubts)
    assert Fluid.from_table(OIL).u_density_rel >= max(doubts)  # an origin left out is an origin unknown


def test_a_typed_doubt_counts_but_not_beside_an_unknown_origin() -> None:
    sure = {**OIL, "u_density_kg_m3": 0.4}
    assert Fluid.from_table({**sure, "density_origin": "measured"}).u_density_rel == pytest.approx(
        0.4 / 885.0
    )
    assert Fluid.from_table({**sure, "density_origin": "unknown"}).u_density_rel == UNKNOWN_LEAST_REL


def test_used_oils_of_the_open_library_lie_within_what_an_unknown_density_is_given() -> None:
    """New and used oil, kg/m³ at 15 and 0 °C: records AD00697/AD00696, AD02220/AD02221, AD02223/AD02224 of the oil library
    in adios-db 1.2.7 (data/OilLib.txt, NOAA, CC0); the values are printed there to 1 kg/m³."""
    pairs = [(877.0, 885.0), (873.0, 875.0), (883.0, 884.0), (873.0, 874.0), (882.0, 883.0)]
    apart = [abs(used / new - 1.0) for new, used in pairs]
    assert max(apart) == pytest.approx(0.0091, abs=0.0002)
    assert 1.96 * ORIGIN_U_REL["unknown"] > max(apart)
    assert max(apart) > 1.96 * 0.001  # what every density was once taken to be good to
