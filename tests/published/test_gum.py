"""JCGM 100 (the Guide): its worked examples through our fit and our budget.

H.3 data as two public metrology packages print them; published results from memory, to the digits given.
"""

from collections.abc import Mapping
from math import inf, sqrt
from typing import Any

import numpy as np
import pytest

from calibration.budget import propagate
from calibration.loadcell import fit
from calibration.student import student_t

H3_T = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
H3_B = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_h3_calibration_of_a_thermometer() -> None:
    line = fit(np.array(H3_T) - 20.0, H3_B)
    y1, y2 = line.coefficients
    s = np.sqrt(np.diag(line.covariance))
    assert (round(y1, 4), round(y2, 5)) == (-0.1712, 0.00218)
    assert (round(s[0], 4), round(s[1], 5)) == (0.0029, 0.00067)
    assert round(line.covariance[0, 1] / (s[0] * s[1]), 3) == -0.930
    assert (round(line.residual_sd_kg, 4), line.dof) == (0.0035, 9)
    assert line.mass_kg(10.0) == pytest.approx(-0.1494, abs=5e-5)  # b(30 °C)
    assert line.u_mass_kg(10.0) == pytest.approx(0.0041, abs=5e-5)


def test_h3_to_more_digits() -> None:
    """Computed by independent code; GTC's type_a.line_fit prints the same."""
    line = fit(np.array(H3_T) - 20.0, H3_B)
    assert line.coefficients == pytest.approx([-0.171204, 0.00218270], abs=5e-7)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.002878, 0.00066794], abs=5e-7)
    assert line.residual_sd_kg**2 * line.dof == pytest.approx(1.1009658e-4, rel=1e-7)
    assert line.u_mass_kg(10.0) == pytest.approx(0.004139, abs=5e-7)


def test_h3_agrees_with_gtc() -> None:
    from GTC import type_a, value, variance

    theirs = type_a.line_fit(np.array(H3_T) - 20.0, H3_B)
    a, b = theirs.a_b
    line = fit(np.array(H3_T) - 20.0, H3_B)
    assert line.coefficients == pytest.approx([value(a), value(b)], rel=1e-12)
    assert np.diag(line.covariance) == pytest.approx([variance(a), variance(b)], rel=1e-12)


def test_h1_end_gauge() -> None:
    """H.1 (from memory): lengths in nm; u_c² = 1002, 16.7 effective degrees of freedom, t 2.92, U99 = 2.92 × 32 = 93."""
    length = 50e6  # nm
    inputs = {
        "standard": (0.0, 25.0, 18.0),
        "difference": (0.0, 9.7, 25.6),
        "expansion difference": (0.0, 1e-6 / sqrt(3.0), 50.0),
        "temperature difference": (0.0, 0.05 / sqrt(3.0), 2.0),
    }

    def model(i: Mapping[str, Any]) -> Any:
        expansion = i["expansion difference"] * -0.1 + i["temperature difference"] * 11.5e-6
        return i["standard"] + i["difference"] - length * expansion

    b = propagate("length", "nm", inputs, model)
    assert b.u**2 == pytest.approx(1002.0, rel=2e-3)
    assert b.dof == pytest.approx(16.7, abs=0.1)
    assert round(student_t(16, 99), 2) == 2.92
    assert round(student_t(16, 99) * round(b.u)) == 93
    assert {t.name: round(t.u, 1) for t in b.terms} == {
        "standard": 25.0, "temperature difference": 16.6, "difference": 9.7, "expansion difference": 2.9,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("dof", "t95"), [(1, 12.71), (2, 4.30), (5, 2.57), (8, 2.31), (10, 2.23), (50, 2.01)]
)
def test_table_g2_student_t(dof: int, t95: float) -> None:
    assert round(student_t(dof, 95), 2) == t95


def test_coverage_of_a_normal_result() -> None:
    b = propagate("sum", "1", {"a": (1.0, 3.0, inf), "b": (2.0, 4.0, inf)}, lambda i: i["a"] + i["b"])
    assert (b.value, b.u) == (3.0, 5.0)
    assert b.u95 == pytest.approx(1.959964 * 5.0, rel=1e-6)
    assert [(t.name, round(t.share, 12)) for t in b.terms] == [("b", 0.64), ("a", 0.36)]
