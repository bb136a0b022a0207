"""From pulses to volume: the meter's K-factor curve, and proving it by weighing.

K-factor: pulses per litre of fluid at the temperature at which it passes the meter. The volume at the
reference temperature is a matter of the fluid's density, not of the meter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import inf, sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from calibration.budget import Budget, propagate
from calibration.fluid import Fluid
from calibration.loadcell import EVIDENCE_PERCENT
from calibration.ranges import FloatArray, check_scalar
from calibration.student import student_t
from station.common.words import N_, _

MINIMUM_RUNS: Final = 5

# Mean range of n normal values in units of their standard deviation (the control-chart constant d2; the
# tests integrate it anew).
MEAN_RANGE: Final = {
    2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078, 11: 3.173,
    12: 3.258, 13: 3.336, 14: 3.407, 15: 3.472, 16: 3.532, 17: 3.588, 18: 3.640, 19: 3.689, 20: 3.735,
}  # fmt: skip
CUSTODY_U95_REL: Final = 0.00027  # API MPMS 4.8: 0.027 % on the meter factor, at 95 %


@dataclass(frozen=True)
class MeterCurve:
    """K-factor over flow q (L/min) and kinematic viscosity v (mm²/s): K = c0 + c1 / v + c2 / (q v).

    A positive-displacement meter loses what slips past its rotors. Slip is pressure drop over dynamic
    viscosity: the part of the drop that grows with flow gives a share c1 / v of it, the part that friction
    asks for at any flow gives c2 / (q v). c1 = c2 = 0 is a constant.

    coefficients: (c0, c1, c2) in 1/L and the units that follow. covariance: of the same, shape (3, 3).
    u_common_rel: relative standard uncertainty that all provings behind it share (scale, density).
    flow_l_min, kv_mm2_s: the ranges that were proved; a constant is taken to hold everywhere.
    """

    coefficients: tuple[float, float, float]
    covariance: tuple[tuple[float, ...], ...] = ((0.0,) * 3,) * 3
    u_common_rel: float = 0.0
    flow_l_min: tuple[float, float] = (0.0, inf)
    kv_mm2_s: tuple[float, float] = (0.0, inf)
    dof: float = inf
    reason: str = ""

    @classmethod
    def constant(cls, k_per_l: float, u_rel: float = 0.0) -> MeterCurve:
        """One K-factor for every flow and viscosity."""
        check_scalar("K-factor", k_per_l, 1e-3, 1e7, "1/L")
        return cls((k_per_l, 0.0, 0.0), u_common_rel=u_rel, reason="one K-factor as entered")

    @property
    def is_constant(self) -> bool:
        return self.coefficients[1] == 0.0 and self.coefficients[2] == 0.0

    def covers(self, flow_l_min: float, kv_mm2_s: float | None) -> bool:
        """Whether a condition lies within what was proved."""
        if kv_mm2_s is None:
            return self.is_constant
        flow, kv = self.flow_l_min, self.kv_mm2_s
        return flow[0] <= flow_l_min <= flow[1] and kv[0] <= kv_mm2_s <= kv[1]

    def k_factor_per_l(self, flow_l_min: float, kv_mm2_s: float | None) -> float:
        """Pulses per litre at a flow in L/min and a viscosity in mm²/s. Raises ValueError outside the
        proved ranges, or if the viscosity is None (not known) while the K-factor depends on it."""
        if self.is_constant:
            return self.coefficients[0]
        g = self._basis(flow_l_min, kv_mm2_s)
        return sum(c * x for c, x in zip(self.coefficients, g, strict=True))

    def nearest_k_factor_per_l(self, flow_l_min: float, kv_mm2_s: float) -> tuple[float, bool]:
        """(K-factor at the nearest proved condition, whether that is the condition itself).

        For the moments in which a pump starts and stops, when flow lies below anything that was proved.
        """
        flow = min(max(flow_l_min, self.flow_l_min[0]), self.flow_l_min[1])
        kv = min(max(kv_mm2_s, self.kv_mm2_s[0]), self.kv_mm2_s[1])
        return self.k_factor_per_l(flow, kv), self.covers(flow_l_min, kv_mm2_s)

    def u_k_factor_per_l(self, flow_l_min: float, kv_mm2_s: float | None) -> float:
        """Standard uncertainty of k_factor_per_l in 1/L; raises as that does."""
        k = self.k_factor_per_l(flow_l_min, kv_mm2_s)
        g = np.array((1.0, 0.0, 0.0) if self.is_constant else self._basis(flow_l_min, kv_mm2_s))
        return sqrt(float(g @ np.array(self.covariance) @ g) + (k * self.u_common_rel) ** 2)

    def to_dict(self) -> dict[str, Any]:
        """Plain data for a certificate (infinite ends as None); from_dict gives an equal curve."""
        data = asdict(self)
        for key in ("flow_l_min", "kv_mm2_s"):
            data[key] = [None if x == inf else x for x in data[key]]
        data["dof"] = None if self.dof == inf else self.dof
        return data

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> MeterCurve:
        ends = {key: tuple(inf if x is None else x for x in data[key]) for key in ("flow_l_min", "kv_mm2_s")}
        rows = tuple(tuple(row) for row in data["covariance"])
        dof = inf if data["dof"] is None else data["dof"]
        c0, c1, c2 = data["coefficients"]
        return cls(**{**data, **ends, "covariance": rows, "dof": dof, "coefficients": (c0, c1, c2)})

    def _basis(self, flow_l_min: float, kv_mm2_s: float | None) -> tuple[float, float, float]:
        if kv_mm2_s is None:
            raise ValueError(
                _(
                    "kinematic viscosity is unknown, but this meter's K-factor depends on it. Enter the fluid's viscosities at 40 °C and 100 °C."
                )
            )
        check_scalar(
            N_("flow rate"), flow_l_min, *self.flow_l_min, "L/min", N_("Prove the meter at this flow.")
        )
        check_scalar(
            N_("kinematic viscosity"),
            kv_mm2_s,
            *self.kv_mm2_s,
            "mm²/s",
            N_("Prove the meter with such a fluid."),
        )
        return 1.0, 1.0 / kv_mm2_s, 1.0 / (flow_l_min * kv_mm2_s)


def fit_curve(
    k_factors_per_l: Sequence[float],
    flows_l_min: Sequence[float],
    kvs_mm2_s: Sequence[float],
    *,
    u_common_rel: float = 0.0,
) -> MeterCurve:
    """K-factor curve through provings at several flows and viscosities, no more bent than they prove.

    One value each per proving, at least three provings. Terms enter one by one, the better first, and only
    if real at 99 % with at least one degree of freedom left. u_common_rel: what the provings share.
    Raises ValueError for unequal lengths, fewer provings, or values that are not positive and finite.
    """
    k, q, v = (np.asarray(x, dtype=float) for x in (k_factors_per_l, flows_l_min, kvs_mm2_s))
    if not (k.shape == q.shape == v.shape and k.ndim == 1 and k.size >= 3):
        raise ValueError(
            f"{k.size} K-factors, {q.size} flows and {v.size} viscosities, expected three or more of each."
        )
    for name, values in (("K-factor", k), ("flow rate", q), ("kinematic viscosity", v)):
        if not (np.isfinite(values).all() and (values > 0.0).all()):
            raise ValueError(f"{name} holds a value that is not positive. Repeat that proving.")
    columns = {0: np.ones_like(k), 1: 1.0 / v, 2: 1.0 / (q * v)}
    used, told = [0], ["constant"]
    b, c = _least_squares([columns[0]], k)
    while k.size - len(used) - 1 >= 1:
        trials = []
        for i in {1, 2} - set(used):
            if np.linalg.matrix_rank(np.stack([columns[j] / columns[j].max() for j in [*used, i]])) <= len(
                used
            ):
                continue
            b_i, c_i = _least_squares([columns[j] for j in [*used, i]], k)
            size = abs(b_i[-1]) / sqrt(c_i[-1, -1]) if c_i[-1, -1] > 0.0 else inf
            trials.append((size, i, b_i, c_i))
        if not trials:
            break
        size, i, b_i, c_i = max(trials, key=lambda trial: trial[0])
        needed = student_t(k.size - len(used) - 1, EVIDENCE_PERCENT)
        if size <= needed:
            told.append(f"next term {size:.1f} u, not proved")
            break
        used.append(i)
        b, c = b_i, c_i
        told.append(f"{('', '1/viscosity', '1/(flow x viscosity)')[i]} {size:.1f} u")
    coefficients, covariance = np.zeros(3), np.zeros((3, 3))
    coefficients[used] = b
    covariance[np.ix_(used, used)] = c
    return MeterCurve(
        coefficients=(float(coefficients[0]), float(coefficients[1]), float(coefficients[2])),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        u_common_rel=u_common_rel,
        flow_l_min=(float(q.min()), float(q.max())),
        kv_mm2_s=(float(v.min()), float(v.max())),
        dof=float(k.size - len(used)),
        reason=", ".join(told),
    )


def _least_squares(columns: Sequence[FloatArray], y: FloatArray) -> tuple[FloatArray, FloatArray]:
    scales = np.array([np.abs(column).max() for column in columns])
    q, r = np.linalg.qr(np.stack(columns, axis=1) / scales)
    b = np.linalg.solve(r, q.T @ y)
    residuals = y - np.stack(columns, axis=1) / scales @ b
    variance = float(residuals @ residuals) / (y.size - len(columns))
    inverse = np.linalg.inv(r)
    return b / scales, variance * (inverse @ inverse.T) / np.outer(scales, scales)


@dataclass(frozen=True)
class Proving:
    """A K-factor from weighed runs: mean, budget, repeatability and the runs themselves.

    repeatability_percent: (largest - smallest) / mean of the runs' K-factors x 100 (API MPMS 12.2.3).
    """

    budget: Budget
    repeatability_percent: float
    runs_k_per_l: tuple[float, ...]

    @property
    def k_factor_per_l(self) -> float:
        return self.budget.value

    @property
    def u_k_factor_per_l(self) -> float:
        return self.budget.u

    @property
    def dof(self) -> float:
        return self.budget.dof

    def repeats(self, target_u95_rel: float = CUSTODY_U95_REL) -> bool:
        """Whether the range of the runs keeps the limit of API MPMS 4.8 for a target (see there)."""
        return self.repeatability_percent <= repeatability_limit_percent(
            len(self.runs_k_per_l), target_u95_rel
        )

    def meter_factor(self, k_in_use_per_l: float) -> tuple[float, float]:
        """(true volume over the volume that k_in_use would give, its standard uncertainty)."""
        check_scalar("K-factor in use", k_in_use_per_l, 1e-3, 1e7, "1/L")
        factor = k_in_use_per_l / self.k_factor_per_l
        return factor, factor * self.u_k_factor_per_l / self.k_factor_per_l


def repeatability_limit_percent(runs: int, target_u95_rel: float = CUSTODY_U95_REL) -> float:
    """Largest range in per cent of the mean that n runs may show, for a mean known to ± target at 95 %.

    runs: 3 to 20. target_u95_rel: 0.00027 is the custody-transfer limit of pipeline meters; a small
    positive-displacement meter needs a wider one. Raises ValueError outside.
    Source: API MPMS 4.8, appendix A: w = target x D(n) x sqrt(n) / t(95 %, n - 1) (form from memory).
    """
    if runs not in MEAN_RANGE or runs < 3:
        raise ValueError(f"number of runs is {runs!r}, expected 3 to {max(MEAN_RANGE)}.")
    check_scalar("target", target_u95_rel, 1e-6, 0.1, "", "Enter 0.1 % as 0.001.")
    return 100.0 * target_u95_rel * MEAN_RANGE[runs] * sqrt(runs) / student_t(runs - 1, 95)


def prove(
    pulses: npt.ArrayLike,
    masses_kg: npt.ArrayLike,
    temperatures_c: npt.ArrayLike,
    fluid: Fluid | Mapping[str, Any],
    *,
    u_masses_rel: float = 0.0,
    u_temperature_c: float = 0.0,
    pulse_resolution: float = 1.0,
) -> Proving:
    """Prove a meter by weighing: at least five runs of pulses against mass.

    pulses: counted per run. masses_kg: kg per run, buoyancy already taken out (mass_from_indication).
    temperatures_c: of the fluid at the meter, one per run or one for all. fluid: a Fluid, or its table.
    u_masses_rel, u_temperature_c: standard uncertainties of scale and thermometer, common to all runs;
    they are 0 unless stated, and the budget shows them as 0. pulse_resolution: pulses between which a
    run's ends cannot be told. Raises ValueError for fewer than five runs, unequal lengths, values that
    are not positive, or a temperature that the fluid's source does not cover.
    """
    oil = fluid if isinstance(fluid, Fluid) else Fluid.from_table(fluid)
    n, m = np.asarray(pulses, dtype=float), np.asarray(masses_kg, dtype=float)
    if n.ndim != 1 or n.shape != m.shape:
        raise ValueError(f"pulses {n.shape} and masses {m.shape} differ, expected one of each per run.")
    if n.size < MINIMUM_RUNS:
        raise ValueError(
            _("{size} proving runs, expected at least {minimum_runs}. Weigh more runs.").format(
                size=n.size, minimum_runs=MINIMUM_RUNS
            )
        )
    if not (np.isfinite(n).all() and np.isfinite(m).all() and (n > 0.0).all() and (m > 0.0).all()):
        raise ValueError(_("pulses or masses hold a value that is not positive. Repeat that run."))
    t = np.asarray(temperatures_c, dtype=float)
    if t.shape not in ((), n.shape):
        raise ValueError(
            _("temperatures {shape} for {size} runs, expected one, or one per run.").format(
                shape=t.shape, size=n.size
            )
        )
    t = np.broadcast_to(t, n.shape)
    k = n * np.array([oil.density_kg_m3(float(x)) for x in t]) / (1000.0 * m)
    mean = float(k.mean())
    inputs = {
        "scatter of the runs": (mean, float(k.std(ddof=1)) / sqrt(k.size), float(k.size - 1)),
        # a run's two ends each lie anywhere within a pulse: triangular, JCGM 100, 4.3.9
        "pulse resolution": (1.0, pulse_resolution / sqrt(6.0) / float(n.mean()) / sqrt(k.size), inf),
        "scale": (1.0, u_masses_rel, inf),
        "fluid density": (1.0, oil.u_density_rel, inf),
        "fluid temperature": (0.0, u_temperature_c, inf),
    }
    expansion = oil.expansion_at_per_c(float(t.mean())) if u_temperature_c > 0.0 else 0.0

    def model(i: Mapping[str, Any]) -> Any:
        k_run = i["scatter of the runs"] * i["pulse resolution"] * i["fluid density"] / i["scale"]
        return k_run * (1.0 - expansion * i["fluid temperature"])

    budget = propagate("K-factor", "1/L", inputs, model)
    return Proving(budget, float(np.ptp(k)) / mean * 100.0, tuple(k.tolist()))
