"""What came and went on the pan, in words: the questions on the bay page, the list on a job's record."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.bay.views import StepView
from station.given.report import PanStep
from station.record.archive import JobRecord
from web.frame import format as fmt

ANSWERS = {
    "gulp": (("fluid", "Fluid"), ("object", "Something laid in it")),
    "object": (("object", "A thing"), ("fluid", "It was fluid")),
    "flush": (("object", "Solvent"), ("fluid", "Fluid from the vehicle")),
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
    at = f"At {fmt.time_of_day(step.utc)}" if step.utc else f"At {step.t_s:.0f} s of this job"
    if step.kind == "gulp":
        return f"{at} the pan gained {fmt.grams(step.kg)} at once. Fluid, or something laid in it?"
    if step.kind == "object":
        return f"{at} {fmt.grams(step.kg)} landed on the pan at once, faster than fluid comes."
    return f"{at} more began to run into the pan than a drip can bring."


def _taken(step: PanStep) -> str:
    if step.says is not None:
        word = dict(ANSWERS[step.kind])[step.says] if step.kind in ANSWERS else step.says
        return f"{word}{_counted(step)}"
    if step.kind == "gulp":
        much = "counted as fluid" if step.counted_kg == step.kg else "half of it is counted"
        return f"Not known: {much}, and the doubt widens the uncertainty"
    return {
        "object": "Taken for a thing, not counted",
        "object_gone": "Taken off or moved, not counted",
        "pan_lifted": "Pan lifted, not counted",
        "pan_back": "Pan put back, not counted",
        "flush": "Taken for solvent, not counted",
        "burst": "Taken for solvent, not counted",
        "splash": "Taken for fluid, counted with some doubt",
        "struck": "Not known whether it stayed; the uncertainty is wider",
    }.get(step.kind, step.kind.replace("_", " "))


def _counted(step: PanStep) -> str:
    return ", counted" if step.says == "fluid" else ", not counted"


def questions(steps: Sequence[StepView]) -> list[Question]:
    """What the technician may say something about, newest first."""
    return [
        Question(
            step.id,
            _text(step),
            _taken(step),
            step.asked,
            [Choice(word, label, step.says == word) for word, label in ANSWERS[step.kind]],
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
        return "nothing but fluid"
    things = len(weighed) - counted
    parts = [
        f"{things} taken for things, not counted" if things else "",
        f"{counted} counted" if counted else "",
    ]
    return "; ".join(part for part in parts if part) + (f"; {told} as the technician said" if told else "")


_WHAT = {
    "gulp": "gained within seconds",
    "object": "landed at once",
    "object_gone": "went at once",
    "pan_lifted": "pan off its cells",
    "pan_back": "pan back on its cells",
    "flush": "more than a drip began to run in",
    "burst": "a burst of what ran in",
    "splash": "gained in the stream",
    "struck": "struck under the stream",
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
            by = f"answered at the bay, {fmt.moment(answer.utc)}"
            if answer.by:  # whoever was signed in then, whosever job it is
                by += f", by {answer.by}"
            elif technician:
                by += f", technician of the job: {technician}"
        else:
            by = "answered in the job's file" if step.says is not None else "the station, nobody answered"
        what = _WHAT.get(step.kind, step.kind)
        amount = f"{fmt.grams(step.kg, signed=True)}, " if step.kg else ""
        at = seen.get(step.id)
        rows.append(Came(fmt.moment(None if at is None else at.utc), f"{amount}{what}", _taken(step), by))
    return rows
