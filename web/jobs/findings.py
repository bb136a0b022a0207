"""What a job's page says beyond its figures: likely causes, what would settle it, the drained fluid, photos."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from station.common.distance import format_distance
from station.common.units import format_torque, parse_torque_nm
from station.common.words import N_, _
from station.errors import InputError
from station.learning import cause as learned
from station.learning import condition
from station.record.archive import JobRecord
from station.shop import due
from station.shop.catalogue import Entry
from station.shop.shop import Causes
from web.frame import format as fmt
from web.frame.port import Engine
from web.live.contexts import ConditionWords

CAUSES = {
    "unit_mixup": N_("Unit mix-up"),
    "overflow": N_("Overflow"),
    "topped_up": N_("Topped up beyond the target"),
    "air": N_("Air in the line"),
    "meter_drift": N_("Meter drift"),
    "meter_due": N_("Meter due for proving"),
    "never_changed": N_("Fluid that was never changed"),
    "low_on_arrival": N_("Low on arrival"),
    "short_before": N_("Earlier short fill"),
    "retained": N_("Retained fluid"),
    "not_level": N_("Vehicle not level"),
    "listing": N_("Listed capacity against the shop's own jobs"),
}
NUMBERS = {
    "typed": N_("Unit typed in"),
    "meant": N_("Unit perhaps meant"),
    "meant_l": N_("In that unit"),
    "listed_l": N_("Listed"),
    "u95_l": "U95",
    "offset_percent": N_("Meter's offset"),
    "missing_l": N_("Missing on arrival"),
    "short_before_l": N_("Short at the job before"),
    "kept_l": N_("Stayed behind"),
    "topped_l": N_("Beyond the target"),
    "over_l": N_("Too much"),
    "runs": N_("Runs of the pump"),
    "short_l": N_("Short by"),
    "dripping_l": N_("Still to drip"),
    "difference_l": N_("From expected"),
    "distance_km": N_("Driven since"),
    "differs_l": N_("Beyond tolerance by"),
    "shop_mean_l": N_("Mean of the shop's jobs"),
    "n": N_("Jobs"),
}
"""Names of a cause's numbers; any other name is shown as it is."""


@dataclass(frozen=True)
class Fact:
    """about: what stands behind it, for whoever asks; "" where that is plain."""

    label: str
    value: str
    about: str = ""


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
class Findings:
    """settles: what would turn an undecided verdict into a verdict. torque: what set-up says and what was noted. fluid: the drained fluid's condition.

    not_judged: why no causes were looked for; empty where they were.
    """

    causes: Sequence[Cause]
    not_judged: str
    settles: Sequence[str]
    torque: Sequence[Fact]
    fluid: Sequence[Fact]
    readings: Sequence[str]
    photos: Sequence[Picture]
    words: ConditionWords


def _number(name: str, value: float | str | None) -> Fact | None:
    if value is None:
        return None
    label = _(NUMBERS.get(name, name.removesuffix("_l").replace("_", " ").capitalize()))
    if isinstance(value, str):
        return Fact(label, value)
    if name in ("n", "jobs"):
        return Fact(label, f"{value:.0f}")
    if name.endswith("_percent"):
        return Fact(label, fmt.percent(value))
    if name.endswith("_km"):
        return Fact(label, fmt.typed(format_distance(value)))
    return Fact(label, str(fmt.volume(value)))


def _cause(cause: learned.Cause) -> Cause:
    numbers = [_number(name, value) for name, value in cause.numbers.items()]
    return Cause(
        title=_(CAUSES.get(cause.kind, cause.kind.replace("_", " "))),
        certainty=_(cause.certainty),
        fits=fmt.decimal(cause.weight, 2),
        text=cause.text,
        numbers=[number for number in numbers if number is not None],
    )


def _fluid(noted: condition.Condition | None) -> list[Fact]:
    if noted is None:
        return []
    named = [
        (_("Colour"), _(noted.colour)),
        (_("Smell"), _(noted.smell)),
        (_("Metal on the magnet"), _(noted.metal)),
        (_("Milky"), _("yes") if noted.milky else _("no")),
        (_("Note"), noted.note),
    ]
    return [Fact(label, value) for label, value in named if value]


