"""Control charts for single values: constants and the worked examples of the NIST/SEMATECH e-Handbook.

Examples: 6.3.2.2 (individuals, ten flow rates) and 6.3.2.4 (EWMA, twenty values). Their limits and averages were read in
two public re-computations of the handbook that print them; the ten data of the first are from memory, and their mean and
mean range agree with those printed.
"""

import math

import numpy as np
import pytest

from station.learning.charts import D2, D4, chart, ewma, ewma_half

FLOWS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *FLOWS]
EWMA_PRINTED = "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99"


def test_constants_agree_with_their_closed_forms() -> None:
    """ISO 7870-2 (from memory): d2 = 1.128, E2 = 3/d2 = 2.66, D4 = 3.267 for ranges of two."""
    d2, d3 = 2.0 / math.sqrt(math.pi), math.sqrt(2.0 - 4.0 / math.pi)
    assert pytest.approx(d2, abs=5e-4) == D2
    assert pytest.approx(1.0 + 3.0 * d3 / d2, abs=5e-4) == D4
    assert round(3.0 / D2, 2) == 2.66


def test_constants_agree_with_a_simulation() -> None:
    """Independent of any table: the mean range of two normal values, a million times."""
    pairs = np.random.default_rng(3).standard_normal((1_000_000, 2))
    ranges = np.abs(pairs[:, 0] - pairs[:, 1])
    assert ranges.mean() == pytest.approx(D2, abs=0.003)
    assert 1.0 + 3.0 * ranges.std() / ranges.mean() == pytest.approx(D4, abs=0.01)


def test_individuals_example() -> None:
    """NIST e-Handbook 6.3.2.2: mean 50.81, mean range 1.8778, limits 45.8159 and 55.8041 of its ten values. A chart here
    asks for more, so the ten are given as twenty, there and back: the turn adds one range of 0 to twice the nine."""
    there_and_back = FLOWS + FLOWS[::-1]
    shown = chart(there_and_back)
    mean_range = 2.0 * 9.0 * 1.8778 / 19.0
    assert shown.centre == pytest.approx(50.81, abs=1e-9)
    assert shown.ucl == pytest.approx(50.81 + (55.8041 - 50.81) * 18.0 / 19.0, abs=2e-4)
    assert shown.lcl == pytest.approx(50.81 + (45.8159 - 50.81) * 18.0 / 19.0, abs=2e-4)
    assert shown.range_ucl == pytest.approx(3.267 * mean_range, abs=1e-3)
    assert not any(signal.rule == "beyond" for signal in shown.signals)


def test_ewma_example() -> None:
    """NIST e-Handbook 6.3.2.4: lambda 0.3, start 50, s = 2.0539, k = 3; limits 47.4115 and 52.5884 (printed truncated)."""
    averages = ewma(EWMA_DATA, 50.0, 0.3)
    assert [f"{value:.2f}" for value in averages] == EWMA_PRINTED.split()
    half = ewma_half(200, 2.0539, 0.3, 3.0)
    assert 50.0 + half[-1] == pytest.approx(52.5884, abs=1e-4)
    assert 50.0 - half[-1] == pytest.approx(47.4115, abs=1e-4)
    assert all(abs(a - 50.0) < half[-1] for a in averages)


def test_ewma_limits_start_narrow() -> None:
    """Behind the first value the average has the standard deviation lambda · sigma."""
    assert ewma_half(1, 2.0, 0.3, 3.0)[0] == pytest.approx(3.0 * 0.3 * 2.0, rel=1e-12)
