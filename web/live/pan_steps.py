"""What came and went on the pan, in words: the questions on the bay page, the list on a job's record."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.bay.views import StepView
from station.common.words import N_, _
from station.core import second_pan
from station.given.report import PanStep
from station.record.archive import JobRecord
from web.frame import format as fmt

ANSWERS = {
    "gulp": (("fluid", N_("Fluid")), ("object", N_("Something laid in it"))),
    "object": (("object", N_("A thing")), ("fluid", N_("It was fluid"))),
    "flush": (("object", N_("Solvent")), ("fluid", N_("Fluid from the vehicle"))),
}
"""By a step's kind: the words that the station takes, as a person says them."""


@dataclass(frozen=True)
class Choice:
    word: str
    label: str
    chosen: bool


@dataclass(frozen=True)
class Question:
    """One step on the pan. open: it waits for an answer. taken: what it counts as now."""

    id: str
    text: str
    taken: str
    open: bool
    choices: Sequence[Choice]


@dataclass(frozen=True)
class Came:
    """A line of the record. by: who said what it was."""

    when: str
    what: str
    taken: str
    by: str


def _text(step: StepView) -> str:
    return second_pan.in_its_name(_of_step(step)) if second_pan.owns(step.id) else _of_step(step)


def _of_step(step: StepView) -> str:
    at = (
        _("At {time}").format(time=fmt.time_of_day(step.utc))
        if step.utc
        else _("At {t:.0f} s of this job").format(t=step.t_s)
    )
    if step.kind == "gulp":
        return _("{at} the pan gained {mass} at once. Fluid, or something laid in it?").format(
            at=at, mass=fmt.grams(step.kg)
        )
    if step.kind == "object":
        return _("{at} {mass} landed on the pan at once, faster than fluid comes.").format(
            at=at, mass=fmt.grams(step.kg)
        )
    return _("{at} more began to run into the pan than a drip can bring.").format(at=at)


def _taken(step: PanStep) -> str:
    if step.says is not None:
        word = _(dict(ANSWERS[step.kind])[step.says] if step.kind in ANSWERS else step.says)
        counted = _("{word}, counted") if step.says == "fluid" else _("{word}, not counted")
        return counted.format(word=word)
    if step.kind == "gulp":
        much = _("counted as fluid") if step.counted_kg == step.kg else _("half of it is counted")
        return _("Not known: {much}, and the doubt widens the uncertainty").format(much=much)
    return {
        "object": _("Taken for a thing, not counted"),
        "object_gone": _("Taken off or moved, not counted"),
        "pan_lifted": _("Pan lifted, not counted"),
        "pan_back": _("Pan put back, not counted"),
        "flush": _("Taken for solvent, not counted"),
        "burst": _("Taken for solvent, not counted"),
        "splash": _("Taken for fluid, counted with some doubt"),
        "struck": _("Not known whether it stayed; the uncertainty is wider"),
    }.get(step.kind, step.kind.replace("_", " "))


def questions(steps: Sequence[StepView]) -> list[Question]:
    """What the technician may say something about, newest first."""
    return [
        Question(
            step.id,
            _text(step),
            _taken(step),
            step.asked,
            [Choice(word, _(label), step.says == word) for word, label in ANSWERS[step.kind]],
        )
        for step in reversed(steps)
        if step.may_answer
    ]


def summary(steps: Sequence[PanStep]) -> str:
    """One line for paper: what of all that came counts, and how much of that the technician has said."""
    asked = [step for step in steps if step.may_answer]
    weighed = [step for step in asked if step.kg]
    counted = sum(1 for step in weighed if step.counted_kg != 0.0)
    told = sum(1 for step in asked if step.says is not None)
    if not weighed:
        return _("nothing but fluid")
    things = len(weighed) - counted
    parts = [
        _("{n} taken for things, not counted").format(n=things) if things else "",
        _("{n} counted").format(n=counted) if counted else "",
    ]
    if told:
        parts.append(_("{n} as the technician said").format(n=told))
    return "; ".join(part for part in parts if part)


_WHAT = {
    "gulp": N_("gained within seconds"),
    "object": N_("landed at once"),
    "object_gone": N_("went at once"),
    "pan_lifted": N_("pan off its cells"),
    "pan_back": N_("pan back on its cells"),
    "flush": N_("more than a drip began to run in"),
    "burst": N_("a burst of what ran in"),
    "splash": N_("gained in the stream"),
    "struck": N_("struck under the stream"),
}


def came(job: JobRecord, steps: Sequence[PanStep]) -> list[Came]:
    """What the record says of each step. steps: of the job's report."""
    seen, told = (
        {event.text.partition(":")[0]: event for event in job.events if event.kind == kind}
        for kind in ("step", "answer")
    )
    technician = job.labels.get("technician")
    rows = []
    for step in steps:
        if step.id in told:
            answer = told[step.id]
            by = _("answered at the bay, {when}").format(when=fmt.moment(answer.utc))
            if answer.by:  # whoever was signed in then, whosever job it is
                by = _("{what}, by {name}").format(what=by, name=answer.by)
            elif technician:
                by = _("{what}, technician of the job: {name}").format(what=by, name=technician)
        else:
            by = (
                _("answered in the job's file")
                if step.says is not None
                else _("the station, nobody answered")
            )
        what = _(_WHAT.get(step.kind, step.kind))
        if second_pan.owns(step.id):
            what = second_pan.in_its_name(what)
        amount = f"{fmt.grams(step.kg, signed=True)}, " if step.kg else ""
        at = seen.get(step.id)
        rows.append(Came(fmt.moment(None if at is None else at.utc), f"{amount}{what}", _taken(step), by))
    return rows
