import json
from math import inf, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.fluid import Fluid
from calibration.meter import MeterCurve, fit_curve, prove, repeatability_limit_percent
from calibration.ranges import FloatArray

OIL = Fluid.from_table(
    {
        "kind": "lubricant",
        "density_15_kg_m3": 871.0,
        "kv40_mm2_s": 115.0,
        "kv100_mm2_s": 15.2,
        "u_density_kg_m3": 0.3,
    }
)
WATER = Fluid.from_table({"kind": "water"})


def runs(
    k: float, temperatures: list[float], litres: float = 5.0, noise: float = 0.0, seed: int = 1
) -> tuple[FloatArray, FloatArray]:
    """(pulses, masses) of a meter with that K-factor, the volume taken at the meter's temperature."""
    volumes = litres * (1.0 + np.random.default_rng(seed).normal(0.0, noise, len(temperatures)))
    masses = np.array([OIL.density_kg_m3(t) for t in temperatures]) * volumes / 1000.0
    return k * volumes * np.ones(len(temperatures)), masses


@given(st.floats(10.0, 5000.0), st.lists(st.floats(0.0, 60.0), min_size=5, max_size=10))
def test_recovers_the_k_factor_at_any_temperature(k: float, temperatures: list[float]) -> None:
    pulses, masses = runs(k, temperatures)
    found = prove(pulses, masses, temperatures, OIL)
    assert found.k_factor_per_l == pytest.approx(k, rel=1e-12)
    assert found.repeatability_percent == pytest.approx(0.0, abs=1e-9)


def test_repeatability_is_range_over_mean() -> None:
    masses = [4.0] * 5
    found = prove([2000, 2001, 2002, 2001, 2001], masses, 20.0, OIL)
    assert found.repeatability_percent == pytest.approx(2.0 / 2001.0 * 100.0)
    assert len(found.runs_k_per_l) == 5


def test_uncertainty_has_every_source() -> None:
    pulses, masses = runs(402.5, [20.0] * 6)
    pulses = pulses + np.array([1.0, -1.0, 0.0, 2.0, -2.0, 0.0])
    found = prove(pulses, masses, 20.0, OIL, u_masses_rel=2e-4, u_temperature_c=0.5)
    k = found.k_factor_per_l
    u = {t.name: t.u for t in found.budget.terms}
    assert u["scatter of the runs"] == pytest.approx(np.std(found.runs_k_per_l, ddof=1) / sqrt(6), rel=1e-9)
    assert u["scale"] == pytest.approx(k * 2e-4, rel=1e-9)
    assert u["fluid density"] == pytest.approx(k * 0.3 / 871.0, rel=1e-9)
    assert u["fluid temperature"] == pytest.approx(k * OIL.expansion_at_per_c(20.0) * 0.5, rel=1e-9)
    assert u["pulse resolution"] == pytest.approx(k / sqrt(6) / pulses.mean() / sqrt(6), rel=1e-9)
    assert found.u_k_factor_per_l == pytest.approx(sqrt(sum(x * x for x in u.values())), rel=1e-12)
    scatter = u["scatter of the runs"]
    assert found.dof == pytest.approx(5 * (found.u_k_factor_per_l / scatter) ** 4, rel=1e-9)


def test_runs_alike_to_the_pulse_still_have_a_resolution() -> None:
    found = prove([2000.0] * 5, [4.0] * 5, 20.0, WATER)
    assert found.repeatability_percent == 0.0
    assert {t.name for t in found.budget.terms if t.u > 0.0} == {"fluid density", "pulse resolution"}


def test_stated_uncertainty_covers_the_truth() -> None:
    """U95 of the scatter alone, over 400 provings with noise: about 95 in 100 hold the true K-factor."""
    held = 0
    for seed in range(400):
        pulses, masses = runs(402.5, [20.0] * 5, noise=0.0)
        noisy = pulses * (1.0 + np.random.default_rng(seed).normal(0.0, 0.001, 5))
        found = prove(noisy, masses, 20.0, {**OIL.to_table(), "u_density_kg_m3": 1e-6}, pulse_resolution=0.0)
        held += abs(found.k_factor_per_l - 402.5) <= found.budget.u95
    assert 0.92 <= held / 400 <= 0.98


def test_repeats_is_judged_against_a_target() -> None:
    found = prove([2000, 2001, 2002, 2001, 2001], [4.0] * 5, 20.0, OIL)  # 0.1 % apart
    assert not found.repeats()
    assert found.repeats(0.001)
    assert repeatability_limit_percent(5, 0.001) == pytest.approx(0.0506 * 0.001 / 0.00027, rel=2e-3)


