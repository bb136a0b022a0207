"""Uncertainty budgets after the Guide (JCGM 100): what each figure owes to each of its inputs.

The propagation is GTC's (general-purpose, made by metrologists, keeps degrees of freedom); only the
equations and the names of the terms are ours. GTC takes a while to import (`by_gtc.py`), so it is loaded with
the first budget; `preload()` does that at a moment when nobody waits.

A Budget is plain data: a page can draw it, a ledger can keep it. The equations are module-level functions
that take numbers, arrays or uncertain numbers alike, so that Monte Carlo (calibration.montecarlo) can
cross-check the very same ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf, isfinite, isinf, sqrt
from typing import Any, Final

from calibration.buoyancy import REFERENCE_DENSITY_KG_M3
from calibration.by_gtc import gtc
from calibration.student import student_t

CONFIDENCE_PERCENT: Final = 95
NORMAL_95: Final = 1.959963984540054  # two-sided 95 % of the normal distribution

Inputs = Mapping[str, tuple[float, float, float]]  # name -> (value, standard uncertainty, dof)
Model = Callable[[Mapping[str, Any]], Any]


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

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Budget:
        """The budget that to_dict wrote; u95 is worked out again."""
        terms = tuple(
            Term(t["name"], t["u"], t["share"], inf if t["dof"] is None else t["dof"]) for t in data["terms"]
        )
        dof = inf if data["dof"] is None else data["dof"]
        names = ("quantity", "unit", "value", "u", "coverage_factor")
        return cls(**{name: data[name] for name in names}, dof=dof, terms=terms)


def expanded(u: float, dof: float = inf) -> float:
    """U95 of a standard uncertainty: 95 % coverage by Student's t, everywhere in the house (JCGM 100, G.3.4)."""
    if isinf(dof):
        return NORMAL_95 * u
    return student_t(dof, CONFIDENCE_PERCENT) * u


def preload() -> None:
    """Load the metrology library now, so that the first budget of a job does not wait for it."""
    gtc()


def weighed_model(density_kg_m3: float, density_reference_kg_m3: float) -> Model:
    """Litres at the reference temperature from the inputs that `drained` names; densities in kg/m³."""

    def model(i: Mapping[str, Any]) -> Any:
        mass = i["indication"] * i["scale slope"] + i["creep and drift"]
        mass = mass + i["nonlinearity"] + i["cell temperature"] + i["zero wander"]
        density, air = density_kg_m3 * i["fluid density"], i["air density"]
        lift = (1.0 - air / REFERENCE_DENSITY_KG_M3) / (1.0 - air / density)
        return 1000.0 * mass * lift / (density_reference_kg_m3 * i["fluid density"])

    return model


def metered_model(volume_reference_l: float, expansion_per_c: float) -> Model:
    """Litres at the reference temperature from the inputs that `metered` names."""

    def model(i: Mapping[str, Any]) -> Any:
        volume = (volume_reference_l + i["pulse count"]) * i["K-factor"] * i["slip"] * i["meter body"]
        return volume * (1.0 - expansion_per_c * i["fluid temperature"]) * i["fluid expansion"]

    return model


def weighed_inputs(
    *,
    indicated_kg: float,
    u_indication_kg: float,
    u_slope_rel: float,
    u_creep_kg: float,
    u_density_rel: float,
    air_density_kg_m3: float,
    u_air_density_kg_m3: float,
    u_linearity_kg: float = 0.0,
    u_cell_temperature_kg: float = 0.0,
    u_wander_kg: float = 0.0,
    dof_indication: float = inf,
    dof_slope: float = inf,
) -> Inputs:
    """The inputs of a weighed volume as (value, u, degrees of freedom); see `drained`."""
    return {
        "indication": (indicated_kg, u_indication_kg, dof_indication),
        "scale slope": (1.0, u_slope_rel, dof_slope),
        "creep and drift": (0.0, u_creep_kg, inf),
        "nonlinearity": (0.0, u_linearity_kg, inf),
        "cell temperature": (0.0, u_cell_temperature_kg, inf),
        "zero wander": (0.0, u_wander_kg, inf),
        "fluid density": (1.0, u_density_rel, inf),
        "air density": (air_density_kg_m3, u_air_density_kg_m3, inf),
    }


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
    u_linearity_kg: float = 0.0,
    u_cell_temperature_kg: float = 0.0,
    u_wander_kg: float = 0.0,
    dof_indication: float = inf,
    dof_slope: float = inf,
    quantity: str = "drained",
) -> Budget:
    """Budget in litres at the reference temperature for a mass weighed in the pan (also overflow).

    V = 1000 W (1 - ra/8000) / (1 - ra/rho_T) / rho_ref with W the indicated kg, densities in kg/m³. The
    density's relative uncertainty is one input for rho_T and rho_ref, since both come from one value.
    u_linearity_kg: what the line misses between its known masses. u_cell_temperature_kg: zero and slope of a cell that
    warms. u_wander_kg: of its zero from the first weighing to the second.
    Raises ValueError for a negative or not finite uncertainty or a density that is not positive.
    """
    for name, density in (("density", density_kg_m3), ("reference density", density_reference_kg_m3)):
        if not 0.0 < density < inf:
            raise ValueError(f"{quantity}: {name} is {density!r} kg/m³, expected a positive number.")
    inputs = weighed_inputs(
        indicated_kg=indicated_kg,
        u_indication_kg=u_indication_kg,
        u_slope_rel=u_slope_rel,
        u_creep_kg=u_creep_kg,
        u_density_rel=u_density_rel,
        air_density_kg_m3=air_density_kg_m3,
        u_air_density_kg_m3=u_air_density_kg_m3,
        u_linearity_kg=u_linearity_kg,
        u_cell_temperature_kg=u_cell_temperature_kg,
        u_wander_kg=u_wander_kg,
        dof_indication=dof_indication,
        dof_slope=dof_slope,
    )
    return propagate(quantity, "L", inputs, weighed_model(density_kg_m3, density_reference_kg_m3))


