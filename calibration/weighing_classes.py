"""Accuracy classes of scales (OIML R 76-1:2006): what a calibrated pan could honestly claim.

A claim here compares measured errors with the class's limits. It is no verification: that needs an
approved pattern and a weights-and-measures authority.

Sources: R 76-1:2006, Table 6 (maximum permissible errors, class III as read; class IIII from memory),
3.6.1 repeatability, 3.6.2 eccentric load, 3.9.4 creep and return to zero, 3.9.2.3 temperature (these five
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from calibration.procedures import CornerLoad, Creep, Hysteresis, Repeatability, TemperatureEffect, ZeroReturn
from calibration.ranges import check_scalar

WeighingClass = Literal["III", "IIII"]

# Upper ends of the steps in verification intervals: 0.5 e up to the first, 1.0 e to the second, 1.5 e.
MPE_STEPS: Final[dict[WeighingClass, tuple[int, int, int]]] = {
    "III": (500, 2_000, 10_000),
    "IIII": (50, 200, 1_000),
}
# Intervals offered to a claim, in kg: 1, 2 and 5 times powers of ten.
INTERVALS_KG: Final = (
    0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0,
)  # fmt: skip
TEMPERATURE_STEP_C: Final = 5.0


@dataclass(frozen=True)
class Check:
    """One requirement: what was found and what the class allows, in kg."""

    name: str
    found_kg: float
    limit_kg: float

    @property
    def kept(self) -> bool:
        # a microgram of grace: differences of decimals miss a limit that they meet by a double's last digit
        return abs(self.found_kg) <= self.limit_kg + 1e-9


@dataclass(frozen=True)
class Findings:
    """What a calibration found out about a pan; a procedure that was not done is None.

    errors_kg: (load, indication minus load) pairs in kg, loading and unloading, zero taken off.
    """

    max_kg: float
    errors_kg: tuple[tuple[float, float], ...]
    hysteresis: Hysteresis | None = None
    repeatability: Repeatability | None = None
    corner_load: CornerLoad | None = None
    creep: Creep | None = None
    zero_return: ZeroReturn | None = None
    temperature_effect: TemperatureEffect | None = None


@dataclass(frozen=True)
class Claim:
    """The finest interval whose limits all findings keep, with every check and what was not examined."""

    weighing_class: WeighingClass
    interval_kg: float
    intervals: float
    checks: tuple[Check, ...]
    not_examined: tuple[str, ...]


def mpe_kg(
    weighing_class: WeighingClass, interval_kg: float, load_kg: float, in_service: bool = False
) -> float:
    """Maximum permissible error in kg at a load in kg, for a verification interval e in kg.

    At initial verification; twice that in service. Raises ValueError for a load beyond the class's last
    step, an interval that is not positive or another class. Source: OIML R 76-1:2006, Table 6 and 3.5.2.
    """
    if weighing_class not in MPE_STEPS:
        raise ValueError(f"class is {weighing_class!r}, expected one of {', '.join(MPE_STEPS)}.")
    check_scalar("verification interval", interval_kg, 1e-6, 100.0, "kg")
    steps = MPE_STEPS[weighing_class]
    n = load_kg / interval_kg
    check_scalar("load", load_kg, 0.0, steps[-1] * interval_kg * (1 + 1e-12), "kg")
    factor = next((0.5 * (i + 1) for i, end in enumerate(steps) if n <= end * (1 + 1e-12)), 1.5)
    return factor * interval_kg * (2.0 if in_service else 1.0)


def claim(findings: Findings) -> Claim | None:
    """The finest class III, else class IIII, interval that the findings allow; None if there is none.

    Raises ValueError without any weighing errors, or for a maximum that is not positive.
    """
    check_scalar("maximum of the pan", findings.max_kg, 0.01, 1_000.0, "kg")
    if not findings.errors_kg:
        raise ValueError(
            "no weighing errors to judge, expected at least one load. Calibrate with known masses."
        )
    for weighing_class in MPE_STEPS:
        for interval_kg in INTERVALS_KG:
            if not _allowed(weighing_class, interval_kg, findings.max_kg):
                continue
            checks = _checks(findings, weighing_class, interval_kg)
            if all(check.kept for check in checks):
                return Claim(
                    weighing_class,
                    interval_kg,
                    findings.max_kg / interval_kg,
                    checks,
                    _not_examined(findings),
                )
    return None


def _allowed(weighing_class: WeighingClass, interval_kg: float, max_kg: float) -> bool:
    """R 76-1, Table 3: class III has 100 (e up to 2 g) or 500 to 10,000 intervals, class IIII 100 to 1,000."""
    n = max_kg / interval_kg
    if weighing_class == "IIII":
        return interval_kg >= 0.005 and 100 <= n <= 1_000
    return (100 if interval_kg <= 0.002 else 500) <= n <= 10_000


def _checks(f: Findings, weighing_class: WeighingClass, e: float) -> tuple[Check, ...]:
    def mpe(load_kg: float) -> float:
        return mpe_kg(weighing_class, e, min(max(load_kg, 0.0), f.max_kg))

    load, error = max(f.errors_kg, key=lambda pair: abs(pair[1]) / mpe(pair[0]))
    checks = [Check(f"error at {load:g} kg", error, mpe(load))]
    if f.hysteresis is not None:
        # Both branches must keep the limit, so their difference can be at most twice it.
        checks.append(Check("hysteresis", f.hysteresis.difference_kg, 2.0 * mpe(f.hysteresis.at_kg)))
    if f.repeatability is not None:
        checks.append(Check("repeatability", f.repeatability.range_kg, mpe(f.repeatability.mean_kg)))
    if f.corner_load is not None:
        checks.append(Check("corner load", f.corner_load.largest_kg, mpe(f.corner_load.load_kg)))
    if f.creep is not None:
        checks.append(Check("creep in 30 min", f.creep.change_30_min_kg, 0.5 * e))
        checks.append(Check("creep from 15 to 30 min", f.creep.change_15_to_30_min_kg, 0.2 * e))
    if f.zero_return is not None:
        checks.append(Check("return to zero", f.zero_return.change_kg, 0.5 * e))
    if f.temperature_effect is not None:
        checks.append(Check("zero per 5 °C", f.temperature_effect.change_kg(TEMPERATURE_STEP_C), e))
    return tuple(checks)


def _not_examined(f: Findings) -> tuple[str, ...]:
    names = ("hysteresis", "repeatability", "corner_load", "creep", "zero_return", "temperature_effect")
    return tuple(name.replace("_", " ") for name in names if getattr(f, name) is None)
