"""From what the technician picked or typed to a job's spec."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import ConfigDict, Field

from calibration.fluid import Fluid
from station.calibrating.in_force import Lines
from station.common.digits import number
from station.common.distance import parse_distance_km
from station.common.schema import read
from station.common.words import N_, _
from station.core import interlocks, warnings
from station.errors import InputError
from station.filling.hose import same_grade
from station.given.config import BayConfig, Compartment
from station.given.job import RETAINED_BY_METHOD, JobSpec, JobTable, job_spec, widest_tolerance_l
from station.given.settings import Settings

NAMES = {
    "capacity": N_("Listed capacity"),
    "method": N_("Emptied by"),
    "tolerance_minus": N_("Tolerance below"),
    "tolerance_plus": N_("Tolerance above"),
}
"""What the plan's fields are called on the page."""


Line = Annotated[str, Field(max_length=200)]


@dataclass(frozen=True)
class PlanForm:
    """What the technician picked or typed, as texts; empty where nothing was. compartment: a key of the list, or a name."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    compartment: Line
    vehicle: Line = ""
    capacity: Line = ""
    method: Line = ""
    grade: Line = ""
    grade_reason: Line = ""
    capacity_reason: Line = ""
    container: Line = ""
    compartment_type: Line = ""
    distance: Line = ""
    drained_fluid: Line = ""
    fresh_fluid: Line = ""
    technician: Line = ""
    tolerance_minus: Line = ""
    tolerance_plus: Line = ""

    def listed(self, compartments: Mapping[str, Compartment]) -> Compartment | None:
        """The compartment of the list that is meant, by its key or by both names."""
        key, named = (
            self.compartment.strip(),
            (self.vehicle.strip().casefold(), self.compartment.strip().casefold()),
        )
        each = compartments.values()
        return compartments.get(key) or next(
            (c for c in each if (c.vehicle.casefold(), c.compartment.casefold()) == named), None
        )

    def completed(self, one: Compartment | None) -> "PlanForm":
        """With what is listed of the compartment in the place of what was left empty. The grade that is listed stands whatever
        was typed: another fluid goes in with a reason."""
        typed = PlanForm(**{name: text.strip() for name, text in vars(self).items()})
        if one is None:
            return typed
        return replace(
            typed,
            compartment=one.compartment,
            vehicle=typed.vehicle or one.vehicle,
            capacity=typed.capacity or one.capacity,
            method=typed.method or one.method,
            grade=one.grade or typed.grade,
            compartment_type=typed.compartment_type or one.type,
        )


@dataclass(frozen=True)
class FluidOption:
    key: str
    name: str
    grade: str


@dataclass(frozen=True)
class PlanOptions:
    """What the plan form offers."""

    compartments: tuple[Compartment, ...]
    fluids: tuple[FluidOption, ...]
    methods: tuple[str, ...]
    technicians: tuple[str, ...]


def options(config: BayConfig) -> PlanOptions:
    """config: with the catalogue's entries in it."""
    return PlanOptions(
        tuple(config.compartments.values()),
        tuple(FluidOption(key, fluid.name or key, fluid.grade or "") for key, fluid in config.fluids.items()),
        tuple(RETAINED_BY_METHOD),
        config.technicians,
    )


def _distance_km(text: str) -> float | None:
    """The vehicle's distance; None where it was not typed."""
    if not text:
        return None
    try:
        return parse_distance_km(text)
    except ValueError as error:
        raise InputError(_("distance: {error}").format(error=error)) from error


def _fluid(config: BayConfig, field: str, key: str) -> Fluid:
    if key not in config.fluids:
        raise InputError(
            _("{field} is {key!r}; expected one of: {fluids}.").format(
                field=_(field), key=key, fluids=", ".join(config.fluids)
            )
        )
    return config.fluids[key]


