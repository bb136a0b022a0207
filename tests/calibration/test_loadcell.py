import json
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.loadcell import LoadCellFit, calibrate, fit, require_span

LOADS = np.array([0.0, 2.0, 5.0, 7.0, 10.0, 7.0, 5.0, 2.0, 0.0])


def counts_of(masses: np.ndarray, bend: float = 0.0, noise: float = 0.0, seed: int = 1) -> np.ndarray:
    x = (masses + bend * masses * (10.0 - masses)) / 4.761e-6 + 84_213.0
    return x + np.random.default_rng(seed).normal(0.0, noise, x.size)


@given(st.floats(1e-7, 1e-4), st.floats(-4e6, 4e6))
def test_recovers_a_line_that_is_one(kg_per_count: float, zero: float) -> None:
    counts = LOADS / kg_per_count + zero
    line = fit(counts, LOADS)
    assert line.mass_kg(counts) == pytest.approx(LOADS, abs=1e-9)
    assert line.coefficients[1] == pytest.approx(kg_per_count, rel=1e-9)


def test_agrees_with_scipy_on_a_noisy_line() -> None:
    stats = pytest.importorskip("scipy.stats", reason="general-purpose reference library, test extra")
    counts = counts_of(LOADS, noise=120.0)
    line, theirs = fit(counts, LOADS), stats.linregress(counts, LOADS)
    assert line.coefficients == pytest.approx([theirs.intercept, theirs.slope], rel=1e-10)
    ours = np.sqrt(np.diag(line.covariance))
    # Theirs is made of 1 − r², a small rest: by fractions it is 0.5 or 2.2e-8 off, as the processor has it.
    assert ours == pytest.approx([theirs.intercept_stderr, theirs.stderr], rel=1e-7)
    assert ours == pytest.approx(_standard_errors(counts, LOADS), rel=1e-11)


def _standard_errors(x_: np.ndarray, y_: np.ndarray) -> list[float]:
    """Of a least-squares line's intercept and slope, in fractions: no digit is lost (GUM H.3, the formulas of the line)."""
    x, y = [Fraction(float(value)) for value in x_], [Fraction(float(value)) for value in y_]
    n, mean, level = len(x), sum(x) / len(x), sum(y) / len(y)
    sxx = sum((one - mean) ** 2 for one in x)
    slope = sum((a - mean) * (b - level) for a, b in zip(x, y, strict=True)) / sxx
    rest = sum((b - level - slope * (a - mean)) ** 2 for a, b in zip(x, y, strict=True)) / (n - 2)
    return [math.sqrt(rest * (Fraction(1, n) + mean**2 / sxx)), math.sqrt(rest / sxx)]


def test_stated_uncertainty_is_the_scatter_of_repeated_calibrations() -> None:
    at = 84_213.0 + 3.0 / 4.761e-6
    fits = [fit(counts_of(LOADS, noise=200.0, seed=s), LOADS) for s in range(2000)]
    found = np.array([f.mass_kg(at) for f in fits])
    stated = np.sqrt(np.mean([f.u_mass_kg(at) ** 2 for f in fits]))
    assert found.std() == pytest.approx(stated, rel=0.06)
    assert found.mean() == pytest.approx(3.0, abs=4.0 * stated / np.sqrt(2000))


def test_shared_uncertainty_of_the_weights_grows_with_the_load() -> None:
    counts = counts_of(LOADS)
    line = fit(counts, LOADS, u_reference_rel=1e-4)
    assert line.u_mass_kg(counts[4]) == pytest.approx(1e-3, rel=1e-6)
    assert line.u_slope_rel == pytest.approx(1e-4, rel=1e-6)
    assert fit(counts_of(LOADS, noise=100.0), LOADS).u_slope_rel > 0.0


@pytest.mark.parametrize("degree", [1, 2])
def test_scalar_array_and_raw_coefficients_agree(degree: int) -> None:
    f = fit(counts_of(LOADS, bend=1e-4, noise=50.0), LOADS, degree)
    counts = np.array([[100_000.0, 900_000.0]])
    assert np.shape(f.mass_kg(counts)) == np.shape(f.u_mass_kg(counts)) == (1, 2)
    for c, m in zip(counts.flat, np.asarray(f.mass_kg(counts)).flat, strict=True):
        assert type(f.mass_kg(float(c))) is float
        assert f.mass_kg(float(c)) == pytest.approx(m, rel=1e-15)
        assert sum(b * c**i for i, b in enumerate(f.coefficients)) == pytest.approx(m, rel=1e-12)
        g = np.array([c**i for i in range(degree + 1)])
        assert np.sqrt(g @ f.covariance @ g) == pytest.approx(f.u_mass_kg(float(c)), rel=1e-5)