def test_meter_factor() -> None:
    pulses, masses = runs(400.0, [20.0] * 5)
    found = prove(pulses, masses, 20.0, OIL)
    factor, u = found.meter_factor(402.0)
    assert factor == pytest.approx(402.0 / 400.0, rel=1e-12)  # true volume = indicated x factor
    assert u == pytest.approx(factor * found.u_k_factor_per_l / 400.0, rel=1e-9)


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (([1, 2, 3, 4], [1.0] * 4, 20.0, OIL), "4 proving runs, expected at least 5"),
        (([1] * 5, [1.0] * 4, 20.0, OIL), "pulses .* and masses .* differ"),
        (([1] * 5, [1.0] * 4 + [0.0], 20.0, OIL), "not positive. Repeat that run"),
        (([1] * 5, [1.0] * 4 + [float("nan")], 20.0, OIL), "not positive"),
        (([1] * 5, [1.0] * 5, [20.0, 21.0], OIL), r"temperatures \(2,\) for 5 runs"),
        (([1] * 5, [1.0] * 5, 41.0, WATER), "water temperature is 41"),
        (([1] * 5, [1.0] * 5, 20.0, {"kind": "oil"}), "key 'kind' is 'oil'"),
    ],
)
def test_a_proving_that_proves_nothing_is_refused(args: tuple[Any, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        prove(*args)


@pytest.mark.parametrize("n", [2, 21])
def test_limit_is_known_for_three_to_twenty_runs(n: int) -> None:
    with pytest.raises(ValueError, match=f"number of runs is {n}, expected 3 to 20"):
        repeatability_limit_percent(n)


def conditions() -> tuple[FloatArray, FloatArray]:
    flow, kv = np.meshgrid([1.0, 2.0, 4.0], [50.0, 150.0, 400.0])
    return flow.ravel(), kv.ravel()


def test_a_constant_holds_everywhere() -> None:
    curve = MeterCurve.constant(402.5, 0.0015)
    assert curve.k_factor_per_l(1e-9, None) == curve.k_factor_per_l(50.0, 1e4) == 402.5
    assert curve.u_k_factor_per_l(3.0, None) == pytest.approx(402.5 * 0.0015)
    assert curve.nearest_k_factor_per_l(0.0, 5.0) == (402.5, True)


@pytest.mark.parametrize(
    "truth", [(402.5, 0.0, 0.0), (402.5, -250.0, 0.0), (402.5, 0.0, -400.0), (402.5, -250.0, -400.0)]
)
def test_curve_finds_the_terms_that_are_there(truth: tuple[float, float, float]) -> None:
    flow, kv = conditions()
    k = (
        truth[0]
        + truth[1] / kv
        + truth[2] / (flow * kv)
        + np.random.default_rng(4).normal(0.0, 0.02, flow.size)
    )
    curve = fit_curve(k.tolist(), flow.tolist(), kv.tolist())
    for q, v in ((1.0, 50.0), (3.0, 100.0), (4.0, 400.0)):
        k_true = truth[0] + truth[1] / v + truth[2] / (q * v)
        assert curve.k_factor_per_l(q, v) == pytest.approx(k_true, abs=4 * curve.u_k_factor_per_l(q, v))
        assert curve.k_factor_per_l(q, v) == pytest.approx(k_true, abs=0.1)
    assert [c != 0.0 for c in curve.coefficients] == [c != 0.0 for c in truth]


def test_two_provings_alike_in_viscosity_cannot_prove_its_effect() -> None:
    curve = fit_curve([400.0, 401.0, 402.0], [2.0, 2.0, 2.0], [100.0, 100.0, 100.0])
    assert curve.is_constant
    assert curve.k_factor_per_l(9.0, None) == pytest.approx(401.0)


def test_outside_what_was_proved() -> None:
    flow, kv = conditions()
    curve = fit_curve((402.5 - 250.0 / kv).tolist(), flow.tolist(), kv.tolist())
    with pytest.raises(
        ValueError, match=r"flow rate is 0.5 L/min, outside the range 1 to 4 .* Prove the meter"
    ):
        curve.k_factor_per_l(0.5, 100.0)
    with pytest.raises(ValueError, match="kinematic viscosity is 500 mm²/s, outside the range 50 to 400"):
        curve.k_factor_per_l(2.0, 500.0)
    with pytest.raises(ValueError, match="viscosity is unknown, but this meter's K-factor depends on it"):
        curve.k_factor_per_l(2.0, None)
    assert curve.nearest_k_factor_per_l(0.0, 100.0) == (curve.k_factor_per_l(1.0, 100.0), False)
    assert curve.nearest_k_factor_per_l(2.0, 100.0) == (curve.k_factor_per_l(2.0, 100.0), True)
    assert not curve.covers(2.0, None)


def test_what_all_provings_share_does_not_average_out() -> None:
    flow, kv = conditions()
    curve = fit_curve((402.5 - 250.0 / kv).tolist(), flow.tolist(), kv.tolist(), u_common_rel=5e-4)
    assert curve.u_k_factor_per_l(2.0, 100.0) == pytest.approx(400.0 * 5e-4, rel=1e-6)


@pytest.mark.parametrize(
    "curve", [MeterCurve.constant(402.5, 0.001), fit_curve([400.0, 401.0, 399.9], [1, 2, 3], [9, 7, 5])]
)
def test_a_curve_survives_a_certificate(curve: MeterCurve) -> None:
    assert MeterCurve.from_dict(json.loads(json.dumps(curve.to_dict(), allow_nan=False))) == curve


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (([1.0, 2.0], [1.0, 2.0], [1.0, 2.0]), "2 K-factors, 2 flows and 2 viscosities, expected three"),
        (([1.0] * 3, [1.0] * 2, [1.0] * 3), "3 K-factors, 2 flows"),
        (([1.0] * 3, [1.0, 0.0, 1.0], [1.0] * 3), "flow rate holds a value that is not positive"),
        (([1.0] * 3, [1.0] * 3, [1.0, inf, 1.0]), "kinematic viscosity holds"),
    ],
)
def test_a_curve_through_too_little_is_refused(args: tuple[Any, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit_curve(*args)
