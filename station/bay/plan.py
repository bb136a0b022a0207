"""From what the technician picked or typed to a job's spec."""

from collections.abc import Mapping
from typing import Any

from calibration.fluid import Fluid
from station.calibrating.calibration_desk import Lines
from station.common.distance import parse_distance_km
from station.common.schema import read
from station.errors import InputError
from station.given.config import BayConfig
from station.given.job import RETAINED_BY_METHOD, JobSpec, JobTable, job_spec

NAMES = {
    "capacity": "Listed capacity",
    "method": "Emptied by",
    "tolerance_minus": "Tolerance below",
    "tolerance_plus": "Tolerance above",
}
"""What the plan's fields are called on the page."""


def options(config: BayConfig) -> dict[str, Any]:
    """What the plan form offers."""
    names = ("key", "vehicle", "compartment", "capacity", "grade", "method", "plug", "type")
    return {
        "compartments": [{n: getattr(c, n) for n in names} for c in config.compartments.values()],
        "fluids": [
            {"key": key, "name": fluid.name or key, "grade": fluid.grade or ""}
            for key, fluid in config.fluids.items()
        ],
        "methods": list(RETAINED_BY_METHOD),
        "technicians": list(config.technicians),
    }


def _text(form: Mapping[str, Any], key: str, default: str = "") -> str:
    value = form.get(key, default)
    if not isinstance(value, str) or len(value) > 200:
        raise InputError(f"{key} is {str(value)[:60]!r}; expected a text of at most 200 characters.")
    return value.strip() or default


def _distance_km(form: Mapping[str, Any]) -> float | None:
    """The vehicle's distance; None where it was not typed."""
    text = _text(form, "distance")
    if not text:
        return None
    try:
        return parse_distance_km(text)
    except ValueError as error:
        raise InputError(f"distance: {error}") from error


def _fluid(config: BayConfig, form: Mapping[str, Any], key: str) -> Fluid:
    name = _text(form, key)
    if name not in config.fluids:
        raise InputError(f"{key} is {name!r}; expected one of: {', '.join(config.fluids)}.")
    return config.fluids[name]


def spec_from_form(config: BayConfig, form: Mapping[str, Any], lines: Lines) -> JobSpec:
    """Build the spec of a job. Raises InputError with a sentence for the person at the page.

    lines: those in force.
    """
    listed = config.compartments.get(_text(form, "compartment"))
    labels = {
        "vehicle": _text(form, "vehicle", listed.vehicle if listed else ""),
        "compartment": listed.compartment if listed else _text(form, "compartment"),
        "technician": _text(form, "technician"),
        "grade": _text(form, "grade", listed.grade if listed else ""),
        "fluid": _text(form, "fresh_fluid"),
        "container": _text(form, "container"),
        "compartment_type": _text(form, "compartment_type", listed.type if listed else ""),
        "plug": listed.plug if listed else "",
    }
    for key in ("vehicle", "compartment"):
        if not labels[key]:
            raise InputError(f"{key} is empty; pick a compartment from the list or type both names.")
    drained, fresh = _fluid(config, form, "drained_fluid"), _fluid(config, form, "fresh_fluid")
    reason = ""
    if labels["grade"] and fresh.grade != labels["grade"]:
        reason = _text(form, "grade_reason")
        if not reason:
            raise InputError(
                f"{labels['vehicle']} {labels['compartment']} takes {labels['grade']}, the fluid picked is "
                f"{fresh.grade or 'of unknown grade'}. Pick the right fluid; see the vehicle's service manual."
            )
    labels["drained_fluid"] = drained.name or str(form["drained_fluid"])
    labels["fresh_fluid"] = fresh.name or str(form["fresh_fluid"])
    job: dict[str, Any] = {
        "capacity": _text(form, "capacity", listed.capacity if listed else ""),
        "method": _text(form, "method", listed.method if listed else ""),
        "tolerance_minus": _text(form, "tolerance_minus", "0.10 L"),
        "tolerance_plus": _text(form, "tolerance_plus", "0.10 L"),
        "labels": {key: value for key, value in labels.items() if value},
    }
    if not job["capacity"]:
        raise InputError("capacity is empty; type the listed capacity with its unit, for instance 2.9 L.")
    if lines.due is not None:
        job["calibration_due"] = lines.due
    distance_km = _distance_km(form)
    if distance_km is not None:
        job["distance_km"] = distance_km
    if reason:
        job["grade_reason"] = reason
    job["certificates"] = dict(lines.certificates)
    return job_spec(
        read(JobTable, job, "plan", config.country, NAMES),
        "plan",
        drained=drained,
        fresh=fresh,
        pan=lines.pan,
        meter=lines.meter,
        air=config.air,
        pump=config.pump,
    )
