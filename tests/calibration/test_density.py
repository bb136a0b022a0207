from collections.abc import Callable
from typing import Any, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import density as d

densities = st.floats(801.24883, 1163.84883)  # 800.9 to 1163.5 at 60 °F
temperatures = st.floats(*d.TEMPERATURE_RANGE_C)


@given(densities, temperatures)
def test_observed_density_inverts(r15: float, t: float) -> None:
    assert d.density_15_from_observed(d.density_lubricant(r15, t), t) == pytest.approx(r15, rel=1e-13)


@given(st.sampled_from(["15C", "20C", "60F"]), st.floats(810.0, 1150.0))
def test_factor_is_one_at_its_own_base(base: d.Base, r: float) -> None:
    assert d.vcf_lubricant_base(r, d.BASE_TEMPERATURE_C[base], base) == pytest.approx(1.0, abs=2e-12)


@given(st.floats(810.0, 1150.0), temperatures)
def test_all_bases_mean_the_same_oil(r60: float, t: float) -> None:
    at_t = r60 * d.vcf_lubricant_base(r60, t, "60F")
    for base in ("15C", "20C"):
        r = d.density_base_from_observed(r60, d.BASE_TEMPERATURE_C["60F"], base)
        assert r * d.vcf_lubricant_base(r, t, base) == pytest.approx(at_t, rel=2e-12)


@given(densities, st.floats(-50.0, 149.0), st.floats(0.01, 1.0))
def test_warmer_oil_is_lighter(r15: float, t: float, step: float) -> None:
    assert d.density_lubricant(r15, t + step) < d.density_lubricant(r15, t)


@given(st.floats(801.3, 1163.0), st.floats(0.01, 0.8), temperatures)
def test_denser_oil_stays_denser(r15: float, more: float, t: float) -> None:
    assert d.density_lubricant(r15 + more, t) > d.density_lubricant(r15, t)


@given(densities, temperatures)
def test_array_and_scalar_are_the_same_sum(r15: float, t: float) -> None:
    one = d.vcf_lubricant(r15, t)
    assert type(one) is float
    assert d.vcf_lubricant(np.array([r15]), np.array([t])) == pytest.approx([one], rel=1e-14)
    assert d.vcf_lubricant(r15, np.array([t])) == pytest.approx([one], rel=1e-14)
    observed = d.density_lubricant(r15, t)
    several = d.density_15_from_observed(np.array([observed]), np.array([t]))
    assert several == pytest.approx([r15], rel=1e-13)


def test_a_solved_oil_takes_arrays_too() -> None:
    oil = d.Lubricant.at_base(880.0)
    t = np.array([[0.0, 60.0]])
    assert oil.density_kg_m3(t) == pytest.approx(d.density_lubricant(880.0, t), rel=1e-15)
    assert type(oil.density_kg_m3(np.array(60.0))) is float
    with pytest.raises(ValueError, match="temperature is 151"):
        oil.density_kg_m3(np.array([20.0, 151.0]))


def test_shapes() -> None:
    r, t = np.array([[870.0], [890.0]]), np.array([0.0, 20.0, 40.0])
    assert np.shape(d.vcf_lubricant(r, t)) == (2, 3)
    assert np.shape(d.density_lubricant(880.0, t)) == (3,)
    assert np.shape(d.density_lubricant(np.array([880.0]), 20.0)) == (1,)
    assert np.shape(d.vcf_lubricant(880, np.array([]))) == (0,)
    assert np.shape(d.density_15_from_observed(np.array([]), 20.0)) == (0,)
    for scalar in (
        d.vcf_lubricant(880, 20),
        d.vcf_lubricant(np.array(880.0), np.array(20.0)),
        d.density_lubricant(np.float64(880.0), 20),
        d.density_15_from_observed(np.array(880.0), 20),
    ):
        assert type(scalar) is float


def test_a_list_is_taken_as_an_array() -> None:
    density, temperature_c = cast("Any", [880.0, 890.0]), cast("Any", [20.0, 20.0])
    assert np.shape(d.density_lubricant(density, temperature_c)) == (2,)


def test_arguments_are_left_as_they_were() -> None:
    r, t = np.full(5, 880.0), np.linspace(0.0, 80.0, 5)
    before = r.copy(), t.copy()
    d.vcf_lubricant(r, t)
    d.density_15_from_observed(r, t)
    assert (r == before[0]).all()
    assert (t == before[1]).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: d.vcf_lubricant(8.8, 20.0), r"density at 15 °C is 8\.8 kg/m³, outside .* data sheet"),
        (lambda: d.vcf_lubricant(np.array([880.0, 1200.0]), 20.0), "density at 15 °C is 1200"),
        (lambda: d.vcf_lubricant(880.0, 151.0), "temperature is 151 °C"),
        (lambda: d.vcf_lubricant(880.0, np.array([20.0, -51.0])), "temperature is −51 °C"),
        (lambda: d.vcf_lubricant(float("nan"), 20.0), "density at 15 °C is nan"),
        (lambda: d.density_15_from_observed(1300.1, 20.0), "observed density is 1300.1"),
        (lambda: d.density_15_from_observed(760.0, 20.0), r"density at 15 °C is 763\.\d+ kg"),
        (lambda: d.density_15_from_observed(np.array([880.0, 760.0]), 20.0), "density at 15 °C is 763"),
        (
            lambda: d.vcf_lubricant_base(880.0, 20.0, cast("Any", "4C")),
            "base is '4C', expected one of 15C, 20C, 60F",
        ),
    ],
)
def test_refuses_what_the_standard_does_not_cover(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
