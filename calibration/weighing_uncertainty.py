"""From what a calibration found to the terms of a job's budget: the bridge that makes a figure traceable."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf

from calibration.loadcell import LoadCellFit
from calibration.weighing_classes import Findings

REPEATS_REL = 2.5e-4
"""Standard deviation of a load put on again, of the calibrated span, where nobody tried."""
BRANCHES_REL = 1.5e-4
"""Standard uncertainty from hysteresis, of the span, where nobody unloaded."""
CORNERS_REL = 6.0e-4
"""Of the load, where no corner was tried: the pan of four cells that was never trimmed."""
CREEPS_REL = 3.0e-4
"""Of the span in half an hour, where nobody waited."""
RETURNS_REL = 2.0e-4
"""Of the span, where the empty pan was not read after a long load."""
ZERO_REL_PER_C = 2.0e-5
"""Zero per kelvin, of the span, where no warming was watched. From memory: good cells stay within 0.02 % of full scale per
10 K, cheap ones within 0.05 %.

What was not examined counts as the poorest of the usual: common practice, no source, but for the last. An examination can
only narrow it, unless it finds a pan that is worse than usual."""


EXAMINED = ("hysteresis", "repeatability", "corner_load", "creep", "zero_return", "temperature_effect")
"""The findings that may be missing."""


@dataclass(frozen=True)
class WeighingUncertainty:
    """Standard uncertainties of one weighing on a calibrated pan, named as budget.drained takes them.

    u_kg_per_c: of the zero, for each kelvin that the cell warms.
    """

    u_indication_kg: float
    u_slope_rel: float
    u_creep_kg: float
    u_linearity_kg: float
    u_kg_per_c: float
    dof_indication: float
    dof_slope: float


def weighing_uncertainty(fit: LoadCellFit, findings: Findings) -> WeighingUncertainty:
    """Combine a fit with the findings of the guided procedures; what was not examined counts as the poorest usual.

    Indication: repeatability (its degrees of freedom kept) and hysteresis. Slope: the fit with its known
    masses, and corner load. Creep: creep and return to zero. Linearity: what the fit leaves at its own masses, so much
    of which may lie between them. How far the cell warms is left to the job.
    """
    span = abs(float(fit.mass_kg(fit.counts_high)) - float(fit.mass_kg(fit.counts_low)))
    sd = findings.repeatability.sd_kg if findings.repeatability is not None else REPEATS_REL * span
    branch = findings.hysteresis.u_kg if findings.hysteresis is not None else BRANCHES_REL * span
    corner = findings.corner_load.u_rel if findings.corner_load is not None else CORNERS_REL
    creep = findings.creep.u_kg if findings.creep is not None else CREEPS_REL * span
    zero = findings.zero_return.u_kg if findings.zero_return is not None else RETURNS_REL * span
    warming = findings.temperature_effect
    per_c = ZERO_REL_PER_C * span if warming is None else hypot(warming.kg_per_c, warming.u_kg_per_c)
    u_indication, u_slope = hypot(sd, branch), hypot(fit.u_slope_rel, corner)
    runs = findings.repeatability.n if findings.repeatability is not None else 0
    # the slope's scatter part alone has the fit's degrees of freedom; known masses and corner are type B
    scatter = (max(fit.u_slope_rel**2 - fit.u_reference_rel**2, 0.0)) ** 0.5
    return WeighingUncertainty(
        u_indication_kg=u_indication,
        u_slope_rel=u_slope,
        u_creep_kg=hypot(creep, zero),
        u_linearity_kg=fit.residual_sd_kg,
        u_kg_per_c=per_c,
        dof_indication=_effective(u_indication, sd, runs - 1) if runs else inf,
        dof_slope=_effective(u_slope, scatter, fit.dof),
    )


def _effective(u: float, type_a: float, dof: int) -> float:
    """Welch and Satterthwaite (JCGM 100, G.4.1) where only one part has finite degrees of freedom."""
    # a millionth of u has no say, and its fourth power no number
    return float(dof) * (u / type_a) ** 4 if type_a > 1e-6 * u else inf
