"""From pulses to volume: the meter's K-factor curve, and proving it by weighing.

K-factor: pulses per litre of fluid at the temperature at which it passes the meter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from calibration.fluid import Fluid
from calibration.ranges import check_scalar

MINIMUM_RUNS: Final = 5


@dataclass(frozen=True)
class MeterCurve:
    """K-factor over flow rate and kinematic viscosity: K = k_l (1 - slip / (flow x viscosity)).

    A positive-displacement meter loses what slips past its rotors: slip flow is pressure drop over
    dynamic viscosity, so its share falls with flow x viscosity. slip_l_mm2_per_min_s = 0 is a constant.
    """

    k_per_l: float
    slip: float = 0.0  # L/min x mm²/s

    def k_factor_per_l(self, flow_l_min: float, kv_mm2_s: float | None) -> float:
        """Pulses per litre at a flow in L/min and a kinematic viscosity in mm²/s (None if not known)."""
        if self.slip == 0.0:
            return self.k_per_l
        if kv_mm2_s is None:
            raise ValueError(
                "viscosity is unknown, but this meter's K-factor depends on it. Enter KV40 and KV100."
            )
        check_scalar("flow rate", flow_l_min, 1e-6, 1e6, "L/min")
        check_scalar("kinematic viscosity", kv_mm2_s, 0.2, 2e7, "mm²/s")
        return self.k_per_l * (1.0 - self.slip / (flow_l_min * kv_mm2_s))


@dataclass(frozen=True)
class Proving:
    """A K-factor from weighed runs, with its standard uncertainty and its repeatability."""

    k_factor_per_l: float
    u_k_factor_per_l: float
    repeatability_percent: float
    dof: float
    runs_k_per_l: tuple[float, ...]


def prove(
    pulses: npt.ArrayLike,
    masses_kg: npt.ArrayLike,
    temperatures_c: npt.ArrayLike,
    fluid: Fluid | Mapping[str, Any],
) -> Proving:
    """Prove a meter by weighing: at least five runs of pulses against mass.

    pulses: counted per run. masses_kg: kg per run, buoyancy already taken out (mass_from_indication).
    temperatures_c: of the fluid at the meter, one per run or one for all. fluid: gives the density there.
    Raises ValueError for fewer than five runs, or values that are not finite and positive.
    """
    oil = fluid if isinstance(fluid, Fluid) else Fluid.from_table(fluid)
    n, m = np.asarray(pulses, dtype=float), np.asarray(masses_kg, dtype=float)
    if n.ndim != 1 or n.shape != m.shape:
        raise ValueError(f"pulses {n.shape} and masses {m.shape} differ, expected one of each per run.")
    if n.size < MINIMUM_RUNS:
        raise ValueError(f"{n.size} proving runs, expected at least {MINIMUM_RUNS}. Weigh more runs.")
    if not (np.isfinite(n).all() and np.isfinite(m).all() and (n > 0.0).all() and (m > 0.0).all()):
        raise ValueError("pulses or masses hold a value that is not positive. Repeat that run.")
    t = np.broadcast_to(np.asarray(temperatures_c, dtype=float), n.shape)
    density = np.array([oil.density_kg_m3(float(x)) for x in t])
    k = n * density / (1000.0 * m)
    mean = float(k.mean())
    type_a = float(k.std(ddof=1)) / sqrt(k.size)
    u = sqrt(type_a**2 + (mean * oil.u_density_rel) ** 2)
    dof = (k.size - 1) * (u / type_a) ** 4 if type_a > 0.0 else float("inf")
    return Proving(mean, u, float(np.ptp(k)) / mean * 100.0, dof, tuple(float(x) for x in k))