def test_evidence_chooses_a_line_for_a_straight_cell() -> None:
    """At 99 % a straight cell should be called bent about once in a hundred calibrations."""
    bent = sum(
        calibrate(counts_of(LOADS, noise=60.0, seed=s), LOADS, use_from_kg=0.0, use_to_kg=10.0).degree == 2
        for s in range(400)
    )
    assert bent <= 12


def test_evidence_chooses_a_quadratic_for_a_bent_cell() -> None:
    found = calibrate(counts_of(LOADS, bend=2e-4, noise=60.0), LOADS, use_from_kg=0.0, use_to_kg=10.0)
    assert found.degree == 2
    assert found.reason.startswith("quadratic: the bend is ")
    assert found.mass_kg(counts_of(np.array([3.0]), bend=2e-4)) == pytest.approx([3.0], abs=1e-3)


def test_three_loads_cannot_prove_a_bend() -> None:
    masses = np.array([0.0, 5.0, 10.0, 5.0, 0.0])
    found = calibrate(counts_of(masses, bend=1e-3), masses, use_from_kg=0.0, use_to_kg=10.0)
    assert found.degree == 1
    assert found.reason == "line: 3 loads and 5 readings cannot prove a bend"


@pytest.mark.parametrize(
    ("masses", "words"),
    [
        ([0.0, 10.0], "2 different loads, expected at least 3"),
        ([0.0, 1.0, 2.0], "known masses go from 0 kg to 2 kg, expected them to span the use, 0 kg to 10 kg"),
        ([1.0, 5.0, 10.0], "known masses go from 1 kg to 10 kg"),
        ([0.0, 4.0, 10.0], "no known mass between 4 kg and 10 kg, expected gaps of at most 50% of the use"),
        ([0.0, 0.5, 20.0], r"no known mass between 0\.5 kg and 10 kg"),
    ],
)
def test_masses_that_do_not_span_the_use_are_refused(masses: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        require_span(masses, 0.0, 10.0)
    with pytest.raises(ValueError, match=words):
        calibrate(range(len(masses)), masses, use_from_kg=0.0, use_to_kg=10.0)


def test_masses_that_span_the_use_are_accepted() -> None:
    require_span([0.0, 5.0, 10.0], 0.0, 10.0)
    with pytest.raises(ValueError, match="use is 10 kg to 0 kg, expected the second to be larger"):
        require_span([0.0, 5.0, 10.0], 10.0, 0.0)


@pytest.mark.parametrize(
    ("counts", "masses", "degree", "words"),
    [
        ([1, 2, 3], [1.0, 2.0], 1, r"counts \(3,\) and masses \(2,\) differ"),
        ([[1, 2]], [[1.0, 2.0]], 1, "differ, expected two lists"),
        ([1, 2], [1.0, 2.0], 1, "2 readings at 2 different counts, expected at least 3"),
        ([1, 1, 1, 1], [1.0, 2.0, 3.0, 4.0], 1, "4 readings at 1 different counts"),
        ([1, 2, 3], [1.0, 2.0, 3.0], 2, "expected at least 4 readings at 3 different loads"),
        ([1, 2, float("nan")], [1.0, 2.0, 3.0], 1, "not finite"),
        ([1, 2, 3, 4, 5], [1.0, 2.0, 3.0, 4.0, 5.0], 3, r"degree is 3, expected 1 \(a line\)"),
    ],
)
def test_what_cannot_be_fitted_is_refused(
    counts: list[Any], masses: list[Any], degree: int, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        fit(counts, masses, degree)


def test_a_fit_survives_a_certificate() -> None:
    f = fit(counts_of(LOADS, noise=50.0), LOADS, 2, u_reference_rel=2e-5)
    assert LoadCellFit.from_dict(json.loads(json.dumps(f.to_dict()))) == f


def test_covers_the_calibrated_span() -> None:
    f = fit([0, 100, 200], [0.0, 1.0, 2.0])
    assert f.covers(0)
    assert f.covers(200)
    assert not f.covers(201)


def test_an_impossible_uncertainty_of_the_weights_is_refused() -> None:
    with pytest.raises(ValueError, match=r"u_reference_rel is -0.1, expected 0 to 1"):
        fit([0, 100, 200], [0.0, 1.0, 2.0], u_reference_rel=-0.1)
