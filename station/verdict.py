"""A verdict is a decision under uncertainty, not a comparison of two numbers."""

import math
from dataclasses import dataclass

DECIDED_AT = 0.95
"""Conformance probability at which a verdict is given (JCGM 106:2012, 8.3 and 9.3)."""


@dataclass(frozen=True)
class Judgement:
    """verdict: full, short, over or undecided. The three probabilities sum to one."""

    verdict: str
    p_short: float
    p_within: float
    p_over: float


def _phi(z: float) -> float:
    """Standard normal distribution function; erfc keeps the far tails."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def decide(p_short: float, p_over: float) -> Judgement:
    """The verdict that two conformance probabilities allow; what they leave is the probability of being within."""
    p_within = max(0.0, 1.0 - p_short - p_over)
    probabilities = {"short": p_short, "full": p_within, "over": p_over}
    verdict = next((name for name, p in probabilities.items() if p >= DECIDED_AT), "undecided")
    return Judgement(verdict, p_short, p_within, p_over)


def judge(
    filled_l: float,
    u_filled_l: float,
    expected_l: float,
    u_expected_l: float,
    tolerance_minus_l: float,
    tolerance_plus_l: float,
) -> Judgement:
    """Judge a fill against the interval expected − tolerance_minus … expected + tolerance_plus.

    All arguments are litres at one reference temperature; u_… are standard uncertainties, the tolerances are
    magnitudes. The difference filled − expected is taken as normal with the two uncertainties in quadrature.
    Raises ValueError for a value that is not finite, or a negative uncertainty or tolerance.
    Source: JCGM 106:2012, 7.3 and 8.2 (conformance probability for one- and two-sided tolerance intervals).
    """
    arguments = {
        "filled_l": filled_l,
        "u_filled_l": u_filled_l,
        "expected_l": expected_l,
        "u_expected_l": u_expected_l,
        "tolerance_minus_l": tolerance_minus_l,
        "tolerance_plus_l": tolerance_plus_l,
    }
    for name, value in arguments.items():
        if not math.isfinite(value):
            raise ValueError(f"{name} is {value}, expected a finite number of litres")
        if value < 0 and name not in ("filled_l", "expected_l"):
            raise ValueError(f"{name} is {value}, expected zero or more litres")
    difference = filled_l - expected_l
    u = math.hypot(u_filled_l, u_expected_l)
    if u > 0:
        p_short = _phi((-tolerance_minus_l - difference) / u)
        p_over = _phi((difference - tolerance_plus_l) / u)
    else:  # without doubt the limits themselves are within
        p_short = float(difference < -tolerance_minus_l)
        p_over = float(difference > tolerance_plus_l)
    return decide(p_short, p_over)