def metered(
    *,
    volume_reference_l: float,
    u_pulses_l: float,
    u_k_rel: float,
    expansion_per_c: float,
    u_temperature_c: float,
    u_slip_rel: float = 0.0,
    u_body_rel: float = 0.0,
    u_expansion_rel: float = 0.0,
    dof_k: float = inf,
) -> Budget:
    """Budget in litres at the reference temperature for a volume counted by the meter.

    volume_reference_l already carries K-factor and temperature correction; expansion_per_c is the
    fluid's volume expansion in 1/K. u_slip_rel: what flow and viscosity may have done to the K-factor. u_body_rel: of
    the meter's own expansion. u_expansion_rel: of the temperature correction, for the doubt in the fluid's expansion.
    Raises ValueError for a negative or not finite uncertainty.
    """
    inputs = {
        "pulse count": (0.0, u_pulses_l, inf),
        "K-factor": (1.0, u_k_rel, dof_k),
        "slip": (1.0, u_slip_rel, inf),
        "meter body": (1.0, u_body_rel, inf),
        "fluid expansion": (1.0, u_expansion_rel, inf),
        "fluid temperature": (0.0, u_temperature_c, inf),
    }
    return propagate("metered", "L", inputs, metered_model(volume_reference_l, expansion_per_c))


def filled(metered: Budget, overflow: Budget) -> Budget:
    """Budget of filled = metered - overflow, in litres.

    The two are taken as independent. Where the meter was proved on the same pan, their errors share a
    sign and partly cancel in the difference, so independence errs on the large side.
    """
    inputs = {f"{b.quantity}: {t.name}": (0.0, t.u, t.dof) for b in (metered, overflow) for t in b.terms}
    value = metered.value - overflow.value
    return propagate("filled", "L", inputs, lambda i: sum(i.values(), value))


SHARED: Final = ("fluid density", "air density")
"""What two pans of one job have in common: the fluid that fell into both, and the air around them."""


def together(first: Budget, second: Budget) -> Budget:
    """Budget of what two pans weighed of one fluid, in litres: their sum.

    Each pan's own terms are independent of the other's. Fluid and air are the same in both, so those terms add up as
    they stand: half in either pan gives the doubt that all of it in one would have.
    """
    common = {term.name: term.u for term in second.terms if term.name in SHARED}
    inputs = {t.name: (0.0, t.u + common.get(t.name, 0.0), t.dof) for t in first.terms}
    own = [term for term in second.terms if term.name not in SHARED]
    inputs |= {f"second pan: {t.name}": (0.0, t.u, t.dof) for t in own}
    value = first.value + second.value
    return propagate(first.quantity, first.unit, inputs, lambda i: sum(i.values(), value))


def propagate(quantity: str, unit: str, inputs: Inputs, model: Model) -> Budget:
    """Law of propagation of uncertainty for independent inputs (JCGM 100, 5.1.2 and G.4.1), by GTC.

    inputs: name -> (value, standard uncertainty, degrees of freedom). model: takes name -> number, array
    or uncertain number. Raises ValueError naming the input that is not finite or has a negative u.
    """
    for name, (value, u, dof) in inputs.items():
        if not (isfinite(value) and isfinite(u) and u >= 0.0 and dof >= 1.0):
            raise ValueError(
                f"{quantity}: input {name!r} is {value!r} with u {u!r} and {dof!r} degrees of freedom, "
                "expected finite numbers, u of 0 or more and at least 1 degree of freedom."
            )
    reporting, ureal = gtc().reporting, gtc().ureal
    # GTC takes a zero uncertainty for a constant, so those inputs stay plain numbers and terms of 0.
    numbers = {
        name: ureal(value, u, dof, label=name) if u > 0.0 else value
        for name, (value, u, dof) in inputs.items()
    }
    y = model(numbers)
    parts = {
        name: abs(reporting.u_component(y, x)) if hasattr(y, "u") and hasattr(x, "u") else 0.0
        for name, x in numbers.items()
    }
    variance = sum(part * part for part in parts.values())
    terms = sorted(
        (
            Term(name, part, part * part / variance if variance > 0.0 else 0.0, inputs[name][2])
            for name, part in parts.items()
        ),
        key=lambda term: -term.u,
    )
    if variance == 0.0:
        return Budget(quantity, unit, float(y.x if hasattr(y, "x") else y), 0.0, inf, NORMAL_95, tuple(terms))
    k = student_t(y.df, CONFIDENCE_PERCENT)
    return Budget(quantity, unit, y.x, sqrt(variance), y.df, k, tuple(terms))


def _finite(x: float) -> float | None:
    return x if isfinite(x) else None
