"""Cost of the volume correction against the bare expression of the procedure that it must evaluate.

Run from the repository's root: `python tests/bench/bench_density.py`. Each line is a ratio and its goal;
the bare expressions are spared the density at 60 °F, which the library has to solve. Each figure is the
best of several interleaved rounds, which is what a busy machine disturbs least.
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from math import exp
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calibration.density import density_base_from_observed, vcf_lubricant

COUNT = 1_000_000
ROUNDS = 15
K1, DELTA, BASE_F = 0.34878, 0.01374979547, 60.0068749


def bare_numpy(density_15: Any, density_60f: Any, t: np.ndarray) -> np.ndarray:
    """API MPMS 11.1-2004 written down as it stands: no check, the density at 60 °F already solved."""
    s = t / 630.0
    shift = s * (-0.148759 + s * (-0.267408 + s * (1.080760 + s * (1.269056 + s * (
        -4.089591 + s * (-1.871251 + s * (7.438081 + s * -3.536296)))))))  # fmt: skip
    dt = 1.8 * (t - shift) + 32.0 - BASE_F
    r60 = density_60f
    a = DELTA / 2.0 * K1 / r60
    alpha = K1 / (r60 * (1.0 + (np.exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a))))
    vcf: np.ndarray = np.exp(-alpha * dt * (1.0 + 0.8 * alpha * (dt + DELTA))) * (r60 / density_15)
    return vcf


def bare_math(density_15: float, t: float) -> float:
    """The same for one value, with math.exp()."""
    s = t / 630.0
    shift = s * (-0.148759 + s * (-0.267408 + s * (1.080760 + s * (1.269056 + s * (
        -4.089591 + s * (-1.871251 + s * (7.438081 + s * -3.536296)))))))  # fmt: skip
    dt = 1.8 * (t - shift) + 32.0 - BASE_F
    r60 = RHO60
    a = DELTA / 2.0 * K1 / r60
    alpha = K1 / (r60 * (1.0 + (exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a))))
    return exp(-alpha * dt * (1.0 + 0.8 * alpha * (dt + DELTA))) * (r60 / density_15)


RHO60 = 879.6511725266357  # the density at 60 °F that belongs to 880 kg/m³ at 15 °C


def main() -> None:
    t = np.random.default_rng(7).uniform(-20.0, 120.0, COUNT)
    rho = np.random.default_rng(8).uniform(840.0, 920.0, COUNT)
    rho60 = density_base_from_observed(rho, np.full(COUNT, 15.0), "60F")
    same = [
        abs(bare_math(880.0, 43.21) - vcf_lubricant(880.0, 43.21)),
        np.abs(bare_numpy(880.0, RHO60, t) - vcf_lubricant(880.0, t)).max(),
        np.abs(bare_numpy(rho, rho60, t) - vcf_lubricant(rho, t)).max(),
    ]
    if max(same) > 1e-12:  # two different sums would make the ratio worthless
        raise SystemExit(f"the bare expressions and vcf_lubricant differ by {max(same):.1e}")
    calls: dict[str, tuple[Callable[[], Any], int]] = {
        "bare": (lambda: bare_numpy(880.0, RHO60, t), 1),
        "ours": (lambda: vcf_lubricant(880.0, t), 1),
        "bare, all differ": (lambda: bare_numpy(rho, rho60, t), 1),
        "ours, all differ": (lambda: vcf_lubricant(rho, t), 1),
        "bare, one": (lambda: bare_math(880.0, 43.21), 20_000),
        "ours, one": (lambda: vcf_lubricant(880.0, 43.21), 20_000),
    }
    best = dict.fromkeys(calls, float("inf"))
    for _ in range(ROUNDS):
        for name, (call, number) in calls.items():
            best[name] = min(best[name], timeit.timeit(call, number=number) / number)
    for what, suffix, goal, unit in (
        ("1,000,000 temperatures of one oil", "", 2, "numpy"),
        ("1,000,000 oils and temperatures", ", all differ", 2, "numpy"),
        ("one value", ", one", 10, "math"),
    ):
        ours, bare = best["ours" + suffix], best["bare" + suffix]
        print(
            f"volume correction, {what}: {ours / bare:.2f} x the bare {unit} expression "
            f"(goal {goal} x; {ours * 1e6:.2f} µs against {bare * 1e6:.2f} µs)"
        )


if __name__ == "__main__":
    main()