def _grade_reason(form: PlanForm, fresh: Fluid) -> str:
    """Why another grade than the listed one goes in; empty where none does. Raises InputError where nobody says why."""
    if not form.grade or same_grade(fresh.grade or "", form.grade):
        return ""
    if not form.grade_reason:
        raise InputError(
            _(
                "{vehicle} {compartment} takes {grade}, the fluid picked is {picked}. Pick the right fluid; see the vehicle's service manual."
            ).format(
                vehicle=form.vehicle,
                compartment=form.compartment,
                grade=form.grade,
                picked=fresh.grade or _("of unknown grade"),
            )
        )
    return form.grade_reason


def _need_a_tolerance(spec: JobSpec) -> None:
    """Raises InputError for one so wide that a short fill would be called full."""
    widest_l = widest_tolerance_l(spec.capacity_l)
    for name, tolerance_l in (
        (NAMES["tolerance_minus"], spec.tolerance_minus_l),
        (NAMES["tolerance_plus"], spec.tolerance_plus_l),
    ):
        if tolerance_l > widest_l * (1.0 + 1e-9):
            raise InputError(
                _(
                    "{name}: {tolerance_l} L is {percent} % of the listed capacity; expected at most {widest_l} L. A fill that is further off is not full, whatever is planned."
                ).format(
                    name=_(name),
                    tolerance_l=number(tolerance_l, ".2f"),
                    percent=number(100.0 * tolerance_l / spec.capacity_l, ".0f"),
                    widest_l=number(widest_l, ".2f"),
                )
            )


def pan_small(spec: JobSpec, run: Settings, heard: Mapping[str, Any]) -> str | None:
    """What of a planned job will not fit into its pans; None where all does. heard: newest count of each; one that is not
    heard is taken to be empty."""
    pans = [("pan", spec.pan, run.pan_room_l), ("pan_b", spec.pan_b, run.pan_b_room_l)]
    fitted = [(name, line, rim_l) for name, line, rim_l in pans if line is not None]
    holds_kg = [line.indicated_kg(heard[name]) if name in heard else 0.0 for name, line, _r in fitted]
    found = warnings.too_much(spec, [rim_l for _name, _line, rim_l in fitted], holds_kg)
    return None if found is None else interlocks.text("pan_small", found)


def spec_from_form(config: BayConfig, form: PlanForm, lines: Lines) -> JobSpec:
    """Build the spec of a job. Raises InputError with a sentence for the person at the page.

    lines: those in force.
    """
    listed = form.listed(config.compartments)
    form = form.completed(listed)
    for name, text in ((_("vehicle"), form.vehicle), (_("compartment"), form.compartment)):
        if not text:
            raise InputError(
                _("{name} is empty; pick a compartment from the list or type both names.").format(name=name)
            )
    drained = _fluid(config, N_("drained_fluid"), form.drained_fluid)
    fresh = _fluid(config, N_("fresh_fluid"), form.fresh_fluid)
    reason = _grade_reason(form, fresh)
    if not form.capacity:
        raise InputError(_("capacity is empty; type the listed capacity with its unit, for instance 2.9 L."))
    labels = {
        "vehicle": form.vehicle,
        "compartment": form.compartment,
        "technician": form.technician,
        "grade": form.grade,
        "fluid": form.fresh_fluid,
        "container": form.container,
        "compartment_type": form.compartment_type,
        "plug": listed.plug if listed else "",
        "drained_fluid": drained.name or form.drained_fluid,
        "fresh_fluid": fresh.name or form.fresh_fluid,
    }
    facts: dict[str, Any] = {
        "calibration_due": lines.due,
        "distance_km": _distance_km(form.distance),
        "grade_reason": reason or None,
    }
    job = {
        "capacity": form.capacity,
        "method": form.method,
        "tolerance_minus": form.tolerance_minus or None,
        "tolerance_plus": form.tolerance_plus or None,
        "labels": {key: value for key, value in labels.items() if value},
        "certificates": dict(lines.certificates),
        **{name: value for name, value in facts.items() if value is not None},
    }
    spec = job_spec(
        read(JobTable, job, "plan", config.country, {key: _(name) for key, name in NAMES.items()}),
        "plan",
        drained=drained,
        fresh=fresh,
        pan=lines.pan,
        meter=lines.meter,
        air=config.air,
        pump=config.pump,
        pan_b=lines.pan_b,
    )
    _need_a_tolerance(spec)
    return spec
