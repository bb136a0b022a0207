"""NIST Statistical Reference Datasets: certified fits (Norris, Pontius) and spreads (NumAcc1 to 4).

Data and certified values as public test suites carry them (Norris's 36 points from memory; a wrong point
could not give fifteen certified digits).
"""

import numpy as np
import pytest

from calibration.loadcell import fit
from calibration.procedures import repeatability

PONTIUS_X = np.tile(np.arange(150_000.0, 3_000_001.0, 150_000.0), 2)
PONTIUS_Y = np.array([
    .11019, .21956, .32949, .43899, .54803, .65694, .76562, .87487, .98292, 1.09146, 1.20001, 1.30822, 1.41599,
    1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, .11052, .22018, .32939, .43886, .54798,
    .65739, .76596, .87474, .98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696,
    1.95445, 2.06177, 2.16829,
])  # fmt: skip
NORRIS = np.array(
    [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ]
)  # fmt: skip (y, x)


def digits(found: float, certified: float) -> float:
    """Log relative error: how many leading digits agree."""
    return (
        15.0 if found == certified else min(15.0, -float(np.log10(abs(found - certified) / abs(certified))))
    )


def test_pontius_quadratic_load_cell() -> None:
    """A load cell's own calibration data: quadratic, counts up to three million."""
    q = fit(PONTIUS_X, PONTIUS_Y, 2)
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    sd = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)
    # B0 is the small rest of large numbers once the counts are raw again, so three of a double's digits go: by the order in which
    # OpenBLAS adds up on each processor, 11.9 (Cortex-A53) to 12.7 are left
    for found, value, at_least in zip(q.coefficients, certified, (11.5, 14.0, 13.0), strict=True):
        assert digits(found, value) >= at_least
    for found, value in zip(np.sqrt(np.diag(q.covariance)), sd, strict=True):
        assert digits(found, value) >= 13.0
    assert digits(q.residual_sd_kg, 0.205177424076185e-03) >= 13.0
    assert digits(q.residual_sd_kg**2 * q.dof, 0.155761768796992e-05) >= 13.0
    r_squared = 1.0 - q.residual_sd_kg**2 * q.dof / float(((PONTIUS_Y - PONTIUS_Y.mean()) ** 2).sum())
    assert r_squared == pytest.approx(0.999999900178537, abs=1e-15)


def test_norris_line() -> None:
    y, x = NORRIS.T
    line = fit(x, y)
    assert digits(line.coefficients[0], -0.262323073774029) >= 12.0
    assert digits(line.coefficients[1], 1.00211681802045) >= 13.0
    assert digits(line.covariance[0, 0] ** 0.5, 0.232818234301152) >= 12.0
    assert digits(line.covariance[1, 1] ** 0.5, 0.429796848199937e-03) >= 12.0
    assert digits(line.residual_sd_kg, 0.884796396144373) >= 12.0


def test_numpys_own_fit_agrees_on_both() -> None:
    """numpy's polyfit, by singular values; x in millions for Pontius, since it takes powers of x as they are."""
    y, x = NORRIS.T
    for counts, masses, degree, unit in ((x, y, 1, 1.0), (PONTIUS_X, PONTIUS_Y, 2, 1e6)):
        ours = fit(counts, masses, degree)
        theirs, their_covariance = np.polyfit(counts / unit, masses, degree, cov=True)
        power = unit ** np.arange(degree + 1)
        assert ours.coefficients * power == pytest.approx(theirs[::-1], rel=1e-9)
        covariance = ours.covariance * np.outer(power, power)
        assert covariance == pytest.approx(their_covariance[::-1, ::-1], rel=1e-8)


@pytest.mark.parametrize(
    ("base", "step", "n", "mean", "sd", "at_least"),
    [
        (10_000_002.0, 1.0, 3, 10_000_002.0, 1.0, 15.0),  # NumAcc1
        (1.2, 0.1, 1001, 1.2, 0.1, 13.0),  # NumAcc2
        (1_000_000.2, 0.1, 1001, 1_000_000.2, 0.1, 8.0),  # NumAcc3: the data themselves hold 9 digits of sd
        (10_000_000.2, 0.1, 1001, 10_000_000.2, 0.1, 7.0),  # NumAcc4
    ],
)
def test_spread(base: float, step: float, n: int, mean: float, sd: float, at_least: float) -> None:
    """The certified mean and standard deviation of values base, base - step, base + step, ..."""
    data = [base] + [base - step, base + step] * ((n - 1) // 2)
    found = repeatability(data)
    assert digits(found.mean_kg, mean) >= 14.0
    assert digits(found.sd_kg, sd) >= at_least
