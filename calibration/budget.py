"""Uncertainty budgets after the Guide (JCGM 100): what each figure owes to each of its inputs.

The propagation is GTC's (general-purpose, keeps degrees of freedom); only the equations and the names of
the terms are ours. GTC takes about half a second to import, so it is loaded with the first budget;
`preload()` does that at a moment when nobody waits.

A Budget is plain data: a page can draw it, a ledger can keep it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite
from typing import Any

from calibration.buoyancy import REFERENCE_DENSITY_KG_M3

CONFIDENCE_PERCENT = 95


@dataclass(frozen=True)
class Term:
    """One input's part: u in the result's unit (|sensitivity| x u of the input), share of the variance."""

    name: str
    u: float
    share: float
    dof: float


@dataclass(frozen=True)
class Budget:
    """A value with its standard uncertainty, effective degrees of freedom and terms, largest first."""

    quantity: str
    unit: str
    value: float
    u: float
    dof: float
    coverage_factor: float
    terms: tuple[Term, ...]

    @property
    def u95(self) -> float:
        """Expanded uncertainty, 95 % coverage (Student's t for the effective degrees of freedom)."""
        return self.coverage_factor * self.u

    def to_dict(self) -> dict[str, Any]:
        """Plain data; infinite degrees of freedom become None, which JSON can carry."""
        return {
            "quantity": self.quantity,
            "unit": self.unit,
            "value": self.value,
            "u": self.u,
            "dof": _finite(self.dof),
            "coverage_factor": self.coverage_factor,
            "u95": self.u95,
            "terms": [
                {"name": t.name, "u": t.u, "share": t.share, "dof": _finite(t.dof)} for t in self.terms
            ],
        }


def preload() -> None:
    """Load the metrology library now, so that the first budget of a job does not wait for it."""
    import GTC  # noqa: F401  (the import is the purpose)


def drained(
    *,
    indicated_kg: float,
    u_indication_kg: float,
    u_slope_rel: float,
    u_creep_kg: float,
    density_kg_m3: float,
    density_reference_kg_m3: float,
    u_density_rel: float,
    air_density_kg_m3: float,
    u_air_density_kg_m3: float = 0.01,
    dof_slope: float = inf,
    quantity: str = "drained",
) -> Budget:
    """Budget in litres at the reference temperature for a mass weighed in the pan (also overflow).

    V = 1000 W (1 - ra/8000) / (1 - ra/rho_T) / rho_ref with W the indicated kg, densities in kg/m³. The
    density's relative uncertainty is one input for rho_T and rho_ref, since both come from one value.
    Raises ValueError for a negative or not finite uncertainty.
    """

    def model(i: dict[str, Any]) -> Any:
        mass = i["indication"] * i["scale slope"] + i["creep and drift"]
        density, air = density_kg_m3 * i["fluid density"], i["air density"]
        lift = (1.0 - air / REFERENCE_DENSITY_KG_M3) / (1.0 - air / density)
        return 1000.0 * mass * lift / (density_reference_kg_m3 * i["fluid density"])

    inputs = {
        "indication": (indicated_kg, u_indication_kg, inf),
        "scale slope": (1.0, u_slope_rel, dof_slope),
        "creep and drift": (0.0, u_creep_kg, inf),
        "fluid density": (1.0, u_density_rel, inf),
        "air density": (air_density_kg_m3, u_air_density_kg_m3, inf),
    }
    return _propagate(quantity, inputs, model)


def metered(
    *,
    volume_reference_l: float,
    u_pulses_l: float,
    u_k_rel: float,
    expansion_per_c: float,
    u_temperature_c: float,
    dof_k: float = inf,
) -> Budget:
    """Budget in litres at the reference temperature for a volume counted by the meter.

    volume_reference_l already carries K-factor and temperature correction; expansion_per_c is the
    fluid's volume expansion in 1/K. Raises ValueError for a negative or not finite uncertainty.
    """

    def model(i: dict[str, Any]) -> Any:
        volume = (volume_reference_l + i["pulse count"]) * i["K-factor"]
        return volume * (1.0 - expansion_per_c * i["fluid temperature"])

    inputs = {
        "pulse count": (0.0, u_pulses_l, inf),
        "K-factor": (1.0, u_k_rel, dof_k),
        "fluid temperature": (0.0, u_temperature_c, inf),
    }
    return _propagate("metered", inputs, model)


def filled(metered: Budget, overflow: Budget) -> Budget:
    """Budget of filled = metered - overflow, in litres.

    The two are taken as independent. Where the meter was proved on the same pan, their errors share a
    sign and would partly cancel in the difference, so independence errs on the large side.
    """
    inputs = {f"{b.quantity}: {t.name}": (0.0, t.u, t.dof) for b in (metered, overflow) for t in b.terms}
    value = metered.value - overflow.value
    return _propagate("filled", inputs, lambda i: sum(i.values(), value))


def _propagate(
    quantity: str, inputs: dict[str, tuple[float, float, float]], model: Callable[[dict[str, Any]], Any]
) -> Budget:
    from GTC import reporting, result, ureal

    for name, (value, u, _) in inputs.items():
        if not (isfinite(value) and isfinite(u) and u >= 0.0):
            raise ValueError(
                f"{quantity}: input {name!r} is {value!r} with u {u!r}, expected finite numbers and u >= 0."
            )
    # GTC takes a zero uncertainty for a constant and drops it; the term stays in the budget as 0.
    numbers = {
        name: ureal(value, u, dof, label=name) if u > 0.0 else value
        for name, (value, u, dof) in inputs.items()
    }
    y = model(numbers)
    if all(u == 0.0 for _, u, _ in inputs.values()):
        zero = tuple(Term(name, 0.0, 0.0, dof) for name, (_, _, dof) in inputs.items())
        return Budget(quantity, "L", float(y), 0.0, inf, 1.959963984540054, zero)
    y = result(y)
    terms = []
    for name, (_, u, dof) in inputs.items():
        part = abs(reporting.u_component(y, numbers[name])) if u > 0.0 else 0.0
        terms.append(Term(name, part, part * part / y.v if y.v > 0.0 else 0.0, dof))
    terms.sort(key=lambda t: -t.u)
    k = reporting.k_factor(y.df, CONFIDENCE_PERCENT)
    return Budget(quantity, "L", y.x, y.u, y.df, k, tuple(terms))


def _finite(x: float) -> float | None:
    return x if isfinite(x) else None
