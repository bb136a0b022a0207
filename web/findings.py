"""What a job's page says beyond its figures: likely causes, what would settle it, the drained fluid, photos."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from station import condition
from station.errors import InputError
from web import format as fmt
from web.port import Engine

CAUSES = {
    "unit_mixup": "Unit mix-up",
    "overflow": "Overflow",
    "air": "Air in the line",
    "meter_drift": "Meter drift",
    "meter_due": "Meter due for proving",
    "never_changed": "Fluid that was never changed",
    "low_on_arrival": "Low on arrival",
    "short_before": "Earlier short fill",
    "retained": "Retained fluid",
    "not_level": "Vehicle not level",
    "listing": "Listed capacity against the shop's own jobs",
}
NUMBERS = {
    "typed": "Unit typed in",
    "meant": "Unit perhaps meant",
    "meant_l": "In that unit",
    "listed_l": "Listed",
    "u95_l": "U95",
    "offset_percent": "Meter's offset",
    "missing_l": "Missing on arrival",
    "short_before_l": "Short at the job before",
    "kept_l": "Stayed behind",
    "short_l": "Short by",
    "dripping_l": "Still to drip",
    "difference_l": "From expected",
    "distance_km": "Driven since",
    "differs_l": "Beyond tolerance by",
    "shop_mean_l": "Mean of the shop's jobs",
    "n": "Jobs",
}
"""Names of a cause's numbers; any other name is shown as it is."""


@dataclass(frozen=True)
class Fact:
    label: str
    value: str


@dataclass(frozen=True)
class Cause:
    """certainty: "likely" or "possible". fits: how well the numbers fit, 0 to 1."""

    title: str
    certainty: str
    fits: str
    text: str
    numbers: Sequence[Fact]


@dataclass(frozen=True)
class Picture:
    address: str
    text: str


@dataclass(frozen=True)
class Words:
    """What a condition is picked from."""

    colours: Sequence[str] = condition.COLOURS
    smells: Sequence[str] = condition.SMELLS
    metal: Sequence[str] = condition.METAL


WORDS = Words()


@dataclass(frozen=True)
class Findings:
    """settles: what would turn an undecided verdict into a verdict. fluid: the drained fluid's condition.

    not_judged: why no causes were looked for; empty where they were.
    """

    causes: Sequence[Cause]
    not_judged: str
    settles: Sequence[str]
    fluid: Sequence[Fact]
    readings: Sequence[str]
    photos: Sequence[Picture]
    words: Words


def _number(name: str, value: float | str | None) -> Fact | None:
    if value is None:
        return None
    label = NUMBERS.get(name, name.removesuffix("_l").replace("_", " ").capitalize())
    if isinstance(value, str):
        return Fact(label, value)
    if name in ("n", "jobs"):
        return Fact(label, f"{value:.0f}")
    if name.endswith("_percent"):
        return Fact(label, fmt.percent(value))
    if name.endswith("_km"):
        return Fact(label, f"{value:,.0f}{fmt.TIE}km")
    return Fact(label, str(fmt.volume(value)))


def _cause(cause: Mapping[str, Any]) -> Cause:
    numbers = [_number(name, value) for name, value in cause["numbers"].items()]
    return Cause(
        title=CAUSES.get(cause["kind"], cause["kind"].replace("_", " ")),
        certainty=cause["certainty"],
        fits=fmt.decimal(cause["weight"], 2),
        text=cause["text"],
        numbers=[number for number in numbers if number is not None],
    )


def _fluid(noted: Mapping[str, Any] | None) -> list[Fact]:
    if noted is None:
        return []
    named = [
        ("Colour", noted["colour"]),
        ("Smell", noted["smell"]),
        ("Metal on the magnet", noted["metal"]),
        ("Milky", "yes" if noted["milky"] else "no"),
        ("Note", noted["note"]),
    ]
    return [Fact(label, value) for label, value in named if value]


def _picture(job_id: str, photo: Mapping[str, Any]) -> Picture:
    said = ", ".join(part for part in (photo["text"], photo["by"]) if part)
    when = fmt.moment(photo["utc"])
    return Picture(f"/jobs/{quote(job_id)}/photos/{photo['name']}", f"{said} · {when}" if said else when)


def found(engine: Engine, job: Mapping[str, Any]) -> dict[str, Any]:
    """Causes, what settles an undecided verdict, condition and photos of a job, as plain data."""
    try:
        known, not_judged = engine.causes(job["job_id"]), None
    except InputError as error:  # a record that cannot be computed again can still be read
        known, not_judged = {"causes": [], "settles": []}, str(error)
    with engine.reading() as ledger:
        noted = condition.of_job(ledger, job["job_id"])
    report = job["report"]
    undecided = report["verdict"] == "undecided" and report["filled_l"] is not None
    settles = known["settles"] if undecided else []
    return {"causes": known["causes"], "causes_not_judged": not_judged, "settles": settles, **noted}


def findings(job_id: str, known: Mapping[str, Any]) -> Findings:
    """known: as ``found``."""
    return Findings(
        causes=[_cause(cause) for cause in known["causes"]],
        not_judged=known["causes_not_judged"] or "",
        settles=known["settles"],
        fluid=_fluid(known["condition"]),
        readings=known["findings"],
        photos=[_picture(job_id, photo) for photo in known["photos"]],
        words=WORDS,
    )
