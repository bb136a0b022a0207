import pytest

from calibration import reference_data as r
from calibration.fluid import Fluid
from calibration.grades import doubt_about_grade
from calibration.viscosity_index import doubt_about_viscosities


@pytest.mark.parametrize("name", r.fluid_names())
def test_every_fluid_is_usable_and_every_value_has_its_source(name: str) -> None:
    fluid = r.fluid(name)
    assert fluid.density_kg_m3(20.0) > 800.0
    values = set(fluid.to_table()) - {"kind", "name", "grade"}
    assert set(r.fluid_sources(name)) == values
    assert all(len(text) > 10 for text in r.fluid_sources(name).values())
    assert Fluid.from_table(fluid.to_table()) == fluid


@pytest.mark.parametrize("name", r.fluid_names())
def test_viscosities_are_one_oils_and_fit_its_grade(name: str) -> None:
    fluid = r.fluid(name)
    if fluid.kv40_mm2_s is not None and fluid.kv100_mm2_s is not None:
        assert doubt_about_viscosities(fluid.kv40_mm2_s, fluid.kv100_mm2_s) is None
        if fluid.grade is not None:
            assert doubt_about_grade(fluid.grade, fluid.kv100_mm2_s) is None


def test_a_value_without_a_source_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    bare = {"x": {"kind": "lubricant", "density_15_kg_m3": 880.0, "source": {}}}
    monkeypatch.setattr(r, "load", lambda name: bare)
    with pytest.raises(ValueError, match="reference fluid 'x' has no source for density_15_kg_m3"):
        r.fluid("x")


def test_an_unknown_name_lists_the_known() -> None:
    with pytest.raises(ValueError, match="no reference fluid 'honey', expected one of gear_oil_75w90"):
        r.fluid("honey")
    with pytest.raises(FileNotFoundError):
        r.load("honey")