def _picture(job_id: str, photo: condition.KeptPhoto) -> Picture:
    said = ", ".join(part for part in (photo.text, photo.by) if part)
    when = fmt.moment(photo.utc)
    return Picture(f"/jobs/{quote(job_id)}/photos/{photo.name}", f"{said} · {when}" if said else when)


def noted_torque(job: JobRecord) -> list[str]:
    """The torques that the technician noted, in their order."""
    notes = (text.partition(":") for text in job.texts("note"))
    return [text.strip() for kind, _, text in notes if kind == "torque"]


def _listed(engine: Engine, job: JobRecord) -> Entry | None:
    """The compartment in the catalogue."""
    labels = job.labels
    return engine.catalogue().get("compartment", labels.get("vehicle", ""), labels.get("compartment", ""))


def _set_up(engine: Engine, job: JobRecord) -> dict[str, str]:
    """What set-up said of the compartment's plug and torque when the job was opened, as it was typed."""
    entry = _listed(engine, job)
    fields = {} if entry is None else entry.as_of(job.opened_utc)
    return {name: fields[name] for name in ("torque", "plug", "height_note") if fields.get(name)}


def _torque(set_up: Mapping[str, str], noted: Sequence[str]) -> list[Fact]:
    facts = [
        Fact(
            _("{label}, as entered in set-up").format(label=label),
            _in_nm(set_up[name]) if name == "torque" else set_up[name],
        )
        for name, label in (
            ("torque", _("Torque")),
            ("plug", _("Plug")),
            ("height_note", _("Height of the plug")),
        )
        if name in set_up
    ]
    if "torque" not in set_up:
        facts.insert(0, Fact(_("Torque, as entered in set-up"), _("none entered")))
    return [*facts, *(Fact(_("Torque noted at the job"), text) for text in noted or [_("none")])]


def _in_nm(text: str) -> str:
    """A torque as typed, and in N·m where that is another unit: the wrench may carry either."""
    shown = format_torque(parse_torque_nm(text), decimals=0)
    typed = " ".join(text.split())
    in_nm = typed.lstrip("0123456789./ ").casefold().startswith("n")
    return typed if in_nm else f"{typed} ({fmt.typed(shown)})"


@dataclass(frozen=True)
class Found:
    """What is known of a job beyond its figures. not_judged: why no causes were looked for; None where they were.

    settles: what would turn an undecided verdict into a verdict. set_up: what set-up said of plug and torque; torque: what
    was noted at the job.
    """

    causes: Sequence[learned.Cause]
    not_judged: str | None
    settles: Sequence[str]
    set_up: Mapping[str, str]
    torque: Sequence[str]
    noted: condition.Noted

    def to_dict(self) -> dict[str, Any]:
        return {
            "causes": [cause.to_dict() for cause in self.causes],
            "causes_not_judged": self.not_judged,
            "settles": self.settles,
            "torque": {"set_up": self.set_up, "noted": self.torque},
            **self.noted.to_dict(),
        }


def found(engine: Engine, job: JobRecord) -> Found:
    """Raises InputError for a job that has no report."""
    try:
        known, not_judged = engine.causes(job.job_id), None
    except InputError as error:  # a record that cannot be computed again can still be read
        known, not_judged = Causes(), str(error)
    listed = _listed(engine, job)
    with engine.reading() as ledger:
        first = listed is not None and due.is_first_change(ledger, listed, job.job_id)
        noted = condition.of_job(ledger, job.job_id, first)
    undecided = job.measured.verdict == "undecided" and job.measured.filled_l is not None
    settles = known.settles if undecided else ()
    return Found(known.causes, not_judged, settles, _set_up(engine, job), noted_torque(job), noted)


def findings(job_id: str, known: Found) -> Findings:
    return Findings(
        causes=[_cause(cause) for cause in known.causes],
        not_judged=known.not_judged or "",
        settles=known.settles,
        torque=_torque(known.set_up, known.torque),
        fluid=_fluid(known.noted.condition),
        readings=known.noted.findings,
        photos=[_picture(job_id, photo) for photo in known.noted.photos],
        words=ConditionWords(),
    )
