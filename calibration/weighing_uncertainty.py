"""From what a calibration found to the terms of a job's budget: the bridge that makes a figure traceable."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf

from calibration.loadcell import LoadCellFit
from calibration.weighing_classes import Findings


@dataclass(frozen=True)
class WeighingUncertainty:
    """Standard uncertainties of one weighing on a calibrated pan, named as budget.drained takes them."""

    u_indication_kg: float
    u_slope_rel: float
    u_creep_kg: float
    dof_indication: float
    dof_slope: float


def weighing_uncertainty(fit: LoadCellFit, findings: Findings) -> WeighingUncertainty:
    """Combine a fit with the findings of the guided procedures; what was not examined adds nothing.

    Indication: repeatability (its degrees of freedom kept) and hysteresis. Slope: the fit with its known
    masses, and corner load. Creep: creep and return to zero. Temperature is left to the job, which knows
    how far the shop is from the calibration's temperature.
    """
    sd = findings.repeatability.sd_kg if findings.repeatability is not None else 0.0
    branch = findings.hysteresis.u_kg if findings.hysteresis is not None else 0.0
    corner = findings.corner_load.u_rel if findings.corner_load is not None else 0.0
    creep = findings.creep.u_kg if findings.creep is not None else 0.0
    zero = findings.zero_return.u_kg if findings.zero_return is not None else 0.0
    u_indication, u_slope = hypot(sd, branch), hypot(fit.u_slope_rel, corner)
    runs = findings.repeatability.n if findings.repeatability is not None else 0
    # the slope's scatter part alone has the fit's degrees of freedom; known masses and corner are type B
    scatter = (max(fit.u_slope_rel**2 - fit.u_reference_rel**2, 0.0)) ** 0.5
    return WeighingUncertainty(
        u_indication_kg=u_indication,
        u_slope_rel=u_slope,
        u_creep_kg=hypot(creep, zero),
        dof_indication=_effective(u_indication, sd, runs - 1),
        dof_slope=_effective(u_slope, scatter, fit.dof),
    )


def _effective(u: float, type_a: float, dof: int) -> float:
    """Welch and Satterthwaite (JCGM 100, G.4.1) where only one part has finite degrees of freedom."""
    return float(dof) * (u / type_a) ** 4 if type_a > 0.0 else inf
